"""Changes that many vehicles share: a rig since its calibration, one of its tubes, the tests of a depot in one month.

Vehicles show such a change each for itself too small to signal; over all of them it adds up. Of two causes that share
most readings the stronger is told; the other stands beside it where it explains them about as well.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.steps.acknowledgements import key_of, subject_of
from pipelines.steps.group_rows import Ints, said_on
from pipelines.steps.wear_learn import Learned
from wearlab.control.budget import FalseSignals
from wearlab.control.cause_size import NORMAL_90
from wearlab.control.episodes import NEAR
from wearlab.control.shared import Running, chance_of_signal, lasting, passing
from wearlab.lives.odometer import day_number, day_of
from wearlab.records import NoAnswer
from wearlab.store.database import Database

_YEAR, _MONTHS = 365, 12

#: days after which the tests of a month are told by later ones
_SETTLED = 31

#: limit at which the chance is drawn, and limits between which it is told from there on as a normal tail
_DRAWN = 3.0
_TOLD = np.array([1.5, 7.0])

#: causes drawn at most; of more a random part stands for all
_MOST_DRAWN = 60

#: share of the readings of the smaller of two causes that the other has too, from which they are the same change
SAME = 0.5

#: the test that tells two shared causes apart
_TELLING = {
    frozenset(("rig", "tube")): "run a measured volume into every tube of the rig",
    frozenset(("rig", "month")): "test one of these vehicles on another rig",
    frozenset(("tube", "month")): "run a measured volume into every tube of the rig",
}


@dataclass(frozen=True, slots=True, eq=False)
class SharedCause:
    """One rig period, tube or month at a depot: the change that its readings show.

    `code` (N,) numbers such groups, one array for all of a kind; its own readings have that of `running`. `ended` is
    the day of the calibration after a rig's period, None where there was none.
    """

    kind: str
    rig: str | None
    channel: str | None
    depot: str | None
    running: Running
    code: Ints
    ended: date | None

    @property
    def member(self) -> NDArray[np.bool_]:
        """Which readings are of it, (N,)."""
        return np.asarray(self.code == self.running.group, dtype=np.bool_)

    @property
    def name(self) -> str:
        """What changed, in words."""
        if self.kind == "month":
            return f"depot {self.depot} in one month"
        return f"rig {self.rig}" if self.kind == "rig" else f"tube {self.channel} of rig {self.rig}"


def shared_causes(db: Database, found: Learned, as_of: date) -> tuple[SharedCause, ...]:
    """All causes that the readings of one learned group may share."""
    if isinstance(found.fit, NoAnswer):
        return ()
    rows, fitted, fit = found.group.rows, found.group.fitted, found.fit.best
    day = rows.day[fitted]
    rig = rows.rig[fitted]
    depot = said_on(db, "depot", rows.vehicles, rows.vehicle[fitted], day, as_of)
    tube = _channels(db, found)
    period = found.fit.data.period
    label = found.fit.data.period_label[period]
    month = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    told: list[SharedCause] = []
    for kind, columns, lasts in (
        ("rig", (rig, period), True),
        ("tube", (rig, tube), True),
        ("month", (depot, month), False),
    ):
        code = _codes(columns)
        if code.max(initial=-1) < 0:
            continue
        number, first = np.unique(code, return_index=True)
        for running in (lasting if lasts else passing)(fit, code, day):
            if running.group < 0 or running.best < 0:
                continue
            at = int(first[np.searchsorted(number, running.group)])
            told.append(
                SharedCause(
                    kind=kind,
                    rig=str(rig[at]) if kind != "month" else None,
                    channel=str(tube[at]) if kind == "tube" else None,
                    depot=str(depot[at]) if kind == "month" else None,
                    running=running,
                    code=code,
                    ended=_ended(rig, label, day, code == running.group) if kind == "rig" else None,
                )
            )
    return tuple(told)


def shared_chance(causes: Sequence[SharedCause], as_of: date) -> FalseSignals:
    """False signals a month that all shared causes raise together, by limit, as the last year's tests had it."""
    since = day_number(as_of) - _YEAR
    live = [one.running for one in causes if one.running.day.max() > since]
    some = live
    if len(live) > _MOST_DRAWN:
        some = [live[k] for k in np.random.default_rng(1).choice(len(live), _MOST_DRAWN, replace=False)]
    drawn = sum(chance_of_signal(one, since, _DRAWN) for one in some) / _MONTHS * len(live) / max(len(some), 1)
    return FalseSignals(_TOLD, drawn * np.exp(0.5 * (_DRAWN**2 - _TOLD**2)))


