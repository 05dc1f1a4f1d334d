"""The wear model of one group of readings, from arrays alone."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np

from wearlab.errors import InputError
from wearlab.language import _, localised
from wearlab.records import NoAnswer
from wearlab.wear.averaging import FEWER_THAN
from wearlab.wear.blocks import blocks
from wearlab.wear.choice import candidates_for, choose_scale
from wearlab.wear.components import mixture_of
from wearlab.wear.data import Coded, WearData, coded
from wearlab.wear.estimate import Options, Progress
from wearlab.wear.executor import Executor
from wearlab.wear.mixture import quantiles
from wearlab.wear.results import GrossError, WearFit
from wearlab.wear.scale import CANDIDATES, STRAIGHT, WorkingScale
from wearlab.wear.scale_fit import ScaleFit, fit_scale
from wearlab.wear.smoothing import smoothed
from wearlab.wear.stacking import ScaleChoice
from wearlab.wear.variances import INDEX

#: Threads are not worth their start for fewer readings.
SMALL = 2000
#: Least graduation, as a share of the reading, where readings agree to the last digit.
FINEST = 1e-2
#: So many such readings make the likelihood rise without end.
MOST_TIES = 2

_MAY_BE_LEFT_OUT = frozenset((*INDEX, "correlation"))


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
    executor: Executor | None = None,
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
    executor : goes over the chunks of all readings in place of the threads; the result does not depend on it.

    Raises
    ------
    InputError
        The arrays do not fit together, or an option is unknown.
    """
    if method not in ("reml", "ml"):
        raise InputError(f'the method is "reml" or "ml", not "{method}"')
    left_out = tuple(without)
    if not _MAY_BE_LEFT_OUT.issuperset(left_out):
        raise InputError(f"an effect left out is one of {', '.join(sorted(_MAY_BE_LEFT_OUT))}, not {left_out}")
    known = coded(data)
    if (known.bound != 0).all():
        return NoAnswer(_("every reading lies beyond the scale: neither a level nor a rate can be told"))
    if not known.y.any() and not known.resolution.any():
        return NoAnswer(_("every reading is 0 and no graduation is stated: nothing tells how exact a reading is"))
    if known.exposure.min() < 0 and "path" not in left_out:
        raise InputError("an exposure below 0 needs the path left out")
    for scale in _refused(known, scales):
        raise InputError(f"readings of 0 or less, or exposures below 0, have no value on the scale {scale.name}")
    small = known.y.size < SMALL
    options = Options(
        method=method,
        penalty=penalty,
        robust=robust and known.y.size > 1,  # one reading has nothing that could contradict it
        workers=1 if small else workers,
        progress=progress,
        executor=executor,
    )
    average = (known.vehicle_label.size < FEWER_THAN and penalty) if average is None else average
    trouble = ""
    for attempt in _attempts(known, scales, penalty=penalty):
        try:
            with np.errstate(over="raise", divide="raise", invalid="raise"):
                return _fitted(attempt, options, average=average, previous=previous, without=left_out, seed=seed)
        except (np.linalg.LinAlgError, ArithmeticError) as error:
            trouble = str(error)
    why = _("the readings leave the spread of the effects open: the search for it broke off ({error})", error=trouble)
    return NoAnswer(why)


@dataclass(frozen=True, slots=True, eq=False)
class _Attempt:
    data: WearData
    scales: tuple[WorkingScale, ...] | None
    notes: tuple[str, ...] = ()


def _refused(data: Coded, scales: tuple[WorkingScale, ...] | None) -> tuple[WorkingScale, ...]:
    """Return which of the given scales the readings have no value on."""
    if scales is None:
        return ()
    if not scales:
        raise InputError("at least one working scale is needed; none at all: leave them to be chosen")
    allowed = candidates_for(data, scales)
    return tuple(scale for scale in scales if scale not in allowed)


