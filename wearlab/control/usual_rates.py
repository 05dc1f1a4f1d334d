"""The rate at which the average part of a family wears."""

from __future__ import annotations

import numpy as np

from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit


def usual_rates(fit: ScaleFit) -> Floats:
    """Return the rate of the average part of every family (F,), per working exposure 1; 0 where none is told."""
    fixed = fit.fixed
    common = fixed.place("rate")
    places = [fixed.place(f"rate {label}") for label in fit.design.data.family_label]
    places = [common if place is None else place for place in places]
    return np.array([0.0 if place is None else float(fixed.estimate[place]) * fit.unit for place in places])
