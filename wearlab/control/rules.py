"""Run rules: patterns in the last few readings that a chart of single readings may be asked to signal on.

Zone rules ask how many of the last m readings fall in a zone of the chart, in sd from the mean. Sequence rules ask for
steadily rising or falling, or for alternating readings. They are the tests that standards and handbooks list in several
wordings (ISO 7870-2 gives four as examples), so that counts and zones are the user's to state. None is on by default.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, factorial
from typing import Literal

from scipy.special import ndtr

from wearlab.errors import InputError

Kind = Literal["beyond", "inside", "outside", "trend", "alternating"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One pattern: `count` of the last `window` readings are in the zone at `zone` sd.

    `beyond`: past the zone on one and the same side of the mean; `outside`: past it on either side; `inside`: not past
    it. `trend` and `alternating`: `window` readings that rise or fall throughout, or go up and down in turn.
    """

    name: str
    kind: Kind
    count: int
    window: int
    zone: float = 0.0

    @property
    def in_sequence(self) -> bool:
        """Whether the rule asks for the order of readings, not for zones."""
        return self.kind in ("trend", "alternating")


def beyond(zone: float) -> Rule:
    """Return the rule of one reading past `zone` sd: the limits of the chart itself."""
    return _rule(f"1 beyond {zone:g} sd", "beyond", 1, 1, zone)


def of_last(count: int, window: int, zone: float) -> Rule:
    """Return the rule of `count` of the last `window` readings past `zone` sd on one side."""
    return _rule(f"{count} of {window} beyond {zone:g} sd on one side", "beyond", count, window, zone)


def run(length: int) -> Rule:
    """Return the rule of so many readings in a row on one side of the mean."""
    return _rule(f"{length} in a row on one side", "beyond", length, length, 0.0)


def inside(length: int, zone: float = 1.0) -> Rule:
    """Return the rule of so many readings in a row within `zone` sd of the mean: too quiet to be true."""
    return _rule(f"{length} in a row within {zone:g} sd", "inside", length, length, zone)


def outside(length: int, zone: float = 1.0) -> Rule:
    """Return the rule of so many readings in a row past `zone` sd on either side."""
    return _rule(f"{length} in a row past {zone:g} sd on either side", "outside", length, length, zone)


def trend(points: int) -> Rule:
    """Return the rule of so many readings that rise, or fall, throughout. Raw readings of wear always do."""
    return _rule(f"{points} rising or falling", "trend", points, points)


def alternating(points: int) -> Rule:
    """Return the rule of so many readings that go up and down in turn."""
    return _rule(f"{points} alternating", "alternating", points, points)


def window_chance(rule: Rule) -> float:
    """Return the chance, in control, that one window of readings shows the pattern.

    For `k of m` on one side the window counts where at least k of its m readings are past the zone on the same side.
    """
    k, m = rule.count, rule.window
    if rule.kind == "trend":
        return 2 / factorial(m)
    if rule.kind == "alternating":
        return 2 * _zigzag(m) / factorial(m)
    out = float(ndtr(-rule.zone))
    if rule.kind == "inside":
        return _at_least(k, m, 1 - 2 * out)
    if rule.kind == "outside":
        return _at_least(k, m, 2 * out)
    one_side = _at_least(k, m, out)
    if 2 * k > m:
        return 2 * one_side
    both = sum(
        factorial(m)
        / (factorial(i) * factorial(j) * factorial(m - i - j))
        * out ** (i + j)
        * (1 - 2 * out) ** (m - i - j)
        for i in range(k, m + 1)
        for j in range(k, m - i + 1)
    )
    return 2 * one_side - both


def _at_least(k: int, m: int, chance: float) -> float:
    return sum(comb(m, i) * chance**i * (1 - chance) ** (m - i) for i in range(k, m + 1))


def _zigzag(m: int) -> int:
    """Return how many orders of m values begin with a rise and alternate (Seidel's triangle of sums)."""
    row = [1]
    for _ in range(m - 1):
        sums = [0]
        for value in reversed(row):
            sums.append(sums[-1] + value)
        row = sums
    return sum(row) if m > 1 else 1


def _rule(name: str, kind: Kind, count: int, window: int, zone: float = 0.0) -> Rule:
    shortest = 3 if kind in ("trend", "alternating") else 1
    if not (shortest <= count <= window <= 30 and 0 <= zone < 10):
        raise InputError(f"no rule asks for {name}")
    if kind in ("inside", "outside") and zone == 0:
        raise InputError("a zone on both sides of the mean has to be wider than 0")
    return Rule(name, kind, count, window, zone)
