"""Run rules on a series, and what each of them costs in false signals.

Every rule finds real changes sooner and signals more often without one. All of the usual four together signal every 92
readings in control where the limits alone do every 370 (Champ & Woodall 1987), so that whoever switches rules on should
see the price first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from wearlab.control.chart import Array, Places, series
from wearlab.control.rule_chain import rules_run_length, sequence_run_length
from wearlab.control.rules import Rule, beyond
from wearlab.errors import InputError


@dataclass(frozen=True, slots=True)
class RuleSignals:
    """Where a rule holds: indices of the reading that completes the pattern."""

    rule: Rule
    signals: Places


@dataclass(frozen=True, slots=True)
class RuleCost:
    """What a rule adds to the limits, in control.

    `mean` is the average run length of the limits with this rule, `added` what it adds to the chance of a false signal
    in one series. For a sequence rule both are of the rule alone: `added` is then at most that much.
    """

    rule: Rule
    mean: float
    added: float


@dataclass(frozen=True, slots=True)
class Cost:
    """Chances of a false signal in one series: `limits` alone, with all rules (`everything`), one by one in `rules`.

    Averaged over series of the lengths asked for; times the number of series it is the number that signal.
    `mean_limits` and `mean_all` are average run lengths. `exact` is False where sequence rules are among them: then
    `everything` is an upper bound (their chances added up) and `mean_all` about right (their rates added up).
    """

    limits: float
    everything: float
    mean_limits: float
    mean_all: float
    exact: bool
    rules: tuple[RuleCost, ...]


def run_rules(values: ArrayLike, rules: Sequence[Rule], *, mean: float, sd: float) -> tuple[RuleSignals, ...]:
    """Find the patterns in a series (n,).

    Missing readings (NaN) are passed over: the readings beside one count as neighbours. A reading at the mean or at the
    border of a zone is not past it, and equal readings neither rise nor fall.
    """
    if not (np.isfinite(mean) and np.isfinite(sd) and sd > 0):
        raise InputError("run rules need a finite mean and an sd above 0")
    x = series(values)
    places = np.flatnonzero(~np.isnan(x))
    z = (x[places] - mean) / sd
    return tuple(RuleSignals(rule, places[np.flatnonzero(_holds(z, rule))]) for rule in rules)


def cost(rules: Sequence[Rule], readings: ArrayLike, *, width: float = 3.0) -> Cost:
    """Tell what rules cost beside limits at `width` sd, in series of so many readings each, one number or (k,)."""
    if not np.size(readings):
        raise InputError("the cost of run rules needs the number of readings of a series")
    limits = rules_run_length((beyond(width),))
    plain = limits.mean_of(readings)
    told = []
    for rule in rules:
        law = sequence_run_length(rule) if rule.in_sequence else rules_run_length((beyond(width), rule))
        chance = law.mean_of(readings)
        told.append(RuleCost(rule, law.mean, chance if rule.in_sequence else chance - plain))
    zones = [rule for rule in rules if not rule.in_sequence]
    together = rules_run_length((beyond(width), *zones))
    others = [each for each in told if each.rule.in_sequence]
    return Cost(
        limits=plain,
        everything=min(1.0, together.mean_of(readings) + sum(each.added for each in others)),
        mean_limits=limits.mean,
        mean_all=1 / (1 / together.mean + sum(1 / each.mean for each in others)),
        exact=not others,
        rules=tuple(told),
    )


def _holds(z: Array, rule: Rule) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    if rule.kind == "trend":
        moves = np.sign(np.diff(z))
        return _counted(moves > 0, rule.window - 1, rule.window - 1, z.size) | _counted(
            moves < 0, rule.window - 1, rule.window - 1, z.size
        )
    if rule.kind == "alternating":
        moves = np.sign(np.diff(z))
        return _counted(moves[1:] * moves[:-1] < 0, rule.window - 2, rule.window - 2, z.size)
    if rule.kind == "inside":
        return _counted(np.abs(z) <= rule.zone, rule.count, rule.window, z.size)
    if rule.kind == "outside":
        return _counted(np.abs(z) > rule.zone, rule.count, rule.window, z.size)
    # the reading that completes the pattern is itself past the zone
    up, down = z > rule.zone, z < -rule.zone
    return (_counted(up, rule.count, rule.window, z.size) & up) | (
        _counted(down, rule.count, rule.window, z.size) & down
    )


def _counted(
    hits: np.ndarray[tuple[int], np.dtype[np.bool_]], count: int, window: int, size: int
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return, for each of `size` readings, whether `count` of the last `window` hits are true; hits end at the last."""
    total = np.concatenate([[0], np.cumsum(hits)])
    recent = total[1:] - total[np.maximum(np.arange(1, hits.size + 1) - window, 0)]
    holds = np.zeros(size, dtype=np.bool_)
    holds[size - hits.size :] = recent >= count
    return holds
