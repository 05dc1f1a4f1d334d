"""Loading: one file, one transaction; a file known by its content changes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from pipelines.sheets.account import FileAccount
from pipelines.sheets.archive import MOST_NAME, shown_name
from pipelines.sheets.asked import remembered, with_answers
from pipelines.sheets.collector import collector_paused
from pipelines.sheets.files import file_sha256
from pipelines.sheets.fitting import fit_file, forget_refused, keep_proposed, refused, remember_refused
from pipelines.sheets.known import known_vehicles
from pipelines.sheets.layout import Layout
from pipelines.sheets.progress import Meter, Progress
from pipelines.sheets.proposed import Fitting, Proposer, SaveLayout
from pipelines.sheets.renewal import Renewal
from pipelines.sheets.stored import store_file
from wearlab.config import Settings
from wearlab.errors import SheetError, one_line
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
    on_progress: Callable[[Progress], None] | None = None,
    roots: Sequence[Path] = (),
    save_layout: SaveLayout | None = None,
) -> list[FileAccount]:
    """Load sheets; each file answers with its account, in the order of `paths`.

    Vehicle registers among the files are loaded first, so that aliases and numbers of cylinders are known. For a
    sheet that no layout fits one is proposed and used; a question that keeps it from being used refuses the file.

    Parameters
    ----------
    as_of : dates after it are impossible for tests and events (default: today).
    preview : do everything, tell the accounts, and store nothing.
    on_file : called with each account as soon as it is known.
    on_progress : called several times a file with how far the whole load has come.
    roots : the paths as the user gave them; a file inside one of these folders is named relative to it.
    save_layout : writes a layout that was proposed for an unknown sheet; None or a preview: nothing is written.

    Raises
    ------
    StoreError
        The database cannot be written. A file that cannot be used raises nothing: its account says so.
    """
    today = date.today() if as_of is None else as_of
    accounts: dict[int, FileAccount] = {}

    meter = Meter(paths, on_progress)

    def answer(place: int, account: FileAccount) -> None:
        accounts[place] = account
        meter.at(place, account.file)(account.status, 1.0)
        if on_file is not None:
            on_file(account)

    said = remembered(database)
    proposer = Proposer(settings, [with_answers(layout, said) for layout in layouts], today, said)
    save = None if preview else save_layout
    kept: dict[int, Fitting] = {}
    held: list[int] = []
    hashes: dict[int, str] = {}

    def store(place: int, fitting: Fitting) -> None:
        name = _name(paths[place], roots)
        with _one_transaction(database, preview), collector_paused():
            known = known_vehicles(database, settings)
            account = store_file(
                database,
                settings,
                known,
                fitting.raw,
                fitting.sheets,
                name=name,
                as_of=today,
                now=datetime.now(),
                stage=meter.at(place, name),
            )
            account = _with_dependents(database, settings, fitting.raw.sha256, account)
            forget_refused(database, fitting)
            account = keep_proposed(account, fitting, proposer, save)
        answer(place, account)

    def refuse(place: int, fitting: Fitting) -> None:
        with _one_transaction(database, preview):
            remember_refused(database, fitting)
            account = refused(fitting, _name(paths[place], roots), save)
        answer(place, account)

    def attempt(place: int, step: Callable[[int, Fitting], None]) -> Fitting | None:
        """Take one file a step further and return it if it waits for answers; what is no sheet is refused at once."""
        meter.at(place, _name(paths[place], roots))("reading", 0.0)
        try:
            fitting = kept.pop(place) if place in kept else fit_file(paths[place], proposer)
            before = _already(database, fitting.raw.sha256, _name(paths[place], roots))
            if before is not None:
                answer(place, before)
            elif fitting.unanswered or not fitting.fits:
                return fitting
            else:
                step(place, fitting)
        except SheetError as fault:
            answer(place, FileAccount(_name(paths[place], roots), "refused", sentence=str(fault)))
        return None

    def work() -> None:
        room = KEPT_CELLS
        waiting: list[int] = []

        def registers_first(place: int, fitting: Fitting) -> None:
            nonlocal room
            if any(one.match is not None and one.match.layout.kind in ("vehicles", "rigs") for one in fitting.sheets):
                store(place, fitting)
                return
            waiting.append(place)
            cells = sum(len(row) for sheet in fitting.raw.sheets for row in sheet.rows)
            if cells <= room:
                room -= cells
                kept[place] = fitting

        for place, path in enumerate(paths):
            try:
                hashes[place] = file_sha256(path)
                before = _already(database, hashes[place], _name(path, roots))
            except SheetError as fault:
                before = FileAccount(_name(path, roots), "refused", sentence=str(fault))
            if before is not None:
                answer(place, before)
            elif len(paths) == 1:
                waiting.append(place)
            else:
                if attempt(place, registers_first) is not None:
                    held.append(place)
        # in the order in which rows are compared, so that no file of this load has to be made twice
        for place in sorted(waiting, key=lambda place: hashes[place]):
            if (fitting := attempt(place, store)) is not None:
                if len(paths) == 1:
                    refuse(place, fitting)
                else:
                    held.append(place)
        for place in held:  # another file of the same kind may have proven by now what these left open
            if (fitting := attempt(place, store)) is not None:
                refuse(place, fitting)
        for place, account in accounts.items():  # a later file may have changed what an earlier one brought
            if account.status == "loaded":
                accounts[place] = _as_stored(database, hashes[place], account)

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


def _as_stored(database: Database, sha256: str, account: FileAccount) -> FileAccount:
    counts = database.records(
        "SELECT rows_read, structure, accepted, flagged, set_aside, cells_set_aside, readings FROM source_file "
        "WHERE sha256 = ?",
        [sha256],
    )
    return replace(account, **counts[0]) if counts else account


def _with_dependents(database: Database, settings: Settings, sha256: str, account: FileAccount) -> FileAccount:
    """Make again what depends on a file that came in just now; its account may hold questions more."""
    file_id = int(database.value("SELECT file_id FROM source_file WHERE sha256 = ?", [sha256]))
    renewal = Renewal(database, settings)
    renewal.came(file_id)
    renewal.run()
    asked = renewal.finish().get(file_id, [])
    return replace(
        account,
        questions=(*account.questions, *(one.sentence for one in asked)),
        question_ids=(*account.question_ids, *(one.question_id for one in asked)),
    )


@contextmanager
def _one_transaction(database: Database, preview: bool) -> Iterator[None]:
    if preview:  # the whole preview is one transaction already
        yield
        return
    with database.transaction():
        yield


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
            return one_line(path.resolve().relative_to(root.resolve()).as_posix(), MOST_NAME)
    return shown_name(path)


__all__ = ["FileAccount", "load_files"]
