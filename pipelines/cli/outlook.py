"""Commands that look ahead: learn from the readings, list what is due."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.common import (
    HERE,
    AsOf,
    Home,
    Json,
    as_of_date,
    console,
    show_json,
    status_line,
    table,
    workspace,
)

if TYPE_CHECKING:
    from wearlab.pack.wear import WearGroup

#: gross errors named a group; the rest is counted, and all of them stand in the JSON
_NAMED = 12


def learn(
    lay: Annotated[
        Path | None,
        typer.Option(
            "--lay",
            metavar="DIR",
            help="Learn nothing here: lay the readings of every group as partitions in a new folder.",
        ),
    ] = None,
    partitions: Annotated[
        Path | None,
        typer.Option("--partitions", metavar="DIR", help="Learn from a folder of partitions; no workspace is needed."),
    ] = None,
    results: Annotated[
        Path | None,
        typer.Option("--results", metavar="DIR", help="With --partitions: a new folder for levels and forecasts."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler", metavar="ADDRESS", help="With --partitions: use the workers of this one, tls://HOST:PORT."
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            min=0,
            help="With --partitions: processes started here, 2 unless said; 0: this one alone. With --scheduler: how "
            "many of its workers to wait for.",
        ),
    ] = None,
    tls_ca: Annotated[
        Path | None, typer.Option("--tls-ca", metavar="FILE", help="With --scheduler: who signed all certificates.")
    ] = None,
    tls_cert: Annotated[
        Path | None, typer.Option("--tls-cert", metavar="FILE", help="With --scheduler: one's own certificate.")
    ] = None,
    tls_key: Annotated[
        Path | None, typer.Option("--tls-key", metavar="FILE", help="With --scheduler: the key of that certificate.")
    ] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Fit the wear model to all readings and forecast every part; print what each group of tests says."""
    from pipelines.cli import learn_partitions

    given = learn_partitions.Given(partitions, results, scheduler, workers, tls_ca, tls_cert, tls_key)
    if lay is not None:
        learn_partitions.lay(lay, given, workspace(home), as_of_date(as_of), as_json=as_json)
        return
    if given.any:
        learn_partitions.learn(given, as_of, as_json=as_json)
        return
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
    """When should work be booked, and how sure is that: limit crossings, soonest first, by date and odometer."""
    from pipelines.cli.due_list import print_due
    from pipelines.steps.learn import current_forecasts

    today = as_of_date(as_of)
    with status_line(quiet=as_json) as say:
        rows = current_forecasts(workspace(home), today, say=say)
    if as_json:
        show_json([{key: row[key] for key in DUE_KEYS} for row in rows])
        return
    print_due(rows, today, most)


DUE_KEYS = (
    "vehicle", "position", "part", "measure", "protocol", "unit", "rule", "limit", "limit_version", "direction",
    "level", "level_low", "level_high", "rate", "rate_unit", "state", "cause", "state_before", "changed", "readings",
    "last_test", "retest_by", "retest_why",
    "past", "within_30", "within_90", "within_180", "within_365", "next_visit", "before_visit", "next_reading_past",
    "date_p05", "date_p10", "date_p50", "date_p90", "date_p95",
    "odometer_p05", "odometer_p10", "odometer_p50", "odometer_p90", "odometer_p95", "no_answer", "method",
)  # fmt: skip
