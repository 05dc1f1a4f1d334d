"""The back-test of first crossings: fit what was known at an origin, forecast, and compare with what came.

Every unit is a vehicle of its own with one part. All units are fitted, with their readings up to the origin only.
Scored are the units that were not past the limit yet, had three readings, and crossed later: the crossing that came is
the straight line between the last reading short of the limit and the first one past it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.forecast.hindsight import Held, held_back
from wearlab.forecast.misfit import Signs, signs
from wearlab.forecast.passage import Mixture, chance_before, passage
from wearlab.forecast.rivals import RIVALS, Histories
from wearlab.forecast.scores import crps_sample
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit, last_exposure

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: What is not crossed within this many times the exposure at the origin is told as crossing there.
LATEST = 10.0
#: Readings that a scored unit has at its origin.
FEWEST_READINGS = 3
SEED = 20

#: Chances of the median, the 90 % and the 50 % interval.
_TOLD = (0.05, 0.25, 0.5, 0.75, 0.95)
#: quantiles that part the score's integral, so that the law is smooth between them
_PARTING = (0.001, 0.01, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 0.99, 0.999)
_NODE, _WEIGHT = leggauss(8)
_NODE, _WEIGHT = (_NODE + 1) / 2, _WEIGHT / 2


@dataclass(frozen=True, slots=True)
class CrossingScore:
    """How forecasts of `n` crossings did, in the unit of exposure; None where nothing was scored.

    `mae`, `bias` of the median (forecast minus truth), `covered_90` crossings inside the 90 % interval, `coverage_90`,
    `coverage_50` shares inside, `crps` mean score, `width_90` median width of the 90 % interval.
    """

    n: int
    mae: float | None = None
    bias: float | None = None
    covered_90: int = 0
    coverage_90: float | None = None
    coverage_50: float | None = None
    crps: float | None = None
    width_90: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class BackTest:
    """Scores of the wear model and its rivals; `scale` lists power, gamma and weight of the working scales.

    `left_out` counts units that are not scored, by reason. `units` (n,) labels, `truth` (n,) crossings, `quantiles`
    (5, n) of each scored unit at chances 0.05, 0.25, 0.5, 0.75, 0.95.
    """

    score: CrossingScore
    scale: tuple[tuple[float, float, float], ...]
    signs: Signs
    rivals: dict[str, CrossingScore]
    left_out: dict[str, int]
    units: tuple[str, ...] = ()
    truth: Array = field(default_factory=lambda: np.zeros(0))
    quantiles: Array = field(default_factory=lambda: np.zeros((5, 0)))


@dataclass(frozen=True, slots=True, eq=False)
class _Unit:
    """One unit, its readings ordered by exposure, repeats averaged; `origin` is where its forecast stands."""

    label: str
    x: Array
    y: Array
    origin: float

    def crossing(self, limit: float, sign: float) -> float | None:
        """Return the exposure of the first crossing, interpolated between readings; None: it never crossed."""
        past = np.flatnonzero(sign * (self.y - limit) >= 0)
        if not past.size:
            return None
        k = int(past[0])
        if k == 0:
            return float(self.x[0])
        share = (limit - self.y[k - 1]) / (self.y[k] - self.y[k - 1])
        return float(self.x[k - 1] + share * (self.x[k] - self.x[k - 1]))

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which readings were there at the origin."""
        return np.asarray(self.x <= self.origin)


NEVER = "never crosses"
ALREADY = "already past the limit at the origin"
FEW = f"fewer than {FEWEST_READINGS} readings up to the origin"
NOTHING = "no reading up to the origin"


