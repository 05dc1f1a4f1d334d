"""Cells of many thousand signs, made for patterns to go astray in: read, proposed for and loaded in a moment."""

from __future__ import annotations

import time
from datetime import date
from typing import Any

import pytest

from hostile import MOST_S
from pipelines.sheets.hints import hint
from pipelines.sheets.packed import serials, told_events, unpack
from pipelines.sheets.propose import propose
from pipelines.sheets.raw import RawSheet
from pipelines.sheets.values import LONGEST_NUMBER, Status, Style, other_reading, read_number
from pipelines.sheets.vocabulary import LONGEST_REMARK
from wearlab.config import Settings

#: Signs of one cell; a time that grows with their square would be minutes.
SIGNS = 100_000
PARTS = (
    "1", " ", "1 ", "a", "1,", "1.", "(", "1=1 ", "swap 1 2 ", "-", "1-", "1:", "1/", "1 min ", "ml/", ">", "*", "é",
    "cyl ", "order ", "a per ", "serials ", "1e", "no foam ", "\u00a0", "01.02.", "rig ", "never ", "2 cm",
)  # fmt: skip
CELLS = ["x" + part * (SIGNS // len(part)) + "x" for part in PARTS] + ["9" * SIGNS, "x" + " " * SIGNS + "cm2"]

FIELDS = {
    "tests": "van vehicle;day date;km odometer;held driven;c1 reading;note note;what what;pos position;ser serial;"
    "dur duration;rep repeat;bat battery;sn supply_note",
    "events": "van vehicle;day date;km odometer;kind kind;pos position;so serial_out;og origin;note note",
    "rigs": "rig rig;ch channel;tb tube;area area;bore bore;cal calibrate_every;cd calibrated",
    "vehicles": "van vehicle;al alias;cyl cylinders;day in_service;km odometer_start;op original_parts",
}
GOOD = {"vehicle": "M 7", "rig": "R 1", "date": "04.03.2025", "held": "idle", "reading": "12", "position": "1"}


@pytest.mark.parametrize("kind", sorted(FIELDS))
def test_every_column_of_a_sheet_takes_long_cells(bench: Any, kind: str) -> None:
    columns = [tuple(one.split()) for one in FIELDS[kind].split(";")]
    toml = f'name = "{kind}"\nkind = "{kind}"\n[file]\ndelimiter = "|"\ndate_formats = ["%d.%m.%Y"]\n'
    toml += '[defaults]\nmeasure = "return_flow"\nduration = "60 s"\nunit = "ml"\n' if kind == "tests" else ""
    bench.layout(toml + "".join(f'[[columns]]\nheader = "{head}"\nfield = "{field}"\n' for head, field in columns))
    rows = ["|".join(head for head, _ in columns)]
    for place in range(len(columns)):
        for cell in CELLS[place % 3 :: 3]:
            good = [GOOD.get(field, "") for _, field in columns]
            rows.append("|".join([*good[:place], cell, *good[place + 1 :]]))
    started = time.process_time()
    account = bench.one("long.csv", "\n".join(rows) + "\n")
    assert time.process_time() - started < MOST_S
    assert account.status == "loaded", account.sentence
    assert account.rows_read == len(rows)


def test_the_proposer_takes_long_cells() -> None:
    started = time.process_time()
    for cell in CELLS:
        rows = [["Vehicle", "Date", "Cyl 1 ml", "Remark", cell], ["M 7", "04.03.2025", "12", cell, cell], [cell] * 5]
        propose(RawSheet(None, rows), Settings(), as_of=date(2026, 6, 30))
    assert time.process_time() - started < MOST_S


@pytest.mark.parametrize("cell", CELLS, ids=[*map(repr, PARTS), "nines", "area"])
def test_every_reader_of_a_cell_is_quick(cell: str) -> None:
    started = time.process_time()
    assert read_number(cell, Style(",", (".", " "), True)).status == Status.UNREADABLE
    assert other_reading(cell, Style()) is None
    for read in (unpack, hint, serials, told_events):
        read(cell)
    assert time.process_time() - started < 1.0


def test_what_stands_at_the_beginning_of_a_long_remark_is_read() -> None:
    assert hint("foam in the tube, " + "x" * SIGNS).foam
    assert not hint("x " * LONGEST_REMARK + "foam").foam
    assert read_number("1" + " " * LONGEST_NUMBER, Style()).value == 1.0
    assert read_number("0" * (LONGEST_NUMBER - 1) + "1", Style()).value == 1.0
    assert read_number("0" * LONGEST_NUMBER + "1", Style()).status == Status.UNREADABLE
