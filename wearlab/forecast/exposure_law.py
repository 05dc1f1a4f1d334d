"""The law of a first passage over exposure, tabled once a part, so that every date and chance is read from it.

It is told as the probit of the chance over the exposure to go since `start`, the exposure of the last reading; what is
passed by then is told as passed there. `grid_law` tables what the wear model says, `point_law` a few known points.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from wearlab.forecast.mixed_law import Array
from wearlab.forecast.root import Places, close_in

#: probits beyond this are as good as never and always
FAR = 7.0


class ExposureLaw(Protocol):
    """The passage of P limits over exposure."""

    @property
    def start(self) -> Array: ...
    @property
    def known(self) -> NDArray[np.bool_]: ...
    @property
    def reach(self) -> Array:
        """The exposure to go (P,) beyond which nothing is asked."""
        ...

    def probit(self, ahead: Array, rows: Places) -> tuple[Array, Array]:
        """Return the probit of the chance and its slope, at exposures to go (n,) of the parts numbered (n,)."""
        ...


def chance_by(law: ExposureLaw, exposure: ArrayLike) -> Array:
    """Return the chance that each limit is passed by an exposure (P,)."""
    rows = np.arange(law.start.size)
    told, _ = law.probit(np.asarray(exposure, dtype=np.float64) - law.start, rows)
    return np.where(law.known, ndtr(told), np.nan)


def exposures_at(law: ExposureLaw, levels: ArrayLike, reach: ArrayLike | None = None) -> Array:
    """Return the exposures (Q, P) by which each limit is passed with these chances; infinite beyond `reach` (P,).

    `reach` is an exposure to go, that of the law where not given. Passed by the last reading already: the exposure of
    that reading.
    """
    wanted = ndtri(np.asarray(levels, dtype=np.float64))[:, None]
    every = np.arange(law.start.size)
    most = np.where(np.isfinite(law.reach), law.reach, 1.0)
    end = most if reach is None else np.minimum(most, np.asarray(reach, dtype=np.float64))
    shares = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 13)])
    values = np.array([law.probit(share * end, every)[0] for share in shares])
    past = values[:, None, :] >= wanted
    first = np.where(past.any(axis=0), past.argmax(axis=0), shares.size)
    found = np.where(first == 0, law.start, np.inf)
    level, part = np.nonzero((first > 0) & (first < shares.size) & law.known)
    upper, goal = first[level, part], wanted[level, 0]
    exact = close_in(
        lambda ahead, rows: law.probit(ahead, part[rows])[0] - goal[rows],
        shares[upper - 1] * end[part],
        shares[upper] * end[part],
        values[upper - 1, part] - goal,
        values[upper, part] - goal,
        value_exact=1e-4,
        place_exact=0.05,
    )
    found[level, part] = law.start[part] + exact
    return np.where(law.known, found, np.nan)
