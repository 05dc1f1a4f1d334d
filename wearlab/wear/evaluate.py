"""The model at given variances: criterion, score and innovations, without any search."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from wearlab.wear.blocks import Floats, blocks
from wearlab.wear.covariance import covariance, structure
from wearlab.wear.data import WearData, coded
from wearlab.wear.design import problem
from wearlab.wear.evaluated import Evaluated, evaluated
from wearlab.wear.least_squares import least_squares
from wearlab.wear.likelihood import Work, passed, readings_of
from wearlab.wear.local import Local, localised
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.variances import INDEX, Variances

#: Passes that bring the coefficients, and slopes of the scale, to rest at given variances.
SETTLING = 3


def work_at(data: WearData, scale: WorkingScale, *, flat: bool) -> tuple[Work, tuple[Local, ...], Floats]:
    """Return readings ready for a pass on one working scale, and coefficients by least squares."""
    known = coded(data)
    design, beta, _, _ = least_squares(problem(known, blocks(known), scale, flat=flat))
    return Work(design, design.y.copy(), np.zeros(design.n), {}), localised(design), beta


def at_variances(
    data: WearData, variances: Variances, scale: WorkingScale = STRAIGHT, *, method: str = "reml", flat: bool = True
) -> tuple[Work, tuple[Local, ...], Floats, Evaluated]:
    """Return the readings, variances theta (10,) per working exposure, and the model evaluated at them.

    `flat` leaves the prior out of level and rate of several families.
    """
    work, local, beta = work_at(data, scale, flat=flat)
    theta = variances.per(work.design.span**scale.gamma).theta()
    active = np.ones(len(INDEX), dtype=np.bool_)
    found = None
    for _ in range(SETTLING):
        sums, seen = passed(work, local, theta, beta, active, look=True)
        found = evaluated(sums, work.design, method=method)
        beta = found.beta
        if seen is not None and (work.design.data.bound.any() or work.design.entries.factor.any()):
            work = Work(work.design.refit_at(seen.told), seen.y, work.doubt, seen.spread)
    assert found is not None
    return work, local, theta, found


def criterion_at(
    data: WearData, variances: Variances, scale: WorkingScale = STRAIGHT, *, method: str = "reml", flat: bool = True
) -> float:
    """Return the restricted ("reml") or full ("ml") log-likelihood, with all constants, at these variances."""
    return at_variances(data, variances, scale, method=method, flat=flat)[3].criterion


def score_at(
    data: WearData, variances: Variances, scale: WorkingScale = STRAIGHT, *, method: str = "reml", flat: bool = True
) -> Variances:
    """Return the derivative of the criterion by each standard deviation, and by the correlation."""
    work, _, _, found = at_variances(data, variances, scale, method=method, flat=flat)
    unit = work.design.span**scale.gamma
    sd = variances.per(unit)
    out = {
        field.name: 2 * getattr(sd, field.name) * float(found.score[INDEX[field.name]])
        for field in fields(Variances)
        if field.name != "correlation"
    }
    lean = float(found.score[INDEX["part_covariance"]])
    out["part_level"] += sd.correlation * sd.part_rate * lean
    out["part_rate"] += sd.correlation * sd.part_level * lean
    out["correlation"] = sd.part_level * sd.part_rate * lean
    return Variances(**out).per(unit)


def innovations_at(
    data: WearData, variances: Variances, scale: WorkingScale = STRAIGHT, *, flat: bool = True
) -> Floats:
    """Return, for every reading (n,), how far it lies from what the earlier ones of its block foretell, in sd.

    Readings of a block are taken by visit, then by life; the coefficients are those of all readings.
    """
    work, local, theta, found = at_variances(data, variances, scale, flat=flat)
    readings = readings_of(work)
    values, y = work.design.values(), np.append(work.y, 0.0)
    out = np.zeros(work.design.n + 1)
    for chunk, own in zip(work.design.blocks.chunks, local, strict=True):
        m, n = chunk.rows.shape
        lower = np.linalg.cholesky(covariance(structure(chunk, readings, path=True, repeat=True), theta))
        x = own.design(values, m, n)
        coefficients = np.where(own.columns >= 0, np.append(found.beta, 0.0)[own.columns], 0.0)
        residual = y[chunk.rows] - (x @ coefficients[:, :, None])[:, :, 0]
        out[chunk.rows] = np.linalg.solve(lower, residual[:, :, None])[:, :, 0]
    return out[:-1]
