"""A plan and the parts for it as named tables of plain values, from which every file is written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipelines.steps import parts_tables, plan_tables
from pipelines.steps.parts import PartsTold
from pipelines.steps.plan_told import PlanTold
from pipelines.steps.plan_words import no_plan_words
from pipelines.steps.view_table import Table
from wearlab.errors import UnknownName


@dataclass(frozen=True, slots=True)
class PlanView:
    """All tables as of a day; `no_plan` says why there is no plan, nothing where there is one."""

    as_of: date
    no_plan: tuple[str, ...]
    tables: tuple[Table, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the tables in their order."""
        return tuple(table.name for table in self.tables)

    def table(self, name: str) -> Table:
        """Return a table by its name.

        Raises
        ------
        UnknownName
            There is none of that name.
        """
        for table in self.tables:
            if table.name == name:
                return table
        raise UnknownName(f'there is no table "{name}": name one of {", ".join(self.names)}')


def plan_view(plan: PlanTold, parts: PartsTold | None) -> PlanView:
    """Return the tables of a plan and, where they are told, of the parts for it."""
    of_parts: tuple[Table, ...] = ()
    if parts is not None:
        of_parts = (
            parts_tables.to_order(parts, plan.currency),
            parts_tables.by_month(parts),
            parts_tables.used(parts),
        )
    return PlanView(
        as_of=plan.as_of,
        no_plan=no_plan_words(plan),
        tables=(
            plan_tables.lines(plan),
            plan_tables.visits(plan),
            plan_tables.tests(plan),
            *of_parts,
            plan_tables.budgets(plan),
            plan_tables.other_ways(plan),
            plan_tables.road_failures(plan),
            plan_tables.missing_figures(plan, parts),
            plan_tables.not_planned(plan),
            plan_tables.about(plan),
        ),
    )
