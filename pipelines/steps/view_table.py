"""A named table of plain values: what a file of any kind shows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, TypeVar

from wearlab.charts.words import cell
from wearlab.language import _

Item = TypeVar("Item")
Cell = str | int | float | date | None
Form = Literal["text", "sentence", "date", "count", "expected", "money", "km", "percent", "hours", "rate", "level"]

#: digits behind the point that a number of each form carries
DIGITS: dict[Form, int] = {
    "count": 0,
    "expected": 2,
    "money": 2,
    "km": 0,
    "percent": 1,
    "hours": 2,
    "rate": 4,
    "level": 2,
}
_UNITS: dict[Form, str] = {"km": "km", "percent": "%", "hours": "h"}
#: characters of a unit that a user named
_LABEL = 24


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its head, what its cells are, and their unit. Chances are told in percent.

    Head and unit are English, as a file that programs read has them; a unit that has no translation is shown as it is.
    """

    head: str
    form: Form = "text"
    unit: str = ""

    @property
    def title(self) -> str:
        """The head with its unit in English: "distance [km]"."""
        return self._with_unit(self.head, self.unit)

    @property
    def shown(self) -> str:
        """The head with its unit in the spoken language."""
        return self._with_unit(_(self.head), _(self.unit) if self.unit else "")

    def _with_unit(self, head: str, unit: str) -> str:
        told = cell(unit)[:_LABEL].strip() or _UNITS.get(self.form, "")
        return f"{head} [{told}]" if told else head


@dataclass(frozen=True, slots=True)
class Table:
    """One cell a column in every row, None where nothing is known; numbers are rounded as they are shown.

    The name is English. `planned`: it has rows only where there is a plan.
    """

    name: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    planned: bool = False


def table_of(
    name: str,
    items: Iterable[Item],
    columns: Sequence[tuple[Column, Callable[[Item], Cell]]],
    *,
    planned: bool = False,
) -> Table:
    """Return a table with a row an item; each column's function tells its cells."""
    rows = tuple(tuple(_shown(column.form, tell(item)) for column, tell in columns) for item in items)
    return Table(name, tuple(column for column, _ in columns), rows, planned)


def percent(chance: float | None) -> float | None:
    """Return a chance in percent."""
    return None if chance is None else 100.0 * chance


def _shown(form: Form, value: Cell) -> Cell:
    """A number with the digits of its form, a count as a whole number; what is not finite is not known."""
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if not isinstance(value, (int, float)):
        return value
    if not math.isfinite(value):
        return None
    digits = DIGITS.get(form, 2)
    return round(value) if digits == 0 else round(float(value), digits) + 0.0
