"""Beside the wear model: rates of parts explained by candidates with general methods, vehicles kept whole.

The rates of `part_rates`, weighted by what each is worth, are told by an elastic net, by boosted trees and by a
weighted regression with errors clustered by vehicle. A vehicle is either learned from or asked about, never both: its
parts share its driver's habits, its roads and its fuel, and a method that has seen one of them knows the others. The
score is the share of the weighted variance of rates that was told of vehicles not learned from; at 0 or less a
candidate tells nothing that the family's rate does not.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.study.candidates import CodedCandidate, Floats, Frame, Ints
from wearlab.study.influences import COVERAGE, FEWEST, Influences
from wearlab.study.part_rates import PartRates, part_rates
from wearlab.wear.line import Interval

#: Parts of the vehicles, each asked about by what the others taught; and within these, to choose the net's penalty.
FOLDS, INNER = 10, 5
#: How often a candidate's values are shuffled for its importance.
SHUFFLES = 5
#: Share of the absolute penalty in the elastic net's, and how many penalties are tried.
SHARE, PENALTIES = 0.7, 20
#: Trees of the boosting: many small steps of two questions each.
TREES, STEP, QUESTIONS = 60, 0.05, 2
#: A leaf holds this share of the parts at least: a leaf of a few would learn their vehicles by heart.
LEAF = 0.15


@dataclass(frozen=True, slots=True)
class RegressionEffect:
    """The weighted regression's word on one label of a candidate, % of the family's rate."""

    name: str
    label: str
    percent: Interval


@dataclass(frozen=True, slots=True, eq=False)
class RateModels:
    """What the general methods say; arrays (C,) over `names`.

    `net_score`, `trees_score` are told shares of variance out of fold, `net_importance`, `trees_importance` the
    share that is lost when a candidate's values are shuffled. `regression` has one entry an effect, `regression_p` the
    chance a candidate; none and NaN where the parts with a rate cannot tell the candidates apart. `lives` rates took
    part, `silent` lives had none.
    """

    names: tuple[str, ...]
    net_score: float
    trees_score: float
    net_importance: Floats
    trees_importance: Floats
    regression: tuple[RegressionEffect, ...]
    regression_p: Floats
    lives: int
    silent: int

    @property
    def score(self) -> float:
        """The better of the two scores."""
        return max(self.net_score, self.trees_score)


def rate_models(found: Influences, *, shuffles: int = SHUFFLES, seed: int = 1) -> RateModels | NoAnswer:
    """Explain the rates of a group's parts by its candidates.

    `shuffles` 0 leaves the importances at 0, which saves most of the time; `seed` is for shuffles and trees, nothing
    else is random.
    """
    if not found.coded:
        return NoAnswer(_("there is no candidate to explain rates by"))
    rates = part_rates(found.base, found.family_rate)
    if np.unique(rates.vehicle).size < FEWEST:
        count = np.unique(rates.vehicle).size
        return NoAnswer(
            _("{n} vehicles have parts with a rate of their own; {fewest} are needed", n=count, fewest=FEWEST)
        )
    x, owner = _columns(found.coded, found.frame, rates)
    target = _within_family(rates)
    net, net_lost = _cross_validated(_net, x, owner, target, rates, shuffles, seed)
    trees, trees_lost = _cross_validated(_trees, x, owner, target, rates, shuffles, seed)
    effects, chances = _regression(found.coded, found.frame, rates)
    return RateModels(
        names=tuple(one.name for one in found.coded),
        net_score=net,
        trees_score=trees,
        net_importance=net_lost,
        trees_importance=trees_lost,
        regression=effects,
        regression_p=chances,
        lives=rates.life.size,
        silent=rates.silent,
    )


def _within_family(rates: PartRates) -> Floats:
    """Rates less the weighted mean of their family: what the family explains is no merit of a candidate."""
    total = np.bincount(rates.family, rates.weight * rates.rate)
    return np.asarray(rates.rate - (total / np.maximum(np.bincount(rates.family, rates.weight), 1e-300))[rates.family])


def _columns(made: Sequence[CodedCandidate], frame: Frame, rates: PartRates) -> tuple[Floats, Ints]:
    """Return one row a rate, (L, K), and which candidate each column is of, (K,): flags of words, numbers in sd.

    A life has the mean of its readings' values; a word it bore half the time is half a flag.
    """
    out: list[Floats] = []
    owner: list[int] = []
    for number, one in enumerate(made):
        if one.step is None:
            columns = (one.raw[:, None] == np.array(one.labels)[None, :]).astype(np.float64)
        else:
            told = np.where(np.isfinite(one.raw), one.raw, np.nanmedian(one.raw))
            columns = (told[:, None] - told.mean()) / one.step
        out.append(frame.per_life(columns)[rates.life])
        owner += [number] * columns.shape[1]
    return np.hstack(out), np.array(owner, dtype=np.int64)


def _net(vehicle: Ints, x: Floats, seed: int) -> Any:
    from sklearn.linear_model import ElasticNetCV
    from sklearn.model_selection import GroupKFold

    folds = list(GroupKFold(INNER).split(x, groups=vehicle))
    return ElasticNetCV(l1_ratio=SHARE, alphas=PENALTIES, cv=folds, max_iter=5000)


def _trees(vehicle: Ints, x: Floats, seed: int) -> Any:
    from sklearn.ensemble import GradientBoostingRegressor

    return GradientBoostingRegressor(
        n_estimators=TREES, learning_rate=STEP, max_depth=QUESTIONS, min_samples_leaf=LEAF, subsample=0.7,
        random_state=seed,
    )  # fmt: skip


def _cross_validated(
    method: Callable[[Ints, Floats, int], Any], x: Floats, owner: Ints, target: Floats, rates: PartRates, shuffles: int,
    seed: int,
) -> tuple[float, Floats]:  # fmt: skip
    """Return the told share of variance out of fold, and what of it each candidate's shuffling takes away."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.model_selection import GroupKFold

    rng = np.random.default_rng(seed)
    weight, vehicle = rates.weight, rates.vehicle
    left, none, lost = 0.0, 0.0, np.zeros(int(owner.max()) + 1)
    for learned, asked in GroupKFold(FOLDS).split(x, groups=vehicle):
        model = method(vehicle[learned], x[learned], seed)
        with warnings.catch_warnings():
            # a penalty at the edge of the path that did not settle is not the one chosen, or scores as it is
            warnings.simplefilter("ignore", ConvergenceWarning)
            model.fit(x[learned], target[learned], sample_weight=weight[learned])
        own = weight[asked]

        def error(there: Floats, model: Any = model, own: Floats = own, truth: Floats = target[asked]) -> float:
            return float(np.sum(own * (truth - model.predict(there)) ** 2))

        here = error(x[asked])
        left += here
        none += float(np.sum(own * (target[asked] - np.average(target[learned], weights=weight[learned])) ** 2))
        for number in range(lost.size):
            mine = owner == number
            for _turn in range(shuffles):
                mixed = x[asked].copy()
                mixed[:, mine] = mixed[rng.permutation(asked.size)][:, mine]
                lost[number] += (error(mixed) - here) / shuffles
    return 1.0 - left / none, np.asarray(lost / none, dtype=np.float64)


