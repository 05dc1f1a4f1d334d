"""Which came first of tests and work on one day."""

from __future__ import annotations

from wearlab.lives.history import TestPoint, WorkPoint, events
from workshop_history import a_test, some_work


def order_of(*points: TestPoint | WorkPoint) -> list[int]:
    tests = [point for point in points if isinstance(point, TestPoint)]
    works = [point for point in points if isinstance(point, WorkPoint)]
    return [event.point.row_no for event in events(tests, works)]


def test_tests_come_before_work_on_one_day() -> None:
    assert order_of(some_work(0, "replacement", "1", row=1), a_test(0, row=2)) == [2, 1]


def test_a_test_after_repair_comes_after_the_work() -> None:
    late = a_test(0, row=1, reason="after repair")
    assert order_of(late, some_work(0, "replacement", "1", row=2), a_test(0, row=3)) == [3, 2, 1]


def test_odometers_settle_the_day_when_they_differ() -> None:
    work = some_work(0, "replacement", "1", row=1, km=100_000)
    assert order_of(a_test(0, row=2, km=100_040), work) == [1, 2]
    assert order_of(a_test(0, row=2, km=100_000), work) == [2, 1]
    # a slip of a digit says nothing about the order
    assert order_of(a_test(0, row=2, km=1_000_400), work) == [2, 1]


def test_rows_of_one_file_keep_their_order() -> None:
    work = some_work(0, "replacement", "1", row=1, file=7)
    assert order_of(a_test(0, row=2, file=7), work) == [1, 2]
    assert order_of(a_test(0, row=2, file=8), work) == [2, 1]


def test_points_without_odometer_stay_behind_their_neighbour() -> None:
    points = [
        a_test(0, row=1, km=100_000),
        a_test(0, "2", row=2),
        some_work(0, "cleaning", "1", row=3, km=100_010),
        a_test(0, row=4, km=100_020, reason="after repair"),
        a_test(0, "2", row=5, reason="after repair"),
    ]
    for shift in range(5):
        assert order_of(*points[shift:], *points[:shift]) == [1, 2, 3, 4, 5]
