"""The rules that a plan keeps to, and their rows over the options of a fleet."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from wearlab.plan.option import Option
from wearlab.plan_settings import PlanRules

Array = NDArray[np.float64]
Name = Literal["bay hours", "budget", "apart", "most chance"]


@dataclass(frozen=True, slots=True)
class Rules:
    """Bay hours a month by depot (a depot without an entry has as many as it needs), money a month, vehicles that must
    not be in the workshop in the same week, and the greatest chance with which a part may leave a visit past its limit.
    """

    bay_hours: dict[str, float] = field(default_factory=dict)
    monthly_budget: float | None = None
    apart: tuple[tuple[str, ...], ...] = ()
    most_chance: float | None = None

    @classmethod
    def of(cls, settings: PlanRules, depots: Iterable[str]) -> Rules:
        """Return the rules that settings state, for the depots of a fleet."""
        hours = settings.bay_hours
        if hours is None:
            by_depot = {}
        else:
            by_depot = hours if isinstance(hours, dict) else dict.fromkeys(sorted(set(depots)), hours)
        return cls(dict(by_depot), settings.monthly_budget, settings.apart, settings.most_chance)

    @property
    def stated(self) -> tuple[Name, ...]:
        """Names of the rules that are stated."""
        told: list[tuple[Name, bool]] = [
            ("bay hours", bool(self.bay_hours)),
            ("budget", self.monthly_budget is not None),
            ("apart", bool(self.apart)),
            ("most chance", self.most_chance is not None),
        ]
        return tuple(name for name, is_stated in told if is_stated)

    def without(self, name: Name) -> Rules:
        """Return the rules less one."""
        if name == "bay hours":
            return replace(self, bay_hours={})
        if name == "budget":
            return replace(self, monthly_budget=None)
        return replace(self, apart=()) if name == "apart" else replace(self, most_chance=None)


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows of one rule over all options: matrix x <= most, (R, N); `places` (R,) says where each binds."""

    name: Name
    matrix: csr_array
    most: Array
    places: tuple[str, ...]


def rows_of(options: Sequence[Option], rules: Rules) -> tuple[Rows, ...]:
    """Return the rows of the stated rules over options (N,), flat over all vehicles; empty rows are left out.

    A place is a depot and a month's number, a month's number, two weeks' vehicles, or a vehicle.
    """
    made = []
    if rules.bay_hours:
        made.append(_bays(options, rules.bay_hours))
    if rules.monthly_budget is not None:
        most = rules.monthly_budget
        made.append(_monthly("budget", options, lambda one: one.spend, {"": most}, lambda one: ""))
    if rules.apart:
        made.append(_apart(options, rules.apart))
    if rules.most_chance is not None:
        made.append(_chances(options, rules.most_chance))
    return tuple(made)


def _bays(options: Sequence[Option], hours: dict[str, float]) -> Rows:
    return _monthly("bay hours", options, lambda one: one.hours, hours, lambda one: one.depot)


def _monthly(
    name: Name,
    options: Sequence[Option],
    amount: Callable[[Option], Array],
    most: dict[str, float],
    key: Callable[[Option], str],
) -> Rows:
    """One row a key and month; options whose key has no figure are free."""
    numbers: dict[tuple[str, int], int] = {}
    at, column, value = [], [], []
    for number, one in enumerate(options):
        if key(one) not in most:
            continue
        own = amount(one)
        for month in np.flatnonzero(own).tolist():
            at.append(numbers.setdefault((key(one), month), len(numbers)))
            column.append(number)
            value.append(float(own[month]))
    bounds = np.array([most[depot] for depot, _ in numbers], dtype=np.float64)
    places = tuple(f"{depot} {month}".strip() for depot, month in numbers)
    return Rows(name, _matrix(value, at, column, len(numbers), len(options)), bounds, places)


def _apart(options: Sequence[Option], groups: tuple[tuple[str, ...], ...]) -> Rows:
    """In every week one vehicle of a group at most."""
    of_vehicle: dict[str, list[int]] = {}
    for number, group in enumerate(groups):
        for vehicle in group:
            of_vehicle.setdefault(vehicle, []).append(number)
    numbers: dict[tuple[int, int], int] = {}
    at, column = [], []
    for number, one in enumerate(options):
        for group_no in of_vehicle.get(one.vehicle, ()):
            for week in sorted(one.weeks):
                at.append(numbers.setdefault((group_no, week), len(numbers)))
                column.append(number)
    places = tuple(f"{', '.join(groups[group_no])} in week {week}" for group_no, week in numbers)
    return Rows(
        "apart", _matrix([1.0] * len(at), at, column, len(numbers), len(options)), np.ones(len(numbers)), places
    )


def _chances(options: Sequence[Option], most: float) -> Rows:
    """One row a vehicle that has an option above the cap."""
    risky = {one.vehicle for one in options if one.most_chance > most}
    numbers = {vehicle: number for number, vehicle in enumerate(sorted(risky))}
    at = [numbers[one.vehicle] for one in options if one.vehicle in numbers]
    column = [number for number, one in enumerate(options) if one.vehicle in numbers]
    value = [options[number].most_chance for number in column]
    matrix = _matrix(value, at, column, len(numbers), len(options))
    return Rows("most chance", matrix, np.full(len(numbers), most), tuple(numbers))


def _matrix(value: list[float], row: list[int], column: list[int], rows: int, columns: int) -> csr_array:
    return csr_array((value, (row, column)), shape=(rows, columns), dtype=np.float64)
