"""What each visit showed that the visits before it did not foretell, from the factorisation of the wear model.

Readings of a block (a vehicle, or several that exchanged parts) are jointly normal with covariance K = L L', in the
order of visits. With e the readings less their fixed effects, w = L^-1 e is independent noise of sd 1 if nothing
happened: over visits always, inside one visit after the neighbours are allowed for. The fixed effects were estimated
from the same readings, so that the variance of w is I - W C W', W = L^-1 X and C the covariance of the coefficients;
it matters where a group is small.

Three kinds of readings need care. What was not read is not there: the rest of its visit is judged without it. A reading
beyond the scale is no number and takes part in nothing here, though the wear model behind it has learned from it. The
first reading of a new life is compared with the parts of its family and vehicle, which is a wide comparison. Weights
that the fit gave to gross errors are left out: a true step must still show.

The variances of a small group are known badly. Given draws of them, the chance to read lower than was read is averaged
over the draws and told as the normal value of that chance, so that a plain limit keeps its meaning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, chdtri, ndtr, ndtri

from wearlab.control.in_turn import in_turn
from wearlab.wear.blocks import Chunk, Floats, Ints
from wearlab.wear.covariance import PATH, REPEAT, covariance, structure
from wearlab.wear.inverse import inverse_of, inverse_of_lower
from wearlab.wear.likelihood import Work, readings_of
from wearlab.wear.scale_fit import ScaleFit

#: chances nearer to 0 or 1 are told as this, 8 sd
_LEAST = 1e-15


@dataclass(frozen=True, slots=True, eq=False)
class Whitened:
    """m blocks of padded size n, their readings by visit, as noise of sd 1.

    `rows` (m, n) are places of readings, the number of all readings for padding; `life`, `visit` (m, n) slots within
    the block, -1 for padding; `x` working exposure; `slope` the change of the working value by a reading's logarithm,
    where fixed effects alone put the reading: at its own value it would lean towards what the part's scatter shows.
    `lower` (m, n, n) is L and `inverse` its inverse, zero at padding; `w` (m, n), `wx` (m, n, q) are L^-1 of residuals
    and fixed columns; `covariance` (m, q, q) that of the coefficients, `columns` (m, q) where they stand among all.
    """

    chunk: Chunk
    rows: Ints
    life: Ints
    visit: Ints
    x: Floats
    slope: Floats
    lower: Floats
    inverse: Floats
    w: Floats
    wx: Floats
    covariance: Floats
    columns: Ints

    def take(self, kept: NDArray[np.intp]) -> Whitened:
        """Return only some of the blocks."""
        arrays = {name: getattr(self, name)[kept] for name in self.__slots__ if name != "chunk"}
        return Whitened(chunk=self.chunk.take(kept), **arrays)

    @property
    def real(self) -> Floats:
        """1 at readings, 0 at padding, (m, n)."""
        return (self.visit >= 0).astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Innovations:
    """One entry a reading, (N,), NaN for readings beyond the scale; in sd unless said otherwise.

    `given_past`: against what earlier visits foretell; `given_all`: against those and the other readings of its visit;
    `surprise` and `sd`: the former before division, on the working scale. `common`: what its whole visit shares;
    `t_squared`: Hotelling's for the readings of its visit, `readings` of them, chi-squared with as many degrees.
    """

    given_past: Floats
    given_all: Floats
    surprise: Floats
    sd: Floats
    common: Floats
    t_squared: Floats
    readings: Ints


def whitened(
    fit: ScaleFit,
    theta: Floats | None = None,
    beta: Floats | None = None,
    picked: Sequence[NDArray[np.intp]] | None = None,
) -> Iterator[Whitened]:
    """Yield every chunk of a fit, whitened at its own variances or at given ones, (10,) per working exposure.

    `picked` are the blocks wanted of each chunk; chunks of which none is wanted are left out.
    """
    estimate = fit.estimate
    design = estimate.work.design
    theta = estimate.theta if theta is None else theta
    beta = estimate.evaluated.beta if beta is None else beta
    work = Work(design, estimate.work.y, np.zeros(design.n), {})
    readings = readings_of(work)
    values, y = design.values(), np.append(work.y, 0.0)
    low, high = np.quantile(design.scale.inverse(design.y), (0.01, 0.99))
    beyond = np.append(design.data.bound != 0, False)
    padded = np.zeros((design.p + 1, design.p + 1))
    padded[:-1, :-1] = estimate.evaluated.covariance
    for number, (full, own) in enumerate(zip(design.blocks.chunks, estimate.local, strict=True)):
        x = own.design(values, *full.rows.shape)
        columns, at_beta = own.columns, own.at(beta)
        if picked is not None:
            some = picked[number]
            if not some.size:
                continue
            full, x, columns, at_beta = full.take(some), x[some], columns[some], at_beta[some]
        kept = (full.rows < design.n) & ~beyond[full.rows]
        chunk = _without(full, kept, design.n)
        s = structure(chunk, readings, path=theta[PATH] > 0, repeat=theta[REPEAT] > 0)
        lower = np.asarray(np.linalg.cholesky(covariance(s, theta)), dtype=np.float64)
        real = kept.astype(np.float64)
        inverse = inverse_of_lower(lower) * real[:, :, None] * real[:, None, :]
        x *= real[:, :, None]
        mean = (x @ at_beta[:, :, None])[:, :, 0]
        e = (y[chunk.rows] - mean) * real
        usual = np.clip(design.scale.inverse(mean), low, high)
        yield Whitened(
            chunk=chunk,
            rows=chunk.rows,
            life=readings.life_slot[chunk.rows],
            visit=_in_order(readings.visit_slot[chunk.rows]),
            x=s.x,
            slope=np.abs(design.scale.slope(usual) * usual) * real,
            lower=lower * real[:, :, None] * real[:, None, :],
            inverse=inverse,
            w=(inverse @ e[:, :, None])[:, :, 0],
            wx=inverse @ x,
            covariance=padded[columns[:, :, None], columns[:, None, :]],
            columns=columns,
        )


def touching(fit: ScaleFit, readings: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Return, for every chunk of a fit, the blocks that hold any of some readings (N,)."""
    touched = np.append(readings, False)
    return [np.flatnonzero(touched[chunk.rows].any(axis=1)) for chunk in fit.design.blocks.chunks]


