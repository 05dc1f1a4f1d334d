"""Loading: one file, one transaction; a file known by its content changes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path

from pipelines.sheets.account import FileAccount
from pipelines.sheets.files import file_sha256, read_file
from pipelines.sheets.known import Known, known_vehicles
from pipelines.sheets.layout import Layout
from pipelines.sheets.match import Match, find_layout
from pipelines.sheets.raw import RawFile
from pipelines.sheets.stored import Fitted, store_file
from wearlab.config import Settings
from wearlab.errors import SheetError
from wearlab.store.database import Database

#: Files read in the search for registers are kept in memory up to this many cells in all.
KEPT_CELLS = 2_000_000


class _PreviewOverError(Exception):
    """Ends the transaction of a preview without storing anything."""


def load_files(
    database: Database,
    settings: Settings,
    layouts: Sequence[Layout],
    paths: Sequence[Path],
    *,
    as_of: date | None = None,
    preview: bool = False,
    on_file: Callable[[FileAccount], None] | None = None,
    roots: Sequence[Path] = (),
) -> list[FileAccount]:
    """Load sheets; each file answers with its account, in the order of `paths`.

    Vehicle registers among the files are loaded first, so that aliases and numbers of cylinders are known.

    Parameters
    ----------
    as_of : dates after it are impossible for tests and events (default: today).
    preview : do everything, tell the accounts, and store nothing.
    on_file : called with each account as soon as it is known.
    roots : the paths as the user gave them; a file inside one of these folders is named relative to it.

    Raises
    ------
    StoreError
        The database cannot be written. A file that cannot be used raises nothing: its account says so.
    """
    today = date.today() if as_of is None else as_of
    accounts: dict[int, FileAccount] = {}

    def answer(place: int, account: FileAccount) -> None:
        accounts[place] = account
        if on_file is not None:
            on_file(account)

    def work() -> None:
        kept: dict[int, tuple[RawFile, list[Fitted]]] = {}
        room = KEPT_CELLS
        waiting: list[int] = []
        for place, path in enumerate(paths):
            name = _name(path, roots)
            try:
                if (known_as := _already(database, file_sha256(path), name)) is not None:
                    answer(place, known_as)
                    continue
                if len(paths) == 1:
                    waiting.append(place)
                    continue
                raw, fitted = _read(path, layouts)
            except SheetError as fault:
                answer(place, FileAccount(name, "refused", sentence=str(fault)))
                continue
            if any(one.match is not None and one.match.layout.kind == "vehicles" for one in fitted):
                answer(place, _load(database, settings, raw, fitted, name, today, preview))
                continue
            waiting.append(place)
            cells = sum(len(row) for sheet in raw.sheets for row in sheet.rows)
            if cells <= room:
                room -= cells
                kept[place] = (raw, fitted)
        for place in waiting:
            name = _name(paths[place], roots)
            try:
                raw, fitted = kept.pop(place) if place in kept else _read(paths[place], layouts)
                account = _already(database, raw.sha256, name)
                answer(place, account or _load(database, settings, raw, fitted, name, today, preview))
            except SheetError as fault:
                answer(place, FileAccount(name, "refused", sentence=str(fault)))

    if preview:
        try:
            with database.transaction():
                work()
                raise _PreviewOverError
        except _PreviewOverError:
            pass
    else:
        work()
    return [accounts[place] for place in range(len(paths))]


def _load(
    database: Database,
    settings: Settings,
    raw: RawFile,
    fitted: list[Fitted],
    name: str,
    today: date,
    preview: bool,
) -> FileAccount:
    known: Known = known_vehicles(database, settings)
    with _one_transaction(database, preview):
        return store_file(database, settings, known, raw, fitted, name=name, as_of=today, now=datetime.now())


@contextmanager
def _one_transaction(database: Database, preview: bool) -> Iterator[None]:
    if preview:  # the whole preview is one transaction already
        yield
        return
    with database.transaction():
        yield


def _read(path: Path, layouts: Sequence[Layout]) -> tuple[RawFile, list[Fitted]]:
    """Read a file as the layout that fits it wants it read.

    A first reading finds the layout; where that declares another encoding or delimiter, it is read again.
    """
    raw = read_file(path)
    fitted = _fit(raw, layouts)
    tried: set[tuple[tuple[str, ...], str | None]] = {(("utf-8", "cp1252"), None)}
    if not any(one.match for one in fitted) and raw.kind == "csv":
        for layout in layouts:
            wish = (layout.file.encodings or ("utf-8", "cp1252"), layout.file.delimiter)
            if wish in tried:
                continue
            tried.add(wish)
            try:
                again = read_file(path, encodings=wish[0], delimiter=wish[1])
            except SheetError:
                continue
            found = _fit(again, [layout])
            if any(one.match for one in found):
                return again, found
    match = next((one.match for one in fitted if one.match), None)
    if match is None:
        raise SheetError(
            f"{path.name} fits none of the {len(layouts)} layouts: write a layout with the headers of its "
            "columns into the folder layouts of the workspace"
        )
    rules = match.layout.file
    if raw.kind == "csv":
        declared = rules.encodings and (raw.encoding or "").replace("_", "-") not in _spelled(rules.encodings)
        if declared or (rules.delimiter is not None and rules.delimiter != raw.delimiter):
            raw = read_file(path, encodings=rules.encodings or ("utf-8", "cp1252"), delimiter=rules.delimiter)
            fitted = _fit(raw, [match.layout])
            if not any(one.match for one in fitted):
                raise SheetError(
                    f'{path.name} fits the layout "{match.layout.name}" only with another encoding or '
                    "delimiter than it declares: correct the part [file] of the layout"
                )
    return raw, fitted


def _spelled(encodings: Sequence[str]) -> set[str]:
    return {name.lower().replace("_", "-") for name in encodings} | {
        f"{name.lower().replace('_', '-')}-sig" for name in encodings
    }


def _fit(raw: RawFile, layouts: Sequence[Layout]) -> list[Fitted]:
    found: list[Fitted] = []
    for sheet in raw.sheets:
        match: Match | None = find_layout(sheet, layouts)
        found.append(Fitted(sheet, match))
    return found


def _already(database: Database, sha256: str, name: str) -> FileAccount | None:
    rows = database.rows(
        "SELECT rows_read, structure, accepted, flagged, set_aside, cells_set_aside, readings, layout, name "
        "FROM source_file WHERE sha256 = ?",
        [sha256],
    )
    if not rows:
        return None
    read, structure, accepted, flagged, aside, cells, readings, layout, before = rows[0]
    said = None if before == name else f"the same content was loaded as {before}"
    return FileAccount(
        name, "already loaded", read, structure, accepted, flagged, aside, cells, readings, (), layout, said
    )


def _name(path: Path, roots: Sequence[Path]) -> str:
    for root in roots:
        if root.is_dir() and path.resolve().is_relative_to(root.resolve()):
            return path.resolve().relative_to(root.resolve()).as_posix()
    return path.name


__all__ = ["FileAccount", "load_files"]
