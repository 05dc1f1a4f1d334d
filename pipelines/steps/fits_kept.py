"""Fits that this process made, kept for the next that asks for the same: the plan and the control charts both do."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import fields

import numpy as np

from wearlab.language import spoken
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.results import WearFit
from wearlab.wear.scale import WorkingScale

#: readings of all kept fits together at most; a fit takes about 2 kB of memory a reading
MOST_READINGS = 200_000

_kept: OrderedDict[str, tuple[int, WearFit | NoAnswer]] = OrderedDict()


def kept_fit(
    data: WearData, scales: tuple[WorkingScale, ...], fit: Callable[[], WearFit | NoAnswer]
) -> WearFit | NoAnswer:
    """Return the fit of these very readings on these scales, made by `fit` where there is none.

    A fit depends on nothing else, its notes on the language. Those that were asked for longest ago go first.
    """
    key = _key(data, scales)
    if key in _kept:
        _kept.move_to_end(key)
        return _kept[key][1]
    made = fit()
    _kept[key] = (data.y.size, made)
    while sum(size for size, _ in _kept.values()) > MOST_READINGS:
        _kept.popitem(last=False)
    return made


def _key(data: WearData, scales: tuple[WorkingScale, ...]) -> str:
    found = hashlib.sha256(repr((spoken().name, scales)).encode())
    for field in fields(data):
        value = getattr(data, field.name)
        if isinstance(value, np.ndarray):
            plain = value.astype(str) if value.dtype == object else np.ascontiguousarray(value)
            found.update(f"{field.name} {plain.dtype} {plain.shape}".encode())
            found.update(plain.tobytes())
        else:
            found.update(f"{field.name} {value!r}".encode())
    return found.hexdigest()