def innovations(fit: ScaleFit, thetas: Sequence[Floats] = ()) -> Innovations:
    """Return what every visit of a fitted group showed beyond what earlier visits foretell.

    `thetas` are equally likely variances of a small group, each (10,) per working exposure, to be averaged over;
    none: the fitted ones are taken as known. `surprise` and `sd` are always at the fitted ones.
    """
    fitted = _at(fit, None)
    if not thetas:
        return fitted
    draws = [_at(fit, theta) for theta in thetas]

    def averaged(name: str, lower: Callable[[Floats], Floats], back: Callable[[Floats], Floats]) -> Floats:
        chance = np.mean([lower(getattr(one, name)) for one in draws], axis=0)
        return back(np.clip(chance, _LEAST, 1.0 - _LEAST))

    degrees = np.maximum(fitted.readings, 1)
    return replace(
        fitted,
        given_past=averaged("given_past", ndtr, ndtri),
        given_all=averaged("given_all", ndtr, ndtri),
        common=averaged("common", ndtr, ndtri),
        t_squared=averaged("t_squared", lambda t: chdtrc(degrees, t), lambda chance: chdtri(degrees, chance)),
    )


def _at(fit: ScaleFit, theta: Floats | None) -> Innovations:
    """Return the innovations at given variances, at the fitted ones if None."""
    n = fit.design.n
    names = ("given_past", "given_all", "surprise", "sd", "common", "t_squared")
    out = {name: np.full(n + 1, np.nan) for name in names}
    count = np.zeros(n + 1, dtype=np.int64)

    def of_chunk(white: Whitened) -> None:
        real = white.visit >= 0
        same = (white.visit[:, :, None] == white.visit[:, None, :]) & real[:, :, None] & real[:, None, :]
        within = white.lower * same
        r = (within @ white.w[:, :, None])[:, :, 0]
        # the fixed effects of a visit, less what earlier visits already say of them
        fresh = within @ white.wx
        own = within @ within.swapaxes(1, 2)
        told = (own - fresh @ white.covariance @ fresh.swapaxes(1, 2)) * same
        told = _positive(told, own, real)
        inverse = inverse_of(told)[0] * same
        pulled = (inverse @ r[:, :, None])[:, :, 0]
        diagonal = np.einsum("mii->mi", told)
        precision = np.einsum("mii->mi", inverse)
        shared = inverse.sum(axis=2)
        total = (same @ shared[:, :, None])[:, :, 0]
        told_of = {
            "surprise": r,
            "sd": np.sqrt(diagonal),
            "given_past": r / np.sqrt(diagonal),
            "given_all": pulled / np.sqrt(np.where(real, precision, 1.0)),
            "common": (same @ pulled[:, :, None])[:, :, 0] / np.sqrt(np.where(real, total, 1.0)),
            "t_squared": (same @ (r * pulled)[:, :, None])[:, :, 0],
        }
        rows = white.rows[real]
        for name, value in told_of.items():
            out[name][rows] = value[real]
        count[rows] = same.sum(axis=2)[real]

    # chunks have no reading in common, so that threads never write to the same place
    in_turn(whitened(fit, theta), of_chunk)
    return Innovations(**{name: value[:-1] for name, value in out.items()}, readings=count[:-1])


def _in_order(slot: Ints) -> Ints:
    """Return visit slots (m, n) numbered in the order in which their readings stand, -1 for padding."""
    visits = int(slot.max()) + 1
    n = slot.shape[1]
    found = slot[:, :, None] == np.arange(visits)
    first = np.where(found, np.arange(n)[None, :, None], n).min(axis=1)  # (m, T)
    rank = np.argsort(np.argsort(first, axis=1, kind="stable"), axis=1, kind="stable")
    ranked = np.take_along_axis(rank, np.maximum(slot, 0), axis=1)
    return np.where(slot >= 0, ranked, -1).astype(np.int64)


def _without(chunk: Chunk, kept: np.ndarray[tuple[int, int], np.dtype[np.bool_]], padding: int) -> Chunk:
    """Return the chunk with some readings turned into padding."""
    mask = kept.astype(np.float64)[:, :, None]
    return replace(
        chunk,
        rows=np.where(kept, chunk.rows, padding),
        share=None if chunk.share is None else chunk.share * mask,
        here=None if chunk.here is None else chunk.here * mask,
    )


def _positive(told: Floats, own: Floats, real: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> Floats:
    """Return the covariance with 1 at padding; where the fixed effects use up a reading, a hair of its own is left.

    A reading that settles a coefficient by itself (the only one of its rig period) has no innovation left.
    """
    n = told.shape[1]
    at = np.arange(n)
    out = told.copy()
    out[:, at, at] += np.where(real, 1e-6 * np.einsum("mii->mi", own), 1.0)
    return out