def _attempts(data: Coded, scales: tuple[WorkingScale, ...] | None, *, penalty: bool) -> Iterator[_Attempt]:
    """Yield the readings as they are; then, where that led nowhere, with a least graduation and on a straight line.

    Readings that agree to the last digit let the likelihood rise without end as their error falls to nothing.
    """
    if not penalty or _ties(data) < MOST_TIES:
        yield _Attempt(data.source, scales)
    if not penalty:
        return
    size, spread = np.abs(data.y), float(np.std(data.y)) or float(np.abs(data.y).max())
    least = FINEST * np.maximum(np.minimum(size, spread), 0.01 * spread)
    coarse = replace(data.source, resolution=np.maximum(data.resolution, least))
    share = localised(f"{FINEST:g}")
    note = _("readings agree to the last digit: a graduation of {share} of them at least is assumed", share=share)
    yield _Attempt(coarse, scales, (note,))
    if scales is None:
        yield _Attempt(
            coarse, (STRAIGHT,), (note, _("the working scales could not be compared: the straight line is used"))
        )


def _ties(data: Coded) -> int:
    """Return how many readings without a graduation are the same as another one of the same part at the same visit."""
    plain = (data.bound == 0) & (data.resolution == 0)
    cell = np.stack([data.part, data.visit, data.y, data.exposure])[:, plain]
    return int(cell.shape[1] - np.unique(cell, axis=1).shape[1])


def _fitted(
    attempt: _Attempt,
    options: Options,
    *,
    average: bool,
    previous: ScaleChoice | None,
    without: tuple[str, ...],
    seed: int,
) -> WearFit:
    known, scales = coded(attempt.data), attempt.scales
    choice = None
    if scales is None:
        allowed = candidates_for(known, CANDIDATES)
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):  # a forecast out of bounds scores nothing
            choice = choose_scale(known, allowed, options, previous=previous, without=without, seed=seed)
        chosen = [(scale, w) for scale, w in zip(allowed, choice.weights, strict=True) if w > 0]
    else:
        chosen = [(scale, 1.0 / len(scales)) for scale in scales]
    made = blocks(known)
    fits = tuple(fit_scale(known, scale, options, made=made, without=without, seed=seed) for scale, _w in chosen)
    weights = np.array([w for _scale, w in chosen])
    mixed = mixture_of(fits, weights, options, average=average, seed=seed)
    means, variances = (np.stack(found) for found in zip(*(one.ahead(None) for one in mixed.components), strict=True))
    level = quantiles(mixed, means, variances, 0.5)
    if not np.isfinite(level).all() or any(np.isnan(one.rate).any() for one in mixed.components):
        raise FloatingPointError("a level lies beyond every reading")
    best = fits[int(np.argmax(weights))]
    return WearFit(
        data=known,
        candidates=fits,
        weights=weights,
        choice=choice,
        mixed=mixed,
        gross=_gross(best),
        notes=(*attempt.notes, *_notes(best, choice)),
        smoothed=smoothed(
            best.estimate.work, best.estimate.local, best.estimate.theta, best.estimate.evaluated, options.through
        ),
    )


def _gross(fit: ScaleFit) -> tuple[GrossError, ...]:
    """Name the readings that count for less than in full."""
    work = fit.estimate.work
    own = fit.estimate.theta[INDEX["error"]] + work.design.known
    counted = np.where(work.doubt > 0, own / np.maximum(own + work.doubt, 1e-300), 1.0)
    return tuple(
        GrossError(int(k), float(fit.estimate.z[k] * np.sqrt(1.0 / counted[k])), float(counted[k]))
        for k in np.flatnonzero(counted < 0.999)
    )


def _notes(fit: ScaleFit, choice: ScaleChoice | None) -> tuple[str, ...]:
    made = fit.design.blocks
    cut = (
        (_("{n} parts that moved within a large ring of vehicles start afresh where they went", n=made.cut),)
        if made.cut
        else ()
    )
    return (*fit.merged, *cut, *((choice.sentence,) if choice is not None else ()))
