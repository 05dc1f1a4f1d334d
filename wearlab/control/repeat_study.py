"""How far repeats of one part at one visit differ, whose hands and which rig differ, and what more repeats would bring.

Only parts that were read more than once at a visit speak, whether in one test or in two of that day: what connecting
hoses anew adds in between is part of repeatability. Where every technician read each of them equally often the
study is a balanced one and analysis of variance says it all; else variance components by REML do, with technician, rig
and channel as far as these readings tell them. Readings that are all above 0 are taken by their logarithm, so that
every sd is a share of the reading; else in their own unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.control.components import ComponentFit, variance_components
from wearlab.control.gauge import GaugeStudy, crossed_study
from wearlab.control.smallest_change import Precision, smallest_change
from wearlab.errors import InputError
from wearlab.language import _, msg
from wearlab.records import NoAnswer

#: One more repeat is worth its time while it narrows the next forecast by this share at least.
WORTH = 0.02
#: Name of the factor that every study has.
CELL = msg("part at a visit")


@dataclass(frozen=True, slots=True)
class Spread:
    """One source of scatter: `sd` with its interval (NaN: none), and why there is no figure, else None."""

    source: str
    sd: float
    low: float
    high: float
    no_answer: str | None = None


@dataclass(frozen=True, slots=True)
class RepeatStudy:
    """`readings` in `cells` (a part at a visit); `method` ANOVA or REML; `relative` sd are shares of the reading.

    `repeatability` is the sd of one reading about its cell, with `dof` degrees of freedom; `spreads` are all sources,
    repeatability last. `table` is the balanced study, None where REML spoke.
    """

    method: str
    relative: bool
    readings: int
    cells: int
    repeatability: float
    dof: int
    spreads: tuple[Spread, ...]
    table: GaugeStudy | None


@dataclass(frozen=True, slots=True)
class Smallest:
    """The smallest change between two levels that so many tests a level, each with so many repeats, can show."""

    tests: int
    repeats: int
    change: float


@dataclass(frozen=True, slots=True)
class RepeatsWanted:
    """Sd of the forecast after the next visit by number of repeats there, and the number from which it stays."""

    sd: tuple[float, ...]
    enough: int
    held_by: str


def repeat_study(
    levels: ArrayLike, cell: ArrayLike, factors: Mapping[str, ArrayLike], *, coverage: float = 0.9
) -> RepeatStudy | NoAnswer:
    """Study readings (n,) by the part and visit (n,) of each and by further factors (n,), "" where not written down.

    A factor that is not written down for every reading is left out. The first factor is the appraiser of a balanced
    study.
    """
    y = np.asarray(levels, dtype=np.float64)
    cells = np.asarray(cell)
    given = {name: np.asarray(label) for name, label in factors.items()}
    if y.ndim != 1 or cells.shape != y.shape or any(label.shape != y.shape for label in given.values()):
        raise InputError("a study of repeats needs one cell and one level of every factor for each reading")
    code = np.unique(cells, return_inverse=True)[1]
    kept = (np.bincount(code)[code] > 1) & np.isfinite(y)
    kept &= np.bincount(code[kept], minlength=int(code.max(initial=-1)) + 1)[code] > 1 if y.size else kept
    if not kept.any():
        return NoAnswer(_("no part was read twice at one visit: without repeats there is no repeatability"))
    y, code = y[kept], np.unique(code[kept], return_inverse=True)[1]
    relative = bool((y > 0).all())
    y = np.log(y) if relative else y
    told, left = {}, []
    for name, label in given.items():
        if (label[kept] == "").any():
            left.append(Spread(name, np.nan, np.nan, np.nan, _("not written down for every reading")))
        else:
            told[name] = label[kept]
    count = int(code.max()) + 1
    dof = y.size - count
    first = next(iter(told), None)
    balanced = crossed_study(y, code, told[first]) if first is not None else None
    if isinstance(balanced, GaugeStudy):
        names = {
            "repeatability": msg("repeatability"),
            "appraiser": str(first),
            "interaction": _("part by {factor}", factor=_(str(first))),
        }
        parts = [Spread(words, balanced.component(name).sd, np.nan, np.nan) for name, words in names.items()]
        again = balanced.row("repeatability").df
        return RepeatStudy(
            "ANOVA", relative, y.size, count, parts[0].sd, again, (*parts[1:], *left, parts[0]), balanced
        )
    plain = _within(y, code)
    if not plain > 0:
        return NoAnswer(_("all repeats agree exactly, so their scatter is below the resolution of the readings"))
    fit = variance_components(y, {CELL: code, **told}, coverage=coverage)
    if isinstance(fit, NoAnswer):
        return RepeatStudy("pooled", relative, y.size, count, plain, dof, tuple(left), None)
    spreads = _spreads(fit)
    return RepeatStudy(
        "REML",
        relative,
        y.size,
        count,
        fit.component("repeatability").sd,
        dof,
        (*spreads[:-1], *left, spreads[-1]),
        None,
    )


def _spreads(fit: ComponentFit) -> tuple[Spread, ...]:
    untold = [sentence.partition(": ") for sentence in fit.untold]
    return (
        *(Spread(name, np.nan, np.nan, np.nan, why) for name, _, why in untold if name != CELL),
        *(Spread(one.factor, one.sd, one.low, one.high) for one in fit.components if one.factor != CELL),
    )


def smallest_changes(
    precision: Precision, tests: Sequence[int] = (1, 2, 3), repeats: Sequence[int] = (1, 2, 3)
) -> tuple[Smallest, ...]:
    """Return what so many tests before and after, with so many repeats each, can show with 9 in 10 chance."""
    return tuple(Smallest(t, r, smallest_change(precision, tests=t, repeats=r)) for t in tests for r in repeats)


def repeats_wanted(level: float, visit: float, error: float, *, most: int = 6, worth: float = WORTH) -> RepeatsWanted:
    """Return how the forecast narrows with repeats at the next visit.

    `level` is the sd of a part's level as it is foreseen for that visit, `visit` the sd of what its readings share,
    `error` that of a single reading. The level given r repeats has 1 / (1 / level^2 + 1 / (visit^2 + error^2 / r)).
    """
    if not (min(level, error) > 0 and visit >= 0 and most >= 1):
        raise InputError("the sd of level and reading are above 0, that of the visit is 0 or more")
    shared = [visit**2 + error**2 / r for r in range(1, most + 1)]
    sd = tuple((1.0 / (1.0 / level**2 + 1.0 / one)) ** 0.5 for one in shared)
    enough = next((r for r in range(1, most) if sd[r] > (1 - worth) * sd[r - 1]), most)
    left = hypot(visit, error / sqrt(enough))
    if enough < most and left > level:
        held = _("the level is foreseen as well as a test could tell it")
    elif visit > error / sqrt(enough):
        held = _("what one visit shares stays, however often it is read")
    else:
        held = _("reading error")
    return RepeatsWanted(sd, enough, held)


def _within(y: NDArray[np.float64], cell: NDArray[np.intp]) -> float:
    """Return the pooled sd of readings about the mean of their cell."""
    count = np.bincount(cell)
    gap = y - (np.bincount(cell, y) / count)[cell]
    return sqrt(float(gap @ gap) / float(y.size - count.size))
