"""Files made again from their raw rows: with the layout they were read with, or with the layouts of today.

What a file brings depends on files that come before it (copies, repeat numbers) and on registers. When a file comes
in, goes or is read otherwise, the files that depend on it are made again in the order of their content hashes, so
that the store holds the same whichever way it came about.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime

from pipelines.sheets.account import FileAccount
from pipelines.sheets.asked import remembered, with_answers
from pipelines.sheets.completed import changed_visits, mark_completed, watch_visits
from pipelines.sheets.known import known_vehicles, without_zeros
from pipelines.sheets.layout import Layout
from pipelines.sheets.match import find_layout
from pipelines.sheets.meter_judge import judge_meters, vehicles_in
from pipelines.sheets.names import ask_names
from pipelines.sheets.questions import Question
from pipelines.sheets.raw import RawFile
from pipelines.sheets.raw_kept import kept_file
from pipelines.sheets.stored import Fitted, store_file
from wearlab.config import Settings
from wearlab.store.database import Database

#: Everything that is made of the rows of a file; `source_file` keeps the file itself.
MADE = (
    "raw_row", "raw_sheet", "raw_type", "row_print", "touched", "remark", "question", "register", "rig_register",
    "test", "reading", "work", "odometer_log", "meter_column", "planned_visit", "stock",
)  # fmt: skip
REGISTERS = ("vehicles", "rigs")

#: Finds the layouts of a file that is read anew; default: those that it was read with.
Fit = Callable[[RawFile], list[Fitted]]


@dataclass(slots=True)
class Renewal:
    """Files to be made again, and the vehicles and visits that changed on the way.

    Call everything inside one transaction and `finish` at its end. `accounts` : of the files made again, by number.
    """

    database: Database
    settings: Settings
    accounts: dict[int, FileAccount] = field(default_factory=dict)
    _vehicles: set[str] = field(default_factory=set)
    _waiting: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        watch_visits(self.database)

    def came(self, file_id: int) -> None:
        """A file was stored just now: the ones that depend on it wait to be made again."""
        changed_visits(self.database, file_id)
        self._waiting |= self._dependent(file_id)

    def goes(self, file_id: int) -> None:
        """Take a file out altogether; the ones that depended on it wait to be made again."""
        self._note(file_id)
        waiting = self._dependent(file_id)
        clear(self.database, file_id)
        self.database.run("DELETE FROM source_file WHERE file_id = ?", [file_id])
        self._waiting = (self._waiting | waiting) - {file_id}

    def ask(self, files: Iterable[int]) -> None:
        """Let files wait to be made again."""
        self._waiting |= set(files)

    def run(self, *, fit: Fit | None = None, fitted: Collection[int] = (), as_of: date | None = None) -> None:
        """Make every waiting file again, and those that depend on it, lowest content hash first.

        `fit` : finds the layouts anew for the files in `fitted`; these also take `as_of` as their new day.
        """
        done: set[int] = set()
        while self._waiting:
            file_id = self._next()
            self._waiting.discard(file_id)
            if file_id in done:  # a register changed after it: once more
                done.discard(file_id)
            self._note(file_id)
            before = self._dependent(file_id)
            anew = file_id in fitted
            self._make(file_id, fit if anew else None, as_of if anew else None)
            done.add(file_id)
            changed_visits(self.database, file_id)
            self._waiting |= (before | self._dependent(file_id)) - {file_id}

    def finish(self) -> dict[int, list[Question]]:
        """Judge meters, names and visits anew where anything changed; return the questions on names by file."""
        judge_meters(self.database, sorted(self._vehicles))
        mark_completed(self.database)
        return ask_names(self.database, self.settings)

    # ---- inside

    def _next(self) -> int:
        """Registers first, then by content hash."""
        return int(
            self.database.value(
                "SELECT file_id FROM source_file WHERE list_contains(?, file_id) "
                "ORDER BY NOT (contains(kind, 'vehicles') OR contains(kind, 'rigs')), sha256 LIMIT 1",
                [sorted(self._waiting)],
            )
        )

    def _make(self, file_id: int, fit: Fit | None, as_of: date | None) -> None:
        database = self.database
        raw, layouts = kept_file(database, file_id)
        fitted = _as_before(database, raw, layouts) if fit is None else fit(raw)
        day = as_of or database.value("SELECT as_of FROM source_file WHERE file_id = ?", [file_id])
        clear(database, file_id)
        known = known_vehicles(database, self.settings)
        self.accounts[file_id] = store_file(
            database,
            self.settings,
            known,
            raw,
            fitted,
            name=raw.name,
            as_of=day,
            now=datetime.now(),
            again=file_id,
        )

    def _note(self, file_id: int) -> None:
        changed_visits(self.database, file_id)
        self._vehicles |= set(vehicles_in(self.database, file_id))

    def _dependent(self, file_id: int) -> set[int]:
        """Files that may say something else now: later ones on the same visits, and all that a register speaks of."""
        database = self.database
        found = {
            int(row[0])
            for row in database.rows(
                "SELECT DISTINCT o.file_id FROM touched t JOIN touched o ON o.vehicle = t.vehicle "
                "AND o.day IS NOT DISTINCT FROM t.day AND o.file_id <> t.file_id "
                "JOIN source_file a ON a.file_id = t.file_id JOIN source_file b ON b.file_id = o.file_id "
                "WHERE t.file_id = ? AND b.sha256 > a.sha256",
                [file_id],
            )
        }
        kinds = str(database.value("SELECT kind FROM source_file WHERE file_id = ?", [file_id]) or "").split(", ")
        if "rigs" in kinds:
            found |= _of_kind(database, ("tests",))
        if "vehicles" in kinds:
            found |= self._spoken_of(file_id)
        return found - {file_id}

    def _spoken_of(self, file_id: int) -> set[int]:
        """Files on vehicles that a register names, by their own key, an alias, or one that lost its zeros."""
        named = {
            without_zeros(row[0])
            for row in self.database.rows("SELECT vehicle FROM touched WHERE file_id = ? AND day IS NULL", [file_id])
        }
        others = _of_kind(self.database, ("tests", "events", "odometer", "visits"))
        return {
            int(other)
            for other, vehicle in self.database.rows(
                "SELECT DISTINCT file_id, vehicle FROM touched WHERE list_contains(?, file_id)", [sorted(others)]
            )
            if without_zeros(vehicle) in named
        }


def clear(database: Database, file_id: int) -> None:
    """Take out everything that was made of a file; its place in `source_file` stays."""
    for table in MADE:
        database.run(f"DELETE FROM {table} WHERE file_id = ?", [file_id])  # noqa: S608  (a name of our own)


def files_asking(database: Database, question_id: str) -> set[int]:
    """Return the files in whose rows a question came up."""
    found = database.rows(
        "SELECT q.file_id FROM question q JOIN source_file USING (file_id) WHERE question_id = ?", [question_id]
    )
    return {int(row[0]) for row in found}


def files_on(database: Database, vehicle: str) -> set[int]:
    """Return the files that speak of a vehicle."""
    return {int(row[0]) for row in database.rows("SELECT DISTINCT file_id FROM touched WHERE vehicle = ?", [vehicle])}


def _of_kind(database: Database, kinds: tuple[str, ...]) -> set[int]:
    found = database.rows("SELECT file_id, kind FROM source_file")
    return {int(file_id) for file_id, said in found if set(said.split(", ")) & set(kinds)}


def _as_before(database: Database, raw: RawFile, layouts: list[Layout | None]) -> list[Fitted]:
    said = remembered(database)
    return [
        Fitted(sheet, None if layout is None else find_layout(sheet, [with_answers(layout, said)]))
        for sheet, layout in zip(raw.sheets, layouts, strict=True)
    ]
