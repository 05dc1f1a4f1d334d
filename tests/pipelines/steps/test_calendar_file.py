"""The calendar of a plan, read back by a general library and line by line after the rules of RFC 5545."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from icalendar import Calendar

from pipelines.steps.calendar_file import calendar, write_calendar
from plan_example import AS_OF, FIRST, SECOND, example, line, visit
from wearlab.errors import InputError
from wearlab.plan.schedule import Bite, Infeasible
from wearlab.records import NoAnswer
from wearlab.study.cautions import CRANKING, HOT_FUEL, LINES, PIEZO, SKIN, TRIM

#: breaks out of a line, of a value, of a component; with signs of two, three and four bytes for folding
HOSTILE = 'V,1;2\\n:\r\nEND:VEVENT\nBEGIN:VEVENT\t=cmd "$x" \x07' + "ž車🚚" * 30


def unfolded(content: bytes) -> list[str]:
    """Content lines after section 3.1: CRLF ends a line, at most 75 octets in one, a blank carries it on."""
    assert content.endswith(b"\r\n")
    physical = content[:-2].split(b"\r\n")
    found: list[bytes] = []
    for one in physical:
        assert len(one) <= 75
        assert b"\r" not in one
        assert b"\n" not in one
        one.decode("utf-8")  # no character is cut in two
        if one.startswith(b" "):
            found[-1] += one[1:]
        else:
            found.append(one)
    return [one.decode("utf-8") for one in found]


def text_value(value: str) -> str:
    """A TEXT after section 3.3.11: only these four escapes, and neither comma nor semicolon bare."""
    assert re.fullmatch(r"(?:\\[\\;,nN]|[^\\;,\x00-\x08\x0a-\x1f\x7f])*", value), value
    signs: Mapping[str, str] = {"n": "\n", "N": "\n"}
    return re.sub(r"\\(.)", lambda found: signs.get(found[1], found[1]), value)


def components(content: bytes) -> list[tuple[str, dict[str, str]]]:
    """Components inside the calendar with their properties, each of which is there once."""
    found: list[tuple[str, dict[str, str]]] = []
    lines = unfolded(content)
    assert (lines[0], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    open_: str | None = None
    for one in lines[1:-1]:
        name, _, value = one.partition(":")
        if name == "BEGIN":
            assert open_ is None
            open_ = value
            found.append((value, {}))
        elif name == "END":
            assert value == open_
            open_ = None
        elif open_ is not None:
            assert re.fullmatch(r"[A-Z-]+(;[A-Z-]+=[A-Z0-9-]+)*", name), name
            assert name not in found[-1][1]
            found[-1][1][name] = value
    return found


def written(plan: Any, tmp_path: Path, **other: Any) -> bytes:
    write_calendar(plan, tmp_path / "plan.ics", **other)
    return (tmp_path / "plan.ics").read_bytes()


def test_a_general_reader_finds_the_visits(tmp_path: Path) -> None:
    assert write_calendar(example(), tmp_path / "plan.ics") == 2
    read = Calendar.from_ical((tmp_path / "plan.ics").read_bytes())
    assert (read["version"], read["prodid"]) == ("2.0", "-//wearlab//plan//EN")
    first, called = read.walk("VEVENT")
    assert first.errors == called.errors == []
    assert str(first["summary"]) == "V12: replace injector 3; test the pump"
    assert str(called["summary"]) == "V07: replace injector 2"
    assert (first.decoded("dtstart"), first.decoded("dtend")) == (FIRST, date(2026, 11, 13))
    assert called.decoded("dtstart") == SECOND
    assert (str(first["location"]), str(called["location"])) == ("North", "Lake")
    assert (str(first["status"]), str(called["status"])) == ("CONFIRMED", "TENTATIVE")
    assert first.decoded("dtstamp") == datetime(2026, 10, 31, tzinfo=UTC)


def test_line_by_line_it_keeps_the_standard(tmp_path: Path) -> None:
    found = components(written(example(), tmp_path))
    assert [name for name, _ in found] == ["VEVENT", "VEVENT"]
    first = found[0][1]
    assert first["DTSTART;VALUE=DATE"] == "20261112"
    assert first["DTEND;VALUE=DATE"] == "20261113"
    assert first["DTSTAMP"] == "20261031T000000Z"
    assert text_value(first["SUMMARY"]) == "V12: replace injector 3; test the pump"
    assert {name for _, own in found for name in own} == {
        "UID", "DTSTAMP", "DTSTART;VALUE=DATE", "DTEND;VALUE=DATE", "SUMMARY", "DESCRIPTION", "LOCATION", "STATUS",
        "TRANSP",
    }  # fmt: skip


def test_the_description_has_reasons_parts_cost_and_cautions(tmp_path: Path) -> None:
    first, called = (text_value(own["DESCRIPTION"]).split("\n") for _, own in components(written(example(), tmp_path)))
    assert first[0] == "Planned on 2026-10-31: replace injector 3; test the pump."
    assert first[1].startswith("Injector 3 (replace): Chance of being past the limit on 12 November 2026: 6 in 10.")
    assert "Left until 20 May 2027" in first[1]
    assert first[2].startswith("Pump (test): The test decides")
    assert first[3:5] == ["Expected cost: 861 crowns.", "Expected work: 2.2 h."]
    assert {SKIN, LINES, HOT_FUEL, CRANKING, PIEZO, TRIM} <= set(first)
    assert called[1] == "This day is not in the diary: call the vehicle in."
    assert not any(text.startswith("Expected cost") for text in called)
    assert {SKIN, LINES, TRIM} <= set(called)
    assert not {HOT_FUEL, CRANKING} & set(called)


def test_the_caution_about_piezo_goes_where_the_injectors_are_known(tmp_path: Path) -> None:
    told = written(example(), tmp_path, actuation={"V12": "solenoid", "V07": "piezo servo"})
    first, called = (text_value(own["DESCRIPTION"]) for _, own in components(told))
    assert PIEZO not in first
    assert PIEZO in called


def test_hostile_names_stay_inside_their_value(tmp_path: Path) -> None:
    plan = example(lines=(line(vehicle=HOSTILE),), visits=(visit(vehicle=HOSTILE, depot=HOSTILE),), currency=HOSTILE)
    content = written(plan, tmp_path)
    ((name, own),) = components(content)
    assert name == "VEVENT"
    clean = 'V,1;2\\n: END:VEVENT BEGIN:VEVENT =cmd "$x" ' + "ž車🚚" * 30
    assert text_value(own["LOCATION"]) == clean
    assert text_value(own["SUMMARY"]) == f"{clean}: replace injector 3; test the pump"
    (event,) = Calendar.from_ical(content).walk("VEVENT")
    assert str(event["location"]) == clean


def test_a_uid_is_of_vehicle_and_day_alone(tmp_path: Path) -> None:
    before = {own["UID"] for _, own in components(written(example(), tmp_path))}
    later = example(
        as_of=date(2026, 11, 2),
        visits=(visit(replace=("1", "3"), depot="Mill", cost=9.0), visit(vehicle="V07", day=date(2026, 12, 4))),
    )
    own = [own["UID"] for _, own in components(written(later, tmp_path))]
    assert own[0] in before
    assert own[1] not in before
    assert len({*before, *own}) == 3
    assert all(re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", uid) for uid in {*before, *own})


def test_the_same_plan_gives_the_same_bytes_in_any_order(tmp_path: Path) -> None:
    plan = example()
    again = example(visits=plan.visits[::-1])
    assert written(plan, tmp_path) == written(again, tmp_path) == calendar(plan).to_ical(sorted=True)


def test_a_visit_without_work_is_no_event(tmp_path: Path) -> None:
    plan = example(visits=(visit(), visit(vehicle="V09", replace=(), test=())))
    assert write_calendar(plan, tmp_path / "plan.ics") == 1


def test_a_plan_without_visits_says_so(tmp_path: Path) -> None:
    empty = example(lines=(), visits=())
    assert write_calendar(empty, tmp_path / "plan.ics") == 0
    ((name, own),) = components((tmp_path / "plan.ics").read_bytes())
    assert name == "VJOURNAL"
    assert text_value(own["SUMMARY"]) == "The plan of 2026-10-31 needs no visit in 6 months"
    assert own["DTSTART;VALUE=DATE"] == f"{AS_OF:%Y%m%d}"


@pytest.mark.parametrize(
    "schedule", [Infeasible((Bite("budget", True, 100.0, "money", ("0",)),)), NoAnswer("the time was over")]
)
def test_without_a_plan_nothing_is_written(tmp_path: Path, schedule: Infeasible | NoAnswer) -> None:
    path = tmp_path / "plan.ics"
    path.write_bytes(b"old")
    with pytest.raises(InputError, match=r"[Nn]o plan.*Nothing was written"):
        write_calendar(example(schedule=schedule, lines=(), visits=()), path)
    assert path.read_bytes() == b"old"


def test_another_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"ends in \.ics"):
        write_calendar(example(), tmp_path / "plan.txt")
