"""How long a plan of 2,000 vehicles over twelve months takes, ways of dealing with each vehicle and search together.

Run with `make bench`. The aim on two cores: under 60 s. Nine vehicles in ten would have work within the year, far more
than in a real fleet, and the rules allow a share of the hours and money that the vehicles would take without them.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date, timedelta
from time import perf_counter
from typing import Any

import numpy as np
import pytest

from benchmarks.measured import Tell
from wearlab.forecast.first_passage import passage_chance
from wearlab.plan.actions import vehicle_options
from wearlab.plan.crossing_law import CrossingLaw
from wearlab.plan.fleet import Frame, PlanPart, PlanVehicle, Visit
from wearlab.plan.option import Option
from wearlab.plan.road_failures import FailureRate
from wearlab.plan.rules import Rules
from wearlab.plan.schedule import Schedule, schedule
from wearlab.plan_settings import Costs, FamilyCosts, PartCost

AS_OF = date(2026, 3, 1)
VEHICLES, MONTHS, DEPOTS, SEED = 2_000, 12, 8, 5
INJECTOR = PartCost(
    part_price=310, small_parts=40, labour_alone_h=1.5, labour_together_h=0.5, set_discount_percent=8, test_h=0.8
)
PUMP = PartCost(part_price=900, small_parts=80, labour_alone_h=4.0, labour_together_h=2.5, test_h=0.5)
COSTS = Costs(labour_per_hour=60, parts={"A": FamilyCosts(injector=INJECTOR, pump=PUMP)})


def _part(position: str, rng: np.random.Generator) -> PlanPart:
    drift = 1.0 / np.exp(rng.normal(np.log(900), 0.9))
    days = np.array([0.0, 30, 90, 180, 365, 500])
    figures = (1.0, 0.03, drift, (rng.uniform(0.1, 0.4) * drift) ** 2, 0.0, 0.02 * drift)
    chance = passage_chance(*(np.full(days.size, one) for one in figures), days)
    law = CrossingLaw.through(days[1:], chance[1:], AS_OF, now=float(chance[0]))
    return PlanPart(
        position,
        "pump" if position == "pump" else "injector",
        law,
        past=bool(chance[0] > 0.9),
        agreement=0.9,
        life_km=250_000.0,
        failure_rate=FailureRate(0.3, 0.1, 0.6),
        failure_cost=2_500.0,
    )


def _vehicle(number: int, rng: np.random.Generator) -> PlanVehicle:
    parts = tuple(_part(position, rng) for position in ("1", "2", "3", "4", "5", "6", "pump"))
    first, gap = int(rng.integers(150)), int(rng.integers(90, 190))
    visits = tuple(Visit(AS_OF + timedelta(days=first + gap * turn)) for turn in range(4))
    return PlanVehicle(f"V{number}", "A", f"D{number % DEPOTS}", float(rng.uniform(80, 350)), parts, visits)


@pytest.mark.parametrize("share", [1.0, 0.6])
def test_a_plan_of_two_thousand_vehicles(share: float, tell: Tell, benchmark: Any) -> None:
    rng = np.random.default_rng(SEED)
    fleet = [_vehicle(number, rng) for number in range(VEHICLES)]
    begun = perf_counter()
    options = [vehicle_options(one, COSTS, Frame(AS_OF, MONTHS), in_money=True) for one in fleet]
    built = perf_counter() - begun
    free: list[Option] = [min(own, key=lambda one: one.objective) for own in options]
    hours: dict[str, float] = defaultdict(float)
    for one in free:
        hours[one.depot] += share * float(one.hours.sum()) / MONTHS
    money = share * sum(float(one.spend.sum()) for one in free) / MONTHS
    groups = tuple((f"V{k}", f"V{k + 1}", f"V{k + 2}") for k in range(0, VEHICLES - 2, VEHICLES // 10))
    plan = benchmark.pedantic(schedule, (options, Rules(dict(hours), money, groups)), rounds=1)
    assert isinstance(plan, Schedule)
    tell(
        f"{VEHICLES:,} vehicles, {MONTHS} months, {sum(map(len, options)):,} ways, {share:.0%} of the hours and money: "
        f"ways {built:.1f} s, search {plan.seconds:.1f} s (aim: 60 s together), gap {plan.gap:.3%}"
        f"{'' if plan.proven else ', ended by its time'}; {sum(plan.best_alone):,} vehicles as is best for them alone"
    )
    assert plan.gap < 0.02
    assert all(sum(one.spend[month] for one in plan.chosen) <= money + 1e-3 for month in range(MONTHS))
