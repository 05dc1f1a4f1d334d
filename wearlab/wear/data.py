"""What a wear model is fitted to: the readings of one group (one measure, one protocol) as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

#: How a covariate acts: added on the working scale, or as a factor on the reading (on its logarithm).
CovariateKind = Literal["added", "factor"]

#: What becomes of a covariate when a level is told: conditions are taken out of it, a step that an event left stays in
#: it, and a column that counts exposure since an event stays in it and changes the rate.
CovariateRole = Literal["condition", "step", "rate"]

#: Exposure over which a rate is told, by the unit of exposure.
RATE_OVER = {"km": 10_000.0, "h": 100.0}

#: Numbers beyond these in size are no readings; their squares and cubes still have to be computed with.
SMALLEST, LARGEST = 1e-30, 1e30
#: No relative spread is larger than this.
LARGEST_RELATIVE = 100.0

#: Names that the model's own fixed effects have.
OWN_NAMES = frozenset(("level", "rate", "start"))


@dataclass(frozen=True, slots=True, eq=False)
class WearData:
    """Readings of one measure and protocol; n readings in any order.

    Attributes
    ----------
    y : (n,) reading on the measured scale, in `unit`; for a reading beyond the scale, the bound.
    exposure : (n,) gathered by the part since its life began, or since its first test, in `exposure_unit`.
    vehicle, part, visit : (n,) labels. `part` tells one life of one part. Visit labels sort in the order of time
        (dates do); equal labels of different vehicles are different visits.
    bound : (n,) 0 measured, 1 at least `y`, -1 at most `y`; default all measured.
    resolution : (n,) graduation in `unit`, 0 or NaN where none is known; default none.
    covariates : (n, c) columns with a fixed effect each, zero under the conditions that levels are told for.
    covariate_names, covariate_kind : c names, and for each "added" (on the working scale, default) or "factor":
        the reading is multiplied by exp(coefficient * column), as condition exponents, rig offsets and seasons do.
    covariate_role : for each covariate "condition" (default), "step" or "rate"; see `CovariateRole`.
    prior_mean, prior_sd : (c,) normal prior of each coefficient; an infinite sd is flat (default).
    family : (n,) labels of parts that wear alike; default one family.
    gathered : (n,) exposure the part has gathered on its present vehicle; default all of it. Parts that moved need it.
    unknown_start : (n,) whether the life began before its first test; its exposure then counts from that test.
    period : (n,) labels of rig and calibration period, "" for the base; each other label has its own offset, a
        factor with prior sd `period_sd`.
    visit_sd : (n,) relative sd that a condition not recorded adds to what the visit's readings share.
    relative_error : stated sd of a reading relative to its size, used and reported only where no repeat tells it.
    exposure_unit : "km" (rates per 10,000 km), "h" (rates per 100 h), else rates are told per 1.
    """

    y: NDArray[np.float64]
    exposure: NDArray[np.float64]
    vehicle: NDArray[Any]
    part: NDArray[Any]
    visit: NDArray[Any]
    bound: NDArray[np.int8] | None = None
    resolution: NDArray[np.float64] | None = None
    covariates: NDArray[np.float64] | None = None
    covariate_names: tuple[str, ...] = ()
    covariate_kind: tuple[CovariateKind, ...] = ()
    covariate_role: tuple[CovariateRole, ...] = ()
    prior_mean: NDArray[np.float64] | None = None
    prior_sd: NDArray[np.float64] | None = None
    family: NDArray[Any] | None = None
    gathered: NDArray[np.float64] | None = None
    unknown_start: NDArray[np.bool_] | None = None
    period: NDArray[Any] | None = None
    period_sd: float = 0.05
    visit_sd: NDArray[np.float64] | None = None
    relative_error: float = 0.10
    exposure_unit: str = "km"
    unit: str = ""

    def __len__(self) -> int:
        return int(np.asarray(self.y).size)

    @property
    def rate_over(self) -> float:
        """Exposure over which rates are told."""
        return RATE_OVER.get(self.exposure_unit, 1.0)

    def take(self, rows: NDArray[Any]) -> WearData:
        """Return the readings at these places, (m,) integers or an (n,) mask."""

        def of(values: NDArray[Any] | None) -> NDArray[Any] | None:
            return None if values is None else np.asarray(values)[rows]

        return WearData(
            y=np.asarray(self.y)[rows],
            exposure=np.asarray(self.exposure)[rows],
            vehicle=np.asarray(self.vehicle)[rows],
            part=np.asarray(self.part)[rows],
            visit=np.asarray(self.visit)[rows],
            bound=of(self.bound),
            resolution=of(self.resolution),
            covariates=of(self.covariates),
            covariate_names=self.covariate_names,
            covariate_kind=self.covariate_kind,
            covariate_role=self.covariate_role,
            prior_mean=self.prior_mean,
            prior_sd=self.prior_sd,
            family=of(self.family),
            gathered=of(self.gathered),
            unknown_start=of(self.unknown_start),
            period=of(self.period),
            period_sd=self.period_sd,
            visit_sd=of(self.visit_sd),
            relative_error=self.relative_error,
            exposure_unit=self.exposure_unit,
            unit=self.unit,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """`WearData` checked, complete and with labels turned into numbers 0, 1, ...; every array has shape (n,).

    `visit` numbers the visits of all vehicles, `turn` their labels in the order of time. `vehicle_label`,
    `part_label`, `family_label`, `period_label` lead back to the labels; period 0 is the base.
    """

    y: NDArray[np.float64]
    exposure: NDArray[np.float64]
    gathered: NDArray[np.float64]
    vehicle: NDArray[np.int64]
    part: NDArray[np.int64]
    visit: NDArray[np.int64]
    turn: NDArray[np.int64]
    family: NDArray[np.int64]
    period: NDArray[np.int64]
    bound: NDArray[np.int8]
    resolution: NDArray[np.float64]
    unknown_start: NDArray[np.bool_]
    visit_sd: NDArray[np.float64]
    covariates: NDArray[np.float64]
    names: tuple[str, ...]
    factor: NDArray[np.bool_]
    role: tuple[CovariateRole, ...]
    prior_mean: NDArray[np.float64]
    prior_sd: NDArray[np.float64]
    vehicle_label: NDArray[Any]
    part_label: NDArray[Any]
    family_label: NDArray[Any]
    period_label: NDArray[Any]
    source: WearData


def coded(data: WearData) -> Coded:
    """Check the readings and number their labels.

    Raises
    ------
    InputError
        An array has the wrong length, a value is missing or no finite number, or there is no reading.
    """
    y = _numbers(data.y, "y")
    n = y.size
    if y.ndim != 1 or n == 0:
        raise InputError(f"y must be a list of at least one reading, not of shape {y.shape}")
    _finite(y, "y")
    exposure = _floats(data.exposure, n, "exposure")
    gathered = exposure if data.gathered is None else _floats(data.gathered, n, "gathered")
    fixed = _columns(data, n)
    bound = np.zeros(n) if data.bound is None else _sized(_numbers(data.bound, "bound"), n, "bound")
    if not np.isin(bound, (-1, 0, 1)).all():
        raise InputError("a bound is 0 (measured), 1 (at least) or -1 (at most)")
    resolution = np.zeros(n) if data.resolution is None else _spread(data.resolution, n, "resolution", LARGEST)
    visit_sd = np.zeros(n) if data.visit_sd is None else _spread(data.visit_sd, n, "visit_sd", LARGEST_RELATIVE)
    for value, name in ((data.period_sd, "period_sd"), (data.relative_error, "relative_error")):
        if not value >= SMALLEST:
            raise InputError(f"{name} must be more than 0, not {value}")
    if data.relative_error > LARGEST_RELATIVE:
        raise InputError(f"relative_error must be at most {LARGEST_RELATIVE:g}, not {data.relative_error}")
    start = np.zeros(n) if data.unknown_start is None else _floats(data.unknown_start, n, "unknown_start")
    if not np.isin(start, (0, 1)).all():
        raise InputError("unknown_start is true or false for every reading")
    vehicle_label, vehicle = _labels(data.vehicle, n, "vehicle")
    part_label, part = _labels(data.part, n, "part")
    turn = _labels(data.visit, n, "visit")[1]
    family_label, family = (
        (np.array([""]), np.zeros(n, dtype=np.int64)) if data.family is None else _labels(data.family, n, "family")
    )
    period_label, period = _periods(data.period, n)
    return Coded(
        y=y,
        exposure=exposure,
        gathered=gathered,
        vehicle=vehicle,
        part=part,
        visit=np.unique(vehicle * (int(turn.max()) + 1) + turn, return_inverse=True)[1].astype(np.int64),
        turn=turn,
        family=family,
        period=period,
        bound=bound.astype(np.int8),
        resolution=resolution,
        unknown_start=start.astype(np.bool_),
        visit_sd=visit_sd,
        covariates=fixed.values,
        names=fixed.names,
        factor=fixed.factor,
        role=fixed.role,
        prior_mean=fixed.prior_mean,
        prior_sd=fixed.prior_sd,
        vehicle_label=vehicle_label,
        part_label=part_label,
        family_label=family_label,
        period_label=period_label,
        source=data,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    values: NDArray[np.float64]
    names: tuple[str, ...]
    factor: NDArray[np.bool_]
    role: tuple[CovariateRole, ...]
    prior_mean: NDArray[np.float64]
    prior_sd: NDArray[np.float64]


def _columns(data: WearData, n: int) -> _Columns:
    """Check the covariates and what is said of each."""
    values = np.zeros((n, 0)) if data.covariates is None else _numbers(data.covariates, "covariates")
    if values.ndim != 2 or values.shape[0] != n:
        raise InputError(f"covariates must have shape ({n}, c), not {values.shape}")
    _finite(values, "covariates")
    c = values.shape[1]
    names = tuple(data.covariate_names) or tuple(f"covariate {k + 1}" for k in range(c))
    kinds = tuple(data.covariate_kind) or ("added",) * c
    roles = tuple(data.covariate_role) or ("condition",) * c
    mean = np.zeros(c) if data.prior_mean is None else _numbers(data.prior_mean, "prior_mean")
    sd = np.full(c, np.inf) if data.prior_sd is None else _numbers(data.prior_sd, "prior_sd")
    if not len(names) == len(kinds) == len(roles) == c or not mean.shape == sd.shape == (c,):
        raise InputError(f"{c} covariates need {c} names, kinds, roles, prior means and prior sds")
    if not OWN_NAMES.isdisjoint(names):
        raise InputError('"level", "rate" and "start" are names of the model\'s own and of no covariate')
    if not {"added", "factor"}.issuperset(kinds):
        raise InputError('the kind of a covariate is "added" or "factor"')
    if not {"condition", "step", "rate"}.issuperset(roles):
        raise InputError('the role of a covariate is "condition", "step" or "rate"')
    if not (sd >= SMALLEST).all():
        raise InputError("a prior sd is more than 0 (infinite: flat)")
    if not (np.abs(mean) <= LARGEST).all():
        raise InputError("a prior mean is a finite number")
    factor = np.array([kind == "factor" for kind in kinds], dtype=np.bool_)
    if (np.abs(values @ np.where(factor, mean, 0.0)) > log(LARGEST)).any():
        raise InputError("a factor's column times its prior mean is the logarithm of a ratio, and here far too large")
    return _Columns(values, _apart(names), factor, roles, mean, sd)


def _apart(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return names of which no two are alike: a second one is numbered."""
    out: list[str] = []
    for name in names:
        again = sum(other == name for other in names[: len(out)])
        out.append(f"{name} ({again + 1})" if again else name)
    return tuple(out)


