"""The list of what is due and one vehicle's answers as they are printed."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from pipelines.cli import due_list, story
from pipelines.cli.common import console
from pipelines.cli.due_list import print_due
from pipelines.cli.story import print_story
from pipelines.steps.part_states import part_state
from wearlab.config import Settings
from wearlab.pack.view import VehicleView

NOW = date(2026, 10, 31)
COLUMNS = (
    "level", "level_low", "level_high", "next_low", "next_high", "rate", "rate_low", "rate_high", "rate_unit", "cause",
    "state_before", "changed", "retest_by", "retest_why", "date_p05", "date_p10", "date_p50", "date_p90", "date_p95",
    "odometer_p05", "odometer_p10", "odometer_p50", "odometer_p90", "odometer_p95", "past", "within_30", "within_90",
    "within_180", "within_365", "next_visit", "before_visit", "next_reading_past", "note", "no_answer", "last_test",
)  # fmt: skip


def row(vehicle: str, position: str, state: str, **other: Any) -> dict[str, Any]:
    base = dict.fromkeys(COLUMNS) | {
        "vehicle": vehicle, "position": position, "part": f"{vehicle}/{position}", "measure": "return_flow",
        "protocol": "warm idle", "unit": "ml/min", "rule": "van idle", "limit": 30.0, "limit_version": 1,
        "direction": "above", "state": state, "readings": 4, "method": "wear model", "level": 20.0,
    }  # fmt: skip
    return base | other


WATCHED = row(
    "V1", "3", "watch", past=0.001, within_90=0.02, within_180=0.2, within_365=0.62, next_reading_past=0.34,
    date_p10=date(2027, 3, 9), date_p50=date(2027, 9, 1), date_p90=date(2028, 5, 10),
    odometer_p10=318_400.0, odometer_p50=341_600.0, odometer_p90=377_000.0,
    retest_by=date(2026, 12, 1), retest_why="the usual interval after the last test",
    state_before="steady", changed="watch after steady on 2026-09-30: a new test on 2026-10-12",
)  # fmt: skip
CHANGE = "watch after steady on 30 September 2026: a new test on 12 October 2026"
LONG = "no reading of this part may be used (left out: {} beyond the scale)"
ROWS = [
    WATCHED,
    row("V2", "1", "steady", no_answer="the trend does not lead to the limit", retest_by=date(2027, 8, 1)),
    row("V2", "2", "steady", no_answer="the trend does not lead to the limit", retest_by=date(2026, 8, 1)),
    row("V2", "4", "test again", method="line", retest_by=NOW),
    row("V3", "pump", "no answer", no_answer=LONG.format(7)),
    row("V4", "pump", "no answer", no_answer=LONG.format(9)),
    row("V4", "1", "no limit", rule=None, limit=None),
]


def printed(capsys: pytest.CaptureFixture[str], rows: list[dict[str, Any]] = ROWS, most: int = 30) -> str:
    print_due(rows, NOW, most)
    return capsys.readouterr().out


def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    def small(*, stderr: bool = False) -> Any:
        out = console(stderr=stderr)
        out.width = 80
        return out

    for module in (due_list, story):
        monkeypatch.setattr(module, "console", small)


def test_the_first_question_is_answered_first(capsys: pytest.CaptureFixture[str]) -> None:
    lines = printed(capsys).splitlines()
    assert lines[0] == "When should this be booked, and how sure is that? As of 31 October 2026."
    assert "1 test again, 1 watch, 2 no answer, 1 no limit, 2 steady" in lines[1]
    head = next(k for k, line in enumerate(lines) if line.startswith("part "))
    assert " ".join(lines[head + 1].split()) == (
        "V1 3 ~ watch Feb 2027 Mar 2027 Sep 2027 May 2028 .....------O--------.... 1 Dec 2026"
    )
    assert " ".join(lines[head + 2].split()) == (
        "return flow, warm idle 6 in 10 by Oct 2027 318,000 km 342,000 km 377,000 km"
    )


def test_notes_are_said_once(capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys)
    assert text.count("the trend does not lead to the limit") == 1
    assert text.count("(1)") == 3  # two rows and the note
    assert "- V3 pump, V4 pump: no reading of this part may be used\n" in text
    assert text.count("not calibrated") == 1
    assert "V2 4 (line)" in text
    assert text.count("overdue") == 1


def test_a_change_of_state_is_told_with_its_cause(capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys)
    assert (
        "V1 3, return flow, warm idle: watch after steady on 30 September 2026: a new test on 12 October 2026" in text
    )
    many = [WATCHED | {"position": str(k)} for k in range(20)]
    assert "and 8 more (--json)" in printed(capsys, many)


def test_more_rows_than_asked_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    assert "(3 more: wearlab due --most 0)" in printed(capsys, most=1)
    assert "more: wearlab" not in printed(capsys, most=0)


def test_without_limits_or_readings_it_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert "Write your limits into wearlab.toml" in printed(capsys, [ROWS[-1]])
    assert "load test sheets first" in printed(capsys, [])


def test_a_narrow_screen_keeps_dates_and_chances(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    narrow(monkeypatch)
    text = printed(capsys)
    assert all(len(line.rstrip()) <= 80 for line in text.splitlines())
    for words in ("Mar 2027, 318,000 km", "6 in 10 by Oct 2027", "Feb 2027"):
        assert words in text
    assert "months from now" not in text


@pytest.mark.parametrize("small", [False, True])
def test_a_vehicle_begins_with_the_same_answer(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, small: bool
) -> None:
    if small:
        narrow(monkeypatch)
    states = tuple(part_state(one, Settings(), None) for one in (WATCHED, row("V1", "1", "steady", past=0.0)))
    print_story(VehicleView("V1", states=states), NOW)
    text = " ".join(capsys.readouterr().out.split())
    assert (
        "- Injector 3 (return flow, warm idle): book by the end of February 2027; chance of being past the limit: "
        "6 in 10 by end of October 2027; most likely in September 2027 at about 342,000 km."
    ) in text
    assert "test by 1 December 2026; the usual interval after the last test" in text
    assert "steady in warm idle" in text
    assert f"injector 3: {CHANGE}" in text
    # chances of the table: past now, in 90 days, at the next test
    assert "under 1 in 100" in text
    assert "1 in 50" in text
    assert "3 in 10" in text
    assert ("one sign a month" in text) is not small
