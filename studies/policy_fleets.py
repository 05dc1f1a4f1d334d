"""Fleets for weighing policies of replacement: what is true of every part that may ever be fitted, drawn beforehand.

A fleet has vehicles with four injectors each. For every seat a row of parts is drawn, one to be fitted after the other:
when its true level passes the limit, when it fails on the road, and its level at every distance. Distances driven and
reading errors are drawn by vehicle and month. So policies are weighed on the same fleet with the same chances: two
policies that fit the same part at the same time see the same.

Wear is that of `studies.mechanisms`, times a factor of the vehicle. A part fails on the road with a chance for each
10,000 km past its limit, and with a small one anywhere that no test foretells.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from studies.mechanisms import MECHANISMS, ORIGIN, STEP
from wearlab.plan.costs import action_cost, cost_of_test, failure_cost
from wearlab.plan_settings import Costs, FamilyCosts, PartCost, RoadFailure

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

VEHICLES, SEATS, PARTS = 24, 4, 16
FAMILY = "injectors"
#: months of history nobody recorded, recorded under the present practice, and weighed
BEFORE, RECORDED, WEIGHED = 48, 48, 36
MONTHS = BEFORE + RECORDED + WEIGHED
#: a vehicle is in the workshop every so many months
BETWEEN = 6
DAYS = 365.25 / 12
FIRST = date(2020, 1, 1)
#: every so many steps of the mechanisms' levels are kept
_THIN = 3
#: how far levels are followed, in lives of the middle part
_LIVES = 5.0

KINDS = ("cubic clearance", "gamma process", "contamination")


@dataclass(frozen=True)
class Stakes:
    """What is stated to every policy: work, road failures and how often they come past the limit. Invented figures."""

    name: str
    failure: RoadFailure

    @property
    def costs(self) -> Costs:
        """Costs of planned work, the same for all stakes."""
        part = PartCost(
            part_price=420.0,
            small_parts=35.0,
            coding_h=0.25,
            labour_alone_h=2.0,
            labour_together_h=0.6,
            core_return=60.0,
            set_discount_percent=5.0,
            test_h=1.5,
        )
        return Costs(currency="crowns", labour_per_hour=62.0, parts={FAMILY: FamilyCosts(injector=part)})

    def replacing(self, injectors: int) -> float:
        """Return the cost of replacing so many injectors at one visit."""
        cost = action_cost(self.costs, FAMILY, injectors=injectors, whole_set=injectors == SEATS).total
        assert cost is not None
        return cost

    @property
    def testing(self) -> float:
        """The cost of testing a vehicle's set."""
        cost = cost_of_test(self.costs, FAMILY, injectors=True, pump=False).total
        assert cost is not None
        return cost

    @property
    def failing(self) -> float:
        """The cost of one road failure without the part."""
        cost, _ = failure_cost(self.failure, FAMILY, "injector")
        assert cost is not None
        return cost

    @property
    def added(self) -> float:
        """Road failures for each 10,000 km past the limit, above the background."""
        return float(self.failure.per_10000_km_beyond or 0.0)

    @property
    def background(self) -> float:
        """Road failures for each 10,000 km anywhere."""
        return float(self.failure.background_per_10000_km or 0.0)


