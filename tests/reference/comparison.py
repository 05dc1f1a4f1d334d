"""A fit of this library beside the numbers another program printed for the same readings, quantity by quantity."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reference.results import Known
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.data import WearData
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit, life_of_part
from wearlab.wear.state import posterior

#: What is compared.
QUANTITIES = ("fixed", "se", "sd", "correlation", "loglik", "effects")
TOLERANCE = 1e-4

#: Other programs know no Wiener path.
NO_PATH = ("path",)


@dataclass(frozen=True)
class Case:
    """Readings, and how the other program calls what this library calls `level`, `part_rate` and so on.

    `fixed` leads from their names of fixed effects to ours, `sd` from their standard deviations to fields of
    `Variances`, `effects` from their predicted effects to the same fields. `without` are the effects that the other
    program's model does not have.
    """

    model: str
    data: WearData
    fixed: dict[str, str]
    sd: dict[str, str]
    effects: dict[str, str] = field(default_factory=dict)
    without: tuple[str, ...] = NO_PATH


def plain(data: WearData, method: str = "reml", without: tuple[str, ...] = NO_PATH) -> ScaleFit:
    """Fit on the straight scale by plain REML or ML: no penalty, no weights, no averaging."""
    fit = fit_group(
        data,
        scales=(STRAIGHT,),
        method=method,
        penalty=False,
        robust=False,
        average=False,
        without=without,
    )
    assert not isinstance(fit, NoAnswer), fit.reason
    return fit.best


def compared(cases: Iterable[str], known: dict[str, Known]) -> list[tuple[str, str, str]]:
    """Return what there is to compare: model, method and quantity (not every model has a correlation)."""
    return [
        (model, method, quantity)
        for model in cases
        for method in ("reml", "ml")
        for quantity in QUANTITIES
        if quantity != "correlation" or quantity in known[f"{model} {method}"]
    ]


def predicted(fit: ScaleFit) -> dict[str, dict[str, float]]:
    """Return the predicted effects of parts and vehicles, rates per 1 exposure, by label."""
    estimate, data = fit.estimate, fit.design.data
    at = estimate.evaluated
    found = posterior(estimate.work, estimate.local, estimate.theta, at.beta, at.covariance).per(fit.unit)
    life = life_of_part(fit.design)

    def named(labels: NDArray[Any], values: NDArray[np.float64]) -> dict[str, float]:
        return dict(zip(map(str, labels), values.tolist(), strict=True))

    return {
        "part_level": named(data.part_label, found.part_level[life]),
        "part_rate": named(data.part_label, found.part_rate[life]),
        "vehicle_level": named(data.vehicle_label, found.vehicle_level),
        "vehicle_rate": named(data.vehicle_label, found.vehicle_rate),
    }


def both(case: Case, fit: ScaleFit, known: Known, quantity: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return our numbers and theirs, in the same order."""
    if quantity in ("fixed", "se"):
        theirs = {case.fixed[name]: value for name, value in known[quantity].items()}
        values = fit.fixed.estimate if quantity == "fixed" else np.sqrt(np.diag(fit.fixed.covariance))
        ours = dict(zip(fit.fixed.names, values.tolist(), strict=True))
        assert set(ours) == set(theirs)
    elif quantity == "sd":
        theirs = {case.sd[name]: value for name, value in known["sd"].items()}
        ours = {name: getattr(fit.variances, name) for name in theirs}
    elif quantity == "correlation":
        theirs = known.get("correlation", {})
        ours = dict.fromkeys(theirs, fit.variances.correlation)
    elif quantity == "loglik":
        (value,) = known["loglik"].values()
        theirs, ours = {"criterion": value}, {"criterion": fit.criterion}
    else:
        theirs, ours = {}, {}
        for name, ours_name in case.effects.items():
            values, scale = predicted(fit)[ours_name], getattr(fit.variances, ours_name)
            theirs |= {f"{ours_name} {label}": value / scale for label, value in known[f"effect:{name}"].items()}
            ours |= {f"{ours_name} {label}": value / scale for label, value in values.items()}
        assert set(ours) == set(theirs)
    return np.array([ours[name] for name in theirs]), np.array(list(theirs.values()))


def differ(ours: NDArray[np.float64], theirs: NDArray[np.float64], quantity: str) -> NDArray[np.float64]:
    """Return the differences, each in units of what is tolerated.

    Relative to the value; for the log-likelihood, whose optimum is flat, 1e-5 absolute; for predicted effects, which
    can lie anywhere about zero, relative to the larger of the value and one standard deviation of the effect.
    """
    if quantity == "loglik":
        return np.abs(ours - theirs) / 1e-5
    if quantity == "effects":
        return np.abs(ours - theirs) / (TOLERANCE * np.maximum(np.abs(theirs), 1.0))
    return np.abs(ours / theirs - 1) / TOLERANCE
