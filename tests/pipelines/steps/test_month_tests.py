"""Which vehicles to test, and which tests are late, too old or spoiled; figures by hand."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from month_example import by_vehicle, forecast
from pipelines.steps.month_tests import due_tests, weak_tests
from pipelines.steps.plan_told import PlanTold, TestLine
from pipelines.steps.series import LifeSeries, SeriesPoint
from pipelines.steps.wear_told import WearTold
from plan_example import AS_OF, FIRST, example, visit
from wearlab.config import Horizons
from wearlab.pack.wear import GrossReading
from wearlab.study.limit_conditions import AsTested

WATCH = 0.1
AS_TESTED = AsTested("return_flow", "warm idle")


def a_test(vehicle: str, day: date, **other: Any) -> TestLine:
    told: dict[str, Any] = {
        "vehicle": vehicle, "depot": "North", "day": day, "planned": True, "parts": ("1", "2", "pump"), "fails": 0.002,
        "saves": 0.0, "last_test": date(2026, 5, 6), "retest_by": None, "before_warranty_ends": False,
    }  # fmt: skip
    return TestLine(**{**told, **other})


def plan(*tests: TestLine, **other: Any) -> PlanTold:
    return example(**{"lines": (), "visits": (), "tests": tests, **other})


def test_a_test_that_decides_comes_before_one_of_routine() -> None:
    told = plan(a_test("V01", date(2026, 12, 1)), a_test("V02", date(2027, 1, 5), fails=0.31, saves=77.0))
    rows = by_vehicle(*(forecast(vehicle=name, position="1", retest_by=date(2026, 12, 20)) for name in ("V01", "V02")))
    first, second = due_tests(told, rows, {}, WATCH)
    assert (first.vehicle, first.pressing, first.visit) == ("V02", True, "in the diary, 16 days after it is due")
    assert first.decides == (
        "Chance that a part reads past its limit: 3 in 10; what is replaced depends on it, worth about 77 crowns."
    )
    assert first.why == "Return flow, warm idle: the usual interval after the last test."
    assert (second.vehicle, second.pressing, second.visit) == ("V01", False, "in the diary")


def test_an_overdue_test_is_pressing_and_says_how_far_off_its_visit_is() -> None:
    told = plan(a_test("V01", AS_OF + timedelta(days=100)))
    (row,) = due_tests(told, by_vehicle(forecast(vehicle="V01", retest_by=date(2026, 8, 28))), {}, WATCH)
    assert row.overdue
    assert row.pressing
    assert row.visit == "in the diary, 100 days from now"


def test_without_a_visit_the_vehicle_is_called_in() -> None:
    rows = by_vehicle(
        forecast(vehicle="V01", retest_by=AS_OF),
        forecast(vehicle="V01", position="pump", retest_by=date(2027, 1, 3)),
        forecast(vehicle="V02", retest_by=date(2027, 2, 1)),  # after the three months
    )
    (row,) = due_tests(plan(), rows, {"V01": "Mill"}, WATCH)
    assert (row.vehicle, row.depot, row.day, row.parts_words) == ("V01", "Mill", None, "injector 3")
    assert row.visit == "no visit is known: call it in"
    assert row.pressing


def test_a_part_that_comes_out_soon_or_is_past_its_limit_asks_for_no_test() -> None:
    soon = forecast(retest_by=AS_OF)
    past = forecast(position="1", state="past limit", retest_by=None)
    also = forecast(position="1", measure="pump_rise", retest_by=AS_OF)
    out = visit(day=FIRST, replace=("3",), test=())
    assert due_tests(plan(visits=(out,)), by_vehicle(soon, past, also), {}, WATCH) == ()
    # one that stays in until after the three months is still to be tested, and sooner than the visit that replaces it
    late = visit(day=date(2027, 2, 1), replace=("3",), test=())
    told = plan(a_test("V12", date(2027, 2, 1), parts=("1",)), visits=(late,))
    (row,) = due_tests(told, by_vehicle(soon), {}, WATCH)
    assert row.visit == "no visit before it is to be replaced on 1 February 2027: call it in"
    assert (row.day, row.parts_words) == (None, "injector 3")


def point(day: date, level: float, **other: Any) -> SeriesPoint:
    told: dict[str, Any] = {
        "day": day, "level": level, "bound": None, "resolution": 0.5, "quality": "good", "used": True,
        "distance_km": 1000.0, "exposure_km": 1000.0, "odometer_km": 1000.0, "conditions": AS_TESTED, "reason": None,
    }  # fmt: skip
    return SeriesPoint(**{**told, **other})


def series(*points: SeriesPoint) -> LifeSeries:
    return LifeSeries("V12", "3", "V12/3/2019-02-03", 1, "return_flow", "warm idle", True, points)


def test_missing_late_old_and_spoiled_tests_are_told_in_that_order() -> None:
    old, new = date(2025, 3, 1), date(2026, 5, 6)
    key = ("V12/3/2019-02-03", 1, "return_flow", "warm idle")
    wear = WearTold(
        states={key: {"outside": 3}},
        paths={key: [{"tested_on": old}]},
        gross={key: [GrossReading("V12", "3", "V12/3/2019-02-03", new, 44.0, None, 4.2, 0.1)]},
    )
    told = weak_tests(
        [
            {"vehicle": "V12", "leaves_on": None, "in_service": None},
            {"vehicle": "V20", "leaves_on": None, "in_service": date(2026, 9, 1)},
            {"vehicle": "V21", "leaves_on": AS_OF, "in_service": None},  # left already
            {"vehicle": "V22", "leaves_on": None, "in_service": AS_OF + timedelta(days=1)},  # not there yet
        ],
        by_vehicle(
            forecast(retest_by=date(2026, 10, 30)),
            forecast(position="pump", measure="pump_peak", last_test=old, retest_by=AS_OF),
        ),
        {
            "V12": [
                series(point(old, 20.0), point(new, 44.0), point(new, 21.0), point(new, 22.0, quality="air_in_hose"))
            ]
        },
        wear,
        Horizons(),
        AS_OF,
    )
    assert [(one.kind, one.vehicle, one.since) for one in told] == [
        ("never tested", "V20", date(2026, 9, 1)),
        ("overdue", "V12", date(2026, 10, 30)),
        ("stale", "V12", old),
        ("doubted", "V12", new),
        ("left out", "V12", new),
    ]
    assert told[1].sentence == (
        "Return flow, warm idle: due by 30 October 2026, 1 day ago; last so tested on 6 May 2026."
    )
    assert told[2].sentence == ("Pump peak last tested on 1 March 2025, 609 days ago: too old to go by after 450 days.")
    assert told[3].sentence == "Of 3 readings on 6 May 2026 1 is doubted: 1 gross error (return flow, warm idle)."
    assert told[4].sentence == (
        "Of 3 readings on 6 May 2026 2 are left out: 2 outside the range of correction (return flow, warm idle)."
    )


def test_a_series_without_any_model_is_no_spoiled_test() -> None:
    new = date(2026, 5, 6)
    key = ("V12/3/2019-02-03", 1, "return_flow", "warm idle")
    wear = WearTold(states={key: {"outside": 0}})
    line = {"vehicle": "V12", "leaves_on": None, "in_service": None}
    assert weak_tests([line], {}, {"V12": [series(point(new, 20.0))]}, wear, Horizons(), AS_OF) == ()
    (told,) = weak_tests(
        [line], {}, {"V12": [series(point(new, 20.0, quality="spilled"))]}, WearTold(), Horizons(), AS_OF
    )
    assert told.sentence == "Of 1 reading on 6 May 2026 1 is doubted: 1 spilled (return flow, warm idle)."
