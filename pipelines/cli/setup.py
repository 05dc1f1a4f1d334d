"""Commands that set up: a workspace, a blank test sheet, the demo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, workspace
from wearlab.errors import InputError


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make the workspace in.")],
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Make a workspace: a commented wearlab.toml, layouts/ and reports/."""
    from pipelines.workspace import new_workspace

    as_of_date(as_of)
    made = new_workspace(home / folder)
    if as_json:
        show_json({"home": str(made.home), "config": str(made.home / "wearlab.toml")})
    else:
        out = console()
        out.print(f"workspace made in {made.home}")
        out.print(f"next: fill in a test sheet (wearlab form --home {made.home}) or load one you have (wearlab load)")


def form(
    vehicle: Annotated[str | None, typer.Argument(metavar="[VEHICLE]", help="Print its name on the sheet.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="FILE.html to print, FILE.xlsx to fill in.")
    ] = None,
    cylinders: Annotated[int | None, typer.Option("--cylinders", min=1, max=24, help="How many columns.")] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Write a blank test sheet: a page to print and a workbook that loads back without a layout."""
    from pipelines.sheets.form import blank_form_html, write_blank_form_xlsx
    from pipelines.steps.whole_file import write_whole

    as_of_date(as_of)
    place = workspace(home)
    wanted = [out] if out is not None else [place.home / "test-sheet.html", place.home / "test-sheet.xlsx"]
    for path in wanted:
        if path.suffix == ".html":
            page = blank_form_html(place.settings, vehicle=vehicle, cylinders=cylinders)
            write_whole(path, page.encode())
        elif path.suffix == ".xlsx":
            write_blank_form_xlsx(path, place.settings, vehicle=vehicle, cylinders=cylinders)
        else:
            raise InputError(f"{path}: a test sheet is written as .html (to print) or .xlsx (to fill in)")
    if as_json:
        show_json({"files": [str(path) for path in wanted]})
    else:
        for path in wanted:
            console().print(f"blank test sheet: {path}")


def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make the demo workspace in.")],
    sheets: Annotated[
        Path | None,
        typer.Option("--sheets", metavar="DIR", help="Use these demo sheets instead of making them."),
    ] = None,
    home: Home = HERE,
    as_of: AsOf = "2026-10-31",
    as_json: Json = False,
) -> None:
    """Build the invented demo fleet's workspace: load, learn, forecast, write the monthly pack."""
    from pipelines.steps.demo import build_demo

    out = console()
    done = build_demo(home / folder, sheets, as_of_date(as_of), say=None if as_json else out.print)
    if as_json:
        show_json(done)
        return
    out.print("")
    out.print("needs attention first:")
    for item in done["attention"][:5]:
        out.print(f"  {item['vehicle']} {item['position']}, {item['state']}, {item['when']}", style="bold")
        out.print(f"      {item['sentence']}", soft_wrap=True)
    out.print("")
    out.print(f"the page: {done['html']}")
