"""Date order and marks: proven by the sheet, by an answer, or asked; never guessed."""

from __future__ import annotations

from datetime import date

import pytest

from pipelines.sheets.propose import Proposal, propose
from pipelines.sheets.propose_marks import read_body
from pipelines.sheets.raw import RawSheet
from wearlab.config import Settings

AS_OF = date(2026, 11, 1)


def log(dates: list[str], meters: list[str] | None = None, **options: object) -> Proposal:
    """A meter log of one vehicle, the plainest sheet with dates and numbers."""
    meters = meters or [str(1000 * k) for k in (7, 3, 9, 4, 8, 5, 6, 2, 1, 10)][: len(dates)]
    rows = [["Vehicle", "Date", "Odometer (km)"]]
    rows += [[f"V{place}", day, meter] for place, (day, meter) in enumerate(zip(dates, meters, strict=True))]
    return propose(RawSheet(None, rows), Settings(), as_of=AS_OF, **options)  # type: ignore[arg-type]


def formats(proposal: Proposal) -> tuple[str, ...]:
    assert proposal.layout is not None, proposal.reason
    return proposal.layout.file.date_formats


@pytest.mark.parametrize(
    ("dates", "expected"),
    [
        (["03/02/2025", "14/07/2025"], ("%d/%m/%Y",)),
        (["03/02/2025", "07/14/2025"], ("%m/%d/%Y",)),
        (["03.02.2025", "04.05.2025"], ("%d.%m.%Y",)),
        (["2025-02-03", "2025-03-02"], ("%Y-%m-%d",)),
        (["2025/02/03"], ("%Y/%m/%d",)),
        (["25-02-03", "25-07-30"], ("%y-%m-%d",)),
        (["03/02/25", "31/07/24"], ("%d/%m/%y",)),
        (["03/02/2025 08:30", "14/07/2025 09:00"], ("%d/%m/%Y %H:%M",)),
        (["3 Feb 2025", "14 Jul 2025"], ("%d %b %Y",)),
        (["20250203", "20250714"], ("%Y%m%d",)),
    ],
)
def test_a_row_that_fits_one_order_proves_it(dates: list[str], expected: tuple[str, ...]) -> None:
    assert formats(log(dates)) == expected


def test_the_proof_is_told_with_its_row() -> None:
    assert 'day first, proven by row 3 ("14/07/2025")' in log(["03/02/2025", "14/07/2025"]).toml


def test_a_date_to_come_rules_an_order_out() -> None:
    # read month first the second row would lie on 5 December 2026, after the as-of date
    assert formats(log(["03/02/2026", "12/05/2026"])) == ("%d/%m/%Y",)


def test_an_order_that_nothing_proves_blocks() -> None:
    proposal = log(["03/02/2025", "07/06/2025"])
    assert proposal.layout is None
    (question,) = proposal.blocking
    assert question.kind == "date order"
    assert question.column == "Date"
    assert question.answers == ("day first", "month first")
    assert '"03/02/2025" (row 2)' in question.sentence
    assert "2025-02-03" in question.sentence
    assert "2025-03-02" in question.sentence
    assert formats(log(["03/02/2025", "07/06/2025"], answers={question.key: "month first"})) == ("%m/%d/%Y",)


def test_rows_that_contradict_each_other_block() -> None:
    proposal = log(["14/07/2025", "07/14/2025", "03/02/2025"])
    assert [question.kind for question in proposal.blocking] == ["date order"]
    assert "contradict" in proposal.blocking[0].evidence


def test_one_slip_among_many_proofs_does_not() -> None:
    dates = [f"{day}/07/2025" for day in range(13, 32)] + ["28/06/2025", "07/14/2025"]
    assert formats(log(dates, [str(k) for k in range(1000, 1000 + len(dates))])) == ("%d/%m/%Y",)


def test_dates_that_read_the_same_either_way_keep_both_forms() -> None:
    # so a later date that differs is set aside as unclear and not misread
    assert formats(log(["05/05/2025", "07/07/2025"])) == ("%d/%m/%Y", "%m/%d/%Y")


def test_the_meter_tells_the_order() -> None:
    rows = [["Vehicle", "Date", "Odometer (km)"]]
    dates = ["01/02/2025", "02/03/2025", "11/04/2025", "03/05/2025", "12/06/2025", "05/07/2025", "01/09/2025"]
    rows += [["V1", day, str(1000 + 500 * place)] for place, day in enumerate(dates)]
    shuffled = [rows[0], *(rows[place] for place in (4, 1, 7, 2, 6, 3, 5))]
    proposal = propose(RawSheet(None, shuffled), Settings(), as_of=AS_OF)
    assert formats(proposal) == ("%d/%m/%Y",)
    assert "meter rise" in proposal.toml


