"""Five kinds of sheet with the mess of real ones, and what no sheet should do to the proposer."""

from __future__ import annotations

import time
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.sheets.layout import parse_layout
from pipelines.sheets.match import find_layout
from pipelines.sheets.propose import Proposal, propose
from pipelines.sheets.raw import RawFile, RawSheet
from wearlab.config import Settings

AS_OF = date(2026, 11, 1)


def look(text: str, sign: str = ";") -> Proposal:
    rows = [line.split(sign) for line in text.strip("\n").split("\n")]
    return propose(RawSheet(None, rows), Settings(), as_of=AS_OF)


def fields(proposal: Proposal) -> str:
    assert proposal.layout is not None, proposal.reason
    return " ".join(column.field for column in proposal.layout.columns)


def test_wide_with_titles_blank_lines_and_a_footer() -> None:
    proposal = look("""
Depot East;;;;;;
Return flow, idle;;;;;;
;;;;;;
Vehicle;Date;Odometer (km);Fuel temp °C;Cyl 1 (ml);Cyl 2 (ml);Notes
V-17;03/02/2025;182 450;41;12,5;11,0;
;;;;;;
v 17;14/07/2025;1 250,5;—;>50;;tube full
V-31;31/09/2025;n/a;39;14,0;13,5;
Mean;;;;12,7;11,9;
printed 01/12/2025;;;;;;
""")
    assert fields(proposal) == "vehicle date odometer fuel_temp reading reading note"
    assert proposal.layout is not None
    assert (proposal.header_row, proposal.wide) == (4, True)
    assert (proposal.layout.file.decimal, proposal.layout.file.thousands) == (",", (" ",))
    assert proposal.layout.file.date_formats == ("%d/%m/%Y",)
    assert [question.key for question in proposal.questions] == ["driven", "depot"]
    assert [note for note in proposal.notes if note.startswith("row ")] == [
        'row 9 ("Mean") reads like a line of the kind "mean"',
        'row 10 ("printed 01/12/2025") reads like a line of the kind "footer"',
    ]


def test_long_with_a_unit_in_every_row() -> None:
    proposal = look(
        """
unit_id,test_date,km,test,cond,cyl,repeat,value,unit,seconds,remark
T1,2025-03-04,2451,return,idle,1,1,14,ml,30,
T1,2025-03-04,2451,return,idle,2,1,28,ml/min,,
T1,2025-03-04,2451,return,crank,3,1,100+,cc,30,bigger tube
T1,2025-03-04,2451,return,idle,4,1,1.0,fl oz,60,
T1,2025-03-04,2451,return,idle,4,1,24,,60,unit missing
""",
        ",",
    )
    assert fields(proposal) == "vehicle date odometer measure driven position repeat value unit duration note"
    assert proposal.wide is False
    assert [question.key for question in proposal.questions] == ["ounce"]


def test_a_workbook_with_two_header_rows_and_a_legend() -> None:
    upper = ["Vehicle", "Date", "Odo", "Cond.", "Dur.", "Return flow", "Return flow", "Remark"]
    lower = ["Vehicle", "Date", "mi", "", "s", "#1 ml", "#2 ml", ""]
    rows = [["Spring round"] * 8, [], upper, lower]
    rows += [["B 12", "2025-04-07", "60250", "idle", "60", "18", "17", ""]]
    rows += [["B 12", "09.06.2025", "63020", "idle", "60", "22*", "18", "* foam"]]
    rows += [["B-14", "45810", "70111", "idle", "60", "16,5", "15,5", ""]]
    rows += [["B-14", "2025-07-07", "70,980", "idle", "1 min", "17", "16", ""]]
    rows += [["Average", "", "", "", "", "=AVERAGE(F5:F8)", "", ""], ["signed:", "", "", "", "", "", "", ""]]
    merged = ((0, 0, 0, 7), (2, 5, 2, 6), (2, 0, 3, 0), (2, 1, 3, 1))
    sheet = RawSheet("2025", rows, date_cells=frozenset({(4, 1), (7, 1)}), merged=merged)
    legend = RawSheet("legend", [["* = foam, read high"], ["tubes 100 ml, 2 ml marks"]])
    source = RawFile("spring.xlsx", "0" * 64, 1, "xlsx", None, None, (sheet, legend))
    proposal = propose(sheet, Settings(), source=source, as_of=AS_OF)
    assert fields(proposal) == "vehicle date odometer driven duration reading reading note"
    layout = proposal.layout
    assert layout is not None
    assert layout.file.header_rows == 2
    assert layout.file.date_formats == ("%Y-%m-%d", "%d.%m.%Y")
    by_header = {column.header: column for column in layout.columns}
    assert by_header["Odo mi"].unit == "mi"
    assert (by_header["Odo mi"].decimal, by_header["Odo mi"].thousands) == (".", (",",))
    assert by_header["Return flow #2 ml"].position == "2"
    assert (layout.defaults.tube, layout.defaults.graduation) == ("100 ml", "2 ml")
    assert layout.marks == {"*": "foam, read high"}
    assert propose(legend, Settings(), source=source, as_of=AS_OF).reason is not None


