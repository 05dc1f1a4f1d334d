"""What other budgets would buy: the plan made again under each, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from wearlab.plan.option import Option
from wearlab.plan.rules import Rules
from wearlab.plan.schedule import Schedule, schedule


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """The plan under one monthly budget (None: as much as it takes), sums over the plan; None where no plan exists.

    `avoided_cost` and `avoided_km` are what it avoids of the cost of waiting and the kilometres past the limit against
    the row before. `most_spent` is the dearest month. `gap` as in `Schedule`.
    """

    budget: float | None
    objective: float | None = None
    waiting_cost: float | None = None
    km_beyond: float | None = None
    spend: float | None = None
    most_spent: float | None = None
    avoided_cost: float | None = None
    avoided_km: float | None = None
    gap: float | None = None


def budget_table(
    options: Sequence[Sequence[Option]],
    rules: Rules,
    budgets: Sequence[float | None],
    *,
    seconds: float = 30.0,
    gap: float = 1e-3,
) -> tuple[BudgetRow, ...]:
    """Return one row a monthly budget, in the order given, each within `seconds`."""
    made: list[BudgetRow] = []
    for budget in budgets:
        plan = schedule(options, replace(rules, monthly_budget=budget), seconds=seconds, gap=gap)
        before = made[-1] if made else BudgetRow(None)
        made.append(_row(budget, plan, before) if isinstance(plan, Schedule) else BudgetRow(budget))
    return tuple(made)


def _row(budget: float | None, plan: Schedule, before: BudgetRow) -> BudgetRow:
    waits = [one.waiting_cost for one in plan.chosen]
    cost = None if any(one is None for one in waits) else sum(one for one in waits if one is not None)
    km = sum(one.km_beyond for one in plan.chosen)
    months = sum((one.spend for one in plan.chosen[1:]), plan.chosen[0].spend) if plan.chosen else None
    return BudgetRow(
        budget=budget,
        objective=plan.objective,
        waiting_cost=cost,
        km_beyond=km,
        spend=0.0 if months is None else float(months.sum()),
        most_spent=0.0 if months is None else float(months.max()),
        avoided_cost=None if cost is None or before.waiting_cost is None else before.waiting_cost - cost,
        avoided_km=None if before.km_beyond is None else before.km_beyond - km,
        gap=plan.gap,
    )
