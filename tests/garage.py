"""A workspace with two sheets of an invented milk round, to settle, unload, reload and undo in."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from pipelines.sheets.aside import Item, all_items
from pipelines.sheets.choices import Choice
from pipelines.sheets.files import find_files
from pipelines.sheets.layout import read_layouts
from pipelines.sheets.load import load_files
from pipelines.steps.lives import rebuild_lives
from pipelines.steps.rules import record_rules
from pipelines.steps.taking_back import reload_files, settle_choices, unload_files
from pipelines.steps.undo import undo_last
from pipelines.workspace import Workspace, new_workspace, open_workspace
from wearlab.store.database import Database
from whole_store import adds_up, whole

AS_OF = date(2026, 6, 30)
LAYOUT = """
name = "dairy round"
kind = "tests"
[file]
decimal = ","
date_formats = ["%d.%m.%Y"]
[defaults]
measure = "return_flow"
duration = "60 s"
unit = "ml"
[[columns]]
header = "van"
field = "vehicle"
[[columns]]
header = "day"
field = "date"
[[columns]]
header = "km"
field = "odometer"
[[columns]]
header = "how"
field = "driven"
[[columns]]
header = "c1"
field = "reading"
position = "1"
[[columns]]
header = "c2"
field = "reading"
position = "2"
[[columns]]
header = "note"
field = "note"
"""
HEAD = "van;day;km;how;c1;c2;note"
FIRST = f"""{HEAD}
B22;01.03.2025;10000;idle;11,5;12;
B22;31.04.2025;11000;idle;12;12,5;no such day
B22;01.06.2025;12000;idle;12,5;1x3;slip
B22;01.08.2025;13000;;13;13,5;nobody says how
B22;01.10.2025;14000;idle;14*;13,5;odd
B22;01.10.2025;14000;idle;14*;13,5;odd
"""
SECOND = f"""{HEAD}
V7;01.03.2025;500;idle;9;9,5;
V007;05.03.2025;600;idle;9;9,5;
B22;01.03.2025;10000;idle;11,5;12;
"""


class Garage:
    """A workspace with two sheets beside it."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.sheets = home.parent / "sheets"
        self.sheets.mkdir()
        self.clock = datetime(2026, 7, 1, 8, 0)
        new_workspace(home)
        (home / "layouts" / "round.toml").write_text(LAYOUT, encoding="utf-8")
        self.write("first.csv", FIRST)
        self.write("second.csv", SECOND)

    @property
    def place(self) -> Workspace:
        return open_workspace(self.home)

    def now(self) -> datetime:
        self.clock += timedelta(minutes=1)
        return self.clock

    def write(self, name: str, text: str) -> Path:
        path = self.sheets / name
        path.write_text(text, encoding="utf-8")
        return path

    def load(self, *names: str) -> None:
        place = self.place
        paths = [self.sheets / name for name in names] or find_files([self.sheets])
        with place.open(create=True) as db:
            load_files(db, place.settings, read_layouts(place.layouts), paths, as_of=AS_OF)
            with db.transaction():
                record_rules(db, place.settings)
                rebuild_lives(db, place.settings)

    def ask(self, question: Callable[[Database], Any]) -> Any:
        with self.place.open(read_only=True) as db:
            return question(db)

    def whole(self, *, every: bool = False) -> Any:
        return self.ask(lambda db: whole(db, every=every))

    def items(self) -> list[Item]:
        found: list[Item] = self.ask(all_items)
        return found

    def item(self, code: str, **wanted: Any) -> Item:
        (found,) = [
            one for one in self.items() if one.code == code and all(getattr(one, k) == v for k, v in wanted.items())
        ]
        return found

    def settle(self, *choices: Choice) -> Any:
        place = self.place
        with place.open() as db:
            done = settle_choices(place, db, read_layouts(place.layouts), choices, AS_OF, self.now())
            adds_up(db)
        return done

    def unload(self, *names: str) -> Any:
        place = self.place
        with place.open() as db:
            done = unload_files(place, db, names, self.now())
            adds_up(db)
        return done

    def reload(self, *names: str) -> Any:
        place = self.place
        with place.open() as db:
            done = reload_files(place, db, read_layouts(place.layouts), names, AS_OF, self.now())
            adds_up(db)
        return done

    def undo(self, **options: Any) -> Any:
        return undo_last(self.place, self.now(), **options)


def values(garage: Garage, day: str) -> list[tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = garage.ask(
        lambda db: db.rows(
            "SELECT position, value, use, quality FROM reading WHERE tested_on = ? AND vehicle = 'B22' ORDER BY ALL",
            [date.fromisoformat(day)],
        )
    )
    return found