def _regression(
    made: Sequence[CodedCandidate], frame: Frame, rates: PartRates
) -> tuple[tuple[RegressionEffect, ...], Floats]:
    """Weighted least squares of the rates, errors clustered by vehicle; none where the rates cannot tell them apart."""
    import statsmodels.api as sm

    columns = np.hstack([frame.per_life(one.columns)[rates.life] for one in made])
    families = (rates.family[:, None] == np.unique(rates.family)[None, :]).astype(np.float64)
    design = np.hstack([families, columns])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return (), np.full(len(made), np.nan)
    fit = sm.WLS(rates.rate, design, weights=rates.weight).fit(
        cov_type="cluster", cov_kwds={"groups": rates.vehicle, "use_correction": True}, use_t=True
    )
    effects: list[RegressionEffect] = []
    chances: list[float] = []
    at = families.shape[1]
    for one in made:
        k = one.columns.shape[1]
        select = np.zeros((k, design.shape[1]))
        select[:, at : at + k] = np.eye(k)
        chances.append(float(np.squeeze(fit.f_test(select).pvalue)))
        for label, contrast in zip(one.labels, one.contrasts, strict=True):
            told = fit.t_test(contrast @ select)
            low, high = 100 * np.asarray(told.conf_int(alpha=1 - COVERAGE)).ravel()
            point = 100 * float(np.squeeze(told.effect))
            effects.append(RegressionEffect(one.name, label, Interval(point, float(low), float(high), COVERAGE)))
        at += k
    return tuple(effects), np.array(chances)
