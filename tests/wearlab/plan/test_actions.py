"""The ways of dealing with one vehicle, worked out by hand on parts whose day of passage is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from wearlab.plan.actions import missing_figures, vehicle_options
from wearlab.plan.crossing_law import CrossingLaw
from wearlab.plan.fleet import Frame, Kind, PlanPart, PlanVehicle, Visit, week_of
from wearlab.plan.lines import plan_lines, values_of_tests
from wearlab.plan.option import Option
from wearlab.plan.road_failures import FailureRate
from wearlab.plan_settings import Costs, FamilyCosts, PartCost

AS_OF = date(2026, 3, 1)
FRAME = Frame(AS_OF, 6)  # 184 days
INJECTOR = PartCost(
    part_price=300, small_parts=40, coding_h=0.2, labour_alone_h=1.5, labour_together_h=0.5, core_return=60, test_h=0.8
)
PUMP = PartCost(part_price=900, small_parts=80, labour_alone_h=4.0, labour_together_h=2.5, core_return=100, test_h=0.5)
COSTS = Costs(labour_per_hour=60, parts={"A": FamilyCosts(injector=INJECTOR, pump=PUMP)})
#: 200 km a day at 0.5 failures per 10,000 km of 2,000 each: 20 a day past the limit
RATE = FailureRate(0.5, 0.2, 1.0)


def _day(days: int) -> date:
    return AS_OF + timedelta(days=days)


def _steps(day: float) -> CrossingLaw:
    return CrossingLaw.through([day - 0.1, day], [0.0, 1.0], AS_OF)


def _part(position: str, law: CrossingLaw | None, **more: object) -> PlanPart:
    kind: Kind = "pump" if position == "pump" else "injector"
    base = PlanPart(position, kind, law, life_km=100_000.0, failure_rate=RATE, failure_cost=2_000.0)
    return replace(base, **more)  # type: ignore[arg-type]


def _vehicle(*parts: PlanPart, visits: tuple[int, ...] = (50, 150), leaves: int | None = None) -> PlanVehicle:
    made = tuple(Visit(_day(day)) for day in visits)
    return PlanVehicle("V1", "A", "North", 200.0, parts, made, None if leaves is None else _day(leaves))


def _by_work(options: tuple[Option, ...]) -> dict[tuple[tuple[int, tuple[str, ...], tuple[str, ...]], ...], Option]:
    return {tuple(((j.day - AS_OF).days, j.replace, j.test) for j in one.jobs): one for one in options}


def test_replacing_is_charged_for_the_time_of_the_plan_and_waiting_for_what_it_risks() -> None:
    told = _by_work(vehicle_options(_vehicle(_part("1", _steps(100))), COSTS, FRAME, in_money=True))
    alone, early = told[()], told[((50, ("1",), ()),)]
    assert alone.objective == pytest.approx(84 * 20, rel=0.02)
    assert alone.waiting_cost == alone.objective
    assert alone.km_beyond == pytest.approx(84 * 200, rel=0.02)
    # 382 over a life of 500 days, 134 of them within the plan
    assert early.objective == pytest.approx(382 * 134 / 500, rel=0.02)
    assert early.spend.tolist() == pytest.approx([0, 382, 0, 0, 0, 0])
    assert early.hours.tolist() == pytest.approx([0, 1.7, 0, 0, 0, 0])
    assert early.weeks == frozenset({week_of(_day(50))})
    assert early.most_chance == 0.0
    assert alone.most_chance == pytest.approx(1.0)
    # late: 50 days past the limit, and 34 of 500 charged
    late = told[((150, ("1",), ()),)]
    assert late.objective == pytest.approx(50 * 20 + 382 * 34 / 500, rel=0.02)


def test_without_costs_kilometres_past_the_limit_stand_against_those_not_driven() -> None:
    vehicle = _vehicle(_part("1", _steps(100), failure_rate=None), visits=(60, 150))
    frame = replace(FRAME, book_chance=0.6)
    told = _by_work(vehicle_options(vehicle, Costs(), frame, in_money=False))
    assert told[()].objective == pytest.approx(84 * 200, rel=0.02)
    assert told[((60, ("1",), ()),)].objective == pytest.approx(1.5 * 40 * 200, rel=0.02)
    assert told[((150, ("1",), ()),)].objective == pytest.approx(50 * 200, rel=0.02)
    assert told[()].waiting_cost is None
    assert 'costs.parts."A".injector.part_price' in told[((60, ("1",), ()),)].missing


def test_a_steady_part_comes_out_with_the_set_only_and_an_unknown_one_never_for_itself() -> None:
    parts = (_part("1", _steps(20)), _part("2", _steps(3000)), _part("3", None), _part("pump", _steps(3000)))
    told = vehicle_options(_vehicle(*parts), COSTS, FRAME, in_money=True)
    sets = {job.replace for one in told for job in one.jobs if job.replace}
    assert sets <= {("1",), ("1", "2", "3")}
    assert ("1",) in sets
    assert all(job.whole_set == (job.replace == ("1", "2", "3")) for one in told for job in one.jobs)


def test_two_parts_at_one_visit_share_its_labour() -> None:
    parts = (_part("1", _steps(20)), _part("2", _steps(30)), _part("pump", _steps(25)))
    told = _by_work(vehicle_options(_vehicle(*parts, visits=(50,)), COSTS, FRAME, in_money=True))
    both = next(one for work, one in told.items() if work and set(work[0][1]) == {"1", "2", "pump"})
    # 600 + 80 + 0.4 h, 2.0 h at 60 - 120, and the pump beside them 900 + 80 + 2.5 h at 60 - 100
    assert both.spend.sum() == pytest.approx(704.0 + 1030.0)
    assert both.hours.sum() == pytest.approx(2.4 + 2.5)


def test_nothing_is_done_after_the_vehicle_left_nor_before_the_part_is_there() -> None:
    gone = vehicle_options(_vehicle(_part("1", _steps(20)), leaves=120), COSTS, FRAME, in_money=True)
    assert {job.day for one in gone for job in one.jobs} == {_day(50)}
    assert gone[0].km_beyond == pytest.approx(100 * 200, rel=0.02)
    # a part on a vehicle that leaves has no later use: charged in full
    told = _by_work(gone)[((50, ("1",), ()),)]
    assert told.objective == pytest.approx(30 * 20 + 382, rel=0.02)
    waits = vehicle_options(_vehicle(_part("1", _steps(20), lead_days=60)), COSTS, FRAME, in_money=True)
    assert {job.day for one in waits for job in one.jobs} == {_day(150)}
    # what cannot be helped yet is no one's risk
    assert _by_work(waits)[((150, ("1",), ()),)].most_chance == 0.0
    assert len(vehicle_options(_vehicle(_part("1", _steps(20)), visits=()), COSTS, FRAME, in_money=True)) == 1


def test_under_warranty_only_a_failed_test_makes_the_part_free() -> None:
    law = CrossingLaw.through([50, 150], [0.4, 0.7], AS_OF, now=0.3)
    until = {"warranty_until": _day(60)}
    read = _by_work(vehicle_options(_vehicle(_part("1", law, past=True, **until)), COSTS, FRAME, in_money=True))
    assert read[((50, ("1",), ()),)].spend.sum() == pytest.approx(40 + 1.7 * 60)
    unread = _by_work(vehicle_options(_vehicle(_part("1", law, **until), visits=(50,)), COSTS, FRAME, in_money=True))
    assert unread[((50, ("1",), ()),)].spend.sum() == pytest.approx(382)
    tested = unread[((50, (), ("1",)),)]
    # the test, and the work on the 4 in 10 that read past, their parts free
    assert tested.spend.sum() == pytest.approx(0.8 * 60 + 0.4 * (40 + 1.7 * 60), rel=0.02)
    assert tested.failing["1"] == pytest.approx(0.4, abs=0.01)


def test_what_a_test_would_decide() -> None:
    law = CrossingLaw.through([50, 150], [0.5, 0.8], AS_OF, now=0.4)
    worth = values_of_tests([_vehicle(_part("1", law, agreement=0.95))], COSTS, FRAME, in_money=True)
    assert worth[0].day == _day(50)
    assert worth[0].fails == pytest.approx(0.5, abs=0.02)
    steady = _vehicle(_part("1", _steps(3000)))
    assert values_of_tests([steady], COSTS, FRAME, in_money=True) == ()
    left = _vehicle(_part("1", law), leaves=40)
    assert values_of_tests([left], COSTS, FRAME, in_money=True) == ()


def test_a_line_says_why_and_what_waiting_means() -> None:
    vehicle = _vehicle(_part("1", _steps(100)))
    option = _by_work(vehicle_options(vehicle, COSTS, FRAME, in_money=True))[((50, ("1",), ()),)]
    (line,) = plan_lines(vehicle, option, COSTS, FRAME)
    assert (line.position, line.kind, line.day, line.next_visit) == ("1", "replace", _day(50), _day(150))
    assert (line.why_part, line.why_now) == ("may pass before the next visit", "first it can be there")
    assert line.cost == pytest.approx(382)
    assert line.past_then == 0.0
    assert line.before_next == pytest.approx(1.0, abs=1e-3)
    assert line.cross_low == line.cross_high == _day(100)
    assert line.km_if_left is not None
    assert line.km_if_left.mean == pytest.approx(50 * 200, rel=0.02)
    assert line.cost_if_left is not None
    assert line.cost_if_left.mean == pytest.approx(50 * 20, rel=0.02)
    assert line.cost_if_left.low == pytest.approx(50 * 8, rel=0.02)
    assert line.cost_if_left.high == pytest.approx(50 * 40, rel=0.02)


def test_what_is_missing_before_waiting_has_a_cost() -> None:
    assert missing_figures([_vehicle(_part("1", _steps(100)))], COSTS) == ()
    bare = _vehicle(_part("1", _steps(100), failure_rate=None), _part("2", None, failure_rate=None))
    assert missing_figures([bare], Costs()) == (
        'failures."A".injector.per_10000_km_beyond',
        'costs.parts."A".injector.part_price',
        'costs.parts."A".injector.labour_alone_h',
        "labour_per_hour",
    )


def test_months_run_from_the_day_of_the_plan() -> None:
    frame = Frame(date(2026, 1, 31), 3)
    assert [frame.start(month) for month in range(4)] == [
        date(2026, 1, 31),
        date(2026, 2, 28),
        date(2026, 3, 31),
        date(2026, 4, 30),
    ]
    assert frame.month_of(date(2026, 2, 27)) == 0
    assert frame.month_of(date(2026, 2, 28)) == 1
    assert frame.month_of(date(2026, 4, 30)) is None
    assert frame.month_of(date(2026, 1, 30)) is None
    # 2026-03-02 is a Monday
    assert week_of(date(2026, 3, 1)) + 1 == week_of(date(2026, 3, 2)) == week_of(date(2026, 3, 8))
