"""Run lengths of the plain charts, and the limits that give a wanted chance of a signal.

All take mean and sd as known and count readings, a missing one not at all. A shift is in sd of a reading and present
from the first one on. What a fleet feels is not the average run length but the chance of a false signal within the
visits its series really have (`chance_within`, `mean_of`), and that is what limits are found for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import ceil, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import gammaln, ive, ndtr

from wearlab.control.chain import HORIZON, Array, RunLength, joined, nodes, run_length
from wearlab.control.cusum import check_cusum
from wearlab.control.ewma import check_weight
from wearlab.control.rule_chain import rules_run_length
from wearlab.control.rules import Rule, beyond
from wearlab.errors import InputError

#: Limits that still open are followed until they are this close to their final width (share of the variance).
_OPENED = 1e-8


def individuals_run_length(
    *, width: float = 3.0, shift: float = 0.0, rules: Iterable[Rule] = (), horizon: int = HORIZON
) -> RunLength:
    """Return the run length of single readings with limits at `width` sd, with any run rules besides.

    Markov chain of Champ & Woodall, Technometrics 29 (1987) 393-399.
    """
    return rules_run_length((beyond(width), *rules), shift=shift, horizon=horizon)


def ewma_run_length(
    *, weight: float, width: float, shift: float = 0.0, start: float = 0.0, steady: bool = False, horizon: int = HORIZON
) -> RunLength:
    """Return the run length of an EWMA chart, limits opening reading by reading or, `steady`, wide from the first on.

    `start` is where the average starts, in sd of a reading from the mean. Integral equation as in Crowder,
    Technometrics 29 (1987) 401-407.
    """
    return _ewma(weight, width, shift, start, steady, horizon, brief=False)


def _ewma(
    weight: float, width: float, shift: float, start: float, steady: bool, horizon: int, *, brief: bool
) -> RunLength:
    check_weight(weight)
    _positive(width, "the width of control limits")
    keep = 1 - weight

    def kernel(before: Array, after: Array) -> Array:
        gap = (after[None, :] - keep * before[:, None]) / weight - shift
        return np.exp(-0.5 * gap**2) / (sqrt(2 * np.pi) * weight)

    def reach(t: int) -> float:
        return width * sqrt(weight / (2 - weight) * (1 - keep ** (2 * t) if t else 1.0))

    count = 40 + ceil(6 * reach(0) / weight)
    return _opening(kernel, reach, lambda c: nodes(-c, c, count), start, keep, steady, horizon, brief)


def mewma_run_length(
    *, positions: int, weight: float, limit: float, steady: bool = False, horizon: int = HORIZON
) -> RunLength:
    """Return the run length in control of a MEWMA chart of whole sets.

    In control only the length r of the average matters: (r / weight)^2 is non-central chi-square, its non-centrality
    ((1 - weight) r_before / weight)^2 (Rigdon, J. Statistical Computation and Simulation 52 (1995) 351-365).
    """
    return _mewma(positions, weight, limit, steady, horizon, brief=False)


def _mewma(positions: int, weight: float, limit: float, steady: bool, horizon: int, *, brief: bool) -> RunLength:
    check_weight(weight)
    _positive(limit, "the limit of T-squared")
    if positions < 1:
        raise InputError("a set has at least one position")
    keep = 1 - weight

    def kernel(before: Array, after: Array) -> Array:
        return _length_density(after[None, :] / weight, keep * before[:, None] / weight, positions) / weight

    def reach(t: int) -> float:
        return sqrt(limit * weight / (2 - weight) * (1 - keep ** (2 * t) if t else 1.0))

    count = 32 + ceil(3 * reach(0) / weight)
    return _opening(kernel, reach, lambda c: nodes(0.0, c, count), 0.0, keep, steady, horizon, brief)


def cusum_run_length(
    *,
    reference: float,
    decision: float,
    shift: float = 0.0,
    head_start: float = 0.0,
    two_sided: bool = True,
    horizon: int = HORIZON,
) -> RunLength:
    """Return the run length of a CUSUM chart, of its upward side alone where not `two_sided`.

    Two sides never stand above 0 when one of them signals, so that their laws join exactly; that holds for a head start
    up to h/2 + k. Mean as in Lucas & Crosier, Technometrics 24 (1982) 199-205.
    """
    check_cusum(reference, decision, head_start)
    up = _one_side(reference, decision, shift, head_start, horizon)
    if not two_sided:
        return up
    if head_start > decision / 2 + reference:
        raise InputError("the run length of two sides needs a head start of at most h/2 + k")
    down = _one_side(reference, decision, -shift, head_start, horizon)
    up_0, down_0 = up, down
    if head_start:
        up_0 = _one_side(reference, decision, shift, 0.0, horizon)
        down_0 = _one_side(reference, decision, -shift, 0.0, horizon)
    return joined(up, down, up_0, down_0)


def limit_for(
    law: Callable[[float], RunLength],
    low: float,
    high: float,
    *,
    mean: float | None = None,
    chance: float | None = None,
    readings: ArrayLike = (),
) -> float:
    """Return the limit between low and high at which a chart has a wanted run length.

    Parameters
    ----------
    law
        Run length by limit, longer for wider limits.
    mean
        Wanted average run length.
    chance, readings
        Wanted chance of a signal, averaged over series with so many readings each, shape (k,) or one number.

    Raises
    ------
    InputError
        Neither or both are asked for, or no limit between low and high gives it.
    """
    if (mean is None) == (chance is None):
        raise InputError("a limit is found either for a mean run length or for a chance within so many readings")
    if chance is not None and (not 0 < chance < 1 or not np.size(readings)):
        raise InputError("a chance lies between 0 and 1 and needs the number of readings it is meant for")

    def gap(limit: float) -> float:
        found = law(limit)
        if mean is not None:
            return float(np.log(found.mean / mean))
        return float(np.log(chance or 1.0) - np.log(max(found.mean_of(readings), 1e-300)))

    if gap(low) > 0 or gap(high) < 0:
        raise InputError(f"no limit between {low:g} and {high:g} gives what was asked for")
    return float(brentq(gap, low, high, xtol=1e-6, rtol=1e-9))


def individuals_width(*, chance: float, readings: ArrayLike) -> float:
    """Return the width of limits of single readings for a chance of a signal within so many readings."""
    return limit_for(lambda w: individuals_run_length(width=w), 0.5, 8.0, chance=chance, readings=readings)


def ewma_width(*, weight: float, chance: float, readings: ArrayLike, steady: bool = False) -> float:
    """Return the width of EWMA limits for a chance of a signal within so many readings."""
    horizon = _longest(readings)
    return limit_for(
        lambda w: _ewma(weight, w, 0.0, 0.0, steady, horizon, brief=horizon < HORIZON),
        0.5,
        6.5,
        chance=chance,
        readings=readings,
    )


def cusum_decision(*, reference: float, chance: float, readings: ArrayLike, head_start_share: float = 0.0) -> float:
    """Return h of a two-sided CUSUM chart for a chance of a signal within so many readings.

    `head_start_share` is the head start over h, at most 0.5.
    """
    horizon = _longest(readings)
    return limit_for(
        lambda h: cusum_run_length(reference=reference, decision=h, head_start=head_start_share * h, horizon=horizon),
        0.1,
        40.0,
        chance=chance,
        readings=readings,
    )


def mewma_limit(*, positions: int, weight: float, chance: float, readings: ArrayLike, steady: bool = False) -> float:
    """Return the limit of a MEWMA chart for a chance of a signal within so many sets."""
    horizon = _longest(readings)
    return limit_for(
        lambda h: _mewma(positions, weight, h, steady, horizon, brief=horizon < HORIZON),
        0.5,
        80.0 + 4 * positions,
        chance=chance,
        readings=readings,
    )


def _opening(
    kernel: Callable[[Array, Array], Array],
    reach: Callable[[int], float],
    places: Callable[[float], tuple[Array, Array]],
    start: float,
    keep: float,
    steady: bool,
    horizon: int,
    brief: bool,
) -> RunLength:
    """Follow the average through limits reach(1), reach(2) ... to reach(0), which it then keeps.

    A `brief` law ends with the horizon where limits still open there; it has no mean.
    """
    begin, mass, lead, t = np.array([start]), np.ones(1), list[float](), 1
    while not steady and keep ** (2 * t) > _OPENED:
        here, width = places(reach(t))
        mass = (mass @ kernel(begin, here)) * width
        lead.append(float(mass.sum()))
        begin, t = here, t + 1
        if brief and t > horizon:
            return RunLength(float("nan"), np.array([1.0, *lead]), lead[-1])
    final, weight = places(reach(0))
    matrix = kernel(final, final) * weight
    return run_length((mass @ kernel(begin, final)) * weight, matrix, lead=lead, horizon=horizon)


def _length_density(after: Array, centre: Array, p: int) -> Array:
    """Return the density of the length of a normal vector (p,) with unit variances and a mean of length `centre`."""
    product = after * centre
    near = after ** (p - 1) * np.exp(-0.5 * after**2 + (1 - p / 2) * np.log(2) - gammaln(p / 2))
    order = p / 2 - 1
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        far = after * (after / centre) ** order * np.exp(-0.5 * (after - centre) ** 2) * ive(order, product)
    # about a mean of 0 the Bessel function's own limit
    return np.asarray(np.where(product > 1e-12, far, near))


def _one_side(reference: float, decision: float, shift: float, start: float, horizon: int) -> RunLength:
    count = 32 + ceil(4 * decision)
    place, weight = nodes(0.0, decision, count)
    drift = shift - reference
    begins = np.concatenate([[0.0], place])
    inside = np.exp(-0.5 * (place[None, :] - begins[:, None] - drift) ** 2) / sqrt(2 * np.pi) * weight
    matrix = np.column_stack([ndtr(-begins - drift), inside])
    inside = np.exp(-0.5 * (place - start - drift) ** 2) / sqrt(2 * np.pi) * weight
    return run_length(np.concatenate([[ndtr(-start - drift)], inside]), matrix, horizon=horizon)


def _longest(readings: ArrayLike) -> int:
    n = np.asarray(readings, dtype=np.float64)
    return int(min(max(float(n.max()) if n.size else 1.0, 2.0), HORIZON))


def _positive(value: float, what: str) -> None:
    if not value > 0:
        raise InputError(f"{what} has to be above 0")
