"""The figure of the lives of parts, from what was found, and its file."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path

from pipelines.steps.figure_file import Drawing, save_figure
from pipelines.steps.life_curves import GroupCurve, KindLives
from wearlab.charts.lives import Law, LifePanel, LivesFigure, Steps, describe, lives_figure
from wearlab.charts.words import measure_words
from wearlab.language import _, msg, number
from wearlab.records import NoAnswer

_SUBJECT = {
    "": msg("Lives of injectors and pumps, {day}"),
    "family": msg("Lives of injectors and pumps by family, {day}"),
    "depot": msg("Lives of injectors and pumps by depot, {day}"),
    "origin": msg("Lives of injectors and pumps by origin, {day}"),
}
_PANELS = {"injector": msg("injectors"), "pump": msg("pumps")}
_ALL = {"injector": msg("all injectors"), "pump": msg("all pumps")}


def figure(found: Sequence[KindLives], as_of: str, by: str | None) -> LivesFigure:
    """Return the figure: one panel a kind of parts."""
    subject = _SUBJECT[by or ""]
    return LivesFigure(
        subject=_(subject, day=as_of),
        lines=(
            _("steps: parts still fitted, removals for cause counted (band: 90 %)"),
            _("dashed: new parts whose level has not passed the limit; dotted: beyond the furthest test"),
        ),
        panels=tuple(_panel(one) for one in found),
    )


def save(drawn: LivesFigure, path: Path) -> None:
    """Write the figure as SVG, PNG or PDF, by the ending of the file's name.

    Raises
    ------
    InputError
        The ending is none of these, or the file cannot be written.
    """
    save_figure(Drawing(drawn.subject, describe(drawn), lambda: lives_figure(drawn)), path)


def _panel(found: KindLives) -> LifePanel:
    steps = tuple(one for one in (_steps(curve) for curve in found.curves) if one is not None)
    told = [one for one in found.wear if one.curve]
    # two kinds of tests of one family are told apart by what they measure
    twice = {one.family for one in told if sum(other.family == one.family for other in told) > 1}
    laws = tuple(
        Law(
            _("wear: {family}", family=one.family or _("all"))
            + (f", {measure_words(one.measure)}" if one.family in twice else ""),
            one.curve,
            one.seen_to_km,
            one.family,
        )
        for one in told
    )
    silent = [curve for curve in found.curves if isinstance(curve.survival, NoAnswer)]
    notes = tuple(
        _("no curve for {group}: {failed} of {lives} taken out", group=one.group, **_counts(one))
        if one.group
        else _("no curve: {failed} of {lives} taken out", **_counts(one))
        for one in silent
    )
    return LifePanel(_(_PANELS[found.kind]), steps, laws, notes)


def _counts(curve: GroupCurve) -> dict[str, str]:
    return {"failed": number(curve.failed), "lives": number(curve.lives)}


def _steps(curve: GroupCurve) -> Steps | None:
    told = curve.survival
    if isinstance(told, NoAnswer):
        return None
    return Steps(
        name=curve.group or _(_ALL[curve.kind]),
        since_km=told.since,
        until_km=told.until,
        km=tuple(float(x) for x in told.time),
        share=tuple(float(x) for x in told.survival),
        low=tuple(float(x) if isfinite(x) else None for x in told.low),
        high=tuple(float(x) if isfinite(x) else None for x in told.high),
    )
