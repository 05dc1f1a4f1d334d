"""What happened to the vehicles, in the order it happened: points of tests and of work.

Sheets give a date and often an odometer, rarely a time. The order within one day is settled here, once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import ClassVar

#: A larger difference of odometers on one day is a slip or another meter, and says nothing about order
#: (two drivers at 100 km/h round the clock; arithmetic).
MOST_KM_A_DAY = 2500.0


@dataclass(frozen=True, slots=True)
class TestPoint:
    """One position of one test. `file_id` and `row_no` say where it was written (None: entered by hand)."""

    __test__: ClassVar[bool] = False  # a record, not a class of tests: test runners collect by name

    vehicle: str
    day: date
    odometer_km: float | None
    position: str
    serial: str | None
    file_id: int | None
    row_no: int
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class WorkPoint:
    """One piece of work on one vehicle; `kind` is a word of `records.WorkKind`.

    A swap exchanges the parts of `position` and `position_to`. `position` "set" means every injector.
    """

    vehicle: str
    day: date
    odometer_km: float | None
    kind: str
    position: str | None
    position_to: str | None
    serial_out: str | None
    serial_in: str | None
    part_number: str | None
    origin: str | None
    file_id: int | None
    row_no: int


Point = TestPoint | WorkPoint


@dataclass(frozen=True, slots=True)
class Event:
    """A point; `index` is its place in the input, `order` in its vehicle's history."""

    point: Point
    index: int
    order: int


def events(tests: Sequence[TestPoint], works: Sequence[WorkPoint]) -> list[Event]:
    """Return all vehicles' points in one sequence by day, each vehicle's own in the order they happened.

    That is, within a day: by odometer where both are known and differ; a test made "after repair" after the work; rows
    of one file in their order when that file is the day's only one; else tests before work. A point without odometer
    stays behind the point it would follow by these rules.

    On a day the tests that a vehicle had before any work come first, of all vehicles, then the rest vehicle
    by vehicle: a part that went from one vehicle to another that day was still tested where it came from.
    """
    given: dict[str, list[tuple[Point, int]]] = defaultdict(list)
    for i, test in enumerate(tests):
        given[test.vehicle].append((test, i))
    for i, work in enumerate(works):
        given[work.vehicle].append((work, i))
    keyed: list[tuple[tuple[date, bool, str, int], Event]] = []
    for vehicle, pairs in given.items():
        day, worked = None, False
        for order, place in enumerate(_order([point for point, _ in pairs])):
            point, index = pairs[place]
            worked = isinstance(point, WorkPoint) or (worked and point.day == day)
            day = point.day
            keyed.append(((day, worked, vehicle, order), Event(point, index, order)))
    keyed.sort(key=lambda pair: pair[0])
    return [event for _, event in keyed]


def _order(points: Sequence[Point]) -> Iterator[int]:
    """Yield the places of one vehicle's points in the order they happened."""
    days: dict[date, list[int]] = defaultdict(list)
    for i, point in enumerate(points):
        days[point.day].append(i)
    for day in sorted(days):
        yield from _one_day(points, days[day])


def _one_day(points: Sequence[Point], places: list[int]) -> Iterator[int]:
    if len(places) == 1:
        yield places[0]
        return
    files = {points[i].file_id for i in places}
    one_file = len(files) == 1 and None not in files
    ranked = sorted(places, key=lambda i: _rank(points[i], one_file))
    known = [km for i in ranked if (km := points[i].odometer_km) is not None]
    if not known or max(known) - min(known) > MOST_KM_A_DAY or max(known) == min(known):
        yield from ranked
        return
    # a point without odometer takes that of the point before it, so that one sort settles the day
    filled: dict[int, float] = {}
    before = known[0]
    for i in ranked:
        km = points[i].odometer_km
        before = before if km is None else km
        filled[i] = before
    yield from sorted(ranked, key=filled.__getitem__)


def _rank(point: Point, one_file: bool) -> tuple[int, float, int, int, str]:
    if isinstance(point, WorkPoint):
        stage, position = 1, point.position or ""
    else:
        stage, position = (2 if _after_repair(point) else 0), point.position
    if one_file:
        # the rows' own order, except that a test after repair follows the work
        stage = 1 if stage == 2 else 0
    by_hand = float("inf")
    file = by_hand if point.file_id is None else float(point.file_id)
    return (stage, file, point.row_no, len(position), position)


def _after_repair(point: TestPoint) -> bool:
    return (point.reason or "").strip().lower() == "after repair"
