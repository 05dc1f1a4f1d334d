"""What a named cause did to the readings, and a fit as it would be without it.

Causes that hide each other (a rig that drifts, and fuel that spoilt some of the vehicles tested on it) are told apart
by taking the one off before the other is looked for.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from wearlab.control.episodes import Cause
from wearlab.control.innovations import touching, whitened
from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit

#: kinds that touch one visit
_ONCE = ("reading", "visit")


def effect(fit: ScaleFit, causes: Iterable[Cause]) -> Floats:
    """Return what causes of vehicles and parts add to working values, (N,)."""
    design = fit.design
    data, life = design.data, design.blocks.life
    out = np.zeros(design.n)
    for cause in causes:
        own = life == cause.life if cause.life >= 0 else data.vehicle == data.vehicle[cause.onset]
        turn = data.turn[cause.onset]
        if cause.kind in _ONCE:
            out[own & (data.visit == data.visit[cause.onset])] += cause.size
        elif cause.kind == "wear":
            since = own & (data.turn > turn)
            known = design.x[own & (data.turn <= turn)]
            out[since] += cause.size * (design.x[since] - known.max(initial=0.0))
        else:
            out[own & (data.turn >= turn)] += cause.size
    return out


def without(fit: ScaleFit, off: Floats) -> ScaleFit:
    """Return the fit with `off` (N,) taken off its working values and its coefficients told anew; variances stay."""
    if not off.any():
        return fit
    estimate, p = fit.estimate, fit.design.p
    padded, pull = np.append(off, 0.0), np.zeros(p + 1)
    for white in whitened(fit, picked=touching(fit, off != 0)):
        moved = (white.inverse @ padded[white.rows][:, :, None])[:, :, 0]
        np.add.at(pull, white.columns % (p + 1), (white.wx.swapaxes(1, 2) @ moved[:, :, None])[:, :, 0])
    evaluated = estimate.evaluated
    beta = evaluated.beta - evaluated.covariance @ pull[:p]
    work = replace(estimate.work, y=estimate.work.y - off)
    return replace(fit, estimate=replace(estimate, work=work, evaluated=replace(evaluated, beta=beta)))
