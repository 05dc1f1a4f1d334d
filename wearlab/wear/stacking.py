"""Weights of working scales by how well each one forecast readings that were held back.

The weights maximise

    sum over vehicles s of log(sum over candidates k of w_k p_sk)  +  sum over k of a_k log w_k

where p_sk is the density that candidate k gave the held-back reading of vehicle s, on the measured scale. The
first sum rewards the mixture as a whole, so a candidate keeps weight for the vehicles it alone forecasts well:
weights do not collapse on one candidate as posterior probabilities do. The second is a weak Dirichlet prior of
a few imagined vehicles a_k = strength * centre_k that speak for its centre. It decides where the
held-back readings do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError
from wearlab.language import _, number
from wearlab.wear.scale import scale_words

Array = NDArray[np.float64]

#: Imagined vehicles that speak for the straight line, and for last month's weights. From simulated fleets, see `stack`.
STRENGTH = 1.0
STRENGTH_PREVIOUS = 8.0
#: Share of last month's weights in the centre; the rest of the centre is the straight line.
BLEND = 0.9
#: Fewer scored vehicles than this decide nothing.
FEWEST_VEHICLES = 10
#: Candidates that are fitted in full at most, and the weight below which a candidate is not worth its fit.
MOST_SURVIVORS = 3
LEAST_WEIGHT = 0.02
#: The sum above is within this of its maximum, in units of log density, when the updates stop.
GAP = 1e-3
UPDATES = 20_000


@dataclass(frozen=True, slots=True, eq=False)
class ScaleChoice:
    """How the working scales were weighed: for k candidates, the straight line first.

    `scores` (k,): mean log density of the held-back readings (NaN where no vehicle was scored); `weights` (k,) sum
    to 1, zero for candidates left out; `vehicles`: how many were scored; `sentence`: the choice in words.
    """

    names: tuple[str, ...]
    scores: Array
    weights: Array
    vehicles: int
    sentence: str


def choose(names: tuple[str, ...], log_density: ArrayLike, previous: ScaleChoice | None = None) -> ScaleChoice:
    """Weigh the candidates `names`, the straight line first, by `log_density` (s, k), one row a scored vehicle.

    Vehicles that no candidate could score count as not scored. Fewer than ten vehicles: the straight line.
    `previous`: last month's choice; its weights are found by name, and count only if vehicles decided them.

    Raises
    ------
    InputError
        The table has another number of columns than there are names, or there is no candidate.
    """
    table = _clean(log_density)
    if not names or table.shape[1] != len(names):
        raise InputError(f"{len(names)} candidates need a table of as many columns, not of shape {table.shape}")
    table = table[np.isfinite(table).any(axis=1)]
    s, k = table.shape
    scores = table.mean(axis=0) if s else np.full(k, np.nan)
    if k == 1:
        sentence = _("The {scale} is the only scale these readings allow.", scale=scale_words(names[0]))
        return ScaleChoice(names, scores, np.ones(1), s, sentence)
    if s < FEWEST_VEHICLES:
        weights = np.eye(k)[0]
        sentence = _(
            "The {scale} is used: {n} vehicles have held-back readings to judge working scales by, and fewer than "
            "{fewest} cannot decide.",
            scale=scale_words(names[0]),
            n=s,
            fewest=FEWEST_VEHICLES,
        )
        return ScaleChoice(names, scores, weights, s, sentence)
    before = None
    if previous is not None and previous.vehicles >= FEWEST_VEHICLES:
        known = dict(zip(previous.names, previous.weights.tolist(), strict=True))
        before = np.array([known.get(name, 0.0) for name in names])
    weights = survivors(stack(table, previous=before))
    order = [i for i in np.argsort(-weights, kind="stable") if weights[i] > 0]
    told = ", ".join(f"{scale_words(names[i])} {number(weights[i], 2)}" for i in order)
    sentence = _(
        "Working scales weighed by forecasts of held-back readings of {n} vehicles: {weights}.", n=s, weights=told
    )
    return ScaleChoice(names, scores, weights, s, sentence)


def stack(
    log_density: ArrayLike, *, strength: float | None = None, previous: ArrayLike | None = None, blend: float = BLEND
) -> Array:
    """Return the stacking weights (k,), which sum to 1.

    Parameters
    ----------
    log_density
        (s, k) log density of each vehicle's held-back reading under each candidate; candidate 0 is the straight
        line. -inf or NaN: the candidate ruled the reading out or gave no answer. Rows without any finite value
        are left out; a candidate without any finite value gets no weight.
    strength
        Imagined vehicles that speak for the centre of the prior, 0 or more; None: 1 for the straight line, 8 for
        last month's weights.
    previous
        (k,) last month's weights, which need not sum to 1; None, or none above zero: there was no last month.
    blend
        Share of `previous` in the centre, 0 to 1; the straight line has the rest.

    Raises
    ------
    InputError
        Shapes that do not agree, or settings outside their range.

    Notes
    -----
    The problem is concave. The multiplicative update w_k <- (sum_s w_k p_sk / mix_s + a_k) / (s + sum a) is the EM
    step of a mixture with known components and never lowers the sum. By concavity the maximum is at most
    max_k(slope_k) - (s + sum a) above the present value, which gives the stopping rule: a certified distance of
    0.001 in log density over all vehicles together.

    Last month's weights are the centre of this month's prior, not evidence that is added up: most of the readings
    held back this month were judged last month as well, and counting them again would freeze the weights. Where the
    readings are silent the weights stay where they were, and drift towards the straight line by a tenth a month;
    where many vehicles agree, eight imagined ones give way within a month or two.

    Strengths come from simulated fleets of 7 kinds of wear (straight, power 1/3, logarithm, reciprocal, exposure to the
    power 0.7, 1.5 and 3), six visits a vehicle, eight candidates, 30 repetitions. Log density lost per new vehicle
    against the best weights, mean of the kinds, at strength 0.5, 1, 2, 4, 8: 10 vehicles .304 .308 .339 .405 .522;
    20: .157 .167 .187 .229 .301; 50: .093 .097 .106 .126 .163; 200: .061 .062 .064 .068 .078. Weak is best; 1 costs
    next to nothing and leaves the straight line in charge where candidates forecast alike.
    Month to month (8 months, a third of the vehicles tested anew each month; half the sum of absolute changes of the
    weights): 15 vehicles .30 without memory, .24 .19 .13 .09 .06 at strength 1, 2, 4, 8, 16 on last month's weights; 40
    vehicles .33 against .25 .20 .15 .10 .07; 150 vehicles .26 against .23 .20 .17 .13 .10. Log density per new vehicle
    rises with it, by .05 (15 vehicles) to .01 (150), is best at 4 to 8 and falls again at 16.
    Source: Y. Yao, A. Vehtari, D. Simpson, A. Gelman, Using stacking to average Bayesian predictive
    distributions (2018).
    """
    table = _clean(log_density)
    k = table.shape[1]
    if strength is None:
        strength = STRENGTH if previous is None or not np.any(np.asarray(previous)) else STRENGTH_PREVIOUS
    if strength < 0 or not 0 <= blend <= 1:
        raise InputError("the prior's strength is 0 or more and the share of last month's weights between 0 and 1")
    centre = _centre(k, previous, blend)
    table = table[np.isfinite(table).any(axis=1)]
    if not table.shape[0]:
        return centre
    usable = np.isfinite(table).any(axis=0)
    centre = np.where(usable, centre, 0.0)
    centre = centre / centre.sum() if centre.sum() > 0 else usable / usable.sum()
    density = np.exp(table - table.max(axis=1, keepdims=True))
    prior = strength * centre
    total = density.shape[0] + strength
    w = np.asarray((usable / usable.sum() + centre) / 2, dtype=np.float64)
    for _turn in range(UPDATES):
        slope = (density / (density @ w)[:, None]).sum(axis=0)
        slope += np.divide(prior, w, out=np.zeros(k), where=prior > 0)
        if slope.max() - total < GAP:
            break
        w = w * slope / total
        w /= w.sum()
    return w


def survivors(weights: ArrayLike, most: int = MOST_SURVIVORS, least: float = LEAST_WEIGHT) -> Array:
    """Return the weights (k,) with all but the `most` largest, and all under `least`, set to zero, summing to 1.

    The largest always stays; of equal weights the one named first does.
    """
    w = np.asarray(weights, dtype=np.float64)
    kept = np.zeros_like(w)
    order = np.argsort(-w, kind="stable")[: max(most, 1)]
    order = np.concatenate([order[:1], order[1:][w[order[1:]] >= least]])
    kept[order] = w[order]
    return np.asarray(kept / kept.sum(), dtype=np.float64)


def _clean(log_density: ArrayLike) -> Array:
    table = np.asarray(log_density, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] == 0:
        raise InputError(f"log densities are a table of vehicles by candidates, not of shape {table.shape}")
    if bool((table == np.inf).any()):
        raise InputError("a log density is infinite: the forecast has no spread")
    return np.asarray(np.where(np.isnan(table), -np.inf, table), dtype=np.float64)


def _centre(k: int, previous: ArrayLike | None, blend: float) -> Array:
    """The straight line, or last month's weights with a share of it."""
    line = np.asarray(np.eye(k)[0], dtype=np.float64)
    if previous is None:
        return line
    before = np.asarray(previous, dtype=np.float64)
    if before.shape != (k,) or not bool((before >= 0).all()):
        raise InputError(f"last month's weights are {k} numbers of 0 or more, not of shape {before.shape}")
    if not before.sum() > 0:
        return line
    return np.asarray(blend * before / before.sum() + (1 - blend) * line, dtype=np.float64)
