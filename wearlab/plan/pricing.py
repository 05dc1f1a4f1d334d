"""What the visits of one vehicle cost, and how much of it is charged to the time of the plan.

A part that is replaced at day t and lasts L days is charged with (end - t) / L of its price within the plan, the rest
serves later: without this every plan would wait, because only waiting is free until its end. A part whose life is not
known, or that lasts no longer than the vehicle stays, is charged in full.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from wearlab.plan.costs import ActionCost, action_cost, cost_of_test
from wearlab.plan.fleet import PlanPart, PlanVehicle
from wearlab.plan_settings import Costs


@dataclass(frozen=True, slots=True)
class Charged:
    """The cost of work at a visit and the share of it that the plan is charged with; 0 where it is not known."""

    cost: ActionCost
    charge: float


@dataclass(slots=True, eq=False)
class Pricing:
    """Prices of work on one vehicle; `end` is the last day of the plan that counts, `stays` that of the vehicle."""

    vehicle: PlanVehicle
    costs: Costs
    end: float
    stays: float
    _known: dict[tuple[int, bool, bool, int, bool], ActionCost] = field(default_factory=dict)

    def replacing(self, parts: Sequence[PlanPart], day: float, *, whole_set: bool, warranty: bool = False) -> Charged:
        """Return the cost of replacing parts at one visit.

        A part under warranty on that day has no price where its test read past the limit, or will (`warranty`).
        """
        injectors = [part for part in parts if part.kind == "injector"]
        pumps = [part for part in parts if part.kind == "pump"]
        free = [self._free(part, day, warranty) for part in injectors]
        free_pump = any(self._free(part, day, warranty) for part in pumps)
        cost = self._cost(len(injectors), bool(pumps), whole_set, sum(free), free_pump)
        if cost.total is None:
            return Charged(cost, 0.0)
        own = self._cost(len(injectors), False, whole_set, sum(free), False).total or 0.0
        charge = own * _mean([self.share(part, day) for part in injectors])
        charge += (cost.total - own) * _mean([self.share(part, day) for part in pumps])
        return Charged(cost, charge)

    def testing(self, parts: Sequence[PlanPart]) -> ActionCost:
        """Return the cost of a test that measures these parts: the set, the pump, or both."""
        kinds = {part.kind for part in parts}
        return cost_of_test(self.costs, self.vehicle.family, injectors="injector" in kinds, pump="pump" in kinds)

    def share(self, part: PlanPart, day: float) -> float:
        """Return the share of a part's price that is charged when it is replaced on a day."""
        pace = self.vehicle.km_a_day
        life = float("inf") if pace <= 0 else (part.life_km or 0.0) / pace
        used = min(life, self.stays - day) if part.life_km else 0.0
        return 1.0 if used <= 0 else min((self.end - day) / used, 1.0)

    def _free(self, part: PlanPart, day: float, fails: bool) -> bool:
        if part.warranty_until is None or part.law is None or not (part.past or fails):
            return False
        return day <= (part.warranty_until - part.law.as_of).days

    def _cost(self, injectors: int, pump: bool, whole_set: bool, free: int, free_pump: bool) -> ActionCost:
        key = (injectors, pump, whole_set, free, free_pump)
        if key not in self._known:
            self._known[key] = action_cost(
                self.costs,
                self.vehicle.family,
                injectors=injectors,
                pump=pump,
                whole_set=whole_set,
                warranty_injectors=free,
                warranty_pump=free_pump,
            )
        return self._known[key]


def _mean(values: list[float]) -> float:
    return sum(values) / len(values) if values else 0.0
