"""The first passage of a Wiener path with drift over a limit, when distance to the limit and drift are uncertain.

A level lies a below its limit and rises with drift m and variance s2 a unit of time. Given a > 0 and m, the
chance of having passed within t is the inverse Gaussian law (Chhikara & Folks 1989)

    F(t) = Phi((m t - a) / sqrt(s2 t)) + exp(2 m a / s2) Phi(-(m t + a) / sqrt(s2 t)),

and 1 for a <= 0. With m ~ N(mean, v) given a, both terms have a closed form again (Whitmore 1986, a normal drift):
with D = v t^2 + s2 t, w = (mean t - a) / sqrt(D) and z = (mean t + a + 2 v a t / s2) / sqrt(D),

    F(t | a) = Phi(w) + exp(-w^2 / 2) M(z),    M(z) = exp(z^2 / 2) Phi(-z),

which neither overflows nor cancels for small s2. Over a ~ N the first term is a normal chance (the level is past at
t) plus a bivariate normal one (past at the start, back at t), both exact; what is left, the chance of having passed
and come back, is an integral over a taken by Gauss-Legendre nodes. Against adaptive integration the chance is good
to 1e-4 everywhere and to 1e-6 nearly everywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.special import erfcx, ndtr, owens_t

Array = NDArray[np.float64]

#: a normal value further out than this is left out (chance 3e-7)
_REACH = 5.0
#: below this chance a term is not worked out
_NOTHING = 1e-7
#: values worked on at once: nodes times parts, small enough to stay in the processor's cache
_BLOCK = 1024

#: stands for infinity, so that the formulas stay finite
_LATE = 1e12

# nodes on 0 to 1: evenly for the body of the integral, crowding towards 0 for the edge where the level meets the limit
_BODY, _BODY_WEIGHT = leggauss(16)
_BODY, _BODY_WEIGHT = (_BODY + 1) / 2, _BODY_WEIGHT / 2
_EDGE, _EDGE_WEIGHT = _BODY**3, 3 * _BODY**2 * _BODY_WEIGHT


def passage_chance(
    gap: Array, gap_var: Array, drift: Array, drift_var: Array, covariance: Array, diffusion: Array, time: Array
) -> Array:
    """Return the chance that the path has passed its limit by `time`.

    Parameters
    ----------
    gap, drift
        Means of the distance to the limit (positive: not past) and of the drift towards it, shape (n,).
    gap_var, drift_var, covariance
        Their variances and covariance, shape (n,); 0 where they are known.
    diffusion
        Variance of the path a unit of time, shape (n,); 0 for straight wear.
    time
        Shape (n,); up to 0 only what is past already counts, infinity asks whether the limit is ever passed.
    """
    # an infinite distance is never covered, a negative one long behind
    finite = np.isfinite(gap)
    place = np.where(finite, gap, 1.0)
    gap_sd = np.sqrt(np.maximum(gap_var, 0.0))
    known = gap_sd <= 1e-9 * np.abs(place)
    # a distance that is known is spread by a hair, so that one formula serves
    gap_sd = np.where(known, 1e-9 * np.abs(place) + 1e-300, gap_sd)
    slope = np.where(known, 0.0, covariance / np.where(known, 1.0, gap_var))
    rest = np.maximum(drift_var - np.where(known, 0.0, slope * covariance), 0.0)
    start = np.where(known & (place <= 0), 1.0, ndtr(-place / gap_sd))
    start = np.where(finite, start, np.where(np.isnan(gap), np.nan, gap < 0))
    chance = start.copy()
    ahead = np.flatnonzero((time > 0) & (start < 1 - _NOTHING) & finite)
    for first in range(0, ahead.size, _BLOCK):
        i = ahead[first : first + _BLOCK]
        chance[i] = _block(gap[i], gap_sd[i], drift[i], rest[i], slope[i], diffusion[i], np.minimum(time[i], _LATE))
    return np.clip(chance, start, 1.0)


def _block(gap: Array, sd: Array, drift: Array, rest: Array, slope: Array, diffusion: Array, time: Array) -> Array:
    spread = np.maximum(rest * time**2 + diffusion * time, 1e-300)
    turn = sd * (slope * time - 1.0)
    total = np.sqrt(spread + turn**2)
    mean = (drift * time - gap) / total
    past = ndtr(mean)
    returned = np.zeros_like(past)
    back = np.flatnonzero((gap < _REACH * sd) & (past < 1 - _NOTHING))
    if back.size:
        returned[back] = _past_then_short(
            -gap[back] / sd[back], -mean[back], turn[back] / total[back], np.sqrt(spread[back]) / total[back]
        )
    # with a drift towards the limit, to have passed and come back is at most exp(-mean^2 / 2)
    away = (drift - slope * gap < 0) | (drift + slope * _REACH * sd < 0)
    bent = np.flatnonzero((diffusion > 0) & (mean < _REACH) & ((mean > -_REACH) | away) & (gap > -_REACH * sd))
    if bent.size:
        returned[bent] += _passed_and_back(
            gap[bent], sd[bent], drift[bent], rest[bent], slope[bent], diffusion[bent], time[bent], spread[bent]
        )
    return np.asarray(past + returned, dtype=np.float64)


def _past_then_short(h: Array, k: Array, correlation: Array, cosine: Array) -> Array:
    """Return the chance that u <= h and v <= k, standard normal with this correlation; `cosine` = sqrt(1 - r^2).

    By Owen's T function (Owen 1956).
    """
    tiny = 1e-300
    h = np.where(np.abs(h) < 1e-150, 1e-150, h)
    k = np.where(np.abs(k) < 1e-150, 1e-150, k)
    cosine = np.maximum(cosine, tiny)
    with np.errstate(over="ignore"):
        first = owens_t(h, (k - correlation * h) / (h * cosine))
        second = owens_t(k, (h - correlation * k) / (k * cosine))
    value = 0.5 * (ndtr(h) + ndtr(k)) - first - second - np.where(h * k < 0, 0.5, 0.0)
    return np.asarray(np.clip(value, 0.0, 1.0), dtype=np.float64)


def _passed_and_back(
    gap: Array, sd: Array, drift: Array, rest: Array, slope: Array, diffusion: Array, time: Array, spread: Array
) -> Array:
    """Return the integral over a = gap + sd u > 0 of phi(u) exp(-w^2 / 2) M(z)."""
    root = np.sqrt(spread)
    pull = 2.0 * rest / diffusion
    w0, w1 = (drift * time - gap) / root, sd * (slope * time - 1.0) / root
    z0, z1 = (drift * time + gap * (1.0 + pull * time)) / root, sd * (1.0 + (slope + pull) * time) / root
    low = np.maximum(-gap / sd, -_REACH)
    high = np.maximum(low, 0.0) + _REACH
    # phi(u) exp(-w^2 / 2) is a normal curve: where M is at its plain side throughout, the integral lies under it
    curve = 1.0 / np.sqrt(1.0 + w1**2)
    middle = -w0 * w1 * curve**2
    plain_above, plain_below = z0 + z1 * high >= 0, z0 + z1 * low >= 0
    high = np.where(plain_above, np.minimum(high, np.maximum(middle, low) + _REACH * curve), high)
    cut = np.minimum(np.maximum(low, middle - _REACH * curve), high)
    low = np.where(plain_below, cut, low)
    value = np.zeros_like(gap)
    lines = (w0, w1, z0, z1, gap, sd, drift, slope, diffusion, pull)
    # the body of the curve; crowded at its lower end when that is the edge
    at_edge = (cut <= -gap / sd + 1e-12) & (cut > middle - 4.0 * curve)
    for chosen, nodes, weights in ((at_edge, _EDGE, _EDGE_WEIGHT), (~at_edge, _BODY, _BODY_WEIGHT)):
        rows = np.flatnonzero(chosen & (high > cut))
        if rows.size:
            value[rows] += _under(cut[rows], high[rows], nodes, weights, tuple(line[rows] for line in lines))
    rows = np.flatnonzero(cut > low)
    if rows.size:
        value[rows] += _under(low[rows], cut[rows], _EDGE, _EDGE_WEIGHT, tuple(line[rows] for line in lines))
    return value


def _under(low: Array, high: Array, nodes: Array, weights: Array, lines: tuple[Array, ...]) -> Array:
    w0, w1, z0, z1, gap, sd, drift, slope, diffusion, pull = (line[:, None] for line in lines)
    width = high - low
    u = low[:, None] + width[:, None] * nodes
    z = z0 + z1 * u
    bell = 0.5 * u * u
    value = np.exp(-bell - 0.5 * (w0 + w1 * u) ** 2) * (0.5 * erfcx(np.abs(z) * np.sqrt(0.5)))
    if (z < 0).any():
        # M(z) = exp(z^2 / 2) - M(-z), and (z^2 - w^2) / 2 = 2 a (m + v a / s2) / s2
        a = gap + sd * u
        power = 2.0 * a * (drift + slope * sd * u + 0.5 * pull * a) / diffusion
        value = np.where(z < 0, np.exp(np.minimum(power, 0.0) - bell) - value, value)
    return np.asarray((value @ weights) * width / np.sqrt(2 * np.pi), dtype=np.float64)
