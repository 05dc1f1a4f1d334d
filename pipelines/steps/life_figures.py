"""The figure of the lives of parts, from what was found, and its file."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path

from pipelines.steps.figure_file import Drawing, save_figure
from pipelines.steps.life_curves import GroupCurve, KindLives
from wearlab.charts.lives import Law, LifePanel, LivesFigure, Steps, describe, lives_figure
from wearlab.charts.words import measure_words
from wearlab.records import NoAnswer


def figure(found: Sequence[KindLives], as_of: str, by: str | None) -> LivesFigure:
    """Return the figure: one panel a kind of parts."""
    return LivesFigure(
        subject=f"Lives of injectors and pumps{f' by {by}' if by else ''}, {as_of}",
        lines=(
            "steps: parts still fitted, removals for cause counted (band: 90 %)",
            "dashed: new parts whose level has not passed the limit; dotted: beyond the furthest test",
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
            f"wear: {one.family or 'all'}" + (f", {measure_words(one.measure)}" if one.family in twice else ""),
            one.curve,
            one.seen_to_km,
            one.family,
        )
        for one in told
    )
    silent = [curve for curve in found.curves if isinstance(curve.survival, NoAnswer)]
    notes = tuple(
        f"no curve{f' for {one.group}' if one.group else ''}: {one.failed} of {one.lives} taken out" for one in silent
    )
    return LifePanel(f"{found.kind}s", steps, laws, notes)


def _steps(curve: GroupCurve) -> Steps | None:
    told = curve.survival
    if isinstance(told, NoAnswer):
        return None
    return Steps(
        name=curve.group or f"all {curve.kind}s",
        since_km=told.since,
        until_km=told.until,
        km=tuple(float(x) for x in told.time),
        share=tuple(float(x) for x in told.survival),
        low=tuple(float(x) if isfinite(x) else None for x in told.low),
        high=tuple(float(x) if isfinite(x) else None for x in told.high),
    )
