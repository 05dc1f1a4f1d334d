"""What a rig, or one tube of it, read high or low in each stretch of time, against everything else that is known.

A lasting offset does not last in what earlier visits did not foretell: the vehicle's level takes it over. So the offset
of every stretch is estimated beside the wear of the vehicles, from their tests on other rigs and at other times. Each
is a share b of the reading; with U = L^-1 D, D the change of the working value by a reading's logarithm where the
reading is of the stretch, A = U'U less what the fixed effects explain, and a normal prior of covariance P, b is
(A + P^-1)^-1 U'w. The prior is a common offset and one of each stretch, both as far as a rig is trusted.

The offsets that the fit itself gave to the rig's periods are taken back first, as if the rig were known to read true.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearlab.control.innovations import whitened
from wearlab.control.rig_offsets import CHANNEL_SD
from wearlab.errors import InputError
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.scale_fit import ScaleFit


@dataclass(frozen=True, slots=True)
class RigProfile:
    """Offsets of k stretches, (k,), as shares of the reading: 0.08 is 8 %.

    `offset` and its posterior `sd`; `quiet` the sd that `offset` itself has where the rig reads true; `readings`.
    """

    offset: Floats
    sd: Floats
    quiet: Floats
    readings: Ints


def rig_profile(fit: ScaleFit, stretch: Ints, own: Sequence[str] = (), *, trusted: float = CHANNEL_SD) -> RigProfile:
    """Estimate the offset of every stretch.

    Parameters
    ----------
    stretch
        Number of the stretch 0..k-1 that each reading (N,) of the fit belongs to, -1: of another rig or tube.
    own
        Names of fixed effects that stand for this rig; they are taken back.
    trusted
        Prior sd of the common offset and of each stretch.

    Raises
    ------
    InputError
        `stretch` has another shape than the readings.
    """
    design, done = fit.design, fit.estimate.evaluated
    if stretch.shape != (design.n,):
        raise InputError(f"every one of {design.n} readings needs a stretch or -1")
    count = int(stretch.max(initial=-1)) + 1
    taken = np.array([k for k, one in enumerate(design.columns) if one.name in set(own)], dtype=np.int64)
    beta, covariance = _without(done.beta, done.covariance, taken)
    number = np.append(stretch, -1)
    score, plain = np.zeros(count), np.zeros((count, count))
    side = np.zeros((count, design.p + 1))
    readings = np.zeros(count, dtype=np.int64)
    for white in whitened(fit, beta=beta):
        code = np.where(white.visit >= 0, number[white.rows], -1)
        for b in np.flatnonzero((code >= 0).any(axis=1)).tolist():
            named = np.unique(code[b][code[b] >= 0])
            d = (code[b][:, None] == named) * white.slope[b][:, None]
            u = white.inverse[b] @ d
            score[named] += u.T @ white.w[b]
            plain[np.ix_(named, named)] += u.T @ u
            # padded columns all fall on the last place, which is dropped
            np.add.at(side, (named[:, None], white.columns[b] % (design.p + 1)), u.T @ white.wx[b])
            readings[named] += (code[b][:, None] == named).sum(axis=0)
    side = side[:, :-1]
    information = plain - side @ covariance @ side.T
    prior = trusted**2 * (np.eye(count) + 1.0)
    posterior = np.linalg.inv(information + np.linalg.inv(prior)) if count else np.zeros((0, 0))
    spread = posterior @ information @ posterior
    return RigProfile(
        offset=posterior @ score,
        sd=np.sqrt(np.diag(posterior)),
        quiet=np.sqrt(np.maximum(np.diag(spread), 0.0)),
        readings=readings,
    )


def _without(beta: Floats, covariance: Floats, taken: Ints) -> tuple[Floats, Floats]:
    """Return coefficients and covariance given that those `taken` are 0."""
    if not taken.size:
        return beta, covariance
    gain = np.linalg.lstsq(covariance[np.ix_(taken, taken)], covariance[taken], rcond=None)[0].T
    return beta - gain @ beta[taken], covariance - gain @ covariance[taken]
