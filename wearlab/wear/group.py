"""The wear model of one group of readings, from arrays alone."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.wear.averaging import FEWER_THAN
from wearlab.wear.blocks import blocks
from wearlab.wear.choice import candidates_for, choose_scale
from wearlab.wear.components import mixture_of
from wearlab.wear.data import WearData, coded
from wearlab.wear.estimate import Options, Progress
from wearlab.wear.results import GrossError, WearFit
from wearlab.wear.scale import CANDIDATES, WorkingScale
from wearlab.wear.scale_fit import ScaleFit, fit_scale
from wearlab.wear.stacking import ScaleChoice
from wearlab.wear.state import smoothed
from wearlab.wear.variances import INDEX


def fit_group(
    data: WearData,
    *,
    scales: tuple[WorkingScale, ...] | None = None,
    method: str = "reml",
    penalty: bool = True,
    robust: bool = True,
    average: bool | None = None,
    previous: ScaleChoice | None = None,
    without: Collection[str] = (),
    workers: int = 2,
    progress: Progress | None = None,
    seed: int = 1,
) -> WearFit | NoAnswer:
    """Fit the wear model to the readings of one measure and protocol.

    On the working scale a reading is y = z'b + (A + R g) + (a + r x) + s W(x) + V + u + e: fixed effects; level and
    rate of the vehicle, g the exposure gathered on it; level and rate of the part, correlated; a Wiener path; what the
    readings of one visit, and the repeats of one part at one visit, share; and the reading's own error, with the
    graduation.

    Parameters
    ----------
    data : the readings, see `WearData`.
    scales : None: `CANDIDATES` weighed by forecasts of held-back readings; else just these, with equal weights.
    method : "reml" or "ml".
    penalty : keeps every effect off zero and families near each other; switch off to compare with other programs.
    robust : let gross errors count for less.
    average : average over the uncertainty of the variances; None: with fewer than 50 vehicles and a penalty.
    previous : last month's `WearFit.choice`, which the weights of the scales stay close to.
    without : effects left out, by the names of `Variances`, or "correlation".
    workers : threads; the result does not depend on their number.
    progress : called after every pass with its number, the criterion and how much is still to gain.
    seed : for the sample of a large fleet and the draws of the variances.

    Raises
    ------
    InputError
        The arrays do not fit together, or an option is unknown.
    """
    if method not in ("reml", "ml"):
        raise InputError(f'the method is "reml" or "ml", not "{method}"')
    known = coded(data)
    if (known.bound != 0).all():
        return NoAnswer("every reading lies beyond the scale: neither a level nor a rate can be told")
    if known.exposure.min() < 0 and "path" not in without:
        raise InputError("an exposure below 0 needs the path left out")
    options = Options(method=method, penalty=penalty, robust=robust, workers=workers, progress=progress)
    left_out = tuple(without)
    choice = None
    if scales is None:
        allowed = candidates_for(known, CANDIDATES)
        choice = choose_scale(known, allowed, options, previous=previous, without=left_out, seed=seed)
        chosen = [(scale, w) for scale, w in zip(allowed, choice.weights, strict=True) if w > 0]
    else:
        chosen = [(scale, 1.0 / len(scales)) for scale in scales]
    made = blocks(known)
    fits = tuple(fit_scale(known, scale, options, made=made, without=left_out, seed=seed) for scale, _ in chosen)
    weights = np.array([w for _, w in chosen])
    averaged = (known.vehicle_label.size < FEWER_THAN and penalty) if average is None else average
    best = fits[int(np.argmax(weights))]
    return WearFit(
        data=known,
        candidates=fits,
        weights=weights,
        choice=choice,
        mixed=mixture_of(fits, weights, options, average=averaged, seed=seed),
        gross=_gross(best),
        notes=_notes(best, choice),
        smoothed=smoothed(best.estimate.work, best.estimate.local, best.estimate.theta, best.estimate.evaluated),
    )


def _gross(fit: ScaleFit) -> tuple[GrossError, ...]:
    """Name the readings that count for less than in full."""
    work = fit.estimate.work
    own = fit.estimate.theta[INDEX["error"]] + work.design.known
    counted = own / (own + work.doubt)
    return tuple(
        GrossError(int(k), float(fit.estimate.z[k] * np.sqrt(1.0 / counted[k])), float(counted[k]))
        for k in np.flatnonzero(counted < 0.999)
    )


def _notes(fit: ScaleFit, choice: ScaleChoice | None) -> tuple[str, ...]:
    made = fit.design.blocks
    cut = (
        (f"{made.cut} parts that moved within a large ring of vehicles start afresh where they went",)
        if made.cut
        else ()
    )
    return (*fit.merged, *cut, *((choice.sentence,) if choice is not None else ()))
