"""Commands that look ahead: learn from the readings, list what is due."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from pipelines.cli.common import (
    HERE,
    AsOf,
    Home,
    Json,
    as_of_date,
    console,
    day,
    number,
    show_json,
    table,
    workspace,
)
from wearlab.records import STATE_MARK, State


def learn(home: Home = HERE, as_of: AsOf = None, as_json: Json = False) -> None:
    """Fit every part's wear and forecast its limit crossing; store both as a run."""
    from pipelines.steps.learn import learn as run

    today = as_of_date(as_of)
    place = workspace(home)
    with place.open() as db:
        groups = run(db, place, today)
    if as_json:
        show_json({"as_of": today, "groups": groups})
        return
    rows = [
        [
            group["measure"],
            group["protocol"],
            group["family"] or "-",
            str(group["parts"]),
            str(group["answered"]),
            str(group["readings"]),
            f"{number(group['rate_median'], 2)} {group['rate_unit']}",
            f"{number(group['rate_low'], 2)} to {number(group['rate_high'], 2)}",
        ]
        for group in groups
    ]
    heads = [
        "measure",
        "protocol",
        "family",
        "parts",
        "with a line",
        "readings",
        "median rate",
        "middle half",
    ]
    console().print(table("simple line per part, not calibrated", heads, rows, right=(3, 4, 5, 6, 7)))


def due(
    most: Annotated[int, typer.Option("--most", min=0, help="How many rows at the most; 0 for all.")] = 30,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """List limit crossings, soonest first: on the odometer, by date, with how sure that is."""
    from pipelines.steps.learn import current_forecasts

    today = as_of_date(as_of)
    rows = current_forecasts(workspace(home), today)
    if as_json:
        show_json([{key: row[key] for key in DUE_KEYS} for row in rows])
        return
    out = console()
    shown = rows[:most] if most else rows
    out.print(table(f"as of {today}: limit crossings, soonest first", _HEADS, [_cells(r) for r in shown], right=(3,)))
    if len(shown) < len(rows):
        out.print(f"({len(rows) - len(shown)} more: wearlab due --most 0)")
    out.print("Forecasts are simple lines, not calibrated. Dates: most likely (4 in 5 chance between).")


DUE_KEYS = (
    "vehicle", "position", "part", "measure", "protocol", "unit", "rule", "limit", "limit_version", "direction",
    "level", "level_low", "level_high", "rate", "rate_unit", "state", "readings", "last_test", "retest_by",
    "date_p10", "date_p50", "date_p90", "odometer_p50", "no_answer",
)  # fmt: skip

_HEADS = ["part", "measure", "state", "level", "limit", "crosses", "between", "at km", "last test", "why not"]


def _cells(row: dict[str, Any]) -> list[str]:
    state = State(row["state"])
    early, late = row["date_p10"], row["date_p90"]
    return [
        f"{row['vehicle']} {row['position']}",
        f"{row['measure']}, {row['protocol']}",
        f"{STATE_MARK[state]} {state}",
        f"{number(row['level'])} {row['unit']}",
        number(row["limit"]),
        day(row["date_p50"]),
        "-" if early is None else f"{early} to {late if late is not None else 'open'}",
        number(row["odometer_p50"], 0),
        day(row["last_test"]),
        row["no_answer"] or "",
    ]
