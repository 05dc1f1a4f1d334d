"""From fits to what is known of every part: one component a working scale, or a draw of the variances."""

from __future__ import annotations

import numpy as np

from wearlab.wear.averaging import draws
from wearlab.wear.blocks import Floats
from wearlab.wear.design import Problem
from wearlab.wear.estimate import Options
from wearlab.wear.mixture import Component, Mixture, Solution
from wearlab.wear.scale_fit import ScaleFit, life_of_part
from wearlab.wear.state import posterior
from wearlab.wear.variances import INDEX, variances_of


def mixture_of(fits: tuple[ScaleFit, ...], weights: Floats, options: Options, *, average: bool, seed: int) -> Mixture:
    """Return the components of fits with weights (k,); `average` draws the variances of each."""
    made = []
    for number, (fit, weight) in enumerate(zip(fits, weights, strict=True)):
        estimate = fit.estimate
        if average:
            for draw in draws(estimate, options, seed=seed):
                found = draw.evaluated
                solution = Solution(draw.theta, found.beta, found.covariance, number)
                made.append(_component(fit, float(weight) * draw.weight, solution, options))
        else:
            found = estimate.evaluated
            solution = Solution(estimate.theta, found.beta, found.covariance, number)
            made.append(_component(fit, float(weight), solution, options))
    return Mixture(tuple(made))


def _component(fit: ScaleFit, weight: float, solution: Solution, options: Options) -> Component:
    theta, beta, covariance = solution.theta, solution.beta, solution.covariance
    work = fit.estimate.work
    design = work.design
    found = posterior(work, fit.estimate.local, theta, beta, covariance, options.through)
    life = life_of_part(design)
    unknown = np.zeros(design.blocks.lives, dtype=np.bool_)
    unknown[design.blocks.life] = design.blocks.unknown_start
    noise = theta[INDEX["visit"]] + theta[INDEX["repeat"]] + theta[INDEX["error"]]
    known = np.zeros(design.blocks.lives)
    np.maximum.at(known, design.blocks.life, design.known)
    level, rate = _family_rows(design)
    rows = np.stack([level, rate], axis=1)  # (F, 2, p)
    return Component(
        weight=weight,
        scale=fit.scale,
        level=found.level[life],
        rate=found.rate[life],
        var_level=found.var_level[life],
        var_rate=found.var_rate[life],
        cov=found.cov[life],
        fresh=found.fresh[life],
        var_fresh=found.var_fresh[life],
        noise=noise + known[life],
        position=found.position[life],
        unit_exposure=np.full(life.size, design.span),
        gamma=np.where(unknown[life], 1.0, fit.scale.gamma),
        vehicle_rate=found.rate_of_vehicle,
        var_vehicle_rate=found.var_rate_of_vehicle,
        vehicle_level=found.vehicle_level,
        family_level=level @ beta,
        family_rate=rate @ beta,
        family_covariance=rows @ covariance @ rows.swapaxes(1, 2),
        path_variance=float(theta[INDEX["path"]]),
        variances=variances_of(theta),
        solution=solution,
    )


def _family_rows(design: Problem) -> tuple[Floats, Floats]:
    """Return which coefficients make the level and the rate of every family, (F, p) each."""
    families = design.data.family_label.size
    level, rate = np.zeros((families, design.p)), np.zeros((families, design.p))
    for k, column in enumerate(design.columns):
        if column.kind == "level":
            level[:, k] = 1.0
        elif column.kind == "rate":
            rate[:, k] = 1.0
        elif column.kind == "family level":
            level[column.family, k] = 1.0
        elif column.kind == "family rate":
            rate[column.family, k] = 1.0
    return level, rate
