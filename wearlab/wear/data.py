"""What a wear model is fitted to: the readings of one group (one measure, one protocol) as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

#: How a covariate acts: added on the working scale, or as a factor on the reading (on its logarithm).
CovariateKind = Literal["added", "factor"]

#: What becomes of a covariate when a level is told: conditions are taken out of it, a step that an event left stays in
#: it, and a column that counts exposure since an event stays in it and changes the rate.
CovariateRole = Literal["condition", "step", "rate"]

#: Exposure over which a rate is told, by the unit of exposure.
RATE_OVER = {"km": 10_000.0, "h": 100.0}


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
        An array has the wrong length, a value is not finite, or there is no reading.
    """
    y = np.asarray(data.y, dtype=np.float64)
    n = y.size
    if y.ndim != 1 or n == 0:
        raise InputError(f"y must be a list of at least one reading, not of shape {y.shape}")
    exposure = _floats(data.exposure, n, "exposure")
    gathered = exposure if data.gathered is None else _floats(data.gathered, n, "gathered")
    _finite(y, "y")
    _finite(exposure, "exposure")
    _finite(gathered, "gathered")
    covariates = np.zeros((n, 0)) if data.covariates is None else np.asarray(data.covariates, dtype=np.float64)
    if covariates.ndim != 2 or covariates.shape[0] != n:
        raise InputError(f"covariates must have shape ({n}, c), not {covariates.shape}")
    _finite(covariates, "covariates")
    c = covariates.shape[1]
    names = data.covariate_names or tuple(f"covariate {k + 1}" for k in range(c))
    kinds = data.covariate_kind or ("added",) * c
    roles = data.covariate_role or ("condition",) * c
    mean = np.zeros(c) if data.prior_mean is None else np.asarray(data.prior_mean, dtype=np.float64)
    sd = np.full(c, np.inf) if data.prior_sd is None else np.asarray(data.prior_sd, dtype=np.float64)
    if not len(names) == len(kinds) == len(roles) == mean.size == sd.size == c:
        raise InputError(f"{c} covariates need {c} names, kinds, roles, prior means and prior sds")
    if not (sd > 0).all():
        raise InputError("a prior sd is more than 0 (infinite: flat)")
    bound = np.zeros(n, dtype=np.int8) if data.bound is None else _sized(data.bound, n, "bound").astype(np.int8)
    if not np.isin(bound, (-1, 0, 1)).all():
        raise InputError("a bound is 0 (measured), 1 (at least) or -1 (at most)")
    resolution = np.zeros(n) if data.resolution is None else np.nan_to_num(_floats(data.resolution, n, "resolution"))
    visit_sd = np.zeros(n) if data.visit_sd is None else np.nan_to_num(_floats(data.visit_sd, n, "visit_sd"))
    if (resolution < 0).any() or (visit_sd < 0).any():
        raise InputError("a resolution and a visit_sd are 0 or more")
    start = (
        np.zeros(n, dtype=np.bool_) if data.unknown_start is None else _sized(data.unknown_start, n, "unknown_start")
    )
    vehicle_label, vehicle = _codes(_sized(data.vehicle, n, "vehicle"))
    part_label, part = _codes(_sized(data.part, n, "part"))
    turn = _codes(_sized(data.visit, n, "visit"))[1]
    family_label, family = (
        (np.array([""]), np.zeros(n, dtype=np.int64))
        if data.family is None
        else _codes(_sized(data.family, n, "family"))
    )
    period_label, period = _periods(None if data.period is None else _sized(data.period, n, "period"), n)
    return Coded(
        y=y,
        exposure=exposure,
        gathered=gathered,
        vehicle=vehicle,
        part=part,
        visit=_codes(vehicle * (int(turn.max()) + 1) + turn)[1],
        turn=turn,
        family=family,
        period=period,
        bound=bound,
        resolution=resolution,
        unknown_start=start.astype(np.bool_),
        visit_sd=visit_sd,
        covariates=covariates,
        names=tuple(names),
        factor=np.array([kind == "factor" for kind in kinds], dtype=np.bool_),
        role=roles,
        prior_mean=mean,
        prior_sd=sd,
        vehicle_label=vehicle_label,
        part_label=part_label,
        family_label=family_label,
        period_label=period_label,
        source=data,
    )


def _sized(values: ArrayLike, n: int, name: str) -> NDArray[Any]:
    made = np.asarray(values)
    if made.shape != (n,):
        raise InputError(f"{name} must have one value a reading, shape ({n},), not {made.shape}")
    return made


def _floats(values: ArrayLike, n: int, name: str) -> NDArray[np.float64]:
    return _sized(values, n, name).astype(np.float64)


def _finite(values: NDArray[np.float64], name: str) -> None:
    if not np.isfinite(values).all():
        at = int(np.argwhere(~np.isfinite(values))[0][0])
        raise InputError(f"{name} must be finite numbers; reading {at} is not")


def _codes(labels: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return the distinct labels, sorted, and the place of each reading's label among them."""
    distinct, code = np.unique(labels, return_inverse=True)
    return distinct, code.astype(np.int64)


def _periods(labels: NDArray[Any] | None, n: int) -> tuple[NDArray[Any], NDArray[np.int64]]:
    if labels is None:
        return np.array([""]), np.zeros(n, dtype=np.int64)
    distinct, code = _codes(np.concatenate([[""], labels.astype(str)]))
    return distinct, code[1:]