STAKES = {
    "dear": Stakes(
        "dear",
        RoadFailure(tow=900, downtime_a_day=700, days=3, per_10000_km_beyond=0.2, background_per_10000_km=0.001),
    ),
    "cheap": Stakes(
        "cheap",
        RoadFailure(tow=400, downtime_a_day=200, days=1, per_10000_km_beyond=0.04, background_per_10000_km=0.001),
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class Fleet:
    """The truth; V vehicles, S seats, K parts a seat, M months.

    `driven` (V, M + 1) km at the start of each month; `cross`, `added`, `background` (V, S, K): km of a part's own at
    its passage, further km to a road failure past the limit, and km to one of the background. `level` (V, S, K, G) at
    `grid` (V, G) km, `error` (V, S, M) what a test in a month adds to it. `phase` (V,): months with month % `BETWEEN`
    == phase are those of visits. `begun` (V, S): km the first part of a seat had on it at the start.
    """

    mechanism: str
    seed: int
    limit: float
    life: float
    driven: Floats
    cross: Floats
    added: Floats
    background: Floats
    grid: Floats
    level: Floats
    error: Floats
    phase: Ints
    begun: Floats

    def km(self, vehicle: int, month: float) -> float:
        """Return the km driven by a time in months, straight within each month."""
        return float(np.interp(month, np.arange(self.driven.shape[1]), self.driven[vehicle]))

    def month(self, vehicle: int, km: float) -> float:
        """Return the time in months by which so many km are driven; infinite beyond the last month."""
        row = self.driven[vehicle]
        return float("inf") if km > row[-1] else float(np.interp(km, row, np.arange(row.size)))

    def read(self, vehicle: int, seat: int, number: int, month: int, km: float) -> float:
        """Return what a test in a month reads of a part with so many km."""
        level = float(np.interp(km, self.grid[vehicle], self.level[vehicle, seat, number]))
        return max(level + float(self.error[vehicle, seat, month]), 0.01)

    def fails(self, vehicle: int, seat: int, number: int, stakes: Stakes) -> float:
        """Return the km of its own at which a part fails on the road."""
        at = (vehicle, seat, number)
        past = self.cross[at] + self.added[at] / stakes.added * 10_000.0
        return float(min(past, self.background[at] / stakes.background * 10_000.0))


def fleet(mechanism: str, seed: int) -> Fleet:
    """Draw a fleet."""
    rng = np.random.default_rng([seed, 77, list(MECHANISMS).index(mechanism)])
    shape = (VEHICLES, SEATS, PARTS)
    wear = MECHANISMS[mechanism](rng, VEHICLES * SEATS * PARTS).level
    t = np.arange(1, wear.shape[1] + 1) * STEP
    middle = rng.uniform(1.5, 2.5) * ORIGIN
    limit = float(np.median(wear[:, int(middle / STEP) - 1]))
    life = rng.uniform(180_000.0, 320_000.0)
    factor = np.exp(0.15 * rng.standard_normal(VEHICLES))
    past = wear >= limit
    first = np.where(past.any(axis=1), t[past.argmax(axis=1)], 2 * t[-1]).reshape(shape)
    kept = np.arange(0, min(int(_LIVES * middle / STEP), t.size), _THIN)
    unit = life / middle / factor
    risen = limit - float(np.median(wear[:, 0]))
    error = rng.uniform(0.03, 0.08) * risen
    pace = 190.0 * np.exp(0.25 * rng.standard_normal(VEHICLES)) * DAYS
    monthly = pace[:, None] * np.exp(0.12 * rng.standard_normal((VEHICLES, MONTHS)))
    noise = error * rng.standard_normal((VEHICLES, SEATS, MONTHS))
    noise += 0.5 * error * rng.standard_normal((VEHICLES, 1, MONTHS))
    return Fleet(
        mechanism=mechanism,
        seed=seed,
        limit=limit,
        life=life,
        driven=np.concatenate([np.zeros((VEHICLES, 1)), np.cumsum(monthly, axis=1)], axis=1),
        cross=first * unit[:, None, None],
        added=rng.exponential(1.0, shape),
        background=rng.exponential(1.0, shape),
        grid=t[kept] * unit[:, None],
        level=wear[:, kept].reshape(*shape, kept.size),
        error=noise,
        phase=rng.permutation(np.arange(VEHICLES) % BETWEEN),
        begun=life * rng.uniform(0.0, 0.8, (VEHICLES, SEATS)),
    )


def day_of(month: float) -> date:
    """Return the day of a time in months from the start."""
    return date.fromordinal(FIRST.toordinal() + round(month * DAYS))
