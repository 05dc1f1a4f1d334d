"""What a plan is made from: vehicles with their visits and parts, and the time it looks ahead."""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import date
from typing import Literal

from wearlab.errors import InputError
from wearlab.plan.crossing_law import CrossingLaw
from wearlab.plan.road_failures import FailureRate

Kind = Literal["injector", "pump"]


@dataclass(frozen=True, slots=True)
class Visit:
    """A day on which a vehicle can be worked on; `extra_cost` is what coming in on it costs beside the work."""

    day: date
    planned: bool = True
    extra_cost: float = 0.0


@dataclass(frozen=True, slots=True)
class PlanPart:
    """A part on a vehicle and what its forecast says.

    `law` None: nothing is told, the part is neither replaced for itself nor tested. `past`: its last test reads past
    the limit. `next_reading_past` is the chance that a test on `reading_day` would; `agreement` the correlation of
    level and reading where that chance does not tell it. `life_km` is the distance that a new part is expected to
    last, `lead_days` how long it takes to come. `failure_rate` counts road failures past the limit only, above the
    background; `failure_cost` is what one of them costs.
    """

    position: str
    kind: Kind
    law: CrossingLaw | None
    past: bool = False
    next_reading_past: float | None = None
    reading_day: date | None = None
    agreement: float | None = None
    warranty_until: date | None = None
    life_km: float | None = None
    lead_days: int = 0
    failure_rate: FailureRate | None = None
    failure_cost: float | None = None


@dataclass(frozen=True, slots=True)
class PlanVehicle:
    """A vehicle with its parts and the visits at which they can be worked on; `km_a_day` is its pace ahead."""

    name: str
    family: str
    depot: str
    km_a_day: float
    parts: tuple[PlanPart, ...]
    visits: tuple[Visit, ...]
    leaves_on: date | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """The time a plan looks ahead, and the chances it counts with (those of `config.Horizons`).

    Months run from the day of `as_of` to the day before the same day of the next month. A part that passes its limit
    within the plan with less than `watch_chance` is left alone; one that is past it with `past_chance` needs no test.
    `book_chance` is the chance of being past the limit from which on replacing is better than waiting, where there are
    no costs to tell.
    """

    as_of: date
    months: int
    book_chance: float = 0.5
    watch_chance: float = 0.1
    past_chance: float = 0.95

    def __post_init__(self) -> None:
        if self.months < 1:
            raise InputError("a plan looks at least one month ahead")

    def start(self, month: int) -> date:
        """Return the first day of a month of the plan, counted from 0; that of the month after the last ends it."""
        years, turn = divmod(self.as_of.month - 1 + month, 12)
        year = self.as_of.year + years
        return date(year, turn + 1, min(self.as_of.day, calendar.monthrange(year, turn + 1)[1]))

    @property
    def last(self) -> int:
        """Days from `as_of` to the end of the plan."""
        return (self.start(self.months) - self.as_of).days

    def month_of(self, day: date) -> int | None:
        """Return the month of the plan that a day lies in, None outside."""
        at = next((month for month in range(self.months) if day < self.start(month + 1)), None)
        return None if day < self.as_of else at


def week_of(day: date) -> int:
    """Return the number of the week from Monday to Sunday that a day lies in."""
    return (day.toordinal() - 1) // 7
