"""Every kind of question: an answer takes effect at once, on the next file, and after everything is made again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest

from pipelines.sheets.aside import all_items, settled_items
from pipelines.sheets.choices import Choice, check_choices
from pipelines.sheets.renewal import Renewal
from pipelines.sheets.settling import Settled, settle
from wearlab.config import Family, Settings
from wearlab.errors import InputError

LAYOUT = """
name = "yard book"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
"""
COLUMNS = """
van | vehicle
day | date
km | odometer
c1 | reading | position = "1"
c2 | reading | position = "2"
c3 | reading | position = "3"
note | note
"""
HEAD = "van,day,km,c1,c2,c3,note"


@pytest.fixture
def answer(bench: Any, columns: Any) -> Callable[..., Settled]:
    """Answer the one open question of a kind; then make all files again, which must change nothing."""
    bench.layout(LAYOUT + columns(COLUMNS))

    def _answer(kind: str, text: str) -> Settled:
        (item,) = [one for one in all_items(bench.db) if one.code == kind and one.is_question]
        with bench.db.transaction():
            chosen = check_choices(bench.db, bench.settings, [item], [Choice(item.item_id, "answer", text)])
            done = settle(bench.db, bench.settings, chosen, datetime(2026, 7, 1))
        before = bench.everything()
        with bench.db.transaction():
            renewal = Renewal(bench.db, bench.settings)
            renewal.ask(int(row[0]) for row in bench.db.rows("SELECT file_id FROM source_file"))
            renewal.run()
            renewal.finish()
        assert bench.everything() == before
        return done

    return _answer


def open_kinds(bench: Any) -> list[str]:
    return [one.code for one in all_items(bench.db) if one.is_question]


def test_kind_of_ounce(bench: Any, answer: Callable[..., Settled]) -> None:
    bench.one("a.csv", f"{HEAD}\nB1,2025-03-01,1000,1 fl oz,,,\n")
    assert bench.db.rows("SELECT use FROM reading") == [("show",)]
    answer("ounce", "UK")
    # 1 imperial fluid ounce is 28.4130625 ml (UK weights and measures law)
    ((value, use),) = bench.db.rows("SELECT value, use FROM reading")
    assert value == pytest.approx(28.4130625)
    assert use == "trend"
    bench.one("b.csv", f"{HEAD}\nB2,2025-03-01,1000,2 fl oz,,,\n")
    assert bench.db.value("SELECT value FROM reading WHERE vehicle = 'B2'") == pytest.approx(56.826125)
    assert open_kinds(bench) == []


@pytest.mark.parametrize(("number", "kept"), [("5", 3), ("4", 2)])
def test_number_of_cylinders(bench: Any, answer: Callable[..., Settled], number: str, kept: int) -> None:
    toml = LAYOUT.replace("yard book", "wide book") + "".join(
        f'[[columns]]\nheader = "{head}"\nfield = "{field}"\n{more}\n'
        for head, field, more in (
            ("van", "vehicle", ""),
            ("day", "date", ""),
            *((f"cyl {k}", "reading", f'position = "{k}"') for k in range(1, 6)),
        )
    )
    bench.layout(toml)
    bench.one("a.csv", "van,day,cyl 1,cyl 2,cyl 3,cyl 4,cyl 5\nB1,2025-03-01,8,9,,,10\n")
    assert "cylinders" in open_kinds(bench)
    answer("cylinders", number)
    assert bench.db.value("SELECT count(*) FROM reading WHERE use = 'trend'") == kept
    assert open_kinds(bench) == []


@pytest.mark.parametrize(
    ("text", "wanted"), [("yes", ["22", "24", "27"]), ("2-1-3", ["27", "22", "24"]), ("no", ["22", "27", "24"])]
)
def test_order_in_which_a_set_was_written(
    bench: Any, answer: Callable[..., Settled], text: str, wanted: list[str]
) -> None:
    bench.one("a.csv", f"{HEAD}\nB1,2025-03-01,1000,22,27,24,order written 1-3-2\n")
    assert bench.db.rows("SELECT DISTINCT use FROM reading") == [("show",)]
    answer("order", text)
    found = bench.db.rows("SELECT value_text, use FROM reading ORDER BY position")
    assert found == [(one, "trend") for one in wanted]


def test_pump_peak_that_lost_its_decimal_point(bench: Any, columns: Any, answer: Callable[..., Settled]) -> None:
    pump = 'name = "pump book"\nkind = "tests"\n[defaults]\nmeasure = "pump_peak"\ndriven = "crank"\nvolume = "20 ml"\n'
    bench.layout(pump + 'unit = "bar"\n' + columns("truck | vehicle\nday | date\npeak | value"))
    bench.one("a.csv", "truck,day,peak\nB1,2025-03-01,14.2\nB1,2025-09-01,1390\n")
    assert bench.db.rows("SELECT value FROM reading") == [(1390.0,)]
    answer("value", "yes")
    assert bench.db.rows("SELECT value, level, use FROM reading ORDER BY tested_on") == [
        (1420.0, 1420.0, "trend"),
        (1390.0, 1390.0, "trend"),
    ]
    assert bench.codes(2) == {"given"}


@pytest.mark.parametrize(("text", "events"), [("yes", [("meter_change", "2025-05-01")]), ("no", [])])
def test_meter_that_was_replaced(
    bench: Any, answer: Callable[..., Settled], text: str, events: list[tuple[str, str]]
) -> None:
    rows = [
        ("2025-01-01", 90000),
        ("2025-03-01", 95000),
        ("2025-05-01", 200),
        ("2025-07-01", 5000),
        ("2025-09-01", 9000),
    ]
    bench.one("a.csv", "\n".join([HEAD, *(f"B1,{day},{km},11,12,13," for day, km in rows)]) + "\n")
    assert "odometer_back" in bench.codes(4)
    answer("meter", text)
    assert bench.db.rows("SELECT kind, done_on::VARCHAR FROM work") == events
    assert ("odometer_back" in bench.codes(4)) is not bool(events)
    assert open_kinds(bench) == []


def test_event_told_in_a_remark(bench: Any, answer: Callable[..., Settled]) -> None:
    bench.one("a.csv", f"{HEAD}\nB1,2025-07-30,1000,21,24,25,after wrong fuel 2025-07-12\n")
    answer("event", "yes")
    assert bench.db.rows("SELECT vehicle, kind, done_on::VARCHAR FROM work") == [("B1", "contamination", "2025-07-12")]
    answered = [Choice(bench.db.value("SELECT question_id FROM answer"), "open")]
    with bench.db.transaction():
        chosen = check_choices(bench.db, bench.settings, settled_items(bench.db), answered)
        settle(bench.db, bench.settings, chosen, datetime(2026, 7, 2))
    assert bench.db.rows("SELECT kind FROM work") == []
    assert open_kinds(bench) == ["event"]


def test_numbering_told_above_the_header(bench: Any, answer: Callable[..., Settled]) -> None:
    bench.one("a.csv", f"cylinders in firing order,,,,,,\n{HEAD}\nB1,2025-03-01,1000,21,22,23,\n")
    assert bench.db.rows("SELECT DISTINCT use FROM reading") == [("show",)]
    answer("numbering", "1-3-2")
    assert bench.db.rows("SELECT position, value, use FROM reading ORDER BY 1") == [
        ("1", 21.0, "trend"),
        ("2", 23.0, "trend"),
        ("3", 22.0, "trend"),
    ]


def test_back_pressure_of_piezo_injectors(bench: Any, columns: Any, answer: Callable[..., Settled]) -> None:
    bench.settings = Settings(families={"Lark 2": Family(cylinders=3, injector="piezo servo")})
    bench.layout('name = "fleet list"\nkind = "vehicles"\n' + columns("vehicle | vehicle\nfamily | family"))
    bench.one("r.csv", "vehicle,family\nB1,Lark 2\n")
    bench.one("a.csv", f"{HEAD}\nB1,2025-03-01,1000,21,22,23,\n")
    assert bench.db.rows("SELECT DISTINCT quality FROM reading") == [("piezo_unrecorded",)]
    answer("back pressure", "10 bar")
    assert bench.db.rows("SELECT DISTINCT quality, use FROM reading") == [("good", "trend")]


def test_meter_readings_in_miles(bench: Any, answer: Callable[..., Settled]) -> None:
    days = [f"2025-{month:02d}-01" for month in range(1, 9)]
    km = [100000 + 2000 * number for number in range(8)]
    miles = [round(one / 1.609344) if number in (3, 5) else one for number, one in enumerate(km)]
    rows = [f"B1,{day},{value},11,12,13," for day, value in zip(days, miles, strict=True)]
    bench.one("a.csv", "\n".join([HEAD, *rows]) + "\n")
    assert {"odometer_miles"} <= bench.codes(5) & bench.codes(7)
    answer("odometer unit", "yes")
    found = [row[0] for row in bench.db.rows("SELECT odometer_km FROM test ORDER BY tested_on")]
    assert found == pytest.approx(km, abs=2)
    assert open_kinds(bench) == []


@pytest.mark.parametrize(
    ("kind", "row", "text"),
    [
        ("ounce", "B1,2025-03-01,1000,1 fl oz,,,", "Dutch"),
        ("order", "B1,2025-03-01,1000,22,27,24,order written 1-3-2", "1-3-4"),
        ("order", "B1,2025-03-01,1000,22,27,24,order written 1-3-2", "1-3-4-2"),
        ("event", "B1,2025-07-30,1000,21,24,25,after wrong fuel 2025-07-12", "last week"),
    ],
)
def test_what_is_no_answer_is_refused(
    bench: Any, answer: Callable[..., Settled], kind: str, row: str, text: str
) -> None:
    bench.one("a.csv", f"{HEAD}\n{row}\n")
    before = bench.everything()
    with pytest.raises(InputError, match=r"does not answer .* nothing was changed"):
        answer(kind, text)
    assert bench.everything() == before
