"""Taking it back: settle, unload and reload, each after a verified copy and with an entry in the journal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, TypeVar

from pipelines.sheets.account import FileAccount
from pipelines.sheets.aside import all_items, settled_items
from pipelines.sheets.asked import remembered, with_answers
from pipelines.sheets.choices import Choice, check_choices
from pipelines.sheets.journal import (
    Entry,
    copy_store,
    counts,
    drop_old_copies,
    hashes,
    next_number,
    write_entry,
)
from pipelines.sheets.layout import Layout
from pipelines.sheets.match import find_layout
from pipelines.sheets.proposed import Fitting, Proposer
from pipelines.sheets.raw import RawFile
from pipelines.sheets.renewal import Renewal
from pipelines.sheets.settling import Settled, settle
from pipelines.sheets.stored import Fitted
from pipelines.steps.lives import rebuild_lives
from pipelines.steps.rules import record_rules
from pipelines.workspace import Workspace
from wearlab.errors import InputError, SheetError, StoreError, UnknownName
from wearlab.store.database import Database

T = TypeVar("T")

#: The beginning of a content hash that may name a file.
_HASH_LEAST = 6
_NOT_DONE = "not done"


@dataclass(frozen=True, slots=True)
class Done:
    """A step that changed the store: its number in the journal, the copy made before, and rows before and after."""

    number: int
    what: str
    copy: str
    before: dict[str, int]
    after: dict[str, int]


def settle_choices(place: Workspace, database: Database, layouts: Sequence[Layout], choices: Sequence[Choice],
                   as_of: date, now: datetime) -> tuple[Settled, Done]:  # fmt: skip
    """Settle items by what a person chose; everything is checked before the copy is made.

    Raises
    ------
    InputError
        Something cannot be settled so; nothing was changed.
    """
    if not choices:
        raise InputError("nothing is to be settled: name an id and what becomes of it; nothing was changed")
    items = all_items(database) + settled_items(database)
    chosen = check_choices(database, place.settings, items, choices)
    fit = _fit_anew(place, database, layouts, as_of)
    detail = ", ".join(f"{item.item_id} {choice.decision}" for item, choice in chosen[:20])
    detail += f" and {len(chosen) - 20} more" if len(chosen) > 20 else ""
    return _step(place, database, "settle", detail, now, lambda: settle(database, place.settings, chosen, now, fit=fit))


def unload_files(place: Workspace, database: Database, words: Sequence[str], now: datetime) -> tuple[list[str], Done]:
    """Take out all that files brought, named by their names or by the beginning of their content hash.

    What depended on them is made again. Answers and decisions stay. Returns the names of the files taken out.

    Raises
    ------
    UnknownName
        No file is called so, or several are; the sentence says which.
    """
    found: dict[int, str] = {}
    for word in words:
        number, name = find_file(database, word)
        found[number] = name

    def act() -> list[str]:
        renewal = Renewal(database, place.settings)
        for number in found:
            renewal.goes(number)
        renewal.run()
        renewal.finish()
        return list(found.values())

    return _step(place, database, "unload", ", ".join(found.values()), now, act)


def reload_files(place: Workspace, database: Database, layouts: Sequence[Layout], words: Sequence[str],
                 as_of: date, now: datetime) -> tuple[list[FileAccount], Done]:  # fmt: skip
    """Make every reading again from the raw rows with the layouts and settings of today; all files if none is named.

    Answers and decisions are applied again, and tests keep their ids.

    Raises
    ------
    UnknownName
        No file is called so.
    SheetError
        A file fits no layout any more, or needs an answer first; nothing was changed.
    """
    if words:
        numbers = [find_file(database, word)[0] for word in words]
    else:
        numbers = [int(row[0]) for row in database.rows("SELECT file_id FROM source_file ORDER BY name")]
    if not numbers:
        raise StoreError('no file is loaded, so there is nothing to reload: load a first one with "wearlab load"')
    fit = _fit_anew(place, database, layouts, as_of)

    def act() -> list[FileAccount]:
        renewal = Renewal(database, place.settings)
        renewal.ask(numbers)
        renewal.run(fit=fit, fitted=set(numbers), as_of=as_of)
        renewal.finish()
        return [_stored(database, number, renewal.accounts[number]) for number in dict.fromkeys(numbers)]

    names = database.rows("SELECT name FROM source_file WHERE list_contains(?, file_id) ORDER BY name", [numbers])
    detail = ", ".join(row[0] for row in names) if words else f"all {len(names)} files"
    return _step(place, database, "reload", detail, now, act)


def find_file(database: Database, word: str) -> tuple[int, str]:
    """Return number and name of the one file that is called so, or whose content hash begins so.

    Raises
    ------
    UnknownName
        There is none, or there are several.
    """
    rows = database.rows("SELECT file_id, name, sha256 FROM source_file ORDER BY name, sha256")
    found = [row for row in rows if row[1] == word]
    found = found or [row for row in rows if row[1].rsplit("/", 1)[-1] == word.rsplit("/", 1)[-1]]
    if not found and len(word) >= _HASH_LEAST:
        found = [row for row in rows if row[2].startswith(word.lower())]
    if not found:
        names = ", ".join(row[1] for row in rows[:8]) + (" ..." if len(rows) > 8 else "")
        raise UnknownName(f'no loaded file is called "{word}": name one of {names or "none"}; nothing was changed')
    if len(found) > 1:
        told = ", ".join(f"{row[1]} ({row[2][:10]})" for row in found[:8])
        raise UnknownName(f'"{word}" may be {told}: name it by the beginning of its hash; nothing was changed')
    return int(found[0][0]), str(found[0][1])


# ---- inside


def _step(
    place: Workspace, database: Database, what: str, detail: str, now: datetime, act: Callable[[], T]
) -> tuple[T, Done]:
    """Copy the database, act in one transaction, and enter it in the journal; a fault leaves the store as it was.

    The entry is written before the act and once more after it, so that a process killed in between can be undone.
    """
    number = next_number(place.home)
    before = counts(database)
    copy, told = copy_store(database, place.home, what, number, now)
    made = now.isoformat(timespec="seconds")
    entry = Entry(number, made, what, detail, before, {}, copy, told, hashes(database))
    write_entry(place.home, entry)
    try:
        with database.transaction():
            outcome = act()
            record_rules(database, place.settings)
            rebuild_lives(database, place.settings)
    except BaseException:
        write_entry(place.home, replace(entry, undone=_NOT_DONE))
        (place.home / copy).unlink(missing_ok=True)
        raise
    after = counts(database)
    write_entry(place.home, replace(entry, after=after, files=hashes(database)))
    drop_old_copies(place.home)
    return outcome, Done(number, what, copy, before, after)


def _fit_anew(
    place: Workspace, database: Database, layouts: Sequence[Layout], as_of: date
) -> Callable[[RawFile], list[Fitted]]:
    """What finds the layout of every sheet of a stored file among the layouts of today, or proposes one."""
    state: list[Proposer] = []

    def fit(raw: RawFile) -> list[Fitted]:
        if not state:  # the answers that count are those after the step has stored its own
            said = remembered(database)
            state.append(Proposer(place.settings, [with_answers(one, said) for one in layouts], as_of, said))
        proposer = state[0]
        fitting = Fitting(raw, [Fitted(sheet, find_layout(sheet, proposer.layouts)) for sheet in raw.sheets])
        proposer.fill(fitting)
        if fitting.unanswered or not fitting.fits:
            raise SheetError(
                f"{raw.name} fits none of the layouts any more ({fitting.reason or 'its columns need an answer'}): "
                "put its layout back, or unload it; nothing was changed"
            )
        for one in fitting.sheets:
            _same_bytes(raw, one)
        return fitting.sheets

    return fit


def _same_bytes(raw: RawFile, one: Fitted) -> None:
    """A layout that wants the file's bytes read otherwise cannot be served from its rows."""
    if one.match is None or raw.kind != "csv":
        return
    rules = one.match.layout.file
    wanted = {name.lower().replace("_", "-").removesuffix("-sig") for name in rules.encodings}
    used = (raw.encoding or "").lower().replace("_", "-").removesuffix("-sig")
    other = rules.delimiter if rules.delimiter is not None and rules.delimiter != raw.delimiter else None
    if (wanted and used not in wanted and not used.startswith("utf-16")) or other is not None:
        raise SheetError(
            f'{raw.name} was read as {raw.encoding} with "{raw.delimiter}" between columns, which its layout '
            f'"{one.match.layout.name}" does not allow any more: unload it and load the file itself again; '
            "nothing was changed"
        )


def _stored(database: Database, number: int, account: FileAccount) -> FileAccount:
    found: list[dict[str, Any]] = database.records(
        "SELECT rows_read, structure, accepted, flagged, set_aside, cells_set_aside, readings FROM source_file "
        "WHERE file_id = ?",
        [number],
    )
    return replace(account, **found[0])
