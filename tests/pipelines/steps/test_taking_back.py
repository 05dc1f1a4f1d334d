"""Taking it back: settle, unload, reload and undo keep what they promise, whatever they are given."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipelines.sheets.aside import Item, all_items, question_items, remark_items
from pipelines.sheets.aside_file import COLUMNS, read_choices, write_items
from pipelines.sheets.choices import Choice
from pipelines.sheets.files import find_files
from pipelines.sheets.journal import KEPT_COPIES, read_journal
from pipelines.sheets.layout import read_layouts
from pipelines.sheets.load import load_files
from pipelines.steps import taking_back
from pipelines.steps.lives import rebuild_lives
from pipelines.steps.rules import record_rules
from pipelines.steps.taking_back import reload_files, settle_choices, unload_files
from pipelines.steps.undo import undo_last
from pipelines.workspace import Workspace, new_workspace, open_workspace
from wearlab.errors import SheetError, StoreError, WearlabError
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


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with both sheets loaded, to be copied and never opened."""
    made = Garage(tmp_path_factory.mktemp("loaded") / "garage")
    made.load()
    return made.home


@pytest.fixture
def garage(tmp_path: Path, loaded: Path) -> Garage:
    made = Garage(tmp_path / "garage")
    shutil.copyfile(loaded / "wearlab.duckdb", made.home / "wearlab.duckdb")
    return made


