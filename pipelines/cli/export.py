"""The command that writes a fleet's numbers for somebody else."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.common import HERE, Home, Json, console, show_json, workspace
from wearlab.errors import InputError


def export(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder for it.")],
    anonymous: Annotated[
        bool,
        typer.Option("--anonymous", help="Other names, days moved for each vehicle, distances scaled, no free text."),
    ] = False,
    home: Home = HERE,
    as_json: Json = False,
) -> None:
    """Write the fleet's numbers into a folder that another wearlab can load; names and days are made unknown."""
    from pipelines.steps.anonymous import export_anonymous

    if not anonymous:
        raise InputError(
            "say --anonymous: numbers leave the house without names; a whole workspace is handed on with "
            '"wearlab backup"'
        )
    done = export_anonymous(workspace(home), folder)
    if as_json:
        show_json({"folder": str(done.folder), "rows": done.rows, "left_out": list(done.left_out)})
        return
    out = console()
    out.print(f"{done.folder}: " + ", ".join(f"{rows:,} rows of {kind}" for kind, rows in done.rows.items()))
    for sentence in done.left_out:
        out.print(sentence)
    out.print(
        "Names, days and distances are changed. Whoever has the same sheets could still find a vehicle by its "
        "readings: share it with people you trust."
    )
