"""What several vehicles share told apart from what happened to single ones.

Of two shared causes with most readings in common the stronger is told; the other stands beside it where it explains
them about as well. What a rig or a depot explains is taken off the readings before vehicles are judged, and what
happened to single vehicles before the shared causes are told again, until both stay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.group_rows import Ints
from pipelines.steps.shared_causes import SharedCause
from wearlab.control.cause_effect import effect, without
from wearlab.control.episodes import NEAR, Episode, episodes
from wearlab.control.innovations import touching
from wearlab.control.joint_sizes import JointSizes, joint_sizes
from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit

#: rounds in which shared causes and those of single vehicles are told from each other
ROUNDS = 5

#: share of the readings of the smaller of two causes that the other has too, from which they are the same change
SAME = 0.5


@dataclass(frozen=True, slots=True)
class SharedTold:
    """One shared cause past the limit, those that may be it as well, and its size as a share of the reading."""

    cause: SharedCause
    others: tuple[SharedCause, ...]
    size: float
    sd: float


@dataclass(frozen=True, slots=True, eq=False)
class CausesApart:
    """Shared causes, the fit without them, and the episodes of vehicles in it.

    `slope` (N,): what a share of 1 changes the working value of a reading by, 0 where no shared cause touches a block.
    """

    shared: tuple[SharedTold, ...]
    fit: ScaleFit
    episodes: tuple[Episode, ...]
    slope: Floats


def causes_apart(fit: ScaleFit, causes: Sequence[SharedCause], day: Ints, limit: float) -> CausesApart:
    """Tell the causes that pass a limit on |z|; `day` (N,) of the readings in the fit."""
    nothing = joint_sizes(fit, [])
    if not isfinite(limit):
        return CausesApart((), fit, (), nothing.slope)
    kept = _each_once(causes, limit, day)
    if not kept:
        return CausesApart((), fit, episodes(fit, limit), nothing.slope)
    clean, sizes, own = fit, nothing, tuple[Episode, ...]()
    touched: NDArray[np.bool_] = np.zeros(day.size, dtype=np.bool_)
    for number in range(ROUNDS):
        base = without(fit, effect(fit, (one.causes[0] for one in own if not one.faded)))
        if number:
            again = [(one.again(base, day), others) for one, others in kept]
            kept = [(one, others) for one, others in again if one is not None]
        kept, sizes = _sized(base, kept, limit, day)
        members = [one.since(day) for one, _ in kept]
        clean, before = without(fit, sizes.offset(members)), own
        now = np.asarray(np.any(members, axis=0) if members else np.zeros(day.size, dtype=np.bool_))
        own = _named_anew(clean, limit, now | touched, before) if number else episodes(clean, limit)
        touched = now
        if _names(own) == _names(before):
            break
    told = tuple(
        SharedTold(one, tuple(others), float(size), float(sd))
        for (one, others), size, sd in zip(kept, sizes.size, sizes.sd, strict=True)
    )
    return CausesApart(told, clean, own, sizes.slope)


def _named_anew(
    fit: ScaleFit, limit: float, touched: NDArray[np.bool_], before: Sequence[Episode]
) -> tuple[Episode, ...]:
    """The episodes, named anew in the blocks that hold readings (N,) which a shared cause touches or touched."""
    picked = touching(fit, touched)
    chunks = zip(fit.design.blocks.chunks, picked, strict=True)
    rows = np.concatenate([chunk.rows[some].ravel() for chunk, some in chunks])
    seen = set(fit.design.data.vehicle[rows[rows < fit.design.n]].tolist())
    return (*(one for one in before if one.vehicle not in seen), *episodes(fit, limit, picked))


def _sized(
    fit: ScaleFit, kept: list[tuple[SharedCause, list[SharedCause]]], limit: float, day: Ints
) -> tuple[list[tuple[SharedCause, list[SharedCause]]], JointSizes]:
    """Size causes together and leave out, weakest first, those that fall below the limit beside the others.

    Of two that say the same (one depot reads high, the other low) neither is left beside the other.
    """
    kept = sorted(kept, key=lambda pair: -abs(pair[0].z))
    sizes = joint_sizes(fit, [one.since(day) for one, _ in kept])
    while kept and np.nan_to_num(np.abs(sizes.z)).min() < limit:
        del kept[int(np.argmin(np.nan_to_num(np.abs(sizes.z))))]
        sizes = joint_sizes(fit, [one.since(day) for one, _ in kept])
    return kept, sizes


def _names(found: Sequence[Episode]) -> set[tuple[int, str, int, int]]:
    """What is named in episodes, without its size."""
    return {(one.vehicle, one.causes[0].kind, one.causes[0].life, one.causes[0].onset) for one in found}


def _each_once(causes: Sequence[SharedCause], limit: float, day: Ints) -> list[tuple[SharedCause, list[SharedCause]]]:
    """The causes past the limit, strongest first, each with those that explain the same readings about as well."""
    kept: list[tuple[SharedCause, list[SharedCause]]] = []
    for one in sorted((cause for cause in causes if cause.running.shared), key=lambda cause: -abs(cause.z)):
        if abs(one.z) < limit:
            break
        stronger = next((pair for pair in kept if _same(pair[0], one, day)), None)
        if stronger is None:
            kept.append((one, []))
        elif stronger[0].z ** 2 - one.z**2 < NEAR and one.kind != stronger[0].kind:
            stronger[1].append(one)
    return kept


def _same(strong: SharedCause, weak: SharedCause, day: Ints) -> bool:
    """Whether two causes to the same side share most of the readings since the onset of the smaller one."""
    mine, theirs = weak.since(day), strong.since(day)
    least = min(int(mine.sum()), int(theirs.sum()))
    return bool(strong.z * weak.z > 0 and (mine & theirs).sum() >= SAME * least)
