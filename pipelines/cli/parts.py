"""The command that tells which parts will be needed when, what to order now, and how good earlier forecasts were."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, show_json, status_line, workspace
from wearlab.errors import InputError


def parts(
    months: Annotated[int, typer.Option("--months", min=1, max=24, help="Months ahead, and back.")] = 6,
    service: Annotated[
        float,
        typer.Option("--service", metavar="PERCENT", help="Chance that stock lasts, where no number has its own."),
    ] = 95.0,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Which parts will be needed in which month, what to order now, and what was used of what was forecast."""
    from pipelines.steps.parts import parts_told

    if not 0.0 < service < 100.0:
        raise InputError(f"--service is a percentage between 0 and 100, not {service:g}")
    today = as_of_date(as_of)
    place = workspace(home)
    with status_line(quiet=as_json) as say:
        told = parts_told(place, today, months=months, service=service / 100.0, say=say)
    if as_json:
        show_json(told)
        return
    from pipelines.cli.parts_list import print_parts

    print_parts(told, place.settings.costs.currency)
