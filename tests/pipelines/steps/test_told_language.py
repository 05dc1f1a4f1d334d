"""What the steps tell is told in the spoken language, and what programs read stays as it is."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, get_args

import openpyxl
import pytest
from icalendar import Calendar

from loud_language import loud, quiet_words
from month_example import by_vehicle, forecast
from pipelines.steps.attention import when
from pipelines.steps.calendar_file import write_calendar
from pipelines.steps.control_figures import cause_words
from pipelines.steps.month_book import book_months, not_booked
from pipelines.steps.month_changes import changes_words
from pipelines.steps.month_first import book_words, order_words
from pipelines.steps.month_first import tests_words as to_test_words
from pipelines.steps.month_issued import issued_words
from pipelines.steps.parts import PartsTold
from pipelines.steps.plan_files import csv_text, sheet_names, write_plan
from pipelines.steps.plan_told import PlanTold, Rival
from pipelines.steps.plan_view import plan_view
from pipelines.steps.plan_words import left_words, no_plan_words, why_now_words, why_part_words
from pipelines.steps.rigs import period_words
from pipelines.steps.signal_words import first_check, replaced_unrecorded, size_words, what_words, where_words
from plan_example import AS_OF, SECOND, example, line, parts_example
from wearlab.control.episodes import Cause, telling
from wearlab.pack.view import Attention
from wearlab.plan.lines import WhyNow, WhyPart
from wearlab.plan.schedule import Bite, Infeasible

#: names that the examples bring along, which no language changes
OWN = {"crowns", "van", "idle", "North", "Lake"}


def plan() -> PlanTold:
    """The example, its texts of other makers in capitals."""
    return example(missing=("A FIGURE",), left_out=(("V03", "A REASON"),), rivals=(Rival("A WAY", 1.0, 1.0, 1.0, 1.0),))


def parts() -> PartsTold:
    """Parts whose reasons and names are in capitals."""
    found = parts_example()
    first, second = found.numbers
    asked = tuple(replace(one, name="IV-20") for one in found.asked)
    return replace(found, numbers=(first, replace(second, name="VAN", no_order="A REASON")), asked=asked, missing=())


def cause(kind: str, **other: Any) -> dict[str, Any]:
    """A cause as the store keeps it."""
    of_part = kind in ("reading", "step", "wear")
    told = {
        "kind": kind, "position": "3" if of_part else None, "rig": "R1", "channel": "2", "depot": "D", "vehicles": 4,
        "size": 6.5, "size_low": 4.0, "size_high": 9.0, "percent": 30.0, "unit": "ml/min", "measure": "return_flow",
        "onset_on": date(2026, 5, 1), "onset_early": date(2026, 4, 1), "onset_late": date(2026, 5, 1), "question": None,
        "alternatives": [],
    }  # fmt: skip
    return {**told, **other}


KINDS = ("reading", "step", "wear", "visit", "vehicle", "rig", "tube", "depot", "month")


@pytest.mark.parametrize("kind", KINDS)
def test_a_signal_is_told_whole(kind: str) -> None:
    places = ({"position": "3"}, {"position": "pump"}) if kind in KINDS[:3] else ({},)
    ends = ({}, {"onset_early": date(2026, 5, 1)}, {"size": None, "percent": None}, {"size_low": None})
    with loud():
        for place in places:
            for end in ends:
                one = cause(kind, **place, **end)
                assert quiet_words(what_words(one)) == []
                assert quiet_words(where_words(one)) == []
                assert quiet_words(first_check(one)) == []
        size = size_words(cause("rig"))
        assert size == "+6,5 ml/min (+4,0 TO +9,0), +30 %"
        if kind != "depot":
            assert quiet_words(cause_words(cause(kind, alternatives=[1]))) == []


def test_a_question_and_the_test_that_tells_are_kept_as_they_were_told() -> None:
    with loud():
        for position in ("3", "pump"):
            told = replaced_unrecorded("return_flow", "step", position, -9.0)
            assert told is not None
            assert quiet_words(told) == []
        step, wear = (Cause(kind, 0, 0, 0, 0, 0.0, 1.0, 4.0) for kind in ("step", "wear"))
        assert [quiet_words(one) for one in telling((step, wear))] == [[]]
        assert period_words("R1 from 2026-05-01", "R1") == "FROM 2026-05-01"
        assert period_words("R1", "R1") == ""


def test_a_plan_is_told_whole() -> None:
    with loud():
        for why in get_args(WhyPart):
            assert quiet_words(why_part_words(line(why_part=why))) == []
        for now in get_args(WhyNow):
            for in_money in (True, False):
                assert quiet_words(why_now_words(line(why_now=now), in_money=in_money)) == []
        for one in (line(drawn_on=True), line(cost_if_left=None, next_visit=None), line(km_if_left=None)):
            assert set(quiet_words(left_words(one, "crowns"))) <= {"crowns"}
        bites = (
            Bite("bay hours", True, 12.0, "h", ("North 0", "1", "2", "3", "4")),
            Bite("most chance", True, 0.2, "", ()),
            Bite("apart", True, 1.0, "", ("V12, V07 in week 105000",)),
            Bite("budget", True, None, "", ()),
            Bite("budget", False, None, "", ()),
        )
        for sentence in no_plan_words(example(schedule=Infeasible(bites))):
            assert set(quiet_words(sentence)) <= {"crowns", "North"}


def test_the_first_page_is_told_whole() -> None:
    rows = by_vehicle(
        forecast(state="book"),
        forecast(vehicle="V07", position="2", state="past limit"),
        forecast(vehicle="V03", position="1", state="book"),
    )
    with loud():
        months = book_months(plan(), rows)
        told = [month.sentence for month in months]
        told += [text for month in months for row in month.rows for text in (row.work, row.visit, row.when, row.reason)]
        told += [part.rule for month in months for row in month.rows for part in row.parts]
        told += [one.why for one in not_booked(plan(), rows)]
        told += [book_words(months, ()), to_test_words((), ()), order_words(parts(), (), "crowns")]
        told += [changes_words((), None), changes_words((), AS_OF), issued_words((), AS_OF, SECOND, AS_OF)]
        assert [word for text in told for word in quiet_words(text) if word not in OWN] == []


def test_the_workbook_speaks_and_the_csv_keeps_its_heads(tmp_path: Path) -> None:
    with loud():
        view = plan_view(plan(), parts())
        write_plan(view, tmp_path / "plan.xlsx")
        plain = csv_text(view.table("visits"))
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    assert book.sheetnames == [name.upper() for name in view.names]
    for page in book:
        for row in page.iter_rows():
            for found in row:
                words = quiet_words(found.value) if isinstance(found.value, str) else []
                assert [word for word in words if word not in OWN] == [], found.value
    heads, first, *_rest = csv.reader(io.StringIO(plain.decode(), newline=""))
    assert heads[:4] == ["vehicle", "depot", "day", "in the diary"]
    assert first[3] == "YES"


def test_names_of_sheets_fit_and_are_told_apart() -> None:
    long = "Teile, die in diesem Monat zu bestellen sind"
    names = sheet_names((long, long.upper(), "Teile: was [neu] ist?", "'", long))
    assert len({name.casefold() for name in names}) == len(names) == 5
    assert all(0 < len(name) <= 31 and not set(name) & set("[]:*?/\\") for name in names)
    assert names[0] == long[:31]


def test_a_calendar_speaks(tmp_path: Path) -> None:
    with loud():
        write_calendar(plan(), tmp_path / "plan.ics")
    made = Calendar.from_ical((tmp_path / "plan.ics").read_bytes())
    for event in made.walk("VEVENT"):
        assert quiet_words(str(event["summary"])) == []
        assert set(quiet_words(str(event["description"]))) <= {"crowns"}


def test_a_list_says_when_in_the_spoken_language() -> None:
    blank = dict.fromkeys(Attention.__dataclass_fields__)
    one = Attention(**{**blank, "state": "book", "date_p50": date(2027, 5, 1)})
    with loud():
        for state, day in (("past limit", None), ("test again", None), ("book", None), ("book", AS_OF)):
            assert quiet_words(when(replace(one, state=state, date_p50=day), AS_OF)) == []
        assert when(one, AS_OF) == "MOST LIKELY PAST ON 2027-05-01"
