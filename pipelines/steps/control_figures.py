"""From charted series to a figure: points with their causes, what is written below the title, files."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipelines.steps.calibrations import calibrated_on
from pipelines.steps.control_rigs import RigSeries, RigVisits, group_rig
from pipelines.steps.control_series import SETS, WHOLE, Asked, Charted, Kind, charts
from pipelines.steps.control_visits import GroupVisits, group_visits
from pipelines.steps.signal_words import size_alone
from pipelines.steps.signals import SignalsTold
from pipelines.steps.wear_data import GroupData
from wearlab.charts.control_series import ControlFigure, ControlPanel, ControlPoint
from wearlab.charts.series import Mark
from wearlab.charts.words import position_words
from wearlab.config import Settings
from wearlab.errors import InputError
from wearlab.language import _, msg, number
from wearlab.lives.odometer import day_of
from wearlab.store.database import Database
from wearlab.wear.results import WearFit

if TYPE_CHECKING:
    pass

#: names of the charts as a reader knows them
NAMES: dict[Kind, str] = {
    "individuals": msg("single values"),
    "ewma": msg("EWMA"),
    "cusum": msg("CUSUM"),
    "tsquared": msg("T-squared"),
    "mewma": msg("MEWMA"),
}
OF_WORDS = {
    "innovations": msg("what each test showed beyond what earlier ones foretold"),
    "readings": msg("readings as measured"),
    "corrected": msg("readings under reference conditions"),
}
_HIGH = {
    "month": msg(
        "what its tests of a month read high, %, with 90 % interval, against all other tests of these vehicles"
    ),
    "day": msg("what its tests of a day read high, %, with 90 % interval, against all other tests of these vehicles"),
}
_TUBE_HIGH = {
    "month": msg("what this tube read high in a month, %, with 90 % interval, against its neighbours and other tests"),
    "day": msg("what this tube read high in a day, %, with 90 % interval, against its neighbours and other tests"),
}
#: causes of signals in a few words
_CAUSES = {
    "reading": msg("one reading off"),
    "step": msg("step"),
    "wear": msg("other rate of wear"),
    "visit": msg("visit off as a whole"),
    "vehicle": msg("all parts moved"),
    "rig": msg("rig reads off"),
    "tube": msg("tube reads off"),
    "month": msg("month's tests off"),
}
_BOUND = {1: "at_least", -1: "at_most"}


def vehicle_figure(visits: GroupVisits, made: Sequence[Charted], asked: Asked) -> ControlFigure:
    """The figure of a part (one chart), of a set (its chart, parts below) or of a vehicle (whole visits, parts below).

    Of a set, `made` may hold the charts of its parts after that of the set.
    """
    panels = [_panel(visits, one, asked) for one in made]
    single = len(panels) == 1
    main = panels[0] if single or made[0].position == "set" else None
    where = f" {panels[0].name}" if single and made[0].position != "set" else ""
    about = _("{chart} of {values}", chart=_(NAMES[asked.chart]), values=_(OF_WORDS[asked.of]))
    known = [one.chance for one in made if one.chance is not None]
    lines = [about]
    if known:
        share = number(100 * max(known), 1)
        lines.append(_("by chance alone a chart goes outside its limits in {share} % of cases", share=share))
    if asked.of != "innovations":
        lines.append(_("wear moves such readings: a trend alone trips this chart"))
    if len(made) > 1 and asked.chart in SETS:
        lines.append(_("below: single values of each part"))
    if main is not None and any(point.beside is not None for point in main.points):
        lines.append(_("dashes: the same beside the other parts of that test"))
    return ControlFigure(
        subject=f"{visits.vehicle}{where}: {visits.test}",
        lines=tuple(lines),
        main=main,
        small=tuple(panels[1:] if main is not None else panels),
    )


def signal_figure(
    db: Database, settings: Settings, group: GroupData, fit: WearFit, told: SignalsTold, signal: dict[str, Any]
) -> ControlFigure | None:
    """The figure of one signal of a fitted group: of its part, its vehicle, its rig or its tube; None of a month."""
    if signal["vehicle"] is not None:
        visits = group_visits(group, fit, str(signal["vehicle"]), told)
        made = charts(visits, Asked(), told.budget.limit)
        position = signal["position"]
        kept = [one for one in made if position is None or one.position == position]
        return vehicle_figure(visits, kept, Asked()) if kept else None
    if signal["rig"] is None:
        return None
    days = calibrated_on(db, settings, told.as_of).get(str(signal["rig"]), ())
    calibrated = tuple(day_of(day) for day in days)
    tube = signal["channel"]
    return rig_figure(group_rig(db, group, fit, str(signal["rig"]), calibrated, told, tube=tube), tube)


def rig_figure(visits: RigVisits, tube: str | None = None) -> ControlFigure:
    """The figure of a rig with its tubes below, or of one tube."""
    if visits.whole is None:
        raise InputError(f"rig {visits.rig}, {visits.test}: {visits.no_answer}")
    each = "month" if visits.monthly else "day"
    marks = tuple(Mark(day, _("calibration")) for day in visits.calibrations)
    lines = [_(_HIGH[each])]
    if visits.base:
        lines.append(_("in the wear model one calibration period of this rig stands for reading true"))
    if tube is not None:
        chosen = next((one for one in visits.tubes if one.name == tube), None)
        if chosen is None:
            known = ", ".join(one.name for one in visits.tubes) or "none"
            raise InputError(f'rig {visits.rig} has no tube "{tube}" in {visits.test}; sheets name {known}')
        lines[0] = _(_TUBE_HIGH[each])
        main, small = _rig_panel(chosen, visits, _("tube {tube}", tube=tube)), ()
        subject = _("Rig {rig}, tube {tube}: {test}", rig=visits.rig, tube=tube, test=visits.test)
        return ControlFigure(subject, tuple(lines), main, small, marks, each, False)
    main = _rig_panel(visits.whole, visits, _("all tubes"))
    tubes = tuple(_rig_panel(one, visits, _("tube {tube}", tube=one.name)) for one in visits.tubes)
    subject = _("Rig {rig}: {test}", rig=visits.rig, test=visits.test)
    return ControlFigure(subject, tuple(lines), main, tubes, marks, each, False)


def save(figure: ControlFigure, path: Path) -> None:
    """Write a figure as SVG, PNG or PDF, by the ending of the file's name.

    Raises
    ------
    InputError
        The ending is none of these, or the file cannot be written.
    """
    from pipelines.steps.figure_file import Drawing, save_figure
    from wearlab.charts.control import control_figure
    from wearlab.charts.control_series import describe

    save_figure(Drawing(figure.subject, describe(figure), lambda: control_figure(figure)), path)


def _panel(visits: GroupVisits, one: Charted, asked: Asked) -> ControlPanel:
    in_sd = one.unit == "sd"
    set_chart = asked.chart in SETS and one.position == "set"
    unit = _("T-squared") if set_chart else "sd" if in_sd or asked.chart == "cusum" else one.unit
    centre = None if set_chart else 0.0 if asked.chart == "cusum" or one.scale is None else one.scale.mean
    plain = asked.chart == "individuals" and asked.of == "innovations"
    lower, upper = one.limits
    outside = set(one.signals.tolist())
    causes = _causes(visits, one)
    # beside nothing else it is the same again
    aside = plain and bool(np.nanmax(np.abs(one.beside - one.values), initial=0.0) > 1e-6)
    points = []
    for t, day in enumerate(visits.days):
        value = _number(one.statistic[t])
        bound = _BOUND.get(int(one.bound[t]))
        if value is None and bound is None:
            continue
        points.append(
            ControlPoint(
                day=day,
                value=value,
                lower=_number(lower[t]),
                upper=_number(upper[t]),
                outside=t in outside,
                beside=_number(one.beside[t]) if aside and value is not None else None,
                bound=bound,
                odometer_km=_number(visits.odometer_km[t]),
                cause=causes.get(day, ""),
            )
        )
    return ControlPanel(
        name=_(WHOLE) if one.name == WHOLE else one.name,
        unit=unit,
        points=tuple(points),
        centre=centre,
        position=one.position,
        digits=1 if unit != one.unit or in_sd or set_chart else _digits(one.statistic),
        marks=tuple(Mark(visits.days[t], _("new {part}", part=position_words(one.position))) for t in one.renewed),
        signed=unit == "sd",
    )


def _causes(visits: GroupVisits, one: Charted) -> dict[date, str]:
    """The signals that were raised on the days of a chart, in a few words."""
    told: dict[date, list[str]] = {}
    for signal in visits.signals:
        if one.position == (signal["position"] or "set"):
            told.setdefault(signal["detected_on"], []).append(cause_words(signal))
    return {day: "; ".join(words) for day, words in told.items()}


def cause_words(signal: dict[str, Any]) -> str:
    """A signal's cause in a few words: what and how large."""
    what = _(_CAUSES[str(signal["kind"])])
    told = what if signal["size"] is None else f"{what}, {size_alone(signal)}"
    return _("{cause} (or another cause)", cause=told) if signal["alternatives"] else told


def _rig_panel(one: RigSeries, visits: RigVisits, name: str) -> ControlPanel:
    whole = visits.whole is one
    tube = None if whole else one.name
    outside = set(one.chart.signals.tolist())
    told: dict[int, list[str]] = {}
    for signal in visits.signals:
        if signal["channel"] == tube:
            after = [k for k, last in enumerate(one.last) if last >= signal["detected_on"]]
            told.setdefault(after[0] if after else len(one.days) - 1, []).append(cause_words(signal))
    points = tuple(
        ControlPoint(
            day=one.days[k],
            value=float(one.chart.statistic[k]),
            lower=float(one.chart.lower[k]),
            upper=float(one.chart.upper[k]),
            outside=k in outside,
            low=float(one.low[k]),
            high=float(one.high[k]),
            cause="; ".join(told.get(k, ())),
        )
        for k in range(len(one.days))
    )
    return ControlPanel(name, "%", points, position="set" if whole else one.name if one.name.isdecimal() else "set")


def _digits(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> int:
    known = np.abs(values[np.isfinite(values)])
    size = float(known.max()) if known.size else 0.0
    return 2 if size < 3 else 1 if size < 1000 else 0


def _number(value: float) -> float | None:
    return float(value) if isfinite(value) else None