def test_a_pump_sheet_with_a_comment_and_a_unit_column() -> None:
    proposal = look(
        """
# closed volume test
veh,date,odo_km,peak,unit,t_peak_s,crank_rpm,batt_V,volume_ml,hold_60s,remark
K7,2025-01-15,120000,1180,bar,1.4,210,11.6,20,1090,
K7,2025-12-02,155900,14500,psi,1.9,180,10.4,20,13000,
K8,2025-02-11,88000,>1600,bar,1.0,220,11.9,20,,relief opened
K9,2025-03-03,210400,1.420,bar,3.0,215,11.7,20,,
total tests: 4,,,,,,,,,,
""",
        ",",
    )
    assert fields(proposal) == "vehicle date odometer reading unit reading speed battery volume reading note"
    assert proposal.layout is not None
    pump = [(c.measure, c.unit, c.duration) for c in proposal.layout.columns if c.field == "reading"]
    assert pump == [("pump_peak", None, None), ("pump_rise", "s", None), ("pump_hold", None, "60 s")]
    assert [question.key for question in proposal.questions] == ["rise:t_peak_s"]
    assert proposal.layout.defaults.driven == "crank"


def test_tests_and_events_packed_in_one_column() -> None:
    proposal = look("""
date;vehicle;odo km;what;c1;c2;comment
2025-01-10;W3;150000;idle 60 s ml;12;11;serials 1=S11 2=S12
2025-01-10;W3;150000;EVENT;;;swapped 1<->2
2025-08-15;W3;168000;idle 30 s ml;11;12;
2025-10-02;W3;172200;corrections mm3;0,0;0,0;scan tool
""")
    assert fields(proposal) == "date vehicle odometer what reading reading note"
    assert proposal.layout is not None
    assert proposal.layout.defaults.measure == "return_flow"
    assert proposal.questions == ()


def test_the_text_is_the_layout() -> None:
    proposal = look("Vehicle;Date;\"Odd\x7f 'name'\\ (km);Odometer (km)\nV1;2025-02-03;1;1000\n")
    assert proposal.layout is not None
    assert parse_layout(proposal.toml.encode(), "again") == proposal.layout


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([], "holds nothing"),
        ([["", " "], []], "holds nothing"),
        ([[f"c{k}" for k in range(10_000)], ["1"] * 10_000], "10000 columns"),
        ([["x" * 5_000_000, "y" * 5_000_000], ["1", "2"]], "no row reads like a header"),
        ([["2025-01-01", "12", "13"]] * 50, "no row reads like a header"),
        ([["Vehicle", "Date", "Odometer (km)"]], "no row reads like a header"),
    ],
    ids=["nothing", "blank", "wide", "huge cells", "no header", "header only"],
)
def test_what_cannot_be_proposed_is_told(rows: list[list[str]], said: str) -> None:
    started = time.perf_counter()
    proposal = propose(RawSheet(None, rows), Settings(), as_of=AS_OF)
    assert proposal.layout is None
    assert proposal.toml == ""
    assert said in str(proposal.reason)
    assert time.perf_counter() - started < 20.0  # generous: a runaway takes minutes


def test_a_header_that_stands_twice_is_not_used() -> None:
    proposal = look("Vehicle;Date;Odometer (km);Note;Note\nV1;2025-02-03;1000;a;b\n")
    assert fields(proposal) == "vehicle date odometer ignore ignore"
    assert any("stands 2 times" in note for note in proposal.notes)


WORDS = st.sampled_from(
    [
        *["Vehicle", "Date", "Datum", "Cyl 1 (ml)", "Zyl 2", "km", "Odometer", "Unit", "ml", "bar", "Peak", "#3"],
        *["Notes", "Test", "2025-02-03", "03/02/2025", "14/07/2025", "3.4.25", "1.234", "1,5", "1 250,5", ">50"],
        *["full", "idle", "60 s", "EVENT", "*", "(x)", "=A1", "—", "", "Mean", "V 1", "\u0000", "ß", "١٢", "²"],
        *["1²", "Cyl ²", "½", "12\u00a0345", "1e5", "9" * 5000, "1 " * 60, "x/" * 60],
    ]
)
CELLS = st.one_of(WORDS, st.text(max_size=12))
TABLES = st.lists(st.lists(CELLS, max_size=9), max_size=14)


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(TABLES, st.sampled_from([None, "Tests"]))
def test_any_table_gets_an_answer(rows: list[list[str]], name: str | None) -> None:
    sheet = RawSheet(name, rows)
    proposal = propose(sheet, Settings(), as_of=AS_OF)
    assert (proposal.layout is None) == (proposal.reason is not None or bool(proposal.blocking))
    keys = [question.key for question in proposal.questions]
    assert len(keys) == len(set(keys))
    if proposal.layout is not None:
        assert parse_layout(proposal.toml.encode(), "proposal") == proposal.layout
        match = find_layout(sheet, [proposal.layout])
        assert match is not None
        assert sheet.row_number(match.header) == proposal.header_row


@settings(max_examples=100, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.lists(st.lists(CELLS, min_size=6, max_size=6), min_size=1, max_size=8))
def test_any_cells_below_a_good_header_get_an_answer(rows: list[list[str]]) -> None:
    header = ["Vehicle", "Date", "Odometer (km)", "Cyl 1 (ml)", "Cyl 2 (ml)", "Remarks"]
    proposal = propose(RawSheet(None, [header, *rows]), Settings(), as_of=AS_OF)
    assert proposal.layout is not None or proposal.reason
