"""Causes that many vehicles share: a rig, a tube, a workshop or a fuel from a date on; one delivery; one month.

The signature of such a cause lies over readings of many blocks, which are independent but for the fixed effects: with
d_i its part in block i, score and information are sums of those of the blocks, and the fixed effects are taken out of
the sums. For a change that lasts, block i's part changes only at its own visits; so the sum for every possible first
day is one running sum over days, from the last to the first, of what each visit adds.

d is the change of the working value by a reading's logarithm: the size is a share of the reading (0.08 is 8 %).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.control.episodes import ONSET
from wearlab.control.in_turn import in_turn
from wearlab.control.innovations import Whitened, touching, whitened
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.scale_fit import ScaleFit

#: A change seen on fewer vehicles is theirs, not shared; so is one of which less than this share of z is left without
#: the vehicle that tells most of it.
FEWEST_VEHICLES, LEFT = 3, 0.5
#: Share of its information that the fixed effects must leave a cause, to be told.
LEAST_OWN = 0.02
#: Simulated series for the limit, and the finest division of a series into steps.
DRAWS, STEPS = 4000, 60


@dataclass(frozen=True, slots=True, eq=False)
class Running:
    """One shared cause of one group (rig period, tube, fuel): by possible first day, earliest first, arrays (k,).

    `z`; `size` and `sd` as a share of the reading; `information`, fixed effects taken out; `vehicles` seen since.
    `left`: z at the best day without the vehicle that tells most of it.
    """

    group: int
    day: Ints
    z: Floats
    size: Floats
    sd: Floats
    information: Floats
    vehicles: Ints
    left: float

    @property
    def best(self) -> int:
        """Place of the first day of the largest |z| among those that enough vehicles tell; -1 where none is."""
        return _best(self.z, self.vehicles)

    @property
    def shared(self) -> bool:
        """Whether the change is told by several vehicles rather than by one of them."""
        return self.best >= 0 and self.left * float(np.sign(self.z[self.best])) >= LEFT * abs(float(self.z[self.best]))

    def onset(self) -> tuple[int, int]:
        """Return the first and last day between which the change lies with 90 %."""
        k = self.best
        near = self.z[k] ** 2 - self.z**2 < ONSET
        alike = np.flatnonzero(near & (np.sign(self.z) == np.sign(self.z[k])))
        return int(self.day[alike].min()), int(self.day[alike].max())


def lasting(fit: ScaleFit, group: Ints, day: Ints) -> tuple[Running, ...]:
    """Return, for every group (N,) of readings on days (N,), a change that lasts from some day on; -1: no group."""
    return changes(fit, ((group, True),), day)[0]


def passing(fit: ScaleFit, group: Ints, day: Ints) -> tuple[Running, ...]:
    """Return, for every group (N,) of readings, an error that all of them share and no other reading has."""
    return changes(fit, ((group, False),), day)[0]


def changes(fit: ScaleFit, kinds: Sequence[tuple[Ints, bool]], day: Ints) -> tuple[tuple[Running, ...], ...]:
    """Return several kinds of shared causes from one pass: of each its groups (N,), and whether the change lasts."""
    members = [np.append(group, -1) for group, _ in kinds]
    days = np.append(day, -1)
    width = max((own.columns.shape[1] for own in fit.estimate.local), default=0)

    def of_chunk(white: Whitened) -> list[_Steps]:
        return [
            _steps(white, member[white.rows], days[white.rows], width, lasts=lasts)
            for member, (_, lasts) in zip(members, kinds, strict=True)
        ]

    covariance = fit.estimate.evaluated.covariance
    grouped = np.any([group >= 0 for group, _ in kinds], axis=0) if kinds else np.zeros(fit.design.n, dtype=np.bool_)
    rows = in_turn(whitened(fit, picked=touching(fit, grouped)), of_chunk)
    return tuple(_by_group([one[k] for one in rows], covariance) for k in range(len(kinds)))


def chance_of_signal(found: Running, since: int, limit: float, *, seed: int = 1) -> float:
    """Return the chance that a group whose change never was would begin to signal after a day.

    Each day adds an independent piece of score whose variance is the information it adds. A signal is the largest |z|
    over first days passing the limit at some day after `since` and not before.
    """
    if found.day.size < 2:
        return 0.0
    added = -np.diff(np.append(found.information, 0.0))  # by day, what it adds from there on
    added = np.maximum(added, 0.0)
    edges = np.unique(np.linspace(0, found.day.size, min(STEPS, found.day.size) + 1).astype(np.int64))
    step = np.add.reduceat(added, edges[:-1])
    last = found.day[edges[1:] - 1]
    rng = np.random.default_rng(seed)
    total = np.cumsum(rng.standard_normal((DRAWS, step.size)) * np.sqrt(step), axis=1)
    known = np.cumsum(step)
    begun = np.zeros(DRAWS, dtype=np.bool_)
    before = np.zeros(DRAWS, dtype=np.bool_)
    start = np.concatenate([np.zeros((DRAWS, 1)), total], axis=1)
    start_known = np.append(0.0, known)
    for s in range(step.size):
        spread = known[s] - start_known[: s + 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.abs(total[:, [s]] - start[:, : s + 1]) / np.sqrt(spread)
        over = np.nan_to_num(np.where(spread > 1e-3 * known[-1], z, 0.0), nan=0.0).max(axis=1) >= limit
        if last[s] > since:
            begun |= over & ~before
        before = over
    return float(begun.mean())


def _by_group(rows: Sequence[_Steps], covariance: Floats) -> tuple[Running, ...]:
    if not rows:
        return ()
    steps = _joined(rows)
    order = np.argsort(steps.group, kind="stable")
    first = np.flatnonzero(np.diff(steps.group[order], prepend=-2) != 0)
    return tuple(_summed(steps.take(mine), covariance) for mine in np.split(order, first[1:]) if mine.size)


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """What each visit of a block adds, going back in time, (r,): score and information.

    `side` (r, q) is the pull on the fixed effects of the block, which stand at `columns` (r, q), -1: none. A fleet has
    many fixed effects and a block few.
    """

    group: Ints
    day: Ints
    vehicle: Ints
    score: Floats
    plain: Floats
    side: Floats
    columns: NDArray[np.int32]

    def take(self, rows: NDArray[np.intp]) -> _Steps:
        """Return some of them."""
        return _Steps(*(getattr(self, name)[rows] for name in self.__slots__))

    def spread(self, p: int) -> Floats:
        """Return the pull on all fixed effects, (r, p)."""
        full = np.zeros((self.side.shape[0], p + 1))
        np.put_along_axis(full, self.columns % (p + 1), self.side, axis=1)
        return full[:, :p]


def _joined(rows: Sequence[_Steps]) -> _Steps:
    return _Steps(*(np.concatenate([getattr(one, name) for one in rows]) for name in _Steps.__slots__))


def _steps(white: Whitened, group: Ints, day: Ints, width_of_side: int, *, lasts: bool) -> _Steps:
    m, n = white.visit.shape
    group = np.where(white.visit >= 0, group, -1)
    visits = int(white.visit.max()) + 1
    pieces = []
    slot, width = _slots_of(group)
    day_of = np.full((m, visits), -1, dtype=np.int64)
    b, k = np.nonzero(white.visit >= 0)
    np.maximum.at(day_of, (b, white.visit[b, k]), day[b, k])
    at_visit = white.visit[:, :, None] == np.arange(visits)
    since = white.visit[:, :, None] >= np.arange(visits) if lasts else np.ones((m, n, 1), dtype=np.bool_)
    across = white.wx.swapaxes(1, 2)
    q = across.shape[1]
    columns = np.pad(white.columns, ((0, 0), (0, width_of_side - q)), constant_values=-1).astype(np.int32)
    for number in range(width):
        mine = slot == number
        code = np.where(mine, group, -1).max(axis=1)
        d = (mine * white.slope)[:, :, None] * since
        u = white.inverse @ d
        score = (white.w[:, None, :] @ u)[:, 0]
        plain = np.einsum("mnc,mnc->mc", u, u)
        side = (across @ u).swapaxes(1, 2)
        touched = (mine[:, None, :] @ at_visit)[:, 0]
        if not lasts:
            touched = touched.any(axis=1, keepdims=True)
        # what a visit adds is its own sum less that of the visits after it
        late = [np.concatenate([a[:, 1:], np.zeros_like(a[:, :1])], axis=1) for a in (score, plain, side)]
        block, at = np.nonzero(touched & (code >= 0)[:, None])
        pull = np.zeros((block.size, width_of_side))
        pull[:, :q] = (side - late[2])[block, at]
        first_day = day_of if lasts else np.where(mine, day, np.iinfo(np.int64).max).min(axis=1)[:, None]
        pieces.append(
            _Steps(
                group=code[block],
                day=first_day[block, at],
                vehicle=white.chunk.vehicle[block, 0],
                score=(score - late[0])[block, at],
                plain=(plain - late[1])[block, at],
                side=pull,
                columns=columns[block],
            )
        )
    if not pieces:
        empty = np.zeros(0, dtype=np.int64)
        nothing = np.zeros((0, width_of_side))
        return _Steps(empty, empty, empty, np.zeros(0), np.zeros(0), nothing, nothing.astype(np.int32))
    return _joined(pieces)


def _slots_of(group: Ints) -> tuple[Ints, int]:
    """Return each reading's place (m, n) among the distinct groups of its block, -1: none, and how many at most."""
    m = group.shape[0]
    out = np.full(group.shape, -1, dtype=np.int64)
    pair = np.unique(np.stack([np.repeat(np.arange(m), group.shape[1]), group.ravel()]), axis=1)
    pair = pair[:, pair[1] >= 0]
    if not pair.shape[1]:
        return out, 0
    first = np.searchsorted(pair[0], np.arange(m))
    slot = np.arange(pair.shape[1]) - first[pair[0]]
    for number in range(int(slot.max()) + 1):
        code = np.full(m, -2, dtype=np.int64)
        here = slot == number
        code[pair[0, here]] = pair[1, here]
        out[group == code[:, None]] = number
    return out, int(slot.max()) + 1


