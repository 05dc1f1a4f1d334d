"""Commands that look at what waits for a person, settle it, and take back what was loaded."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, table, workspace
from wearlab.errors import InputError

if TYPE_CHECKING:
    from pipelines.sheets.aside import Item
    from pipelines.sheets.choices import Choice
    from pipelines.steps.taking_back import Done
    from wearlab.store.database import Database

_SHEETS = (".csv", ".xlsx", ".txt", ".xlsm", ".ods")


def aside(
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.csv|xlsx", help="Write the list, to be edited and settled.")
    ] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """List what was flagged or set aside, with file, line and reason, and the open questions, each with its id."""
    from pipelines.sheets.aside import question_items, remark_items
    from pipelines.sheets.aside_file import write_items

    as_of_date(as_of)
    with workspace(home).open(read_only=True) as db:
        found, questions = remark_items(db), question_items(db)
        texts = _texts(db) if as_json else {}
    if out is not None:
        write_items(out, [*questions, *found])
    if as_json:
        show_json(
            {
                "aside": [_remark(item) | {"text": texts.get((item.file_id, item.sheet, item.row))} for item in found],
                "questions": [_question(item) for item in questions],
                "out": None if out is None else str(out),
            }
        )
        return
    screen = console()
    if out is not None:
        screen.print(
            f"{len(found)} remarks and {len(questions)} questions written to {out}: fill decision (accept, value, "
            f"drop, answer), value and why, then settle {out}"
        )
        return
    rows = [
        [
            item.item_id,
            item.file + (f" [{item.sheet}]" if item.sheet else ""),
            str(item.row),
            item.what,
            item.sentence + (f" Perhaps {item.suggestion}." if item.suggestion else ""),
        ]
        for item in found
    ]
    screen.print(table(f"{len(rows)} remarks", ["id", "file", "line", "what", "why"], rows, right=(2,)))
    for item in questions:
        screen.print(f"open question {item.item_id}: {item.sentence} ({item.readings} readings wait)")


def settle(
    words: Annotated[
        list[str], typer.Argument(metavar="ID [ANSWER] | ID... | FILE", help="Ids of aside, or its edited list.")
    ],
    accept: Annotated[bool, typer.Option("--accept", help="As it is; for a question: yes.")] = False,
    value: Annotated[
        str | None, typer.Option("--value", metavar="TEXT", help="The right value, or the answer.")
    ] = None,
    drop: Annotated[bool, typer.Option("--drop", help="Leave it out; for a question: close it unanswered.")] = False,
    again: Annotated[bool, typer.Option("--open", help="Take an earlier answer or decision back.")] = False,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, in your words.")] = "",
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Settle what waits: accept it, give the value, drop it, or answer for a whole column or vehicle."""
    from pipelines.sheets.layout import read_layouts
    from pipelines.steps.taking_back import settle_choices

    today = as_of_date(as_of)
    choices = _choices(words, accept, value, drop, again, why)
    place = workspace(home)
    with place.open() as db:
        settled, done = settle_choices(place, db, read_layouts(place.layouts), choices, today, datetime.now())
    if as_json:
        show_json(asdict(settled) | {"step": asdict(done)})
        return
    console().print(
        f"{settled.answers} answers and {settled.decisions} decisions stored, {settled.files} files made again; "
        f"{_told(done)}"
    )


def unload(
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="Names of loaded files, or of their hashes.")],
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Take out all that files brought; copies of their rows in other files come into force."""
    from pipelines.steps.taking_back import unload_files

    as_of_date(as_of)
    place = workspace(home)
    with place.open() as db:
        names, done = unload_files(place, db, files, datetime.now())
    if as_json:
        show_json({"files": names, "step": asdict(done)})
        return
    console().print(f"{', '.join(names)} unloaded; {_told(done)}")


def reload(
    files: Annotated[
        list[str] | None, typer.Argument(metavar="[FILE...]", help="Names of loaded files; none: all of them.")
    ] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Make every reading again from the raw rows, after a layout or a rule changed; answers stay."""
    from pipelines.sheets.layout import read_layouts
    from pipelines.steps.taking_back import reload_files

    today = as_of_date(as_of)
    place = workspace(home)
    with place.open() as db:
        accounts, done = reload_files(place, db, read_layouts(place.layouts), files or [], today, datetime.now())
    if as_json:
        show_json({"files": [asdict(account) for account in accounts], "step": asdict(done)})
        return
    for account in accounts:
        console().print(
            f"{account.file}: {account.rows_read} rows = {account.structure} structure, {account.accepted} accepted, "
            f"{account.flagged} flagged, {account.set_aside} set aside; {account.readings} readings [{account.layout}]"
        )
    console().print(f"{len(accounts)} files made again; {_told(done)}")


def undo(
    even_so: Annotated[bool, typer.Option("--even-so", help="Also lose what was entered since.")] = False,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Take the last settle, unload or reload back; the state that it replaces is kept as a copy."""
    from pipelines.steps.undo import undo_last

    as_of_date(as_of)
    done = undo_last(workspace(home), datetime.now(), even_so=even_so)
    if as_json:
        show_json(asdict(done))
        return
    console().print(f"step {done.number} undone: {done.what} {done.detail}; what it replaced is kept as {done.kept}")


def _choices(words: list[str], accept: bool, value: str | None, drop: bool, again: bool, why: str) -> list[Choice]:
    from pipelines.sheets.aside_file import read_choices
    from pipelines.sheets.choices import OPEN, Choice

    said = [
        word
        for word, given in (("accept", accept), ("value", value is not None), ("drop", drop), (OPEN, again))
        if given
    ]
    if len(said) > 1:
        raise InputError(f"--{said[0]} and --{said[1]} cannot both be meant: give one of them; nothing was changed")
    path = Path(words[0])
    if len(words) == 1 and (path.suffix.lower() in _SHEETS or path.is_file()):
        if said or why:
            raise InputError(f"{path} holds the decisions itself: settle it without other options; nothing was changed")
        return read_choices(path)
    if said:
        return [Choice(word, said[0], value or "", why) for word in words]
    if len(words) == 2:
        return [Choice(words[0], "value", words[1], why)]
    raise InputError(
        "it is not said what becomes of it: use --accept, --value TEXT or --drop, or give an id and its answer; "
        "nothing was changed"
    )


def _told(done: Done) -> str:
    before, after = done.before["reading"], done.after["reading"]
    return f"{before} readings before, {after} now; step {done.number}, undo takes it back"


def _remark(item: Item) -> dict[str, Any]:
    levels = {"set aside": "row", "cell set aside": "cell", "flagged": "flag"}
    return {
        "id": item.item_id,
        "file": item.file,
        "sheet": item.sheet,
        "row": item.row,
        "column": item.column,
        "col_name": item.col_name,
        "level": levels[item.what],
        "code": item.code,
        "sentence": item.sentence,
        "cell": item.cell,
        "suggestion": item.suggestion,
    }


def _question(item: Item) -> dict[str, Any]:
    return {
        "question_id": item.item_id,
        "kind": item.code,
        "subject": item.subject,
        "sentence": item.sentence,
        "readings": item.readings,
        "files": item.file,
    }


def _texts(db: Database) -> dict[tuple[int | None, str | None, int], str]:
    rows = db.rows(
        "SELECT w.file_id, w.sheet, w.row_no, array_to_string(w.cells, ' | ') FROM raw_row w "
        "WHERE (w.file_id, w.row_no) IN (SELECT (file_id, row_no) FROM remark WHERE level IN ('row', 'cell', 'flag'))"
    )
    return {(int(file), sheet, int(row)): text for file, sheet, row, text in rows}
