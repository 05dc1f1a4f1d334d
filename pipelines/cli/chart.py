"""The command that draws one chart into a file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, status_line, workspace
from wearlab.errors import InputError


def chart(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A vehicle, a part, a family or a rig.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The file: .svg, .png or .pdf.")],
    part: Annotated[
        str | None, typer.Option("--part", metavar="POSITION", help="One part of a vehicle: 3, pump.")
    ] = None,
    tube: Annotated[str | None, typer.Option("--tube", metavar="CHANNEL", help="One tube of a rig.")] = None,
    measure: Annotated[str | None, typer.Option("--measure", metavar="NAME", help="Only this measure.")] = None,
    protocol: Annotated[str | None, typer.Option("--protocol", metavar="NAME", help="Only this protocol.")] = None,
    what: Annotated[
        str | None, typer.Option("--what", metavar="KIND", help="What the name means, where it may mean several.")
    ] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Draw one chart: a vehicle's tests, a part with its forecast, a family's wear over the months, or a rig."""
    from pipelines.steps.chart_file import WHAT, Narrowed, chart_of
    from pipelines.steps.figure_file import check_format, save_figure

    check_format(out)
    kind = next((one for one in WHAT if one == what), None)
    if what is not None and kind is None:
        raise InputError(f'--what "{what}" is none of {", ".join(WHAT)}')
    with status_line(quiet=as_json) as say:
        drawing = chart_of(
            workspace(home), name, as_of_date(as_of), Narrowed(part, tube, measure, protocol), what=kind, say=say
        )
    save_figure(drawing, out)
    if as_json:
        show_json({"file": str(out), "title": drawing.title, "description": drawing.description})
    else:
        console().print(f"{drawing.title}: {out}")
