"""What a sheet does not say is asked: once a column, blocking where a value could be wrong."""

from __future__ import annotations

from datetime import date

import pytest

from pipelines.sheets.layout import parse_layout
from pipelines.sheets.propose import Proposal, propose
from pipelines.sheets.raw import RawSheet
from wearlab.config import Settings
from wearlab.errors import ConfigError

AS_OF = date(2026, 11, 1)


def look(text: str, **options: object) -> Proposal:
    rows = [line.split(";") for line in text.strip("\n").split("\n")]
    return propose(RawSheet(None, rows), Settings(), as_of=AS_OF, **options)  # type: ignore[arg-type]


def field_of(proposal: Proposal, header: str) -> str | None:
    assert proposal.layout is not None, proposal.reason
    return next((column.field for column in proposal.layout.columns if column.header == header), None)


NO_UNITS = """
Vehicle;Date;Odometer;Cyl 1;Cyl 2;Cyl 3;Cyl 4
V1;2025-02-03;1000;12;11;13;12
V1;2025-07-14;2000;12;11;13;12
"""


def test_units_that_nothing_states_block_once_for_all_cylinders() -> None:
    proposal = look(NO_UNITS)
    assert [question.key for question in proposal.blocking] == ["unit:Odometer", "unit:readings"]
    assert proposal.reason is not None
    answered = look(NO_UNITS, answers={"unit:Odometer": "mi", "unit:readings": "ml/30 s"})
    assert answered.layout is not None
    assert [column.unit for column in answered.layout.columns if column.unit] == ["mi", *["ml/30 s"] * 4]


def test_an_unfinished_proposal_is_no_layout() -> None:
    toml = look(NO_UNITS).toml
    assert "OPEN: In which unit" in toml
    with pytest.raises(ConfigError):
        parse_layout(toml.encode(), "proposal")


def test_units_from_a_title_a_unit_row_and_the_cells() -> None:
    titled = look("All volumes in (ml)\n" + NO_UNITS.strip().replace("Odometer", "Odometer (km)"))
    assert titled.layout is not None
    assert {column.unit for column in titled.layout.columns if column.field == "reading"} == {"ml"}
    rows = "Vehicle;Date;Odometer;Cyl 1;Cyl 2\n;;mi;ml;ml\nV1;2025-02-03;1000;12;11\n"
    below = look(rows)
    assert below.layout is not None
    assert below.layout.file.header_rows == 2
    assert [column.unit for column in below.layout.columns] == [None, None, "mi", "ml", "ml"]
    above = look(";;mi;ml;ml\nVehicle;Date;Odometer;Cyl 1;Cyl 2\nV1;2025-02-03;1000;12;11\n")
    assert above.layout is not None
    assert [column.unit for column in above.layout.columns] == [None, None, "mi", "ml", "ml"]
    cells = look("Vehicle;Date;Odometer (km);Cyl 1;Cyl 2\nV1;2025-02-03;1000;12 ml;0.9 l/h\n")
    assert cells.layout is not None
    assert [column.unit for column in cells.layout.columns] == [None, None, "km", None, None]


@pytest.mark.parametrize(("times", "unit"), [(("60", "30"), "s"), (("1", "2"), "min")])
def test_a_duration_that_only_one_unit_can_have_is_settled(times: tuple[str, str], unit: str) -> None:
    rows = [["Vehicle", "Date", "Duration", "Cyl 1 (ml)", "Cyl 2 (ml)"]]
    rows += [["V1", "2025-02-03", times[0], "12", "11"], ["V1", "2025-07-14", times[1], "12", "11"]]
    proposal = propose(RawSheet(None, rows), Settings(), as_of=AS_OF)
    assert proposal.layout is not None
    assert next(column.unit for column in proposal.layout.columns if column.field == "duration") == unit


def test_two_columns_that_can_be_the_vehicle_block_unless_they_agree() -> None:
    text = "Vehicle;Truck no;Date;Odometer (km)\nA1;{};2025-02-03;1000\nA2;{};2025-02-04;2000\n"
    proposal = look(text.format("B1", "B2"))
    (question,) = proposal.blocking
    assert question.key == "column:vehicle"
    assert question.answers == ("Vehicle", "Truck no")
    assert field_of(look(text.format("B1", "B2"), answers={question.key: "Truck no"}), "Truck no") == "vehicle"
    assert field_of(look(text.format("A1", "A2")), "Vehicle") == "vehicle"


def test_a_missing_vehicle_is_asked_with_the_columns_that_could_be_it() -> None:
    text = "Zork;Date;Odometer (km);Hue\nA1;2025-02-03;1000;red\nA2;2025-02-04;2000;blue\n"
    proposal = look(text, answers={"kind": "odometer"})
    (question,) = proposal.blocking
    assert question.key == "column:vehicle"
    assert question.answers == ("Zork", "Hue")
    answered = look(text, answers={"kind": "odometer", question.key: "Zork"})
    assert field_of(answered, "Zork") == "vehicle"
    assert [one.key for one in answered.context] == ["meaning:Hue"]


