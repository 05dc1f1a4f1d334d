"""Commands that look ahead: learn from the readings, list what is due."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

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
    status_line,
    table,
    workspace,
)
from wearlab.records import STATE_MARK, State

if TYPE_CHECKING:
    from wearlab.pack.wear import WearGroup

#: gross errors named a group; the rest is counted, and all of them stand in the JSON
_NAMED = 12


def learn(home: Home = HERE, as_of: AsOf = None, as_json: Json = False) -> None:
    """Fit the wear model to all readings and forecast every part; print what each group of tests says."""
    from pipelines.steps.learn import fresh_run
    from pipelines.steps.learn import learn as run
    from pipelines.steps.wear_told import wear_groups

    today = as_of_date(as_of)
    place = workspace(home)
    with place.open() as db, status_line(quiet=as_json) as say:
        run(db, place, today, say=say)
        groups = wear_groups(db, fresh_run(db, place, today))
    if as_json:
        show_json({"as_of": today, "groups": groups})
        return
    for group in groups:
        _print_group(group)
    if not groups:
        console().print("There are no readings to learn from yet: load test sheets first.")
        return
    console().print("In brackets and between: 9 in 10. Each vehicle's parts: wearlab vehicle NAME.")


def _print_group(group: WearGroup) -> None:
    from wearlab.charts.words import measure_words
    from wearlab.pack.wear_words import effect_tables, gross_heading, gross_sentence, notes_of, scale_words

    out = console()
    name = measure_words(group.measure)
    out.print(f"{name[:1].upper()}{name[1:]}, {group.protocol}", style="bold underline")
    counts = ((group.readings, "reading"), (group.parts, "part"), (group.vehicles, "vehicle"))
    readings, parts, vehicles = (f"{count:,} {word}{'' if count == 1 else 's'}" for count, word in counts)
    out.print(f"{readings} of {parts} on {vehicles}, in {group.unit}.")
    out.print(scale_words(group))
    for effects in effect_tables(group):
        out.print("")
        heads = [effects.title, "estimate", "9 in 10 between", ""]
        rows = [[row.name, row.estimate, row.between, row.note] for row in effects.rows]
        if rows:
            out.print(table("", heads, rows, right=(1,)))
        else:
            out.print(effects.title, style="bold")
        for text in (effects.note, effects.rest):
            if text:
                out.print(f"  {text}", style="dim")
    if group.gross:
        out.print("")
        out.print(f"{gross_heading(group)}, hardly counted", style="bold")
        for one in group.gross[:_NAMED]:
            out.print(f"- {gross_sentence(one, group.unit)}")
        if len(group.gross) > _NAMED:
            out.print(f"- and {len(group.gross) - _NAMED} more (wearlab learn --json)")
    notes = notes_of(group)
    if notes:
        out.print("")
        out.print("Notes", style="bold")
    for text in notes:
        out.print(f"- {text}")
    out.print("")


def due(
    most: Annotated[int, typer.Option("--most", min=0, help="How many rows at the most; 0 for all.")] = 30,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """List limit crossings, soonest first: on the odometer, by date, with how sure that is."""
    from pipelines.steps.learn import current_forecasts

    today = as_of_date(as_of)
    with status_line(quiet=as_json) as say:
        rows = current_forecasts(workspace(home), today, say=say)
    if as_json:
        show_json([{key: row[key] for key in DUE_KEYS} for row in rows])
        return
    out = console()
    shown = rows[:most] if most else rows
    wide = out.width >= _WIDE
    heads = ["part", "measure", "state", "level", "limit", "crosses", "between", *(["last test"] if wide else []), ""]
    cells = [_cells(row, wide=wide) for row in shown]
    title = f"as of {today}: limit crossings, soonest first"
    out.print(table(title, heads, cells, right=(3, 4), whole=(0, 2, 3, 4, 5, 6, *([7] if wide else []))))
    if len(shown) < len(rows):
        out.print(f"({len(rows) - len(shown)} more: wearlab due --most 0)")
    out.print(
        "Levels under their reference conditions (wearlab vehicle NAME tells them). Crosses: most likely; between: "
        "4 chances in 5, not checked against later tests yet."
    )
    if any(_by_line(row) for row in shown):
        out.print(f"{_LINE}: a simple line, not calibrated, where the wear model has no answer.")


DUE_KEYS = (
    "vehicle", "position", "part", "measure", "protocol", "unit", "rule", "limit", "limit_version", "direction",
    "level", "level_low", "level_high", "rate", "rate_unit", "state", "readings", "last_test", "retest_by",
    "date_p10", "date_p50", "date_p90", "odometer_p50", "no_answer", "method",
)  # fmt: skip

#: a screen narrower than this has what belongs to a date under it, not beside it
_WIDE = 150

#: mark of a forecast that a straight line made
_LINE = "(line)"


def _by_line(row: dict[str, Any]) -> bool:
    from pipelines.steps.part_states import method_words
    from wearlab.charts.series import LINE

    return method_words(row["method"]) == LINE and row["level"] is not None


def _cells(row: dict[str, Any], *, wide: bool) -> list[str]:
    from wearlab.charts.words import level_words, limit_words, measure_words

    state = State(row["state"])
    early, late = row["date_p10"], row["date_p90"]
    remarks = [text for text in (_LINE if _by_line(row) else "", row["no_answer"] or "") if text]
    between = " " if wide else "\n"
    crosses, where = day(row["date_p50"]), row["odometer_p50"]
    if where is not None:
        crosses += f"{between}at {number(where, 0)} km"
    return [
        f"{row['vehicle']} {row['position']}",
        f"{measure_words(row['measure'])}, {row['protocol']}",
        f"{STATE_MARK[state]} {state}",
        "-" if row["level"] is None else f"{level_words(row['level'])} {row['unit']}",
        "-" if row["limit"] is None else limit_words(row["limit"]),
        crosses,
        "-" if early is None else f"{early}{between}to {late if late is not None else 'open'}",
        *([day(row["last_test"])] if wide else []),
        " ".join(remarks),
    ]
