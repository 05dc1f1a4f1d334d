"""The command for the lives of injectors and pumps: how long they stay fitted, and how long they last by wear."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, status_line, table, workspace

if TYPE_CHECKING:
    from pipelines.steps.life_curves import KindLives


def lives(
    by: Annotated[str | None, typer.Option("--by", metavar="WHAT", help="Tell apart: family, depot, origin.")] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="The figure: .svg, .png, .pdf.")] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """How long injectors and pumps live: survival over distance, reasons of removal, and life by wear."""
    from pipelines.cli import life_json, life_words
    from pipelines.steps.life_curves import life_curves
    from wearlab.charts.words import day_words

    day = as_of_date(as_of)
    with status_line(quiet=as_json) as say:
        found = life_curves(workspace(home), day, by, say=say)
    if out is not None:
        from pipelines.steps.life_figures import figure, save

        save(figure(found, day_words(day), by), out)
        if not as_json:
            console(stderr=True).print(f"figure written to {out}")
    if as_json:
        show_json(life_json.as_json(found, by, day.isoformat()))
        return
    for one in found:
        _print(one, by)
    console().print(life_words.caution(found), style="bold")


def _print(found: KindLives, by: str | None) -> None:
    from pipelines.cli import life_words

    out = console()
    out.print(life_words.heading(found, by), style="bold")
    told = life_words.rows(found)
    if told:
        out.print(table("", list(life_words.HEADS), told, right=(1, 2, 3, 4, 5), whole=(0,)))
    for sentence in life_words.sentences(found, by):
        out.print(f"- {sentence[:1].upper()}{sentence[1:]}")
    reasons = life_words.reason_rows(found)
    if reasons:
        heads = ["", "taken out for", "by the furthest distance", "90 %"]
        out.print(table("", heads, reasons, right=(2, 3), whole=(0,)))
    wear = life_words.wear_rows(found.wear)
    if wear:
        out.print("")
        out.print(f"By wear, {found.kind}s:", style="bold")
        out.print(table("", list(life_words.WEAR_HEADS), wear, right=(2, 3, 4, 5, 6), whole=(0,)))
    for sentence in life_words.wear_sentences(found.wear):
        out.print(f"- {sentence[:1].upper()}{sentence[1:]}")
    out.print("")
