"""Signals that several vehicles share, each change once, sized together; and the fit with them taken off.

Of two causes that share most readings the stronger is told; the other stands beside it where it explains them about as
well. What a rig or a depot explains is then taken off the readings, so that it is not told again of their vehicles.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.acknowledgements import key_of, subject_of
from pipelines.steps.group_rows import Ints
from pipelines.steps.shared_causes import SharedCause
from pipelines.steps.wear_learn import Learned
from wearlab.control.cause_size import NORMAL_90
from wearlab.control.episodes import NEAR
from wearlab.control.joint_sizes import joint_sizes, without
from wearlab.control.shared import Running
from wearlab.lives.odometer import day_of
from wearlab.records import NoAnswer
from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit

#: days after which the tests of a month are told by later ones
_SETTLED = 31

#: share of the readings of the smaller of two causes that the other has too, from which they are the same change
SAME = 0.5

#: the test that tells two shared causes apart
_MEASURED_VOLUME = "run a measured volume into every tube of the rig"
_ANOTHER_RIG = "test one of these vehicles on another rig"
_TELLING = {
    frozenset(("rig", "tube")): _MEASURED_VOLUME,
    frozenset(("rig", "month")): _ANOTHER_RIG,
    frozenset(("rig", "depot")): _ANOTHER_RIG,
    frozenset(("tube", "month")): _MEASURED_VOLUME,
    frozenset(("tube", "depot")): _MEASURED_VOLUME,
    frozenset(("month", "depot")): "test some of these vehicles again",
}


@dataclass(frozen=True, slots=True, eq=False)
class SharedSignals:
    """Shared causes past the limit as rows of the table `signal` without their run, and the fit without them."""

    rows: list[dict[str, Any]]
    fit: ScaleFit


def shared_signals(found: Learned, causes: Sequence[SharedCause], limit: float) -> SharedSignals:
    """Tell the shared causes of a fitted group that pass a limit.

    Raises
    ------
    ValueError
        The group has no fit.
    """
    if isinstance(found.fit, NoAnswer):
        raise ValueError("a group without a fit has no signals")
    fit = found.fit.best
    day = found.group.rows.day[found.group.fitted]
    kept = _each_once(causes, limit, day) if isfinite(limit) else []
    sizes = joint_sizes(fit, [one.since(day) for one, _ in kept])
    # of two that say the same (one depot reads high, the other low) neither is left beside the other
    while kept and np.nan_to_num(np.abs(sizes.z)).min() < limit:
        del kept[int(np.argmin(np.nan_to_num(np.abs(sizes.z))))]
        sizes = joint_sizes(fit, [one.since(day) for one, _ in kept])
    if not kept:
        return SharedSignals([], fit)
    told = _Told(found, fit, limit, day, sizes.slope)
    rows = [
        told.row(one, others, float(size), float(sd))
        for (one, others), size, sd in zip(kept, sizes.size, sizes.sd, strict=True)
    ]
    return SharedSignals(rows, without(fit, [one.since(day) for one, _ in kept], sizes))


def _each_once(causes: Sequence[SharedCause], limit: float, day: Ints) -> list[tuple[SharedCause, list[SharedCause]]]:
    """The causes past the limit, strongest first, each with those that explain the same readings about as well."""
    kept: list[tuple[SharedCause, list[SharedCause]]] = []
    for one in sorted(causes, key=lambda cause: -abs(cause.z)):
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


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """How the shared causes of one group are told."""

    found: Learned
    fit: ScaleFit
    limit: float
    day: Ints
    slope: Floats

    def row(self, cause: SharedCause, others: Sequence[SharedCause], size: float, sd: float) -> dict[str, Any]:
        """One signal."""
        group = self.found.group
        best = self.cause(cause, size, sd)
        subject = subject_of(
            vehicle=cause.name, part=None, measure=group.measure, protocol=group.protocol, onset=best["onset_on"],
            kind=cause.kind,
        )  # fmt: skip
        closed = None if cause.ended is None else f"the rig was calibrated on {cause.ended}"
        if cause.kind == "month" and self.day.max() > self.day[cause.member].max() + _SETTLED:
            closed = "later tests read as expected"
        tests = dict.fromkeys(_TELLING[frozenset((cause.kind, other.kind))] for other in others)
        told = [self.cause(one, float(one.running.size[one.running.best]), float(one.running.sd[one.running.best]))
                for one in others]  # fmt: skip
        return {
            "key": key_of(subject),
            "subject": subject,
            "vehicle": None,
            "life": None,
            "measure": group.measure,
            "protocol": group.protocol,
            "driven": group.rows.driven,
            "family": None,
            "detected_on": max(_detected(cause.running, self.limit), best["onset_on"]),
            "latest_on": day_of(cause.running.day.max()),
            **best,
            "alternatives": json.dumps(told, default=date.isoformat),
            "telling": "; ".join(tests) or None,
            "faded": False,
            "open": closed is None,
            "closed": closed,
        }

    def cause(self, cause: SharedCause, size: float, sd: float) -> dict[str, Any]:
        """One cause, of a size in working terms with its sd."""
        running, k = cause.running, cause.running.best
        first, last = running.onset()
        before = running.day[running.day < first]
        touched = cause.since(self.day)
        percent, low, high = (self.percent(touched, size + off * NORMAL_90 * sd) for off in (0.0, -1.0, 1.0))
        return {
            "kind": cause.kind,
            "part": None,
            "position": None,
            "rig": cause.rig,
            "channel": cause.channel,
            "depot": cause.depot,
            "vehicles": int(running.vehicles[k]),
            "onset_on": day_of(running.day[k]),
            "onset_early": day_of(int(before.max()) if before.size and cause.kind != "month" else first),
            "onset_late": day_of(last),
            "size": percent,
            "size_low": low,
            "size_high": high,
            "unit": "%",
            "percent": None,
            "percent_low": None,
            "percent_high": None,
            "z": size / sd,
            "question": None,
        }

    def percent(self, touched: NDArray[np.bool_], size: float) -> float:
        """What readings (N,) read more, in per cent of what they would have read without a change of a size."""
        design, scale = self.fit.design, self.fit.scale
        numbers = touched & (self.slope > 0)
        y = design.y[numbers]
        without_it = scale.inverse(y - size * self.slope[numbers])
        good = np.isfinite(without_it) & (without_it > 0)
        if not good.any():
            return 100.0 * size
        return 100.0 * float(scale.inverse(y[good]).sum() / without_it[good].sum() - 1.0)


def _detected(running: Running, limit: float) -> date:
    """The first day whose tests carried the largest |z| over earlier first days past the limit."""
    known = np.append(running.information, 0.0)
    score = np.append(np.nan_to_num(running.z) * np.sqrt(running.information), 0.0)
    for end in range(1, running.day.size + 1):
        gained = known[:end] - known[end]
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.abs(score[:end] - score[end]) / np.sqrt(gained)
        if np.where(gained > 1e-3 * known[0], np.nan_to_num(z, posinf=0.0), 0.0).max() >= limit:
            return day_of(running.day[end - 1])
    return day_of(running.day.max())
