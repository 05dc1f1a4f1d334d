"""Commands around sheets: load them, see what was set aside, list readings, note an event by hand."""

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
    number,
    parse_date,
    progress_bar,
    show_json,
    table,
    workspace,
)
from wearlab.errors import WearlabError

if TYPE_CHECKING:
    from pipelines.sheets.load import FileAccount


def load(
    paths: Annotated[list[Path], typer.Argument(metavar="FILE|FOLDER...", help="Sheets, or folders of them.")],
    preview: Annotated[bool, typer.Option("--preview", help="Say what would happen; store nothing.")] = False,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Load test sheets, registers, events and odometer logs; every file answers with its account."""
    from pipelines.sheets.files import find_files
    from pipelines.sheets.layout import read_layouts
    from pipelines.sheets.load import load_files
    from pipelines.steps.rules import record_rules

    place = workspace(home)
    out = console()
    today = as_of_date(as_of)
    files = find_files(paths)
    layouts = read_layouts(place.layouts)

    def told(account: FileAccount) -> None:
        if not as_json:
            out.print(_line(account))
            for line in _beside(account, preview):
                out.print(f"    {line}")

    opened = place.scratch() if preview and not place.store.exists() else place.open(create=True)
    with opened as db, progress_bar(quiet=as_json) as progress:
        accounts = load_files(
            db,
            place.settings,
            layouts,
            files,
            as_of=today,
            preview=preview,
            on_file=told,
            on_progress=progress,
            roots=paths,
            save_layout=place.save_layout,
        )
        if not preview and any(account.status == "loaded" for account in accounts):
            with db.transaction():
                record_rules(db, place.settings)
    if as_json:
        show_json({"files": [_account(account) for account in accounts]})
    else:
        out.print(_total(accounts, preview))
    refused = sum(account.status == "refused" for account in accounts)
    if refused and refused == len(accounts):
        raise WearlabError("no file could be loaded: each line above says what to do")
    if refused:
        raise typer.Exit(1)


def _account(account: FileAccount) -> dict[str, object]:
    return {
        "file": account.file,
        "status": account.status,
        "rows_read": account.rows_read,
        "structure": account.structure,
        "accepted": account.accepted,
        "flagged": account.flagged,
        "set_aside": account.set_aside,
        "cells_set_aside": account.cells_set_aside,
        "readings": account.readings,
        "questions": list(account.questions),
        "question_ids": list(account.question_ids),
        "proposal": account.proposal,
        "proposed": list(account.proposed),
        "layout": account.layout,
        "sentence": account.sentence,
    }


def _line(account: FileAccount) -> str:
    if account.status == "refused":
        return f"{account.file}: refused. {account.sentence}"
    if account.status == "already loaded":
        return f"{account.file}: already loaded, nothing changed"
    doubtful = f", {account.flagged} flagged" if account.flagged else ""
    aside = f", {account.set_aside} set aside" if account.set_aside else ""
    cells = f" ({account.cells_set_aside} single cells set aside)" if account.cells_set_aside else ""
    return (
        f"{account.file}: {account.rows_read} rows = {account.structure} structure, {account.accepted} accepted"
        f"{doubtful}{aside}{cells}; {account.readings} readings [{account.layout}]"
    )


def _beside(account: FileAccount, preview: bool) -> list[str]:
    """Lines below that of a file: what was proposed and why, in a preview as a whole, and what is asked."""
    lines = [account.sentence] if account.sentence and account.status == "loaded" else []
    lines += account.proposed
    if preview and account.proposal:
        lines += ["the layout as it would be written:", *account.proposal.splitlines()]
    pairs = zip(account.question_ids, account.questions, strict=False)  # some only say what to look at
    lines += [f"question {number}: {sentence}" for number, sentence in pairs]
    return lines + [f"question: {sentence}" for sentence in account.questions[len(account.question_ids) :]]


def _total(accounts: list[FileAccount], preview: bool) -> str:
    fresh = [account for account in accounts if account.status == "loaded"]
    words = "would be loaded" if preview else "loaded"
    text = f"{len(fresh)} of {len(accounts)} files {words}, {sum(a.readings for a in fresh)} readings"
    if any(a.flagged or a.set_aside or a.cells_set_aside for a in fresh):
        text += '; "wearlab aside" lists what was flagged or set aside'
    return text


def readings(
    vehicle: Annotated[str | None, typer.Argument(metavar="[VEHICLE]", help="Only this vehicle.")] = None,
    measure: Annotated[str | None, typer.Option("--measure", help="Only this measure.")] = None,
    since: Annotated[str | None, typer.Option("--since", metavar="DATE", help="Only from this date on.")] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """List readings with the part each belongs to."""
    from pipelines.steps.lives import open_with_lives
    from wearlab.store.queries import one_vehicle
    from wearlab.store.queries import readings as query

    today = as_of_date(as_of)
    with open_with_lives(workspace(home)) as db:
        key = None if vehicle is None else one_vehicle(db, vehicle, today)["vehicle"]
        start = None if since is None else parse_date(since, "--since")
        found = query(db, vehicle=key, measure=measure, since=start, until=today)
    if as_json:
        show_json(found)
        return
    mark = {"at_least": ">=", "at_most": "<=", None: ""}
    rows = [
        [
            item["vehicle"],
            item["date"].isoformat(),
            number(item["odometer_km"], 0),
            item["position"],
            item["measure"],
            item["protocol"],
            str(item["repeat"]),
            f"{mark[item['bound']]}{item['value']:g} {item['unit']}",
            item["quality"],
            f"{item['file']}:{item['row']}",
        ]
        for item in found
    ]
    heads = ["vehicle", "date", "km", "pos", "measure", "protocol", "rep", "value", "quality", "file:row"]
    console().print(table(f"{len(rows)} readings", heads, rows, right=(2, 7)))


def note(
    vehicle: Annotated[str, typer.Argument(help="The vehicle.")],
    kind: Annotated[str, typer.Argument(help="replacement, swap, cleaning, meter_change, road_failure, ...")],
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="The day it was done.")],
    position: Annotated[str | None, typer.Option("--position", help="Cylinder number, or pump.")] = None,
    to: Annotated[str | None, typer.Option("--to", help="Swap: the other cylinder.")] = None,
    odometer: Annotated[float | None, typer.Option("--km", help="Odometer.")] = None,
    serial_out: Annotated[str | None, typer.Option("--serial-out", help="Serial of the part taken out.")] = None,
    serial_in: Annotated[str | None, typer.Option("--serial-in", help="Serial of the part put in.")] = None,
    part_number: Annotated[str | None, typer.Option("--part-number", help="Of the part put in.")] = None,
    origin: Annotated[str | None, typer.Option("--origin", help="new, rebuilt or used.")] = None,
    meter_before: Annotated[float | None, typer.Option("--meter-before", help="Meter change: old km.")] = None,
    meter_after: Annotated[float | None, typer.Option("--meter-after", help="Meter change: new km.")] = None,
    text: Annotated[str | None, typer.Option("--text", help="Your words.")] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Enter one repair or event by hand."""
    from pipelines.steps.notes import Note, add_note
    from wearlab.store.queries import one_vehicle

    today = as_of_date(as_of)
    place = workspace(home)
    with place.open() as db:
        made = add_note(
            db,
            Note(
                vehicle=one_vehicle(db, vehicle, today)["vehicle"],
                vehicle_text=vehicle,
                kind=kind.strip().lower().replace(" ", "_").replace("-", "_"),
                done_on=parse_date(on, "--on"),
                position=position,
                position_to=to,
                odometer_km=odometer,
                serial_out=serial_out,
                serial_in=serial_in,
                part_number=part_number,
                origin=origin,
                meter_before_km=meter_before,
                meter_after_km=meter_after,
                note=text,
            ),
            as_of=today,
        )
    if as_json:
        show_json(made)
    else:
        console().print(f"noted as number {made['row_no']}: {made['kind']} on {made['vehicle']}, {made['done_on']}")
