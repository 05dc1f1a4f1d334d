"""The command that plans: what to test and replace at which visit, why, and what waiting means."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, status_line, workspace
from wearlab.errors import InputError

if TYPE_CHECKING:
    from datetime import date

    from pipelines.steps.view_table import Table
    from pipelines.workspace import Workspace


def plan(
    months: Annotated[int | None, typer.Option("--months", min=1, max=24, help="Months ahead.")] = None,
    tests: Annotated[bool, typer.Option("--tests", help="Only which vehicle to test at which visit.")] = False,
    budget: Annotated[
        float | None, typer.Option("--budget", metavar="MONEY", help="A month, in place of that in wearlab.toml.")
    ] = None,
    step: Annotated[float, typer.Option("--step", metavar="MONEY", help="Steps of the table over budgets.")] = 5000.0,
    out: Annotated[
        list[Path] | None,
        typer.Option("--out", metavar="FILE", help="Write it: .xlsx, .csv or .ics (visits). May be given again."),
    ] = None,
    table: Annotated[
        str | None, typer.Option("--table", metavar="NAME", help="Write only this table, such as visits or tests.")
    ] = None,
    most: Annotated[int, typer.Option("--most", min=0, help="Lines printed a list at most; 0: all.")] = 25,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Which vehicles to pull in and test when, what to replace, and what it costs to wait."""
    from pipelines.steps.calendar_file import write_calendar
    from pipelines.steps.parts import parts_told
    from pipelines.steps.plan import plan_told
    from pipelines.steps.plan_files import SUFFIXES, write_plan
    from pipelines.steps.plan_schedule import scheduled
    from pipelines.steps.plan_view import plan_view

    today = as_of_date(as_of)
    place = workspace(home)
    for path in out or []:
        if path.suffix.lower() not in (*SUFFIXES, ".ics"):
            raise InputError(f"--out takes a file name that ends in .xlsx, .csv or .ics, not {path}")
    with status_line(quiet=as_json) as say:
        told = plan_told(place, today, months=months, budget=budget, step=step, say=say)
        parts = parts_told(place, today, months=told.months, schedule=scheduled(told), say=say)
    view = plan_view(told, parts)
    for path in out or []:
        if path.suffix.lower() == ".ics":
            write_calendar(told, path, actuation=_injectors(place, today))
        else:
            write_plan(view, path, table or ("tests" if tests else None))
    if as_json:
        show_json(
            {
                "as_of": today,
                "months": told.months,
                "currency": told.currency,
                "in_money": told.in_money,
                "no_plan": view.no_plan,
                "tables": {table.name: _records(table) for table in view.tables if not tests or table.name == "tests"},
            }
        )
    else:
        from pipelines.cli.plan_list import print_plan, print_tests

        if tests:
            print_tests(told, most)
        else:
            print_plan(told, parts, most)
        for path in out or []:
            console().print(f"written: {path}")


def _injectors(place: Workspace, today: date) -> dict[str, str | None]:
    """How the injectors of every vehicle are driven, for the cautions."""
    from wearlab.store.queries import vehicles

    families = place.settings.families
    with place.open(read_only=True) as db:
        told = [(row["vehicle"], families.get(row["family"] or "")) for row in vehicles(db, today)]
    return {name: None if family is None else family.injector for name, family in told}


def _records(table: Table) -> list[dict[str, Any]]:
    return [dict(zip((column.title for column in table.columns), row, strict=True)) for row in table.rows]