def _summed(steps: _Steps, covariance: Floats) -> Running:
    """Return the running sums over the visits of one group."""
    order = np.argsort(-steps.day, kind="stable")
    day = steps.day[order]
    end = np.flatnonzero(np.r_[day[1:] != day[:-1], True])
    score = np.cumsum(steps.score[order])[end]
    plain = np.cumsum(steps.plain[order])[end]
    side = np.cumsum(steps.spread(covariance.shape[0])[order], axis=0)[end]
    information = plain - np.sum((side @ covariance) * side, axis=1)
    seen: NDArray[np.bool_] = np.zeros(order.size, dtype=np.bool_)
    seen[np.unique(steps.vehicle[order], return_index=True)[1]] = True
    vehicles = np.cumsum(seen, dtype=np.int64)[end]
    good = information > LEAST_OWN * np.maximum(plain, 1e-300)
    sd = np.where(good, 1.0 / np.sqrt(np.where(good, information, 1.0)), np.nan)
    back = slice(None, None, -1)
    best = _best((score * sd)[back], vehicles[back])
    left = 0.0 if best < 0 else _left(steps, order[: end[end.size - 1 - best] + 1], information[end.size - 1 - best])
    return Running(
        group=int(steps.group[0]),
        day=day[end][back],
        z=(score * sd)[back],
        size=(score * sd * sd)[back],
        sd=sd[back],
        information=np.maximum(information, 0.0)[back],
        vehicles=vehicles[back],
        left=left,
    )


def _best(z: Floats, vehicles: Ints) -> int:
    size = np.where(vehicles >= FEWEST_VEHICLES, np.abs(np.nan_to_num(z)), -1.0)
    return int(np.argmax(size)) if size.size and size.max() > 0 else -1


def _left(steps: _Steps, rows: NDArray[np.intp], information: float) -> float:
    """Return z of some steps without the vehicle that moves it most; fixed effects take the same share from each."""
    _, vehicle = np.unique(steps.vehicle[rows], return_inverse=True)
    score, plain = np.bincount(vehicle, steps.score[rows]), np.bincount(vehicle, steps.plain[rows])
    most = int(np.argmax(score * np.sign(score.sum())))
    rest = information * (1.0 - plain[most] / plain.sum())
    return float((score.sum() - score[most]) / np.sqrt(rest)) if rest > 0 else 0.0
