"""How many times as long the parts of one group live as those of another: Weibull lives of one shape.

All groups share beta and each has its own eta; the ratio of two etas is the ratio of all quantiles (the accelerated
failure time form, Kalbfleisch & Prentice 1980). Right censoring and left truncation as in `weibull_life`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import ndtri

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.study.kaplan_meier import COVERAGE
from wearlab.study.life_data import Floats, LifeData
from wearlab.study.weibull_life import SHAPES
from wearlab.wear.line import Interval


@dataclass(frozen=True, slots=True, eq=False)
class LifeRatio:
    """G groups in the order of `groups`, arrays (G,): scale `eta`, `log_ratio` of it to the first's, with its `se` (G,)

    (0 of the first itself); the shape `beta` that they share, and the log-likelihood.
    """

    groups: tuple[str, ...]
    eta: Floats
    beta: float
    log_ratio: Floats
    se: Floats
    log_likelihood: float
    coverage: float

    def ratio(self, group: str) -> Interval:
        """Return how many times as long a group lives as the first, with its interval.

        Raises
        ------
        InputError
            There is no such group.
        """
        if group not in self.groups:
            raise InputError(f'there is no group "{group}"')
        k = self.groups.index(group)
        reach = float(ndtri(0.5 + self.coverage / 2)) * float(self.se[k])
        middle = float(self.log_ratio[k])
        return Interval(exp(middle), exp(middle - reach), exp(middle + reach), self.coverage)


def life_ratio(data: LifeData, group: ArrayLike, coverage: float = COVERAGE) -> LifeRatio | NoAnswer:
    """Fit groups of one shape; `group` (n,) is a word a life, the first in the alphabet is compared with.

    Raises
    ------
    InputError
        The groups are not one a life.
    """
    words = np.asarray(group).astype(str)
    if words.shape != data.time.shape:
        raise InputError("every life needs its group")
    names, code = np.unique(words, return_inverse=True)
    failed = np.bincount(code[data.event], minlength=names.size).astype(np.float64)
    if names.size < 2:
        return NoAnswer(_("there is only one group"))
    if (failed == 0).any():
        silent = ", ".join(str(name) for name in names[failed == 0])
        return NoAnswer(_("nothing failed in {groups}", groups=silent))
    unit = float(data.time.max())
    late, early = np.log(data.time / unit), np.log(np.where(data.entry > 0, data.entry, unit) / unit)
    begun = (data.entry > 0).astype(np.float64)
    total = float(failed.sum())
    times = float(late[data.event].sum())

    def sums(beta: float) -> tuple[Floats, Floats, Floats]:
        m, n = np.exp(beta * late), begun * np.exp(beta * early)
        told = (m - n, m * late - n * early, m * late**2 - n * early**2)
        first, second, third = (
            np.asarray(np.bincount(code, one, minlength=names.size), dtype=np.float64) for one in told
        )
        return first, second, third

    def height(v: float) -> float:
        s = sums(exp(v))[0]
        return total * v + exp(v) * times - times - float((failed * np.log(s / failed)).sum()) - total

    def slope(v: float) -> float:
        s, s1 = sums(exp(v))[:2]
        return total + exp(v) * times - exp(v) * float((failed * s1 / s).sum())

    grid = np.linspace(log(SHAPES[0]), log(SHAPES[1]), 160)
    best = int(np.argmax([height(float(v)) for v in grid]))
    if best in (0, grid.size - 1):
        return NoAnswer(_("the failures do not tell a shape: their likelihood has no top"))
    v = float(brentq(slope, grid[best - 1], grid[best + 1], xtol=1e-13))
    beta = exp(v)
    s, s1, s2 = sums(beta)
    a = np.log(s / failed) / beta
    # the observed information in log eta of every group and log beta, with m about its own scale
    x1 = failed / s * (s1 - a * s)
    x2 = failed / s * (s2 - 2 * a * s1 + a**2 * s)
    information = np.zeros((names.size + 1, names.size + 1))
    information[np.arange(names.size), np.arange(names.size)] = beta**2 * failed
    information[-1, :-1] = information[:-1, -1] = -(beta**2) * x1
    own = np.bincount(code[data.event], late[data.event], minlength=names.size) - a * failed
    information[-1, -1] = float((beta * x1 + beta**2 * x2).sum() - beta * own.sum())
    covariance = np.linalg.inv(information)
    spread = np.diag(covariance)[:-1] + covariance[0, 0] - 2 * covariance[0, :-1]
    spread[0] = 0.0
    return LifeRatio(
        groups=tuple(str(name) for name in names),
        eta=np.asarray(np.exp(a) * unit, dtype=np.float64),
        beta=beta,
        log_ratio=np.asarray(a - a[0], dtype=np.float64),
        se=np.sqrt(np.maximum(spread, 0.0)),
        log_likelihood=height(v) - total * log(unit),
        coverage=coverage,
    )
