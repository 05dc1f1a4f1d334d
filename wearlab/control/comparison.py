"""Did a repair change the level? A vehicle's readings after an event against what those before it lead one to expect.

On the wear model of the group, the level after the event is left free: whatever the workshop fitted or cleaned is not
assumed to be like other parts. What it is compared with is the level that the part before it would have at the same
visit, from all tests of the vehicle before the event, its own wear and what the vehicle and the visit share. Three
things follow:

- a test that led to the repair because it was bad is no fair start; the level before is that of all tests, drawn
  towards what part, vehicle and family show (regression to the mean); what the bad test gives back by itself is told;
- the other parts of the set tell what the visits after the event did, whatever that was (difference in differences),
  unless they are left out;
- the interval holds reading error, repeats, visits, path and the uncertainty of the fit.

Readings before the event keep the weight that the fit left to gross errors; those after it count in full.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearlab.control.change_law import PairLaw
from wearlab.control.contrast import Floats, predicted
from wearlab.control.smallest_change import shown_at
from wearlab.control.vehicle_block import VehicleBlock
from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.wear.blocks import Ints
from wearlab.wear.covariance import ERROR, REPEAT
from wearlab.wear.design import Problem
from wearlab.wear.line import Interval
from wearlab.wear.mixture import Solution
from wearlab.wear.results import WearFit
from wearlab.wear.scale_fit import ScaleFit
from wearlab.wear.state import Kinds

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Pair:
    """What stands before and after the event at one place; equal labels: one part that stayed.

    `gap` is the exposure between the old part's last test and the new one's first, told where the labels differ.
    """

    before: Any
    after: Any
    gap: float = 0.0


@dataclass(frozen=True, slots=True)
class Change:
    """One place (or the typical one of several), on the measured scale.

    `before` is the level expected at the first visit after the event without it, `after` the level then, `change` and
    `percent` their difference. `reading_before`, `reading_after` are the means of the readings at the last visit before
    and the first one after, freed of their conditions; `level_then` is the level at that last visit. `smallest` is the
    smallest change that these tests would show with 9 in 10 chance, `repeatability` the sd of one reading about its
    part's level at one visit. `fell` is the chance that the level fell.
    """

    before: Interval
    after: Interval
    change: Interval
    percent: Interval
    fell: float
    reading_before: float
    level_then: float
    reading_after: float
    smallest: float
    repeatability: float

    @property
    def shown(self) -> bool:
        """Whether the interval of the change leaves no change out."""
        return self.change.low > 0 or self.change.high < 0

    @property
    def given_back(self) -> float:
        """What the last reading before the event would have given back by itself: its level less the reading."""
        return self.level_then - self.reading_before


def compare(
    fit: WearFit,
    vehicle: Any,
    pairs: Sequence[Pair],
    after: Flags,
    *,
    used: Flags | None = None,
    widen: float = 1.0,
    coverage: float = 0.9,
) -> tuple[Change, ...] | NoAnswer:
    """Return the change at every place, then, for several, that of the typical one.

    Parameters
    ----------
    fit : wear model of the group.
    pairs : the places where something happened.
    after : (n,) readings of the fit's data that stand after the event.
    used : (n,) readings that may speak; default all of them. Leave out the other parts' readings after the event where
        they are no control, as where all parts share what one pump delivers.
    widen : factor on the sd, as looking back on hidden tests taught it.

    Raises
    ------
    InputError
        An array of the wrong length, or a label that the data do not have.
    """
    n = len(fit.data.y)
    free = np.ones(n, dtype=np.bool_) if used is None else np.asarray(used, dtype=np.bool_)
    later = np.asarray(after, dtype=np.bool_)
    if later.shape != (n,) or free.shape != (n,):
        raise InputError(f"the marks of readings need one value for each of the {n} readings")
    if not pairs:
        raise InputError("at least one place is needed where something happened")
    code = _code(fit.data.vehicle_label, vehicle, "vehicle")
    places = [
        (_code(fit.data.part_label, one.before, "part"), _code(fit.data.part_label, one.after, "part"), one.gap)
        for one in pairs
    ]
    told = []
    for component in fit.mixture().components:
        solution = component.solution
        if solution is None:
            raise InputError("this mixture does not come from a fit, so its vehicles have no joint law")
        made = _told(fit.candidates[solution.candidate], solution, code, places, later, free)
        if isinstance(made, NoAnswer):
            return made
        told.append(made)
    weights = np.array([component.weight for component in fit.mixture().components])
    scales = tuple(component.scale for component in fit.mixture().components)
    out = []
    groups = [[k] for k in range(len(pairs))] + ([list(range(len(pairs)))] if len(pairs) > 1 else [])
    for group in groups:
        mean = np.stack([one.mean[:, group].mean(axis=1) for one in told])  # (C, 3)
        spread = np.stack([one.covariance[:, group][:, :, :, group].mean(axis=(1, 3)) for one in told]) * widen**2
        law = PairLaw(weights, scales, mean[:, :2], spread[:, :2, :2])
        best = int(np.argmax(weights))
        here, scale = told[best], scales[best]
        back = 1.0 / float(scale.slope(np.maximum(scale.inverse(mean[best, 0]), 1e-30)))
        change = law.difference(coverage)
        out.append(
            Change(
                before=law.level(0, coverage),
                after=law.level(1, coverage),
                change=change,
                percent=_percent(law.ratio(coverage)),
                fell=law.chance_of_fall(),
                reading_before=float(scale.inverse(here.readings[0, group].mean())),
                level_then=float(scale.inverse(mean[best, 2])),
                reading_after=float(scale.inverse(here.readings[1, group].mean())),
                smallest=shown_at(np.inf, coverage, 0.9) * law.working_sd(best) * back,
                repeatability=float(here.noise / np.sqrt(len(group)) * back),
            )
        )
    return tuple(out)


def _percent(ratio: Interval) -> Interval:
    return Interval(100 * ratio.point, 100 * ratio.low, 100 * ratio.high, ratio.coverage)


def _code(labels: NDArray[Any], label: Any, what: str) -> int:
    found = np.flatnonzero(labels == label)
    if not found.size:
        raise InputError(f"no reading of the {what} {label!s}")
    return int(found[0])


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """Means (3, T) of before, after and then, their covariance (3, T, 3, T), readings (2, T), sd of a reading."""

    mean: Floats
    covariance: Floats
    readings: Floats
    noise: float


def _told(
    fit: ScaleFit, solution: Solution, vehicle: int, places: Sequence[tuple[int, int, float]], after: Flags, used: Flags
) -> _Told | NoAnswer:
    """Return what one component says; `places` are codes of the part before and after, and the gap between."""
    block = VehicleBlock.of(fit, solution, vehicle)
    design, work, rows = fit.design, fit.estimate.work, block.rows
    part, later, theta = design.data.part[rows], after[rows], solution.theta
    order = np.argsort(np.lexsort((design.blocks.exposure[rows], design.data.turn[rows])))
    ends, added, expected = [], [], []
    for old, new, gap in places:
        mine, fresh = np.flatnonzero((part == old) & ~later), np.flatnonzero((part == new) & later)
        if not mine.size:
            return NoAnswer(_("no measured reading before the event: there is nothing to compare with"))
        if not fresh.size:
            return NoAnswer(_("no measured reading after the event yet: test again"))
        last, first = int(mine[np.argmax(order[mine])]), int(fresh[np.argmin(order[fresh])])
        exposure = design.blocks.exposure[rows]
        gap = float(exposure[first] - exposure[last]) if old == new else gap
        ends.append((last, first))
        added.append((last, _working(design, int(rows[last]), float(exposure[last]) + gap)))
        expected.append(_ahead(design, block, last, added[-1][1], gap))
    k, true = block.law(design, theta, np.where(later, 0.0, work.doubt[rows]), added)
    keep = np.flatnonzero(used[rows])
    count, n, p = len(places), rows.size, design.p
    lasting = _lasting(design)
    treated = np.stack([(part == new) & later for _, new, _ in places], axis=1)
    free = np.column_stack(
        [
            treated,
            _controlled(
                design.data.visit[rows], np.isin(part, [new for _, new, _ in places]) & later, later & used[rows]
            ),
        ]
    )
    fixed = np.zeros((3, count, p + free.shape[1]))
    fixed[0, :, :p] = expected
    fixed[1, :, :p] = [np.where(lasting, block.columns[first], 0.0) for _, first in ends]
    fixed[2, :, :p] = [np.where(lasting, block.columns[last], 0.0) for last, _ in ends]
    fixed[1, :, p : p + count] = np.eye(count)
    spots = np.r_[n : n + count, [first for _, first in ends], [last for last, _ in ends]]
    mean, spread = predicted(
        work.y[rows][keep],
        k[np.ix_(keep, keep)],
        np.column_stack([block.columns, free])[keep],
        block.information,
        block.score,
        fixed.reshape(3 * count, -1),
        true[np.ix_(spots, keep)],
        true[np.ix_(spots, spots)],
    )
    plain = work.y[rows] - np.where(lasting, 0.0, block.columns) @ solution.beta
    visit = design.data.visit[rows]
    readings = np.array(
        [
            [plain[(part == part[at]) & (visit == visit[at]) & (later == later[at])].mean() for at in side]
            for side in zip(*ends, strict=True)
        ]
    )
    known = float(np.median(design.known[rows[[first for _, first in ends]]]))
    noise = float(np.sqrt(known + theta[ERROR] + theta[REPEAT]))
    return _Told(mean.reshape(3, count), spread.reshape(3, count, 3, count), readings, noise)


def _controlled(visit: Ints, treated: Flags, counted: Flags) -> Floats:
    """Return a column (n, k) for every visit after the event at which other parts were read as well: what such a visit
    shares is left to them, however unusual it was.
    """
    both = sorted(set(visit[treated & counted].tolist()) & set(visit[counted & ~treated].tolist()))
    return np.equal.outer(visit, np.array(both, dtype=np.int64)).astype(np.float64)


def _lasting(design: Problem) -> Flags:
    """Return which columns belong to the true level, (p,); the others are conditions."""
    kinds = Kinds.of(design)
    return (kinds.level | kinds.rate | kinds.start | kinds.step)[:-1]


def _working(design: Problem, row: int, exposure: float) -> float:
    """Return the working exposure of the part read in a row at another exposure."""
    share = max(exposure, 0.0) / design.span
    bent = design.scale.gamma != 1 and not design.blocks.unknown_start[row]
    return float(design.scale.exposure(share)) if bent else share


def _ahead(design: Problem, block: VehicleBlock, at: int, x: float, gap: float) -> Floats:
    """Return the lasting columns of the reading at a place, its part moved on to working exposure x, `gap` further."""
    kinds = Kinds.of(design)
    row = int(block.rows[at])
    out = np.where(_lasting(design), block.columns[at], 0.0)
    family = kinds.family[:-1]
    out[kinds.rate[:-1] & ((family == -1) | (family == design.data.family[row]))] = x
    turning = kinds.turn[:-1] & (out != 0)
    out[turning] += gap * np.where(kinds.factor[:-1][turning], design.log_slope[row], 1.0)
    return out
