"""The command that writes the monthly pack."""

from __future__ import annotations

import re
from typing import Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, workspace
from wearlab.errors import InputError


def month(
    wanted: Annotated[str, typer.Argument(metavar="YYYY-MM", help="The month to report, for example 2026-10.")],
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Write the monthly pack; every step that is stale is run first."""
    from pipelines.steps.month import end_of_month, write_month

    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", wanted):
        raise InputError(f'"{wanted}" is not a month: write it as 2026-10')
    year, number = (int(word) for word in wanted.split("-"))
    today = as_of_date(as_of)
    end = min(end_of_month(year, number), today)
    if (end.year, end.month) != (year, number):
        raise InputError(f"{wanted} has not begun on {today}: report a month that has, or give --as-of")
    out = console()
    done = write_month(workspace(home), wanted, end, say=None if as_json else out.print)
    if as_json:
        show_json(done)
    else:
        out.print(f"{len(done['attention'])} parts need attention. The first page: {done['html']}")
        out.print(f"PDF: {done['pdf'] or done['no_pdf']}")
        out.print(f"Workbook: {done['xlsx']}")
