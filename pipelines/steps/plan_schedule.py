"""What a plan replaces, as demand for parts takes it: by place, the days and the chance of each."""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from pipelines.steps.part_seats import Place
from pipelines.steps.plan_told import PlanTold
from wearlab.plan.demand import Planned
from wearlab.plan.schedule import Schedule


def scheduled(plan: PlanTold) -> dict[Place, Planned] | None:
    """The parts that a plan takes out for sure, by vehicle and position; None where there is no plan.

    What it tests and replaces only where the test fails is left to the forecasts.
    """
    if not isinstance(plan.schedule, Schedule):
        return None
    days: dict[Place, list[date]] = defaultdict(list)
    for visit in plan.visits:
        for position in visit.replace:
            days[visit.vehicle, position].append(visit.day)
    return {place: Planned((min(own),), (1.0,)) for place, own in days.items()}
