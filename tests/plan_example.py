"""A plan and its parts put together by hand: two vehicles, three visits, one of them not in the diary."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from pipelines.steps.failure_facts import KindFailures
from pipelines.steps.parts import NumberAhead, PartsTold, Quantities
from pipelines.steps.parts_asked import AskedUsed
from pipelines.steps.plan_told import PlanTold, Rival, TestLine, VisitLine
from pipelines.steps.stock_count import Stock
from wearlab.plan.budgets import BudgetRow
from wearlab.plan.crossing_law import Spread
from wearlab.plan.lines import PlanLine
from wearlab.plan.option import Job, Option
from wearlab.plan.road_failures import FailureRate, Foretold, UsedRates
from wearlab.plan.schedule import Schedule
from wearlab.plan.stock_order import Order

AS_OF = date(2026, 10, 31)
FIRST, SECOND, NEXT = date(2026, 11, 12), date(2026, 12, 3), date(2027, 5, 20)


def line(**other: Any) -> PlanLine:
    """An injector that comes out at the first visit, with every figure known."""
    told: dict[str, Any] = {
        "vehicle": "V12", "position": "3", "kind": "replace", "day": FIRST, "why_part": "past by then",
        "why_now": "costs least", "cost": 812.5, "next_visit": NEXT, "until": NEXT, "past_then": 0.61,
        "before_next": 0.3, "by_next": 0.91, "cross_low": date(2026, 8, 2), "cross_high": date(2027, 7, 9),
        "km_if_left": Spread(5230.0, 0.0, 9120.0), "cost_if_left": Spread(214.4, 61.0, 530.0), "drawn_on": False,
    }  # fmt: skip
    return PlanLine(**{**told, **other})


def visit(**other: Any) -> VisitLine:
    """The first visit: an injector out, the pump tested."""
    told: dict[str, Any] = {
        "vehicle": "V12", "depot": "North", "day": FIRST, "planned": True, "replace": ("3",), "test": ("pump",),
        "whole_set": False, "cost": 861.25, "hours": 2.25,
    }  # fmt: skip
    return VisitLine(**{**told, **other})


def schedule() -> Schedule:
    """The choice behind the example."""
    job = Job(FIRST, ("3",), ("pump",), False, 861.25, 2.25)
    months = np.array([861.25, 0.0, 0.0, 0.0, 0.0, 0.0])
    option = Option("V12", "North", (job,), 1210.5, 240.0, 3100.0, months / 100, months, frozenset({1}), 0.2)
    return Schedule((option,), 1210.5, 1209.9, 0.0005, True, 0.1, (True,))


def example(**other: Any) -> PlanTold:
    """The plan; keywords replace its fields."""
    entered = FailureRate(0.25, 0.25, 0.25)
    told = PlanTold(
        as_of=AS_OF,
        months=6,
        currency="crowns",
        in_money=True,
        vehicles=3,
        schedule=schedule(),
        lines=(
            line(vehicle="V07", position="2", day=SECOND, why_part="past limit", why_now="first it can be there"),
            line(),
            line(position="pump", kind="test", why_part="a test decides", cost=48.75, past_then=0.2, by_next=0.45),
        ),
        visits=(
            visit(vehicle="V07", depot="Lake", day=SECOND, planned=False, replace=("2",), test=(), cost=None),
            visit(),
        ),
        tests=(TestLine("V12", "North", FIRST, True, ("pump",), 0.31, 77.0, date(2026, 5, 6), None, True),),
        rivals=(Rival("run to failure", 2900.0, 2900.0, 41_000.0, 0.0),),
        budgets=(
            BudgetRow(500.0),
            BudgetRow(6000.0, 1210.5, 240.0, 3100.0, 861.25, 861.25, None, None, 0.0005),
            BudgetRow(None, 1100.0, 100.0, 900.0, 1900.0, 1000.0, 140.0, 2200.0, 0.0),
        ),
        failures=(
            KindFailures(
                "van", "injector", UsedRates(entered, "entered", None, "missing"), None, 1055.0, (),
                Foretold(4, 2, 1, 1), 812_000.0, 31_000.0,
            ),
        ),
        missing=('failures."van".pump.per_10000_km_beyond: no cost of waiting for pumps',),
        left_out=(("V03", "it leaves before its next visit"),),
    )  # fmt: skip
    return replace(told, **other)


def parts_example() -> PartsTold:
    """Two kinds of part: one to order, one without a number."""
    one = NumberAhead(
        name="IV-20", number="IV-20", part="injector", families=("van",), seated=8, untold=1,
        months=(Quantities(0.42, 0, 1, 2), Quantities(0.2, 0, 1, 1)), whole=Quantities(0.62, 1, 2, 2),
        stock=Stock(date(2026, 10, 20), 1, 0, ((2, date(2026, 11, 30)),)), lead_days=10, pack=2, price=290.0,
        service=0.95, covered_until=date(2026, 12, 11), order=Order(5, 3, 2, 0.81, 0.97, 0.02), no_order="",
    )  # fmt: skip
    none = replace(
        one, name="van, pump, no number", number=None, part="pump", stock=None, lead_days=None, covered_until=None,
        order=None, no_order="no part number is known", price=None,
    )  # fmt: skip
    return PartsTold(
        as_of=AS_OF,
        ends=(date(2026, 11, 30), date(2026, 12, 31)),
        past_ends=(date(2026, 10, 31),),
        planned=True,
        numbers=(one, none),
        asked=(AskedUsed("IV-20", "IV-20", date(2026, 10, 31), None, None, None, 3),),
        missing=("IV-20: of 8 parts 1 without a forecast count as none",),
    )
