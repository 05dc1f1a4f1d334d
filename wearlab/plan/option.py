"""One way of dealing with a vehicle over the plan: which parts come out or are tested at which visits."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: more ways than this for one vehicle are not handed to the search: those with the lowest objective stay
MOST_OPTIONS = 24
_SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Job:
    """Work at one visit. After a test, `cost` and `hours` count what it is expected to lead to."""

    day: date
    replace: tuple[str, ...]
    test: tuple[str, ...]
    whole_set: bool
    cost: float | None
    hours: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Option:
    """A way of dealing with a vehicle, and what is expected of it within the plan.

    `objective` is what the search makes least, in money or km. `waiting_cost` is the expected cost of road failures
    past the limit, None without costs; `km_beyond` the expected kilometres past the limit, added over the parts that
    have a forecast. `hours` and `spend` (M,) by month of the plan; `weeks` those in which the plan has the vehicle
    worked on. `most_chance` is the greatest chance with which a part leaves a planned visit past its limit, of the
    visits by which its part can be there. `missing` names figures that count as nothing here;
    `failing` is, by position, the chance that a part reads past the limit at the first test of this way.
    """

    vehicle: str
    depot: str
    jobs: tuple[Job, ...]
    objective: float
    waiting_cost: float | None
    km_beyond: float
    hours: Array
    spend: Array
    weeks: frozenset[int]
    most_chance: float
    missing: tuple[str, ...] = ()
    failing: dict[str, float] = field(default_factory=dict)

    @property
    def nothing(self) -> bool:
        """Whether the vehicle is left alone."""
        return not self.jobs


def worth_keeping(options: list[Option], most: int = MOST_OPTIONS) -> tuple[Option, ...]:
    """Return the options that no other one beats in every respect, the first one always among them and first.

    An option is beaten by one that costs no more in the objective, in any month's hours and money, in chance and in
    weeks. Of more than `most` the lowest objectives stay, and the one with the lowest chance.
    """
    first = options[0]
    ranked = sorted(options, key=lambda one: (one.objective, float(one.spend.sum()), len(one.weeks)))
    kept: list[Option] = []
    figures: list[Array] = []
    for one in ranked:
        own = np.concatenate([one.hours, one.spend, [one.most_chance]])
        beaten = any(
            other.weeks <= one.weeks and bool((its <= own + _SAME).all())
            for other, its in zip(kept, figures, strict=True)
        )
        if not beaten or one is first:
            kept.append(one)
            figures.append(own)
    others = [one for one in kept if one is not first]
    if len(others) > most - 1:
        safest = min(others, key=lambda one: (one.most_chance, one.objective))
        others = others[: most - 1]
        if safest not in others:
            others[-1] = safest
    return (first, *others)
