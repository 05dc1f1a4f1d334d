"""What a plan tells, as plain values that commands, files and the pack share."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipelines.steps.failure_facts import KindFailures
from wearlab.plan.budgets import BudgetRow
from wearlab.plan.lines import PlanLine
from wearlab.plan.schedule import Infeasible, Schedule
from wearlab.records import NoAnswer


@dataclass(frozen=True, slots=True)
class TestLine:
    """A test worth making: at which visit, of which parts, and what it decides.

    `fails`: the chance that one of them reads past; `saves`: what it saves against the best way without a test, in
    money, or in kilometres past the limit. `planned`: the visit is in the diary; else the vehicle is to be called in.
    """

    __test__ = False

    vehicle: str
    depot: str
    day: date
    planned: bool
    parts: tuple[str, ...]
    fails: float
    saves: float
    last_test: date | None
    retest_by: date | None
    before_warranty_ends: bool


@dataclass(frozen=True, slots=True)
class VisitLine:
    """A vehicle's visit with all that the plan does at it. `cost`, `hours`: expected, None where not known."""

    vehicle: str
    depot: str
    day: date
    planned: bool
    replace: tuple[str, ...]
    test: tuple[str, ...]
    whole_set: bool
    cost: float | None
    hours: float | None


@dataclass(frozen=True, slots=True)
class Rival:
    """Another way to run the same fleet over the plan, counted as the plan is.

    `cost` is all that is counted: work, tests and waiting, None without costs; `spend` is what is paid for work.
    """

    name: str
    objective: float
    waiting_cost: float | None
    km_beyond: float
    spend: float


@dataclass(frozen=True, slots=True)
class PlanTold:
    """A plan. Where none exists `schedule` says why, and `lines`, `visits`, `budgets` and `rivals` are empty.

    `in_money`: objectives are money, else kilometres past the limit. `missing` are settings that are not stated, with
    what they would change; `left_out` vehicles that are not planned, each with its reason.
    """

    as_of: date
    months: int
    currency: str
    in_money: bool
    vehicles: int
    schedule: Schedule | Infeasible | NoAnswer
    lines: tuple[PlanLine, ...]
    visits: tuple[VisitLine, ...]
    tests: tuple[TestLine, ...]
    rivals: tuple[Rival, ...]
    budgets: tuple[BudgetRow, ...]
    failures: tuple[KindFailures, ...]
    missing: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
