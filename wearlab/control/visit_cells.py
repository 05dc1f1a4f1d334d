"""The innovations of single visits as plain charts want them: one value a part and visit, and sets without correlation.

Charts of one part take what its visit showed beyond the visits before it, in its own sd: independent noise of sd 1 from
visit to visit in control. Charts of a set take the same values turned by the inverse square root of their correlation,
the symmetric one, so that each stays as near as it can to the part it came from; the sum of its squares is Hotelling's
T-squared. Repeats of a part at one visit are averaged first. Given draws of the variances of a small group, chances are
averaged over them, as for all innovations.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, chdtri, ndtr, ndtri

from wearlab.control.innovations import Whitened, whitened
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.scale_fit import ScaleFit

#: Share of its variance that is left to a reading which the fixed effects use up.
_LEFT = 1e-6
#: chances nearer to 0 or 1 are told as this, 8 sd
_LEAST = 1e-15


@dataclass(frozen=True, slots=True, eq=False)
class VisitCells:
    """C parts at one visit each, arrays (C,), the cells of a visit beside each other.

    `visit` and `life` are codes of the fit's data and blocks; `row` the place of the first reading; `given_past` in sd;
    `given_all` the same, allowing for the rest of the visit; `apart` without correlation; `common` what the visit
    shares, in sd, the same at all its cells.
    """

    visit: Ints
    life: Ints
    row: Ints
    given_past: Floats
    given_all: Floats
    apart: Floats
    common: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Fresh:
    """What each visit of m blocks adds: `surprise` (m, n) and its covariance (m, n, n), 0 between visits.

    The covariance has 1 at padding.
    """

    white: Whitened
    surprise: Floats
    covariance: Floats


def fresh(fit: ScaleFit, vehicles: Ints | None = None, theta: Floats | None = None) -> Iterator[Fresh]:
    """Yield every chunk, or only the blocks of some vehicles (codes of the fit's data), at given variances (10,)."""
    picked = None
    if vehicles is not None:
        picked = [np.flatnonzero(np.isin(one.vehicle, vehicles).any(axis=1)) for one in fit.design.blocks.chunks]
    for white in whitened(fit, theta, picked=picked):
        real = white.visit >= 0
        same: NDArray[np.bool_] = (white.visit[:, :, None] == white.visit[:, None, :]) & real[:, :, None]
        within = white.lower * same
        added = within @ white.wx
        own = within @ within.swapaxes(1, 2)
        told = (own - added @ white.covariance @ added.swapaxes(1, 2)) * same
        at = np.arange(told.shape[1])
        told[:, at, at] += np.where(real, _LEFT * own[:, at, at], 1.0)
        yield Fresh(white, (within @ white.w[:, :, None])[:, :, 0], told)


def visit_cells(fit: ScaleFit, vehicle: int, thetas: Sequence[Floats] = ()) -> VisitCells:
    """Return the parts of one vehicle (its code in the fit's data) at each of its visits.

    `thetas` are equally likely variances of a small group, each (10,) per working exposure; none: the fitted ones.
    """
    fitted = _cells(fit, vehicle, None)
    if not thetas or not fitted.visit.size:
        return fitted
    draws = [_cells(fit, vehicle, theta) for theta in thetas]

    def normal(name: str) -> Floats:
        chance = np.mean([ndtr(getattr(one, name)) for one in draws], axis=0)
        return np.asarray(ndtri(np.clip(chance, _LEAST, 1 - _LEAST)), dtype=np.float64)

    own, slot = np.unique(fitted.visit, return_inverse=True)
    parts = np.bincount(slot, minlength=own.size)
    squares = [np.bincount(slot, one.apart**2, minlength=own.size) for one in (fitted, *draws)]
    chance = np.mean([chdtrc(parts, one) for one in squares[1:]], axis=0)
    length = np.sqrt(chdtri(parts, np.clip(chance, _LEAST, 1 - _LEAST)) / np.maximum(squares[0], 1e-300))
    return replace(
        fitted,
        given_past=normal("given_past"),
        given_all=normal("given_all"),
        common=normal("common"),
        apart=fitted.apart * length[slot],
    )


def _cells(fit: ScaleFit, vehicle: int, theta: Floats | None) -> VisitCells:
    data, life = fit.design.data, fit.design.blocks.life
    found: list[tuple[Ints, Ints, Ints, Floats, Floats, Floats, Floats]] = []
    for one in fresh(fit, np.array([vehicle]), theta):
        for b in range(one.white.rows.shape[0]):
            mine = np.flatnonzero(one.white.visit[b] >= 0)
            mine = mine[data.vehicle[one.white.rows[b, mine]] == vehicle]
            for number in np.unique(one.white.visit[b, mine]):
                at = mine[one.white.visit[b, mine] == number]
                rows = one.white.rows[b, at]
                lives, first, slot = np.unique(life[rows], return_index=True, return_inverse=True)
                mean = (slot == np.arange(lives.size)[:, None]) / np.bincount(slot)[:, None]
                r = mean @ one.surprise[b, at]
                spread = mean @ one.covariance[b][np.ix_(at, at)] @ mean.T
                visit = np.full(lives.size, data.visit[rows[0]])
                found.append((visit, lives, rows[first], *_told(r, spread)))
    if not found:
        empty, none = np.zeros(0, dtype=np.int64), np.zeros(0)
        return VisitCells(empty, empty, empty, none, none, none, none)
    return VisitCells(*(np.concatenate(column) for column in zip(*found, strict=True)))


def _told(r: Floats, spread: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return given_past, given_all, apart and common (p,) of one visit from r (p,) and its covariance (p, p)."""
    sd = np.sqrt(np.diag(spread))
    values, vectors = np.linalg.eigh(spread / np.outer(sd, sd))
    root = (vectors / np.sqrt(np.maximum(values, 1e-12))) @ vectors.T
    inverse = np.linalg.inv(spread)
    pulled = inverse @ r
    common = float(pulled.sum() / np.sqrt(inverse.sum()))
    past: Floats = r / sd
    return past, pulled / np.sqrt(np.diag(inverse)), root @ past, np.full(r.size, common)
