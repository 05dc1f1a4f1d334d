"""The command that asks what goes with faster wear."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan
from typing import TYPE_CHECKING, Any

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, status_line, table
from pipelines.cli.common import workspace as open_workspace
from wearlab.charts.words import measure_words
from wearlab.records import NoAnswer

if TYPE_CHECKING:
    from pipelines.steps.influences import GroupInfluences
    from wearlab.study.influences import Influence
    from wearlab.study.rate_models import RateModels
    from wearlab.wear.line import Interval

CAUTION = (
    "Association, not cause: vehicles were not assigned by lot, and what goes with a duty or a depot (roads, loads, "
    "workshops, years) goes with its wear too. Change one thing on some vehicles and test them before you change all."
)


def influences(home: Home = HERE, as_of: AsOf = None, as_json: Json = False) -> None:
    """What goes with faster wear: duty, depot, fuel, pace, service intervals, origin of parts; not what causes it."""
    from pipelines.steps.influences import group_influences

    today = as_of_date(as_of)
    with status_line(quiet=as_json) as say:
        found = group_influences(open_workspace(home), today, say=say)
    if as_json:
        show_json({"as_of": today, "caution": CAUTION, "groups": [_plain(one) for one in found]})
        return
    out = console()
    if not found:
        out.print("There are no readings to ask yet: load test sheets first.")
        return
    for group in found:
        _print_group(group)
    _print_not_asked(found)
    out.print("")
    out.print(CAUTION, style="bold")
    out.print(
        "Effect: % of the family's own rate by which parts wear faster (+) or slower (-), in brackets 9 in 10, beside "
        "the other candidates; words against the average of all parts, numbers for the step named. Chance: of effects "
        "this large if there were none, and allowing for all questions asked here. Regression: of the parts' own "
        "rates, errors by vehicle. Net, trees: what an elastic net and boosted trees lose of the told share of "
        "differences when this candidate is shuffled.",
        style="dim",
    )


def _print_group(group: GroupInfluences) -> None:
    out = console()
    name = measure_words(group.measure)
    out.print("")
    out.print(f"{name[:1].upper()}{name[1:]}, {group.protocol}", style="bold underline")
    told, models = group.told, group.models
    if isinstance(told, NoAnswer):
        out.print(f"No answer: {told.reason}.")
        return
    for sentence in headlines(group):
        out.print(sentence)
    out.print(f"{told.vehicles} vehicles, {told.lives} parts; working scale: {group.scale}.", style="dim")
    if told.asked:
        out.print("")
        heads = ["", "vehicles", "effect, %", "alone, %", "regression, %", "chance", "of all asked", "net", "trees"]
        out.print(table("", heads, _rows(group), right=(1, 5, 6, 7, 8), whole=tuple(range(1, 9))))
    if isinstance(models, NoAnswer):
        if told.asked:
            out.print(f"No answer from the general methods: {models.reason}.")
    else:
        out.print(
            f"Differences between parts told of vehicles not learned from: elastic net {100 * models.net_score:.0f} %, "
            f"boosted trees {100 * models.trees_score:.0f} % (0 or less: no better than knowing nothing)."
        )
    for note in told.notes:
        out.print(f"- {note}")


def _print_not_asked(found: Sequence[GroupInfluences]) -> None:
    """Every candidate that was left out and why, once, with the tests it was left out of where these are not all."""
    asked = [group for group in found if not isinstance(group.told, NoAnswer)]
    where: dict[tuple[str, str], list[str]] = {}
    for group in asked:
        for left in () if isinstance(group.told, NoAnswer) else group.told.left_out:
            where.setdefault((left.name, left.reason), []).append(f"{measure_words(group.measure)}, {group.protocol}")
    if where:
        out = console()
        out.print("")
        out.print("Not asked", style="bold")
        for (name, reason), groups in where.items():
            tests = "" if len(groups) == len(asked) else f" ({'; '.join(groups)})"
            out.print(f"- {name}{tests}: {reason}")


def headlines(group: GroupInfluences) -> list[str]:
    """What is found, one sentence a candidate, or why nothing is."""
    told, models = group.told, group.models
    if isinstance(told, NoAnswer):
        return [f"No answer: {told.reason}."]
    if not told.asked:
        return ["Nothing to ask: no candidate differs between enough vehicles."]
    if group.found:
        return [_found(one) for one in group.found]
    by_chance = [one for one in told.asked if one.adjusted <= _chance()]
    if by_chance and not isinstance(models, NoAnswer):
        names = ", ".join(one.name for one in by_chance)
        return [f"None found: {names} stands out, but tells nothing of vehicles that were not learned from."]
    return ["None found: what was asked about goes with wear no more than chance would have it."]


def _chance() -> float:
    from wearlab.study.influences import CHANCE

    return CHANCE


def _found(one: Influence) -> str:
    effects = sorted(one.effects, key=lambda effect: -effect.percent.point)
    words = [
        f"{effect.label} {abs(effect.percent.point):.0f} % {'faster' if effect.percent.point > 0 else 'slower'} "
        f"({_between(effect.percent)})"
        for effect in effects
    ]
    return f"Goes with {one.name}: {', '.join(words)}; chance {_share(one.adjusted)}."


def _rows(group: GroupInfluences) -> list[list[str]]:
    told, models = group.told, group.models
    assert not isinstance(told, NoAnswer)
    found = {one.name for one in group.found}
    rows = []
    for number, one in enumerate(told.asked):
        mark = " (found)" if one.name in found else ""
        general = ["", ""]
        if not isinstance(models, NoAnswer):
            general = [f"{round(100 * lost[number])} %" for lost in (models.net_importance, models.trees_importance)]
        rows.append([f"{one.name}{mark}", "", "", "", "", _share(one.p), _share(one.adjusted), *general])
        for effect in one.effects:
            beside = _regression(models, one.name, effect.label)
            rows.append(
                [
                    f"  {effect.label}",
                    str(effect.vehicles),
                    _told(effect.percent),
                    _told(effect.alone),
                    "-" if beside is None else _told(beside),
                    *[""] * 4,
                ]
            )
    return rows


def _regression(models: RateModels | NoAnswer, name: str, label: str) -> Interval | None:
    if isinstance(models, NoAnswer):
        return None
    return next((one.percent for one in models.regression if (one.name, one.label) == (name, label)), None)


def _told(one: Interval) -> str:
    return f"{_signed(one.point)} ({_between(one)})"


def _between(one: Interval) -> str:
    return f"{_signed(one.low)} to {_signed(one.high)}"


def _signed(percent: float) -> str:
    return f"{round(percent) + 0:+d}"


def _share(p: float) -> str:
    return "under 0.001" if p < 0.001 else f"{p:.2g}" if p < 0.1 else f"{p:.2f}"


def _plain(group: GroupInfluences) -> dict[str, Any]:
    """A group as plain values: percentages of the family's rate, intervals of 90 %."""
    head: dict[str, Any] = {"measure": group.measure, "protocol": group.protocol, "scale": group.scale}
    told, models = group.told, group.models
    if isinstance(told, NoAnswer):
        return {**head, "no_answer": told.reason, "sentences": headlines(group), "found": [], "candidates": []}
    scores: dict[str, Any] = {"net_score": None, "trees_score": None, "models_no_answer": None}
    if isinstance(models, NoAnswer):
        scores["models_no_answer"] = models.reason
    else:
        scores |= {"net_score": models.net_score, "trees_score": models.trees_score}
    return {
        **head,
        "no_answer": None,
        "sentences": headlines(group),
        "found": [one.name for one in group.found],
        "vehicles": told.vehicles,
        "parts": told.lives,
        "degrees_of_freedom": told.freedom,
        "vehicle_spread_percent": {"before": told.spread[0], "after": told.spread[1]},
        **scores,
        "candidates": [_candidate(group, number, one) for number, one in enumerate(told.asked)],
        "not_asked": [{"name": left.name, "reason": left.reason} for left in told.left_out],
        "notes": list(told.notes),
    }


def _candidate(group: GroupInfluences, number: int, one: Influence) -> dict[str, Any]:
    models = group.models
    general: dict[str, Any] = {"net_importance": None, "trees_importance": None, "regression_p": None}
    if not isinstance(models, NoAnswer):
        general = {
            "net_importance": models.net_importance[number],
            "trees_importance": models.trees_importance[number],
            "regression_p": None if isnan(models.regression_p[number]) else models.regression_p[number],
        }
    return {
        "name": one.name,
        "unit": one.unit or None,
        "known": one.known,
        "p": one.p,
        "alone_p": one.alone_p,
        "adjusted": one.adjusted,
        **general,
        "effects": [
            {
                "label": effect.label,
                "vehicles": effect.vehicles,
                **_interval("percent", effect.percent),
                **_interval("alone", effect.alone),
                **_interval("regression", _regression(models, one.name, effect.label)),
            }
            for effect in one.effects
        ],
    }


def _interval(name: str, one: Interval | None) -> dict[str, float | None]:
    told = (None, None, None) if one is None else (one.point, one.low, one.high)
    return dict(zip((name, f"{name}_low", f"{name}_high"), told, strict=True))
