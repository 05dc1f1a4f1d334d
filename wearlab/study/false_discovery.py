"""Many questions asked at once: which of them may be called found, when only a share of the finds may be chance.

Benjamini & Hochberg 1995: the adjusted chance of the k-th smallest of m is the least, over it and all larger ones, of
m p / k. What lies at or below q is found; of all that is found so, a share of q at most is expected to be chance, for
independent questions and for many dependent ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError


def adjusted_chances(p: ArrayLike) -> NDArray[np.float64]:
    """Return the adjusted chances (m,) of chances p (m,) that nothing is there; NaN stays NaN and is no question.

    Raises
    ------
    InputError
        A chance is not between 0 and 1.
    """
    values = np.asarray(p, dtype=np.float64)
    if values.ndim != 1:
        raise InputError(f"chances must be a list, not of shape {values.shape}")
    asked = np.flatnonzero(~np.isnan(values))
    given = values[asked]
    if not ((given >= 0) & (given <= 1)).all():
        raise InputError("a chance lies between 0 and 1")
    out = np.full(values.shape, np.nan)
    order = np.argsort(given, kind="stable")
    scaled = given[order] * given.size / np.arange(1, given.size + 1)
    out[asked[order]] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return out