def shared_signals(found: Learned, causes: Sequence[SharedCause], limit: float) -> list[dict[str, Any]]:
    """The shared causes past a limit as rows of the table `signal` without their run, each change once."""
    if not isfinite(limit):
        return []
    day = found.group.rows.day[found.group.fitted]
    ranked = sorted(causes, key=lambda one: -abs(_best(one)))
    kept: list[tuple[SharedCause, list[SharedCause]]] = []
    for one in ranked:
        if abs(_best(one)) < limit:
            break
        stronger = next((pair for pair in kept if _same(pair[0], one, day)), None)
        if stronger is None:
            kept.append((one, []))
        elif _best(stronger[0]) ** 2 - _best(one) ** 2 < NEAR and one.kind != stronger[0].kind:
            stronger[1].append(one)
    return [_row(found, one, others, limit, day) for one, others in kept]


def _best(cause: SharedCause) -> float:
    return float(cause.running.z[cause.running.best])


def _same(strong: SharedCause, weak: SharedCause, day: Ints) -> bool:
    """Whether two causes to the same side share most of the readings since the onset of the smaller one."""
    mine, theirs = _since(weak, day), _since(strong, day)
    least = min(int(mine.sum()), int(theirs.sum()))
    return bool(_best(strong) * _best(weak) > 0 and (mine & theirs).sum() >= SAME * least)


def _since(cause: SharedCause, day: Ints) -> NDArray[np.bool_]:
    return np.asarray(cause.member & (day >= cause.running.day[cause.running.best]), dtype=np.bool_)


def _row(found: Learned, cause: SharedCause, others: Sequence[SharedCause], limit: float, day: Ints) -> dict[str, Any]:
    group = found.group
    best = _told(cause)
    subject = subject_of(
        vehicle=cause.name, part=None, measure=group.measure, protocol=group.protocol, onset=best["onset_on"],
        kind=cause.kind,
    )  # fmt: skip
    closed = None if cause.ended is None else f"the rig was calibrated on {cause.ended}"
    if cause.kind == "month" and day.max() > day[cause.member].max() + _SETTLED:
        closed = "later tests read as expected"
    tests = dict.fromkeys(_TELLING[frozenset((cause.kind, other.kind))] for other in others)
    return {
        "key": key_of(subject),
        "subject": subject,
        "vehicle": None,
        "life": None,
        "measure": group.measure,
        "protocol": group.protocol,
        "driven": group.rows.driven,
        "family": None,
        "detected_on": max(_detected(cause.running, limit), best["onset_on"]),
        "latest_on": day_of(cause.running.day.max()),
        **best,
        "alternatives": json.dumps([_told(other) for other in others], default=date.isoformat),
        "telling": "; ".join(tests) or None,
        "faded": False,
        "open": closed is None,
        "closed": closed,
    }


def _told(cause: SharedCause) -> dict[str, Any]:
    running, k = cause.running, cause.running.best
    first, last = running.onset()
    before = running.day[running.day < first]
    size, sd = 100.0 * float(running.size[k]), 100.0 * float(running.sd[k])
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
        "size": size,
        "size_low": size - NORMAL_90 * sd,
        "size_high": size + NORMAL_90 * sd,
        "unit": "%",
        "percent": None,
        "percent_low": None,
        "percent_high": None,
        "z": float(running.z[k]),
        "question": None,
    }


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


def _channels(db: Database, found: Learned) -> NDArray[np.object_]:
    """The tube of every reading in the fit, "" where the sheet does not say."""
    rows, fitted = found.group.rows, found.group.fitted
    frame = db.frame(
        "SELECT test_id, position, repeat, min(channel) AS channel FROM reading "
        "WHERE measure = ? AND protocol = ? AND channel IS NOT NULL GROUP BY ALL",
        [found.group.measure, found.group.protocol],
    )
    if frame.empty:
        return np.full(fitted.size, "", dtype=object)
    known = pd.Series(
        frame["channel"].to_numpy(object), index=pd.MultiIndex.from_frame(frame[["test_id", "position", "repeat"]])
    )
    sought = pd.MultiIndex.from_arrays([rows.test_id[fitted], rows.position[fitted], rows.repeat[fitted]])
    return np.asarray(known.reindex(sought).fillna("").to_numpy(object), dtype=object)


def _codes(columns: Sequence[NDArray[Any]]) -> Ints:
    """Number the combinations of columns (N,); -1 where a word of one is missing."""
    table = pd.DataFrame({str(k): column for k, column in enumerate(columns)})
    code = table.groupby(list(table.columns), sort=True).ngroup().to_numpy(np.int64)
    missing = np.zeros(code.size, dtype=np.bool_)
    for column in columns:
        if column.dtype == object:
            missing |= column == ""
    return np.asarray(np.where(missing, -1, code), dtype=np.int64)


def _ended(rig: NDArray[np.object_], period: NDArray[Any], day: Ints, member: NDArray[np.bool_]) -> date | None:
    """The day of the calibration after a rig's period: as the next period's name says, else its first test."""
    later = (rig == rig[np.argmax(member)]) & (day > day[member].max()) & ~member
    if not later.any():
        return None
    at = int(np.flatnonzero(later)[np.argmin(day[later])])
    _, told, since = str(period[at]).rpartition(" from ")
    return date.fromisoformat(since) if told else day_of(day[at])
