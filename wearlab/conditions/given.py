"""Conditions as they are handed over: one value a test or reading, with gaps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

Floats = NDArray[np.float64]

#: One value a test or reading; NaN or None where it was not recorded.
Given = ArrayLike | Sequence[float | None]
GivenWords = ArrayLike | Sequence[str | None]


def condition_array(values: Given | None) -> Floats | None:
    """Return a condition as a float array of shape (n,), None elements as NaN."""
    if values is None:
        return None
    array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    if array.ndim != 1:
        raise InputError("a condition is an array of one dimension, one value a test")
    return array


def kind_array(kinds: GivenWords | None, n: int) -> NDArray[np.str_]:
    """Return kinds of temperature as small letters, shape (n,); "" where not said."""
    if kinds is None:
        return np.full(n, "", dtype="U32")
    raw = np.atleast_1d(np.asarray(kinds, dtype=object))
    if raw.shape != (n,):
        raise InputError(f"{raw.size} kinds of temperature were given for {n} tests")
    # a missing word comes from a data frame as NaN
    return np.array([k.strip().lower() if isinstance(k, str) else "" for k in raw], dtype="U32")


def one_length(*arrays: Floats | None) -> int:
    """Return the common length of the arrays that are there; 0 when none is.

    Raises
    ------
    InputError
        They differ in length.
    """
    sizes = {a.size for a in arrays if a is not None}
    if len(sizes) > 1:
        raise InputError(f"conditions of one group must have one length, not {sorted(sizes)}")
    return sizes.pop() if sizes else 0
