"""The rate of every life by its own readings alone, with what that rate is worth.

A line by generalised least squares through a life's readings on the working scale, freed of conditions and rig
offsets, its level its own. The readings' covariance is that of the wear model: path, visit, repeats, reading and
graduation. The model's own rates of parts would not do here: they lean towards the family's, and would hide what is
looked for. Readings beyond the scale have no place on a line and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearlab.study.candidates import Floats, Ints
from wearlab.wear.scale_fit import ScaleFit
from wearlab.wear.variances import INDEX


@dataclass(frozen=True, slots=True, eq=False)
class PartRates:
    """Rates relative to the family's; arrays (L,) over the lives that have one.

    `rate` 1 is the family's; `sd` is its error, `spread` how much true rates differ from part to part and vehicle to
    vehicle. `life`, `vehicle`, `family` are codes, `silent` the number of lives without a rate of their own.
    """

    life: Ints
    vehicle: Ints
    family: Ints
    rate: Floats
    sd: Floats
    spread: Floats
    silent: int

    @property
    def weight(self) -> Floats:
        """What each rate counts for: one over all of its variance, mean 1; (L,)."""
        out = 1.0 / (self.sd**2 + self.spread**2)
        return np.asarray(out / out.mean(), dtype=np.float64)


def part_rates(fit: ScaleFit, family_rate: Floats) -> PartRates:
    """Return the rates of a fit's lives; `family_rate` (F,) is each family's, per working exposure 1."""
    work, theta = fit.estimate.work, fit.estimate.theta
    design = work.design
    data, life = design.data, design.blocks.life
    y, x = design.y - _set_aside(fit), design.x
    own = theta[INDEX["error"]] + design.known + work.doubt
    path, repeat = theta[INDEX["path"]], theta[INDEX["repeat"]]
    shared = theta[INDEX["visit"]] + design.shared**2
    measured = np.flatnonzero(data.bound == 0)
    order = measured[np.lexsort((x[measured], life[measured]))]
    edges = np.flatnonzero(np.diff(life[order], prepend=-1) != 0)
    told: list[tuple[int, float, float]] = []
    for rows in np.split(order, edges[1:]) if order.size else []:
        at = x[rows]
        if at[-1] - at[0] <= 0:
            continue
        together = data.visit[rows][:, None] == data.visit[rows][None, :]
        cover = path * np.minimum(at[:, None], at[None, :]) + together * (
            repeat + np.sqrt(np.outer(shared[rows], shared[rows]))
        )
        cover[np.diag_indices(rows.size)] += own[rows]
        lines = np.column_stack([np.ones(rows.size), at])
        solved = np.linalg.solve(cover, np.column_stack([lines, y[rows]]))
        inverse = np.linalg.inv(lines.T @ solved[:, :2])
        told.append((int(rows[-1]), float((inverse @ (lines.T @ solved[:, 2]))[1]), float(np.sqrt(inverse[1, 1]))))
    place = np.array([row for row, _, _ in told], dtype=np.int64)
    family = data.family[place]
    unit = family_rate[family]
    spread = float(np.sqrt(theta[INDEX["vehicle_rate"]] + theta[INDEX["part_rate"]]))
    return PartRates(
        life=life[place],
        vehicle=data.vehicle[place],
        family=family,
        rate=np.array([rate for _, rate, _ in told]) / unit,
        sd=np.array([sd for _, _, sd in told]) / np.abs(unit),
        spread=spread / np.abs(unit),
        silent=design.blocks.lives - place.size,
    )


def _set_aside(fit: ScaleFit) -> Floats:
    """What conditions, events and rig periods put on every reading on the working scale, (n,)."""
    design = fit.estimate.work.design
    entries, beta = design.entries, fit.estimate.evaluated.beta
    aside = np.array([column.kind in ("covariate", "period") for column in design.columns], dtype=np.bool_)
    kept = aside[entries.column]
    out = np.zeros(design.n)
    np.add.at(out, entries.reading[kept], design.values()[kept] * beta[entries.column[kept]])
    return out
