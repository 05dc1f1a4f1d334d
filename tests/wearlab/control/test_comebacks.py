"""Returns after a repair against the user's own bounds."""

from __future__ import annotations

from datetime import date

from wearlab.control.comebacks import comebacks

REPAIR = date(2026, 1, 10)
BACK = [(date(2026, 3, 1), 14_000.0, "complaint"), (date(2026, 1, 10), 10_000.0, "the repair's own visit"),
        (date(2026, 9, 1), 40_000.0, "return"), (date(2026, 2, 1), None, "failed on the road")]  # fmt: skip


def test_nothing_is_judged_without_bounds() -> None:
    found = comebacks(REPAIR, 10_000.0, BACK)
    assert [one.day.month for one in found] == [2, 3, 9]
    assert {one.within for one in found} == {None}


def test_both_bounds_have_to_hold() -> None:
    assert [one.within for one in comebacks(REPAIR, 10_000.0, BACK, within_days=90)] == [True, True, False]
    # without its distance the first one cannot be judged by distance
    assert [one.within for one in comebacks(REPAIR, 10_000.0, BACK, within_km=5_000)] == [None, True, False]
    assert [one.within for one in comebacks(REPAIR, 10_000.0, BACK, within_days=90, within_km=3_000)] == [
        None,
        False,
        False,
    ]


def test_days_and_distance_since_the_repair() -> None:
    last = comebacks(REPAIR, 10_000.0, BACK)[-1]
    assert (last.days, last.km) == (234, 30_000.0)