def back_test(
    unit: Sequence[str],
    time: Array,
    value: Array,
    limit: float,
    *,
    origin: float | None = None,
    origin_reading: int | None = None,
    falling: bool = False,
    workers: int = 2,
    seed: int = SEED,
) -> BackTest | NoAnswer:
    """Forecast first crossings from an origin and score them.

    Parameters
    ----------
    unit, time, value : (n,) label, exposure of 0 or more, and reading; NaN in `value` is no reading.
    limit, falling : passed is a reading at or above the limit; with `falling` at or below it.
    origin, origin_reading : one of them: the exposure up to which readings are known, or how many readings of every
        unit are.
    seed : of the fit and of the rivals' samples.

    Raises
    ------
    InputError
        The lists do not fit together, or the origin leaves nothing to fit.
    """
    units = _units(unit, time, value, origin, origin_reading)
    sign = -1.0 if falling else 1.0
    fitted = [one for one in units if one.known.any()]
    if not fitted:
        raise InputError("no unit has a reading up to the origin")
    data = _data(fitted)
    fit = fit_group(data, workers=workers, seed=seed)
    if isinstance(fit, NoAnswer):
        return fit
    left_out = dict.fromkeys((FEW, ALREADY, NEVER, NOTHING), 0)
    left_out[NOTHING] = len(units) - len(fitted)
    place, truth = [], []
    for k, one in enumerate(fitted):
        reason, when = _scorable(one, limit, sign)
        if reason:
            left_out[reason] += 1
        else:
            place.append(k)
            truth.append(when)
    index, true = np.array(place, dtype=np.int64), np.array(truth, dtype=np.float64)
    cap = LATEST * np.array([fitted[k].origin for k in place], dtype=np.float64)
    told = crossing_quantiles(fit.mixture(), index, limit, sign, last_exposure(fit.data)[index], cap, _TOLD)
    crps = crossing_crps(fit.mixture(), index, limit, sign, last_exposure(fit.data)[index], cap, true)
    return BackTest(
        score=_score(told, crps, true),
        scale=scale_weights(fit),
        signs=signs(data, _own(data, fit, workers, seed), sign=sign, workers=workers, seed=seed),
        rivals=_rivals(data, index, limit, sign, cap, true, seed),
        left_out={reason: count for reason, count in left_out.items() if count},
        units=tuple(fitted[k].label for k in place),
        truth=true,
        quantiles=told,
    )


def _own(data: WearData, fit: WearFit, workers: int, seed: int) -> Held | NoAnswer:
    """Return the model's own forecasts of every unit's last reading, on the scales of the whole fit.

    Short histories less one reading would not tell the scale any more, and their forecasts are not those that count.
    """
    scales = tuple(one.scale for one in fit.candidates)
    return held_back(data, 1, scales=scales, weights=fit.weights, workers=workers, seed=seed)


def scale_weights(fit: WearFit) -> tuple[tuple[float, float, float], ...]:
    """Return power, gamma and weight of every working scale of a fit, the heaviest first."""
    pairs = [(c.scale.power, c.scale.gamma, float(w)) for c, w in zip(fit.candidates, fit.weights, strict=True)]
    return tuple(sorted(pairs, key=lambda one: -one[2]))


def crossing_quantiles(
    mixture: Mixture, index: Ints, limit: float, sign: float, start: Array, cap: Array, chances: Sequence[float]
) -> Array:
    """Return quantiles (Q, m) of the first crossing after `start` (m,), none later than `cap` (m,)."""
    many = np.full(index.size, limit)
    found = passage(mixture, index, many, np.full(index.size, sign), start, chances).quantiles
    return np.asarray(np.clip(found, start, cap))


def crossing_crps(
    mixture: Mixture, index: Ints, limit: float, sign: float, start: Array, cap: Array, truth: Array
) -> Array:
    """Return the CRPS (m,) of the first crossing at `truth` (m,), by integrating over its distribution function.

    The integral is parted at quantiles and at the truth, with eight Gauss-Legendre nodes in every part.
    """
    if not index.size:
        return np.zeros(0)
    met = np.clip(truth, start, cap)
    parts = crossing_quantiles(mixture, index, limit, sign, start, cap, _PARTING)
    spread = start + (cap - start) * np.geomspace(1e-3, 1.0, 10)[:, None]
    edges = np.sort(np.vstack([start, parts, spread, met]), axis=0)  # (E, m)
    low, width = edges[:-1], np.diff(edges, axis=0)
    x = low[..., None] + width[..., None] * _NODE  # (E - 1, m, nodes)
    at = np.broadcast_to(index[None, :, None], x.shape).reshape(-1)
    now = np.broadcast_to(start[None, :, None], x.shape).reshape(-1)
    chance = chance_before(mixture, at, np.full(at.size, limit), np.full(at.size, sign), now, x.reshape(-1))
    short = x < met[None, :, None]
    gap = np.where(short, chance.reshape(x.shape), 1.0 - chance.reshape(x.shape))
    return np.asarray(((gap**2 @ _WEIGHT) * width).sum(axis=0) + np.abs(truth - met))