def values(garage: Garage, day: str) -> list[tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = garage.ask(
        lambda db: db.rows(
            "SELECT position, value, use, quality FROM reading WHERE tested_on = ? AND vehicle = 'B22' ORDER BY ALL",
            [date.fromisoformat(day)],
        )
    )
    return found


def test_every_item_has_an_id_that_a_reload_and_another_workspace_give_again(garage: Garage, tmp_path: Path) -> None:
    before = garage.items()
    assert len({item.item_id for item in before}) == len(before)
    assert {item.code for item in before} >= {
        "impossible_date",
        "unreadable",
        "duplicate",
        "marked",
        "protocol",
        "alias",
    }
    garage.reload()
    assert [item.item_id for item in garage.items()] == [item.item_id for item in before]
    (tmp_path / "elsewhere").mkdir()
    other = Garage(tmp_path / "elsewhere" / "garage")
    other.load("second.csv")
    other.load("first.csv")
    assert {item.item_id for item in other.items()} == {item.item_id for item in before}


def test_a_value_given_for_a_cell_is_read_and_the_raw_row_stays(garage: Garage) -> None:
    garage.settle(Choice(garage.item("impossible_date").item_id, "value", "2025-04-30", "job card"))
    assert values(garage, "2025-04-30") == [("1", 12.0, "trend", "good"), ("2", 12.5, "trend", "good")]
    garage.settle(Choice(garage.item("unreadable").item_id, "", "13,25"))
    assert values(garage, "2025-06-01") == [("1", 12.5, "trend", "good"), ("2", 13.25, "trend", "good")]
    rows = garage.ask(lambda db: db.rows("SELECT cells FROM raw_row WHERE row_no IN (3, 4) AND cells[1] = 'B22'"))
    texts = [cell for (cells,) in rows for cell in cells]
    assert "31.04.2025" in texts
    assert "1x3" in texts
    told = garage.ask(lambda db: db.rows("SELECT cell, sentence FROM remark WHERE code = 'given' ORDER BY row_no"))
    assert [cell for cell, _ in told] == ["31.04.2025", "1x3"]
    assert "2025-04-30" in told[0][1]


@pytest.mark.parametrize(("text", "value"), [("13,25", 13.25), ("13.25", 13.25), ("1,5 l", 1500.0), (">50", 50.0)])
def test_a_value_may_be_written_as_in_the_sheet_or_plainly(garage: Garage, text: str, value: float) -> None:
    garage.settle(Choice(garage.item("unreadable").item_id, "value", text))
    assert values(garage, "2025-06-01")[1][1] == value


def test_accepted_flags_and_copies_come_into_force(garage: Garage) -> None:
    flag = garage.item("marked", row=6)
    assert values(garage, "2025-10-01")[0] == ("1", 14.0, "show", "marked")
    garage.settle(Choice(flag.item_id, "accept", "", "the star was a stain"))
    assert values(garage, "2025-10-01")[0] == ("1", 14.0, "trend", "good")
    copy = garage.item("duplicate", row=7)
    garage.settle(Choice(copy.item_id, "accept"))
    assert len(values(garage, "2025-10-01")) == 4
    assert garage.ask(lambda db: db.rows("SELECT DISTINCT repeat FROM reading WHERE row_no = 7")) == [(2,)]


def test_dropped_rows_and_cells_are_not_stored(garage: Garage) -> None:
    cell = garage.item("marked", row=6)
    garage.settle(Choice(cell.item_id, "drop", "", "tube leaked"))
    assert values(garage, "2025-10-01") == [("2", 13.5, "trend", "good")]
    (reason,) = garage.ask(lambda db: db.rows("SELECT sentence FROM remark WHERE code = 'dropped_cell' AND row_no = 6"))
    assert "tube leaked" in reason[0]
    row = garage.item("impossible_date")
    garage.settle(Choice(row.item_id, "drop"))
    assert "impossible_date" not in {item.code for item in garage.items()}
    assert (
        garage.ask(lambda db: db.value("SELECT bucket FROM raw_row WHERE row_no = 3 AND cells[1] = 'B22'"))
        == "set_aside"
    )


def test_an_answer_for_a_protocol_brings_its_readings_into_the_models(garage: Garage) -> None:
    assert [use for _, _, use, _ in values(garage, "2025-08-01")] == ["show", "show"]
    question = garage.item("protocol")
    assert question.readings == 2
    garage.settle(Choice(question.item_id, "answer", "idling"))
    assert [use for _, _, use, _ in values(garage, "2025-08-01")] == ["trend", "trend"]
    assert (
        garage.ask(lambda db: db.value("SELECT protocol FROM test WHERE tested_on = DATE '2025-08-01'")) == "idle 60 s"
    )
    garage.write("third.csv", f"{HEAD}\nB22;01.12.2025;15000;;14;14,5;still nobody says\n")
    garage.load("third.csv")
    assert [use for _, _, use, _ in values(garage, "2025-12-01")] == ["trend", "trend"]
    assert "protocol" not in {item.code for item in garage.items()}


@pytest.mark.parametrize(
    ("answer", "vehicles"), [("yes", {"B22", "V007"}), ("V-007", {"B22", "V007"}), ("no", {"B22", "V007", "V7"})]
)
def test_an_answer_for_a_vehicle(garage: Garage, answer: str, vehicles: set[str]) -> None:
    garage.settle(Choice(garage.item("alias").item_id, "", answer))
    assert {one for (one,) in garage.ask(lambda db: db.rows("SELECT DISTINCT vehicle FROM test"))} == vehicles
    garage.write("third.csv", f"{HEAD}\nV7;01.04.2025;700;idle;9;9,5;\n")
    garage.load("third.csv")
    assert {one for (one,) in garage.ask(lambda db: db.rows("SELECT DISTINCT vehicle FROM test"))} == vehicles
    assert "alias" not in {item.code for item in garage.items()}


def test_answers_can_be_changed_and_opened_again(garage: Garage) -> None:
    before = garage.whole()
    question, cell = garage.item("alias"), garage.item("unreadable")
    garage.settle(Choice(question.item_id, "", "yes"), Choice(cell.item_id, "", "13"))
    garage.settle(Choice(question.item_id, "", "no"), Choice(cell.item_id, "drop"))
    assert garage.ask(lambda db: db.value("SELECT count(DISTINCT vehicle) FROM test")) == 3
    garage.settle(Choice(question.item_id, "open"), Choice(cell.item_id, "open"))
    assert garage.whole() == before


def test_decisions_reach_the_same_row_of_another_file(garage: Garage) -> None:
    garage.settle(Choice(garage.item("impossible_date").item_id, "value", "2025-04-30"))
    garage.settle(Choice(garage.item("unreadable").item_id, "drop"))
    garage.write("again.csv", FIRST + "B22;01.12.2025;15000;idle;15;15,5;\n")
    garage.load("again.csv")
    assert values(garage, "2025-04-30") == [("1", 12.0, "trend", "good"), ("2", 12.5, "trend", "good")]
    assert values(garage, "2025-06-01") == [("1", 12.5, "trend", "good")]
    open_codes = {item.code for item in garage.items()}
    assert "impossible_date" not in open_codes
    assert "unreadable" not in open_codes


def test_unload_and_load_again_gives_the_same_store(garage: Garage) -> None:
    garage.settle(Choice(garage.item("unreadable").item_id, "", "13"), Choice(garage.item("alias").item_id, "", "yes"))
    before = garage.whole()
    for name in ("first.csv", "second.csv"):
        names, done = garage.unload(name)
        assert names == [name]
        assert done.before["source_file"] - done.after["source_file"] == 1
        garage.load(name)
        assert garage.whole() == before


def test_a_copy_comes_into_force_when_the_other_file_goes(garage: Garage) -> None:
    (winner,) = garage.ask(
        lambda db: db.rows(
            "SELECT DISTINCT s.name FROM reading JOIN source_file s USING (file_id) "
            "WHERE tested_on = DATE '2025-03-01' AND vehicle = 'B22'"
        )
    )
    garage.unload(winner[0])
    assert values(garage, "2025-03-01") == [("1", 11.5, "trend", "good"), ("2", 12.0, "trend", "good")]


def test_unload_names_files_by_hash_too_and_refuses_what_it_does_not_know(garage: Garage) -> None:
    before = garage.whole(every=True)
    with pytest.raises(WearlabError, match=r'no loaded file is called "third.csv": name one of first.csv, second.csv'):
        garage.unload("first.csv", "third.csv")
    assert garage.whole(every=True) == before
    sha256 = garage.ask(lambda db: db.value("SELECT sha256 FROM source_file WHERE name = 'first.csv'"))
    names, _ = garage.unload(sha256[:8])
    assert names == ["first.csv"]


def test_reload_gives_the_same_store_and_the_same_test_ids(garage: Garage) -> None:
    garage.settle(
        Choice(garage.item("unreadable").item_id, "", "13"),
        Choice(garage.item("protocol").item_id, "", "idle"),
        Choice(garage.item("duplicate", row=7).item_id, "accept"),
    )
    before = garage.whole()
    accounts, _ = garage.reload()
    assert [account.file for account in accounts] == ["first.csv", "second.csv"]
    assert garage.whole() == before
    garage.reload("second.csv")
    assert garage.whole() == before


def test_reload_reads_by_the_layout_and_rules_of_today(garage: Garage) -> None:
    ids = garage.ask(lambda db: db.rows("SELECT test_id FROM test WHERE vehicle = 'V7'"))
    path = garage.home / "layouts" / "round.toml"
    path.write_text(
        LAYOUT.replace('unit = "ml"', 'unit = "l"') + '[marks]\n"*" = "level with the mark"\n', encoding="utf-8"
    )
    garage.reload("second.csv")
    assert garage.ask(lambda db: db.rows("SELECT value FROM reading WHERE vehicle = 'V7' ORDER BY 1")) == [
        (9000.0,),
        (9500.0,),
    ]
    assert garage.ask(lambda db: db.rows("SELECT test_id FROM test WHERE vehicle = 'V7'")) == ids
    other = "SELECT max(value) FROM reading JOIN source_file USING (file_id) WHERE name = 'first.csv'"
    assert garage.ask(lambda db: db.value(other)) < 100, "first.csv waits for its own reload"


def test_a_reload_that_cannot_be_done_changes_nothing(garage: Garage) -> None:
    before = garage.whole(every=True)
    path = garage.home / "layouts" / "round.toml"
    path.write_text(LAYOUT.replace("[file]", '[file]\ndelimiter = "|"'), encoding="utf-8")
    with pytest.raises(SheetError, match="does not allow any more"):
        garage.reload()
    assert garage.whole(every=True) == before
    assert [entry.undone for entry in read_journal(garage.home)] == ["not done"]


@pytest.mark.parametrize("what", ["settle", "unload", "reload"])
def test_undo_restores_every_row(garage: Garage, what: str) -> None:
    garage.settle(Choice(garage.item("alias").item_id, "", "yes"))
    before = garage.whole(every=True)
    if what == "settle":
        garage.settle(*[Choice(item.item_id, "drop") for item in garage.ask(remark_items)])
    elif what == "unload":
        garage.unload("first.csv", "second.csv")
    else:
        path = garage.home / "layouts" / "round.toml"
        path.write_text(LAYOUT.replace('unit = "ml"', 'unit = "l"'), encoding="utf-8")
        garage.reload()
    assert garage.whole() != before
    done = garage.undo()
    assert done.what == what
    assert garage.whole(every=True) == before
    assert (garage.home / done.kept).is_file()
    garage.undo()
    assert "alias" in {item.code for item in garage.items()}
    with pytest.raises(StoreError, match="nothing to undo"):
        garage.undo()


def test_undo_does_not_lose_what_came_since_unasked(garage: Garage) -> None:
    garage.unload("second.csv")
    garage.load("second.csv")
    garage.write("third.csv", f"{HEAD}\nB22;01.12.2025;15000;idle;14;14,5;\n")
    garage.load("third.csv")
    before = garage.whole(every=True)
    with pytest.raises(StoreError, match=r"second.csv, third.csv came in, which an undo would lose: .*--even-so"):
        garage.undo()
    assert garage.whole(every=True) == before
    garage.undo(even_so=True)
    assert garage.ask(lambda db: db.rows("SELECT name FROM source_file ORDER BY 1")) == [
        ("first.csv",),
        ("second.csv",),
    ]


def test_the_journal_and_the_last_copies_are_kept(garage: Garage) -> None:
    for number in range(KEPT_COPIES + 2):
        item = garage.item("unreadable") if number == 0 else None
        garage.settle(Choice(item.item_id, "", "13")) if item else garage.reload("first.csv")
    entries = read_journal(garage.home)
    assert [entry.number for entry in entries] == list(range(1, KEPT_COPIES + 3))
    assert entries[0].what == "settle"
    assert (entries[0].before["decision"], entries[0].after["decision"]) == (0, 1)
    assert entries[1].detail == "first.csv"
    kept = sorted(path.name for path in (garage.home / "copies").iterdir())
    assert kept == sorted(Path(str(entry.copy)).name for entry in entries[-KEPT_COPIES:])
    for _ in range(KEPT_COPIES):
        garage.undo()
    with pytest.raises(StoreError, match="is gone"):
        garage.undo()


def test_a_damaged_copy_is_not_put_back(garage: Garage) -> None:
    garage.unload("second.csv")
    before = garage.whole(every=True)
    (copy,) = (garage.home / "copies").iterdir()
    content = bytearray(copy.read_bytes())
    content[len(content) // 2] ^= 1
    copy.write_bytes(content)
    with pytest.raises(StoreError, match="is damaged"):
        garage.undo()
    assert garage.whole(every=True) == before


def test_without_room_for_a_copy_nothing_happens(garage: Garage, monkeypatch: pytest.MonkeyPatch) -> None:
    before = garage.whole(every=True)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(StoreError, match="nothing was changed"):
        garage.unload("second.csv")
    assert garage.whole(every=True) == before
    assert read_journal(garage.home) == []


def test_a_fault_half_way_leaves_the_store_as_it_was(garage: Garage, monkeypatch: pytest.MonkeyPatch) -> None:
    before = garage.whole(every=True)

    def broken(*_: object) -> None:
        raise RuntimeError("the light went out")

    monkeypatch.setattr(taking_back, "rebuild_lives", broken)
    with pytest.raises(RuntimeError):
        garage.unload("second.csv")
    assert garage.whole(every=True) == before
    with pytest.raises(StoreError, match="nothing to undo"):
        garage.undo()


def test_a_step_that_was_killed_before_its_last_word_can_be_undone(garage: Garage) -> None:
    before = garage.whole(every=True)
    garage.unload("second.csv")
    journal = garage.home / "journal.jsonl"
    begun, done = journal.read_text(encoding="utf-8").splitlines()
    assert done != begun
    journal.write_text(begun + "\n", encoding="utf-8")
    garage.undo()
    assert garage.whole(every=True) == before


def test_a_register_that_goes_takes_its_aliases_with_it(garage: Garage) -> None:
    before = garage.whole()
    fleet = 'name = "fleet"\nkind = "vehicles"\n' + "".join(
        f'[[columns]]\nheader = "{one}"\nfield = "{one}"\n' for one in ("vehicle", "alias")
    )
    (garage.home / "layouts" / "fleet.toml").write_text(fleet)
    garage.write("fleet.csv", "vehicle,alias\nT100,V7\n")
    garage.load("fleet.csv")
    assert garage.ask(lambda db: db.value("SELECT count(*) FROM test WHERE vehicle = 'T100'")) == 1
    garage.unload("fleet.csv")
    assert garage.whole() == before


# ---- the list as a sheet


def filled(path: Path, decide: dict[str, tuple[str, str, str]]) -> None:
    """Fill decision, value and why of a written list, by the beginning of the reason."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
        for row in rows[1:]:
            row[8:11] = decide.get(row[0], ("", "", ""))
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            csv.writer(file, delimiter=";").writerows(rows)  # as a spreadsheet of many countries saves it
        return
    book = openpyxl.load_workbook(path)
    sheet = book.active
    assert sheet is not None
    for row in sheet.iter_rows(min_row=2):
        for cell, text in zip(row[8:11], decide.get(str(row[0].value), ("", "", "")), strict=True):
            cell.value = text or None
    book.save(path)


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_an_edited_list_settles(garage: Garage, suffix: str) -> None:
    path = garage.home / f"aside{suffix}"
    items = garage.items()
    write_items(path, items)
    date_item, cell, alias = garage.item("impossible_date"), garage.item("unreadable"), garage.item("alias")
    filled(
        path,
        {
            date_item.item_id: ("value", "2025-04-30", "Müller says so"),
            cell.item_id: ("Drop", "", "spilt"),
            alias.item_id: ("", "yes", ""),
        },
    )
    choices = read_choices(path)
    assert len(choices) == 3
    settled, _ = garage.settle(*choices)
    assert (settled.answers, settled.decisions) == (1, 2)
    assert len(values(garage, "2025-04-30")) == 2
    assert {one for (one,) in garage.ask(lambda db: db.rows("SELECT DISTINCT vehicle FROM test"))} == {"B22", "V007"}
    assert garage.ask(lambda db: db.value("SELECT reason FROM decision WHERE decision = 'value'")) == "Müller says so"
    with pytest.raises(WearlabError, match="is there already"):
        write_items(path, items)


def test_texts_of_foreign_sheets_are_no_formulas_in_the_list(garage: Garage) -> None:
    garage.write("evil.csv", f"{HEAD}\n=HYPERLINK(1);01.03.2025;1;idle;=cmd|x;@SUM(1);=1+1\n")
    garage.load("evil.csv")
    items = garage.ask(remark_items)
    assert "=cmd|x" in {item.cell for item in items}
    write_items(garage.home / "a.csv", items)
    with (garage.home / "a.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file))
    assert tuple(rows[0]) == COLUMNS
    assert "'=cmd|x" in {row[5] for row in rows}
    assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "-", "@"))]
    write_items(garage.home / "a.xlsx", items)
    sheet = openpyxl.load_workbook(garage.home / "a.xlsx").active
    assert sheet is not None
    assert {cell.data_type for row in sheet.iter_rows() for cell in row if cell.value is not None} == {"s"}


ID = "0123456789abcdef"
HEADER = ",".join(COLUMNS)


def answer_sheet(*rows: str) -> str:
    return "\n".join([HEADER, *rows]) + "\n"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (answer_sheet(f"{ID},,,,,,,,drop,,"), "nothing has the id"),
        (answer_sheet("{unreadable},,,,,,,,drop,,", "{unreadable},,,,,,,,accept,,"), "settled twice"),
        (answer_sheet("{unreadable},,,,,,,,value,=1+1,"), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,value,\"=cmd|' /C calc'!A0\","), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,value,-2+3+cmd|x,"), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,drop,,@SUM(A1)"), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,delete,,"), "is no decision"),
        (answer_sheet("{unreadable},,,,,,,,value,,"), "needs a value"),
        (answer_sheet("{unreadable},,,,,,,,drop,12,"), "keep one of the two"),
        (answer_sheet("{unreadable},,,,,,,,accept,,"), "cannot be accepted"),
        (answer_sheet("{unreadable},,,,,,,,value,twelve,"), "does not settle"),
        (answer_sheet("{impossible_date},,,,,,,,value,2025-02-30,"), "does not settle"),
        (answer_sheet("{duplicate},,,,,,,,value,12,"), "takes no value"),
        (answer_sheet("{alias},,,,,,,,answer,X99,"), "does not answer"),
        (answer_sheet("{protocol},,,,,,,,answer,quickly,"), "give crank, idle, raised or bench"),
        (answer_sheet(",,,,,,,,drop,,"), "has no id"),
        (answer_sheet("{unreadable},,,,,,,,,,"), "decides nothing"),
        ("id,what,decision,value\n{unreadable},,drop,\n", 'no column "why"'),
        ("id,id,decision,value,why\n{unreadable},,drop,,\n", 'more than one column "id"'),
        ("id,decision,value,why,mood\n{unreadable},drop,,,fine\n", 'unknown column "mood"'),
        ("van;day\n1;2\n", 'no column "id"'),
        ("", "empty"),
        ("\n\n\n", "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "picture"),
        (b"PK\x03\x04" + b"\0" * 60, "aside.csv"),
        (b"\xff\xfe" + "{}\n".format("\u0000").encode("utf-16-le"), "aside.csv"),
        (HEADER.encode() + b"\n{unreadable},,,,,,,,value,\x81\x8d\xff,\n", "aside.csv"),
        (bytes(range(128, 256)) * 20, "aside.csv"),
    ],
)  # fmt: skip
def test_a_hostile_list_gets_one_sentence_and_changes_nothing(garage: Garage, content: str | bytes, words: str) -> None:
    before = garage.whole(every=True)
    ids = {
        code: next(item.item_id for item in garage.items() if item.code == code)
        for code in ("unreadable", "impossible_date", "duplicate", "alias", "protocol")
    }
    raw = content.encode() if isinstance(content, str) else content
    for code, number in ids.items():
        raw = raw.replace(f"{{{code}}}".encode(), number.encode())
    path = garage.home / "aside.csv"
    path.write_bytes(raw)
    with pytest.raises(WearlabError) as caught:
        garage.settle(*read_choices(path))
    sentence = str(caught.value)
    assert words in sentence
    assert "\n" not in sentence
    assert len(sentence) < 500
    assert garage.whole(every=True) == before
    assert not [entry for entry in read_journal(garage.home) if entry.undone is None]


def test_question_items_are_told_once_with_all_their_files(garage: Garage) -> None:
    garage.write("third.csv", f"{HEAD}\nB22;01.12.2025;15000;;14;14,5;\n")
    garage.load("third.csv")
    (question,) = [item for item in garage.ask(question_items) if item.code == "protocol"]
    assert question.file == "first.csv, third.csv"
    assert question.readings == 4