def test_an_unclear_kind_of_sheet_blocks() -> None:
    proposal = look("Date;Note\n2025-02-03;hello\n2025-02-04;bye\n")
    assert [question.kind for question in proposal.blocking] == ["kind of sheet"]
    assert proposal.layout is None


def test_bare_numbers_up_to_three_are_cylinders_or_runs() -> None:
    text = "Vehicle;Date;1;2;3\nV1;2025-02-03;12 ml;11 ml;13 ml\n"
    proposal = look(text)
    assert [question.key for question in proposal.blocking] == ["column:numbers"]
    answered = look(text, answers={"column:numbers": "cylinders"})
    assert answered.layout is not None
    assert [column.position for column in answered.layout.columns if column.field == "reading"] == ["1", "2", "3"]
    long = look("Vehicle;Date;Cyl;Run 1 (ml);Run 2 (ml)\nV1;2025-02-03;1;12;11\nV1;2025-02-03;2;10;9\n")
    assert long.layout is not None
    assert [column.repeat for column in long.layout.columns if column.field == "reading"] == [1, 2]


def test_bare_numbers_up_to_four_are_cylinders() -> None:
    proposal = look("Vehicle;Date;1;2;3;4\nV1;2025-02-03;12 ml;11 ml;13 ml;12 ml\n")
    assert proposal.layout is not None
    assert [column.position for column in proposal.layout.columns if column.field == "reading"] == list("1234")


def test_totals_means_and_corrections() -> None:
    text = """
Vehicle;Date;Cyl 1 (ml);Cyl 2 (ml);Total (ml);Mean (ml);Correction cyl 1 (mm3)
V1;2025-02-03;12;11;{};11.5;0.3
V1;2025-07-14;13;12;{};12.5;0.1
"""
    summed = look(text.format("23", "25"))
    assert [field_of(summed, name) for name in ("Total (ml)", "Mean (ml)", "Correction cyl 1 (mm3)")] == ["ignore"] * 3
    own = look(text.format("30", "31"))
    assert own.layout is not None
    assert next(column.position for column in own.layout.columns if column.header == "Total (ml)") == "set"


def test_a_value_in_bar_without_a_measure_blocks() -> None:
    text = "Vehicle;Date;Result (bar)\nV1;2025-02-03;1180\nV1;2025-07-14;1090\n"
    proposal = look(text)
    assert "measure:Result (bar)" in [question.key for question in proposal.blocking]
    answered = look(text, answers={"measure:Result (bar)": "pump_hold"})
    assert answered.layout is not None
    assert [(c.measure, c.position) for c in answered.layout.columns if c.field == "value"] == [("pump_hold", "pump")]


def test_titles_are_proposed_and_not_applied() -> None:
    text = "Depot Mill\nRücklauf im Leerlauf, 60 Sekunden\nVehicle;Date;Cyl 1 (ml);Cyl 2 (ml)\nV1;2025-02-03;12;11\n"
    proposal = look(text)
    assert {question.key for question in proposal.context} == {"driven", "duration", "depot"}
    assert proposal.layout is not None
    assert proposal.layout.defaults.driven is None
    answers = {"driven": "idle", "duration": "60 s", "depot": "Mill"}
    answered = look(text, answers=answers)
    assert answered.layout is not None
    assert answered.questions == ()
    defaults = answered.layout.defaults
    assert (defaults.driven, defaults.duration, defaults.depot) == ("idle", "60 s", "Mill")


def test_unknown_words_are_asked_once_a_column() -> None:
    text = "Date;Vehicle;Work\n2025-02-03;V1;injector replaced\n2025-02-04;V1;wibble\n2025-02-05;V2;wobble\n"
    proposal = look(text)
    (question,) = proposal.context
    assert question.key == "words:Work"
    assert '"wibble" and "wobble"' in question.sentence
    answered = look(text, answers={question.key: "wibble = cleaning; wobble = swap"})
    assert answered.questions == ()
    assert answered.layout is not None
    assert answered.layout.columns[2].words == {
        "wibble": "cleaning",
        "wobble": "swap",
        "injector replaced": "replacement",
    }


def test_a_name_of_its_own_beside_known_layouts() -> None:
    first = look(NO_UNITS, answers={"unit:Odometer": "km", "unit:readings": "ml"})
    assert first.layout is not None
    rows = [line.split(";") for line in NO_UNITS.strip("\n").split("\n")]
    answers = {"unit:Odometer": "km", "unit:readings": "ml"}
    again = propose(RawSheet(None, rows), Settings(), [first.layout], as_of=AS_OF, answers=answers)
    assert again.layout is not None
    assert again.layout.name != first.layout.name
