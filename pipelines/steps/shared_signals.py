"""Signals that several vehicles share, as rows: since when, how large in per cent, what else it may be."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.acknowledgements import key_of, subject_of
from pipelines.steps.causes_apart import CausesApart
from pipelines.steps.group_rows import Ints
from pipelines.steps.shared_causes import SharedCause
from pipelines.steps.wear_learn import Learned
from wearlab.control.cause_size import NORMAL_90
from wearlab.control.shared import Running
from wearlab.language import _, msg
from wearlab.lives.odometer import day_of
from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit

#: days after which the tests of a month are told by later ones
_SETTLED = 31

#: the test that tells two shared causes apart
_MEASURED_VOLUME = msg("run a measured volume into every tube of the rig")
_ANOTHER_RIG = msg("test one of these vehicles on another rig")
_TELLING = {
    frozenset(("rig", "tube")): _MEASURED_VOLUME,
    frozenset(("rig", "month")): _ANOTHER_RIG,
    frozenset(("rig", "depot")): _ANOTHER_RIG,
    frozenset(("tube", "month")): _MEASURED_VOLUME,
    frozenset(("tube", "depot")): _MEASURED_VOLUME,
    frozenset(("month", "depot")): msg("test some of these vehicles again"),
}


def shared_signals(found: Learned, told: CausesApart, limit: float) -> list[dict[str, Any]]:
    """The shared causes of a learned group as rows of the table `signal` without their run."""
    day = found.group.rows.day[found.group.fitted]
    made = _Told(found, told.fit, limit, day, told.slope)
    return [made.row(one.cause, one.others, one.size, one.sd) for one in told.shared]


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
        closed = None if cause.ended is None else _("the rig was calibrated on {day}", day=cause.ended)
        if cause.kind == "month" and self.day.max() > self.day[cause.member].max() + _SETTLED:
            closed = _("later tests read as expected")
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
            "telling": "; ".join(map(_, tests)) or None,
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
