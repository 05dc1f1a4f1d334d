"""Sizes of several shared causes told together.

Two causes that overlap (a rig, and a tube of it; vehicles of one depot on one rig) each take a part of the other when
they are sized one at a time. Together, with D the causes as columns beside the fixed effects, sizes are
b = (D'VD)^-1 D'V e, where V takes the fixed effects out of K^-1: sums over blocks, as for one cause.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.control.innovations import touching, whitened
from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit

#: Share of its information that a cause must keep once the others are taken out, to be told beside them.
LEAST_OWN = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class JointSizes:
    """Sizes of c causes told together, as shares of the reading, with their sd; arrays (c,), NaN: not told beside.

    `slope` (N,): what a share of 1 changes the working value of a reading by, 0 beyond the scale and in blocks that no
    cause touches.
    """

    size: Floats
    sd: Floats
    slope: Floats

    def offset(self, members: Sequence[NDArray[np.bool_]]) -> Floats:
        """Return what the causes add to working values, (N,)."""
        share = np.zeros(self.slope.size)
        for member, size in zip(members, np.nan_to_num(self.size), strict=True):
            share += size * member
        return share * self.slope

    @property
    def z(self) -> Floats:
        """Sizes in sd, (c,)."""
        return np.asarray(self.size / self.sd, dtype=np.float64)


def joint_sizes(fit: ScaleFit, members: Sequence[NDArray[np.bool_]]) -> JointSizes:
    """Return the sizes of causes that change the readings `members` (N,) each, strongest cause first."""
    count = len(members)
    p = fit.design.p
    touched = np.zeros((fit.design.n + 1, count))
    touched[:-1] = np.stack(members, axis=1) if count else 0.0
    slope = np.zeros(fit.design.n + 1)
    score, plain, side = np.zeros(count), np.zeros((count, count)), np.zeros((p + 1, count))
    for white in whitened(fit, picked=touching(fit, np.asarray(touched[:-1].any(axis=1)))):
        slope[white.rows] = white.slope
        u = white.inverse @ (touched[white.rows] * white.slope[:, :, None])
        score += np.einsum("mnc,mn->c", u, white.w)
        plain += np.einsum("mnc,mnd->cd", u, u)
        np.add.at(side, white.columns % (p + 1), white.wx.swapaxes(1, 2) @ u)
    lean = side[:p]
    left = plain - lean.T @ fit.estimate.evaluated.covariance @ lean
    told = _told(left, np.diag(plain))
    size, sd = np.full(count, np.nan), np.full(count, np.nan)
    if told.size:
        covariance = np.linalg.inv(left[np.ix_(told, told)])
        size[told] = covariance @ score[told]
        sd[told] = np.sqrt(np.diag(covariance))
    return JointSizes(size, sd, slope[:-1])


def _told(left: Floats, plain: Floats) -> NDArray[np.intp]:
    """Return the causes, strongest first, that keep enough of their information beside those before them."""
    kept: list[int] = []
    for k in range(plain.size):
        own = left[k, k]
        if kept:
            both = left[k, kept]
            own -= both @ np.linalg.solve(left[np.ix_(kept, kept)], both)
        if own > LEAST_OWN * max(plain[k], 1e-300):
            kept.append(k)
    return np.array(kept, dtype=np.intp)