def test_another_column_of_the_sheet_tells_the_order() -> None:
    rows = [
        ["Vehicle", "Engine", "In service", "Warranty until"],
        ["V1", "four", "03/02/2020", "30/06/2027"],
        ["V2", "six", "04/05/2021", "31/12/2026"],
    ]
    proposal = propose(RawSheet(None, rows), Settings(), as_of=AS_OF)
    assert formats(proposal) == ("%d/%m/%Y",)
    assert "as another column of the sheet proves" in proposal.toml


def test_month_names_of_other_languages_are_asked_about_as_dates() -> None:
    proposal = log(["3 März 2025", "14 Juli 2025"])
    assert [question.key for question in proposal.blocking] == ["dates:Date"]
    assert "write them with numbers" in proposal.blocking[0].sentence


# ---- marks


def meters(texts: list[str], **options: object) -> Proposal:
    return log(["2025-02-03"] * len(texts), texts, **options)


def marks(proposal: Proposal) -> tuple[str, tuple[str, ...]]:
    assert proposal.layout is not None, proposal.reason
    column = next(one for one in proposal.layout.columns if one.field == "odometer")
    file = proposal.layout.file
    return column.decimal or file.decimal, file.thousands if column.thousands is None else column.thousands


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["1200", "3400"], (".", ())),
        (["1200.5", "3400"], (".", ())),
        (["1200,5", "3400"], (",", ())),
        (["1.234.567", "1.3"], None),
        (["1,234,567", "1.3"], (".", (",",))),
        (["182 450", "1 250,5"], (",", (" ",))),
        (["182\u00a0450", "99"], (".", (" ",))),
        (["182'450", "99"], (".", ("'",))),
        (["182.450,5"], (",", (".",))),
        (["1.234", "182.450,5"], (",", (".",))),
        (["0.125", "1.234"], (".", ())),
        (["70,980", "70111", "63020"], (".", (",",))),
    ],
)
def test_marks_are_proven(texts: list[str], expected: tuple[str, tuple[str, ...]] | None) -> None:
    proposal = meters(texts)
    if expected is None:
        assert [question.kind for question in proposal.blocking] == ["decimal mark"]
    else:
        assert marks(proposal) == expected


@pytest.mark.parametrize("text", ["1.234", "1,234"])
def test_a_lone_sign_before_three_digits_blocks(text: str) -> None:
    proposal = meters([text])
    assert proposal.layout is None
    (question,) = proposal.blocking
    assert question.kind == "decimal mark"
    assert "1234" in question.sentence
    assert marks(meters([text], answers={question.key: "thousands"}))[1] == (text[1],)
    assert marks(meters([text], answers={question.key: "decimal"})) == (text[1], ())


def test_a_size_that_fits_both_is_asked() -> None:
    assert [question.kind for question in meters(["1.234", "40", "35"]).blocking] == ["decimal mark"]


def test_another_column_proves_the_decimal_mark_of_a_text_file() -> None:
    rows = [
        ["Vehicle", "Date", "Odometer (km)", "Litres"],
        ["V1", "2025-02-03", "1.234", "218,9"],
        ["V2", "2025-02-04", "2.345", "101,5"],
    ]
    proposal = propose(RawSheet(None, rows), Settings(), as_of=AS_OF)
    assert marks(proposal) == (",", (".",))


def test_a_meter_with_three_decimals_is_asked_even_then() -> None:
    rows = [
        ["Vehicle", "Date", "Odometer (km)", "Litres"],
        ["V1", "2025-02-03", "1,234", "218,9"],
        ["V2", "2025-02-04", "2,345", "101,5"],
    ]
    proposal = propose(RawSheet(None, rows), Settings(), as_of=AS_OF)
    assert [question.key for question in proposal.blocking] == ["decimal:Odometer (km)"]


def test_points_of_number_cells_prove_nothing_about_texts() -> None:
    rows = [
        ["Vehicle", "Date", "Zyl 1 (ml)", "Zyl 2 (ml)"],
        ["V1", "2025-02-03", "16,5", "17"],
        ["V1", "2025-03-03", "16.5", "17.25"],
    ]
    proposal = propose(RawSheet("2025", rows), Settings(), as_of=AS_OF)
    assert proposal.layout is not None
    assert proposal.layout.file.decimal == ","


@pytest.mark.parametrize("body", ["1.23.456", "1,2,3", "12.", "1 23", "1.234,5.6", "1'23"])
def test_what_is_no_number_proves_nothing(body: str) -> None:
    assert read_body(body) is None
