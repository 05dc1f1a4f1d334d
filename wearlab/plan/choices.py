"""Which parts of a vehicle come out at which visits: the ways that are worth weighing, few enough to weigh them all.

A part that passes its limit within the plan with a small chance only is never replaced for itself, but with the full
set. Of the injectors that may pass, the one more likely to have passed comes out no later than the others, at one or
two visits in all; the pump comes out on its own day or with them. Where some are sure to be past, they come out and the
others are tested.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

#: with more visits than this the injectors of a vehicle come out at one of them
_FEW_VISITS = 4


@dataclass(frozen=True, slots=True)
class Choice:
    """Parts (numbers) replaced at a visit (number), and parts tested from a visit on."""

    replace: tuple[tuple[int, int], ...] = ()
    test: tuple[int, ...] = ()
    tested_from: int = -1


def choices(
    injectors: Sequence[int],
    pump: int | None,
    every_injector: Sequence[int],
    allowed: Sequence[Sequence[int]],
) -> Iterator[Choice]:
    """Return the ways of replacing.

    Parameters
    ----------
    injectors
        Those that may pass their limit, the likeliest first.
    pump
        Its number when it may pass, else None.
    every_injector
        All injectors of the vehicle, for a full set; empty: a full set is no choice.
    allowed
        By part, the visits (rising) at which it can be replaced.
    """
    pump_visits: list[int] = [] if pump is None else list(allowed[pump])
    visits = sorted({visit for part in injectors for visit in allowed[part]})
    most = 2 if len({*visits, *pump_visits}) <= _FEW_VISITS else 1
    seen: set[tuple[tuple[int, int], ...]] = set()
    for times in combinations_with_replacement([*visits, -1], len(injectors)):
        used = {visit for visit in times if visit >= 0}
        own = tuple((part, visit) for part, visit in zip(injectors, times, strict=True) if visit >= 0)
        if len(used) > most or own in seen or any(visit not in allowed[part] for part, visit in own):
            continue
        seen.add(own)
        if own:
            yield Choice(own)
        for visit in pump_visits:
            if pump is not None and (most == 2 or not used or visit in used):
                yield Choice((*own, (pump, visit)))
    if len(every_injector) > len(injectors):
        for visit in sorted(set.intersection(*(set(allowed[part]) for part in every_injector))):
            own = tuple((part, visit) for part in every_injector)
            yield Choice(own)
            if visit in pump_visits and pump is not None:
                yield Choice((*own, (pump, visit)))


def tests(
    sure: Sequence[Sequence[int]], open_: Sequence[Sequence[int]], allowed: Sequence[Sequence[int]]
) -> Iterator[Choice]:
    """Return the ways of testing: at each visit the parts sure to be past it come out, the others are tested from it.

    `sure` and `open_` list parts by visit: those that need no test there, and those that a test would tell of.
    """
    for visit, (known, asked) in enumerate(zip(sure, open_, strict=True)):
        tested = tuple(part for part in asked if visit in allowed[part])
        if not tested:
            continue
        own = tuple((part, visit) for part in known if visit in allowed[part])
        yield Choice((), tested, visit)
        if own:
            yield Choice(own, tested, visit)
