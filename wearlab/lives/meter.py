"""One vehicle's odometer readings explained: which belong to one meter, and which cannot be believed.

The explanation of least cost is found by going through the readings once, each looking back over a few
before it: a reading left out costs 1, an unrecorded meter change 2.5, an unlikely pace 0.3, a leap 1.2.
More than five wild readings in a row cost more than two meter changes, so no reading has to look back
further than that.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, isnan, nan

import numpy as np
from numpy.typing import NDArray

from wearlab.lives.history import MOST_KM_A_DAY

#: (day, last value of the old meter, first value of the new one)
Change = tuple[int, float | None, float | None]

_CHANGE_COST = 2.5
_PACE_COST = 0.3
_JUMP_COST = 1.2
_LOOK_BACK = 6
#: a pace this many times the vehicle's usual one is unlikely, not impossible
_UNLIKELY = 5.0
#: and this many times, with 20,000 km on top, less believable than one mistyped value
_JUMP = 10.0
#: codes typed for "unknown"; vehicles do not reach them
_ALL_NINES = (999_999.0, 9_999_999.0, 99_999_999.0)


@dataclass(frozen=True, slots=True)
class Reading:
    """An odometer value; `index` is its place in the input, -1 for what meter change `change` stated."""

    day: int
    km: float
    index: int
    change: int = -1


@dataclass(frozen=True, slots=True)
class Span:
    """Readings of one meter: `kept` are believed, `given` are all; `recorded` says how it began."""

    kept: tuple[Reading, ...]
    given: tuple[Reading, ...]
    recorded: bool

    def left_out(self) -> Iterator[tuple[Reading, Reading | None, Reading | None]]:
        """Yield every reading left out with the kept ones before and after it."""
        before: Reading | None = None
        at = 0
        for reading in self.given:
            if at < len(self.kept) and reading is self.kept[at]:
                before, at = reading, at + 1
            else:
                yield reading, before, self.kept[at] if at < len(self.kept) else None


def explain(readings: Sequence[Reading], changes: Sequence[Change]) -> list[Span]:
    """Return the spans of single meters in order of time; every reading is given in exactly one of them."""
    ordered = sorted(readings, key=lambda r: (r.day, r.km, r.index))
    spans: list[Span] = []
    for number, block in enumerate(_blocks(ordered, sorted(changes, key=lambda c: c[0]))):
        for k, span in enumerate(_explain_block(block)):
            spans.append(Span(span[0], span[1], number > 0 and k == 0))
    return spans


def fault(reading: Reading, before: Reading | None, after: Reading | None, usual: float) -> tuple[str, float]:
    """Return why a reading was left out, and the value that a slipped digit would have been (else NaN).

    A slipped digit is named where the value without it lies between the readings `before` and `after`, or,
    at an end of the series, where the vehicle's `usual` pace (km a day, NaN if unknown) leads.
    """
    if reading.km == 0:
        return "sentinel", nan
    for factor in (0.1, 10.0):
        moved = Reading(reading.day, reading.km * factor, reading.index)
        if before is not None and after is not None:
            fits = feasible(before, moved) and feasible(moved, after)
        else:
            first, second = before or moved, after or moved
            due = usual * (second.day - first.day + 1)
            fits = first is not second and feasible(first, second) and second.km - first.km <= 3 * due + 1000
        if fits:
            return "tenfold", moved.km
    if before is not None and reading.km < before.km:
        return "rollback", nan
    return "too high", nan


def feasible(first: Reading, second: Reading) -> bool:
    """Whether one meter can have shown both: not running back, beyond rounding, nor too fast to drive."""
    gone = second.km - first.km
    rounding = max(_rounding(first.km), _rounding(second.km))
    return -rounding <= gone <= MOST_KM_A_DAY * (second.day - first.day + 1)


def is_sentinel(days: NDArray[np.int64], shown: NDArray[np.float64], changes: Sequence[Change]) -> NDArray[np.bool_]:
    """Return which readings are codes: all nines, and a zero after the vehicle had gone some way.

    A zero is a value when no earlier reading was more, or when a recorded meter change lies between.
    """
    found = np.isin(shown, _ALL_NINES)
    gone = np.flatnonzero((shown > 0) & ~found)
    for k in np.flatnonzero(shown == 0):
        earlier = gone[days[gone] < days[k]]
        if earlier.size:
            last = int(days[earlier].max())
            found[k] = not any(last <= change[0] <= days[k] for change in changes)
    return found


def _rounding(km: float) -> float:
    """Return how far a value may have been rounded, by its closing zeros."""
    for step in (1000.0, 100.0, 10.0):
        if km >= 10 * step and km % step == 0:
            return step
    return 1.0


def _blocks(ordered: Sequence[Reading], changes: Sequence[Change]) -> Iterator[list[Reading]]:
    """Yield the readings between recorded changes, with what the changes stated at their ends."""
    block: list[Reading] = []
    at = 0
    for number, (day, before, after) in enumerate(changes):
        while at < len(ordered) and ordered[at].day < day:
            block.append(ordered[at])
            at += 1
        old = before if before is not None else (block[-1].km if block else inf)
        beyond = [r.km for r in ordered[at:] if r.day > day]
        new = after if after is not None else (beyond[0] if beyond else 0.0)
        rest: list[Reading] = []
        while at < len(ordered) and ordered[at].day == day:
            mine = abs(ordered[at].km - old) <= abs(ordered[at].km - new)
            (block if mine else rest).append(ordered[at])
            at += 1
        if before is not None:
            block.append(Reading(day, before, -1, number))
        yield block
        block = [Reading(day, after, -1, number)] if after is not None else []
        block += rest
    yield block + list(ordered[at:])


def _explain_block(block: list[Reading]) -> Iterator[tuple[tuple[Reading, ...], tuple[Reading, ...]]]:
    if not block:
        return
    usual = _usual_pace(block)
    if all(_step_cost(first, second, usual) == 0 for first, second in pairwise(block)):
        # nothing to explain away: leaving a reading out would only cost
        yield tuple(block), tuple(block)
        return
    cost, came = [0.0] * len(block), [-1] * len(block)
    for j, reading in enumerate(block):
        cost[j] = float(j)
        for i in range(max(0, j - 1 - _LOOK_BACK), j):
            total = cost[i] + (j - i - 1) + _step_cost(block[i], reading, usual)
            if total < cost[j]:
                cost[j], came[j] = total, i
    at = min(range(len(block)), key=lambda j: (cost[j] + len(block) - 1 - j, j))
    chain = [at]
    while came[at] >= 0:
        at = came[at]
        chain.append(at)
    chain.reverse()
    starts = [0]
    for k in range(1, len(chain)):
        if not feasible(block[chain[k - 1]], block[chain[k]]):
            starts.append(k)
    for s, start in enumerate(starts):
        stop = starts[s + 1] if s + 1 < len(starts) else len(chain)
        first = chain[start] if s else 0
        end = chain[stop] if stop < len(chain) else len(block)
        yield tuple(block[i] for i in chain[start:stop]), tuple(block[first:end])


def _step_cost(first: Reading, second: Reading, usual: float) -> float:
    if not feasible(first, second):
        return _CHANGE_COST
    gone, due = second.km - first.km, usual * (second.day - first.day + 1)
    if isnan(due) or gone <= _UNLIKELY * due + 1000:
        return 0.0
    return _JUMP_COST if gone > _JUMP * due + 20_000 else _PACE_COST


def _usual_pace(block: Sequence[Reading]) -> float:
    """Return the median pace, km a day, of neighbours that can be told apart; NaN when there is none."""
    paces = [(b.km - a.km) / (b.day - a.day) for a, b in pairwise(block) if b.day > a.day and feasible(a, b)]
    return float(np.median(paces)) if paces else nan
