"""Equally likely variances of a small group, which its signals have to allow for."""

from __future__ import annotations

import numpy as np

from wearlab.wear.averaging import FEWER_THAN, draws
from wearlab.wear.blocks import Floats
from wearlab.wear.estimate import Options
from wearlab.wear.scale_fit import ScaleFit

#: Draws that stand for what is not known of the variances.
DRAWS = 16


def variance_draws(fit: ScaleFit) -> tuple[Floats, ...]:
    """Return variances, each (10,) per working exposure; none where the group is large enough to know them."""
    if fit.design.data.vehicle_label.size >= FEWER_THAN:
        return ()
    found = draws(fit.estimate, Options(method=fit.method), seed=1)
    copies = np.array([draw.weight for draw in found])
    marks = (np.arange(DRAWS) + 0.5) / DRAWS
    place = np.searchsorted(np.cumsum(copies / copies.sum()), marks).clip(0, len(found) - 1)
    return tuple(found[k].theta for k in place.tolist()) if len(found) > 1 else ()
