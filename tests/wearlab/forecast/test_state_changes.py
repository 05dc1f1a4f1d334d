"""A change of state names its cause."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from wearlab.forecast.state_changes import StateBefore, change_sentence, memory
from wearlab.records import State

BEFORE = StateBefore(State.WATCH, date(2026, 9, 30), date(2026, 3, 1), 4, "van idle", 2)


def told(before: StateBefore | None, state: State = State.BOOK, **now: object) -> str | None:
    asked = {"last_test": date(2026, 3, 1), "readings": 4, "rule": "van idle", "limit_version": 2} | now
    return change_sentence(before, state, **asked)  # type: ignore[arg-type]


def test_no_change_is_not_told() -> None:
    assert told(None) is None
    assert told(BEFORE, State.WATCH, last_test=date(2026, 10, 5), readings=5) is None


@pytest.mark.parametrize(
    ("before", "now", "cause"),
    [
        (BEFORE, {}, "nothing but time and distance"),
        (BEFORE, {"last_test": date(2026, 10, 5), "readings": 5}, "a new test on 2026-10-05"),
        (BEFORE, {"readings": 5}, "an earlier test was added"),
        (BEFORE, {"readings": 3}, "readings were taken back or set aside"),
        (BEFORE, {"limit_version": 3}, "the limit changed (version 2 to 3)"),
        (replace(BEFORE, rule=None, limit_version=None), {}, "a limit is configured"),
        (BEFORE, {"rule": None, "limit_version": None}, "no limit is configured any more"),
        (replace(BEFORE, repair="cleaning on 2026-10-02"), {}, "cleaning on 2026-10-02"),
        (replace(BEFORE, same_part=False), {}, "another part is fitted"),
        (
            replace(BEFORE, same_part=False, repair="replacement on 2026-10-02"),
            {"last_test": date(2026, 10, 5), "readings": 1},
            "another part is fitted (replacement on 2026-10-02)",
        ),
        (replace(BEFORE, recalibrated=True), {}, "the forecasts of the group were recalibrated"),
        (replace(BEFORE, settings=True), {}, "the settings changed"),
        (replace(BEFORE, facts=True), {}, "time and distance, and what the model learned from other tests"),
        (replace(BEFORE, program=True), {}, "the program changed"),
        (
            replace(BEFORE, repair="swap on 2026-10-02", facts=True),
            {"last_test": date(2026, 10, 5), "readings": 5},
            "swap on 2026-10-02 and a new test on 2026-10-05",
        ),
    ],
)
def test_causes(before: StateBefore, now: dict[str, object], cause: str) -> None:
    assert told(before, **now) == f"book after watch on 2026-09-30: {cause}"


def test_what_still_counts_as_a_memory() -> None:
    assert memory(BEFORE, "van idle", 2) is State.WATCH
    assert memory(None, "van idle", 2) is None
    assert memory(BEFORE, "van idle", 3) is None
    assert memory(BEFORE, "another rule", 2) is None
    assert memory(replace(BEFORE, repair="cleaning on 2026-10-02"), "van idle", 2) is None
    assert memory(replace(BEFORE, same_part=False), "van idle", 2) is None
    # another factor or more tests of others change the chance, not the part
    assert memory(replace(BEFORE, recalibrated=True, facts=True), "van idle", 2) is State.WATCH
