"""Settle, unload and reload keep what they promise: ids stay, decisions last, and a file that goes leaves no trace."""

from __future__ import annotations

from pathlib import Path

import pytest

from garage import FIRST, HEAD, LAYOUT, Garage, values
from pipelines.sheets.choices import Choice
from pipelines.sheets.journal import read_journal
from wearlab.errors import SheetError, WearlabError


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
