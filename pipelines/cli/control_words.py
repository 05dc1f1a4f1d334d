"""What a control chart says: the one sentence, the rows of its table, what goes with it."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Any

from pipelines.cli.common import day, number
from pipelines.steps.control_figures import NAMES, cause_words
from pipelines.steps.control_series import FEW, SETS, WHOLE

if TYPE_CHECKING:
    from pipelines.steps.control_rigs import RigVisits
    from pipelines.steps.control_series import Asked, Charted
    from pipelines.steps.control_visits import GroupVisits
    from wearlab.charts.control_series import ControlFigure


def answer(visits: GroupVisits, one: Charted, asked: Asked) -> str:
    """The one sentence: whose chart, how many tests, how many outside, where the last one lies."""
    where = "" if one.name == WHOLE else f" {one.name}"
    head = f"{visits.vehicle}{where}, {visits.test}"
    if one.name == WHOLE:
        head += ", what a whole visit shares"
    if one.chart is None:
        reason = visits.no_answer or one.no_answer or ""
        return f"{head}: no chart: {reason}."
    count = f"{one.count} test{'' if one.count == 1 else 's'}"
    outside = len(one.signals)
    last = max(t for t in range(len(visits.days)) if isfinite(one.statistic[t]))
    beyond = int((one.bound != 0).sum())
    if beyond:
        count += f" and {beyond} beyond the scale"
    told = f"{head}: {count}, {outside or 'none'} outside"
    if outside:
        told += f" (last on {day(visits.days[int(one.signals[-1])])})"
    if asked.chart == "individuals" and one.scale is not None:
        z = (one.values[last] - one.scale.mean) / one.scale.sd
        level = "" if one.unit == "sd" else f"{number(one.values[last], 1)} {one.unit}, "
        return f"{told}, last at {level}{z:+.1f} sd."
    limit = one.limits[1][last]
    return f"{told}, last {NAMES[asked.chart]} {one.statistic[last]:.1f} with its limit at {limit:.1f}."


def heads(asked: Asked, one: Charted) -> list[str]:
    """Names of the columns."""
    if asked.chart in SETS:
        return ["date", "odometer, km", "parts read", NAMES[asked.chart], "limit", "furthest off", "signal"]
    first = f"value, {one.unit}"
    statistic = {"individuals": "sd from centre", "ewma": "EWMA", "cusum": "CUSUM, sd"}[asked.chart]
    return ["date", "odometer, km", first, "centre", "lower", "upper", statistic, "signal"]


def rows(visits: GroupVisits, one: Charted, asked: Asked) -> list[list[str]]:
    """One row a test that was read, beyond the scale or not."""
    if one.chart is None:
        return []
    lower, upper = one.limits
    told = []
    for t, on in enumerate(visits.days):
        read = isfinite(one.statistic[t])
        if not read and not one.bound[t]:
            continue
        lead = [day(on), number(_plain(visits.odometer_km[t]), 0)]
        mark = _mark(visits, one, t)
        if asked.chart in SETS:
            told.append([*lead, f"{one.values[t]:.0f}", f"{one.statistic[t]:.1f}", f"{upper[t]:.1f}",
                         one.furthest[t] if one.furthest else "", mark])  # fmt: skip
            continue
        value = "beyond scale" if one.bound[t] else _figure(one.values[t], one.unit)
        centre = 0.0 if asked.chart == "cusum" else one.chart.centre[t]
        statistic = one.statistic[t]
        if asked.chart == "individuals" and one.scale is not None:
            statistic = (statistic - one.scale.mean) / one.scale.sd
        unit = "sd" if asked.chart == "cusum" else one.unit
        shown = f"{statistic:+.1f}" if asked.chart != "ewma" else _figure(statistic, one.unit)
        told.append([*lead, value, *(_figure(each, unit) for each in (centre, lower[t], upper[t])),
                     shown if read else "-", mark])  # fmt: skip
    return told


def about(one: Charted, asked: Asked, visits: GroupVisits) -> list[str]:
    """What has to be said beside the table."""
    if one.chart is None:
        return []
    told = []
    if one.chance is not None:
        told.append(f"By chance alone a chart of {one.count} tests goes outside in {100 * one.chance:.2g} % of cases.")
    if asked.of != "innovations":
        told.append("Wear moves such readings, and a trend trips this chart without a cause: --of innovations is the "
                    "better series.")  # fmt: skip
        if one.count < FEW:
            told.append(f"Centre and limits come from {one.count} tests, which is few: they are themselves uncertain, "
                        "and so is the chance above.")  # fmt: skip
        if one.renewed.size:
            told.append(f"Tests since {day(visits.days[int(one.renewed[-1])])} only: before it another part was read.")
        if asked.of == "corrected" and visits.reference:
            told.append(f"Readings under {visits.reference}.")
    elif one.count < 5:
        told.append("Few tests: a change has hardly had the chance to show yet.")
    if one.left_out:
        told.append(
            f"{one.left_out} more test{'' if one.left_out == 1 else 's'} of this part "
            f"{'is' if one.left_out == 1 else 'are'} not in the wear model (no usable odometer, or outside the range "
            "of correction) and so not on this chart."
        )
    for name, places in one.ruled:
        if len(places):
            told.append(f"Run rule, {name}: {', '.join(day(visits.days[int(t)]) for t in places)}.")
    if one.price is not None:
        price = one.price
        each = "; ".join(f"{rule.rule.name} +{100 * rule.added:.2g} %" for rule in price.rules)
        told.append(
            f"What the run rules cost: without any cause {100 * price.everything:.2g} % of such charts signal, against "
            f"{100 * price.limits:.2g} % by the limits alone ({each})."
        )
    return told


def charted_json(visits: GroupVisits, one: Charted, asked: Asked) -> dict[str, Any]:
    """A chart as JSON: its points with centre, limits, statistic and signal."""
    lower, upper = one.limits
    points = []
    for t, on in enumerate(visits.days):
        if not isfinite(one.statistic[t]) and not one.bound[t]:
            continue
        points.append(
            {
                "date": on,
                "odometer_km": _plain(visits.odometer_km[t]),
                "value": None if one.bound[t] else _plain(one.values[t]),
                "bound": {1: "at_least", -1: "at_most"}.get(int(one.bound[t])),
                "centre": None if one.chart is None else _plain(one.chart.centre[t]),
                "lower": _plain(lower[t]),
                "upper": _plain(upper[t]),
                "statistic": _plain(one.statistic[t]),
                "outside": bool(t in one.signals),
                "since": visits.days[int(one.since[t])] if one.since is not None and one.since[t] >= 0 else None,
                "furthest": one.furthest[t] if one.furthest else None,
                "causes": _causes(visits, one, t),
            }
        )
    return {
        "vehicle": visits.vehicle,
        "measure": visits.measure,
        "protocol": visits.protocol,
        "position": one.position,
        "chart": asked.chart,
        "of": asked.of,
        "unit": one.unit,
        "sentence": answer(visits, one, asked),
        "no_answer": None if one.chart is not None else visits.no_answer or one.no_answer,
        "mean": None if one.scale is None else one.scale.mean,
        "sd": None if one.scale is None else one.scale.sd,
        "false_chance": one.chance,
        "rules": {name: [visits.days[int(t)] for t in places] for name, places in one.ruled},
        "rules_chance": None if one.price is None else one.price.everything,
        "points": points,
    }


def rig_answer(visits: RigVisits, figure: ControlFigure) -> str:
    """The one sentence of a rig or tube."""
    panel = figure.main
    if panel is None or not panel.points:
        return f"{figure.subject}: nothing was read."
    out = [point for point in panel.points if point.outside]
    last = panel.points[-1]
    told = f"{len(panel.points)} {figure.each}s, {len(out) or 'none'} outside"
    if out:
        worst = max(out, key=lambda point: abs(point.value or 0.0))
        told += f", furthest about {day(worst.day)} at {worst.value or 0.0:+.1f} %"
    return f"{figure.subject}: {told}, last at {last.value or 0.0:+.1f} %."


def rig_rows(visits: RigVisits, tube: str | None) -> list[list[str]]:
    """One row a stretch of time."""
    one = visits.whole if tube is None else next((each for each in visits.tubes if each.name == tube), None)
    if one is None:
        return []
    told = []
    for k in range(len(one.days)):
        value, reach = one.chart.statistic[k], one.chart.upper[k]
        told.append(
            [
                day(one.first[k]), day(one.last[k]), str(one.tests[k]), str(one.readings[k]), f"{value:+.1f}",
                f"{one.low[k]:+.1f} to {one.high[k]:+.1f}", f"{-reach:+.1f} to {reach:+.1f}",
                "outside" if k in one.chart.signals else "",
            ]
        )  # fmt: skip
    return told


def rig_json(visits: RigVisits, tube: str | None) -> dict[str, Any]:
    """A rig, or one of its tubes, as JSON."""
    chosen = [visits.whole, *visits.tubes] if tube is None else [one for one in visits.tubes if one.name == tube]
    return {
        "rig": visits.rig,
        "measure": visits.measure,
        "protocol": visits.protocol,
        "base": visits.base,
        "calibrations": list(visits.calibrations),
        "signals": [{"detected_on": one["detected_on"], "cause": cause_words(one)} for one in visits.signals],
        "series": [
            {
                "tube": None if one is visits.whole else one.name,
                "points": [
                    {
                        "from": one.first[k],
                        "to": one.last[k],
                        "tests": int(one.tests[k]),
                        "readings": int(one.readings[k]),
                        "percent": _plain(one.chart.statistic[k]),
                        "low": _plain(one.low[k]),
                        "high": _plain(one.high[k]),
                        "limit": _plain(one.chart.upper[k]),
                        "outside": bool(k in one.chart.signals),
                    }
                    for k in range(len(one.days))
                ],
            }
            for one in chosen
            if one is not None
        ],
    }


def _mark(visits: GroupVisits, one: Charted, t: int) -> str:
    words = ["outside"] if t in one.signals else []
    if words and one.since is not None and one.since[t] >= 0:
        words = [f"outside, since {day(visits.days[int(one.since[t])])}"]
    if t in one.renewed:
        words.append("new part")
    words += ["run rule"] * any(t in places for _, places in one.ruled)
    return "; ".join([*words, *(f"signal: {cause}" for cause in _causes(visits, one, t))])


def _causes(visits: GroupVisits, one: Charted, t: int) -> list[str]:
    return [
        cause_words(signal)
        for signal in visits.signals
        if signal["detected_on"] == visits.days[t] and one.position == (signal["position"] or "set")
    ]


def _figure(value: float, unit: str) -> str:
    if not isfinite(value):
        return "-"
    return f"{value:+.1f}" if unit == "sd" else f"{value:,.2f}" if abs(value) < 10 else f"{value:,.1f}"


def _plain(value: float) -> float | None:
    return float(value) if isfinite(value) else None