def _numbers(values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Return numbers as floats; text, dates, complex numbers and masked places are none."""
    if np.ma.is_masked(values):
        raise InputError(f"{name} has masked places: leave those readings out")
    made = np.asarray(values)
    try:
        if made.dtype.kind in "biufO":
            return made.astype(np.float64)
    except (TypeError, ValueError):
        pass
    raise InputError(f"{name} must be numbers, not {made.dtype}")


def _sized(values: NDArray[Any], n: int, name: str) -> NDArray[Any]:
    if values.shape != (n,):
        raise InputError(f"{name} must have one value a reading, shape ({n},), not {values.shape}")
    return values


def _floats(values: ArrayLike, n: int, name: str) -> NDArray[np.float64]:
    made = _sized(_numbers(values, name), n, name)
    _finite(made, name)
    return made


def _spread(values: ArrayLike, n: int, name: str, most: float) -> NDArray[np.float64]:
    """Return values of 0 or more, NaN as 0."""
    made = _sized(_numbers(values, name), n, name)
    made = np.where(np.isnan(made), 0.0, made)
    if not ((made >= 0) & (made <= most)).all():
        raise InputError(f"{name} must be 0 or more, NaN where it is not known, and at most {most:g}")
    return made


def _finite(values: NDArray[np.float64], name: str) -> None:
    size = np.abs(values)
    wrong = ~(size <= LARGEST) | ((size > 0) & (size < SMALLEST))
    if wrong.any():
        at = tuple(np.argwhere(wrong)[0].tolist())
        raise InputError(
            f"{name} must be finite numbers, 0 or between {SMALLEST:g} and {LARGEST:g} in size; "
            f"reading {at[0]} is {values[at]}"
        )


def _labels(values: ArrayLike, n: int, name: str) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return the distinct labels, sorted, and the place of each reading's label among them."""
    if np.ma.is_masked(values):
        raise InputError(f"{name} has masked places: leave those readings out")
    labels = _sized(np.asarray(values), n, name)
    if labels.dtype.kind not in "iuUS":
        missing = np.asarray(pd.isna(labels))
        if missing.any():
            raise InputError(
                f"{name} must be known for every reading; that of reading {int(np.argmax(missing))} is not"
            )
    try:
        if labels.dtype.kind != "V":
            distinct, code = np.unique(labels, return_inverse=True)
            return distinct, code.astype(np.int64)
    except TypeError:
        pass
    raise InputError(f"{name} labels must be all text, all numbers or all dates, so that they can be sorted")


def _periods(values: ArrayLike | None, n: int) -> tuple[NDArray[Any], NDArray[np.int64]]:
    if values is None:
        return np.array([""]), np.zeros(n, dtype=np.int64)
    label, code = _labels(values, n, "period")
    base = np.concatenate([[""], label.astype(str)])
    distinct, place = np.unique(base, return_inverse=True)
    return distinct, place[1:][code].astype(np.int64)