def _units(
    unit: Sequence[str], time: Array, value: Array, origin: float | None, origin_reading: int | None
) -> list[_Unit]:
    x, y, label = np.asarray(time, dtype=np.float64), np.asarray(value, dtype=np.float64), np.asarray(unit)
    if not x.shape == y.shape == label.shape or x.ndim != 1:
        raise InputError("unit, time and value are of one length")
    if (origin is None) == (origin_reading is None):
        raise InputError("the origin is a time or a number of readings: give one of them")
    if origin is not None and not (np.isfinite(origin) and origin > 0):
        raise InputError(f"the origin is a time above 0, not {origin:g}")
    if origin_reading is not None and origin_reading < 1:
        raise InputError(f"the origin is the first reading or a later one, not number {origin_reading}")
    read = np.isfinite(y)
    x, y, label = x[read], y[read], label[read]
    if not (np.isfinite(x) & (x >= 0)).all():
        raise InputError("a time is a number of 0 or more")
    made = []
    for name in dict.fromkeys(label.tolist()):
        own = label == name
        times, turn = np.unique(x[own], return_inverse=True)
        mean = np.bincount(turn, y[own]) / np.bincount(turn)
        last = times[min(origin_reading or 1, times.size) - 1]
        stand = float(last if origin is None else origin)
        made.append(_Unit(str(name), times, mean, stand))
    return made


def _scorable(one: _Unit, limit: float, sign: float) -> tuple[str, float]:
    """Return why a unit is not scored ("" if it is), and where it crosses."""
    when = one.crossing(limit, sign)
    if (sign * (one.y[one.known] - limit) >= 0).any():
        return ALREADY, np.nan
    if np.count_nonzero(one.known) < FEWEST_READINGS:
        return FEW, np.nan
    return (NEVER, np.nan) if when is None else ("", when)


def _data(units: list[_Unit]) -> WearData:
    number = np.repeat(np.arange(len(units)), [int(one.known.sum()) for one in units])
    x = np.concatenate([one.x[one.known] for one in units])
    y = np.concatenate([one.y[one.known] for one in units])
    return WearData(y=y, exposure=x, vehicle=number, part=number, visit=x, exposure_unit="")


def _rivals(
    data: WearData, index: Ints, limit: float, sign: float, cap: Array, truth: Array, seed: int
) -> dict[str, CrossingScore]:
    known = Histories(data.exposure, data.y, data.part.astype(np.int64))
    made = {}
    for name in RIVALS:
        sample = known.crossing(name, index, limit, sign, cap, seed)
        told = np.quantile(sample, _TOLD, axis=1) if index.size else np.zeros((len(_TOLD), 0))
        made[name] = _score(told, crps_sample(sample, truth) if index.size else truth, truth)
    return made


def _score(told: Array, crps: Array, truth: Array) -> CrossingScore:
    if not truth.size:
        return CrossingScore(0)
    low, quarter, middle, three, high = told
    inside = (low <= truth) & (truth <= high)
    return CrossingScore(
        n=int(truth.size),
        mae=float(np.abs(middle - truth).mean()),
        bias=float((middle - truth).mean()),
        covered_90=int(inside.sum()),
        coverage_90=float(inside.mean()),
        coverage_50=float(((quarter <= truth) & (truth <= three)).mean()),
        crps=float(crps.mean()),
        width_90=float(np.median(high - low)),
    )
