"""Changes that many vehicles share: a rig since its calibration, one of its tubes, the tests of a depot.

Vehicles show such a change each for itself too small to signal; over all of them it adds up. At a depot it passes with
the month (the tests of one month) or lasts (fuel, route or workshop from a day on).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.steps.group_rows import Ints, said_on
from pipelines.steps.wear_learn import Learned
from wearlab.control.budget import FalseSignals
from wearlab.control.shared import Running, chance_of_signal, changes
from wearlab.lives.odometer import day_number, day_of
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.wear.scale_fit import ScaleFit

_YEAR, _MONTHS = 365, 12

#: limit at which the chance is drawn, and limits between which it is told from there on as a normal tail
_DRAWN = 3.0
_TOLD = np.array([1.5, 7.0])

#: causes drawn at most; of more a random part stands for all
_MOST_DRAWN = 60

#: causes of a depot
OF_DEPOT = ("month", "depot")


@dataclass(frozen=True, slots=True, eq=False)
class SharedCause:
    """One rig period, tube, depot or month at a depot: the change that its readings show.

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

    def since(self, day: Ints) -> NDArray[np.bool_]:
        """Which readings on days (N,) the change touches, (N,)."""
        return np.asarray(self.member & (day >= self.running.day[self.running.best]), dtype=np.bool_)

    @property
    def z(self) -> float:
        """z of the change at its most likely first day."""
        return float(self.running.z[self.running.best])

    def again(self, fit: ScaleFit, day: Ints) -> SharedCause | None:
        """The same cause told by a fit with other causes taken off; None where nothing is told any more."""
        code = np.where(self.member, self.running.group, -1)
        told = [one for one in changes(fit, ((code, self.kind != "month"),), day)[0] if one.group >= 0]
        return replace(self, running=told[0]) if told and told[0].shared else None

    @property
    def name(self) -> str:
        """What changed, in words."""
        if self.kind in OF_DEPOT:
            return f"depot {self.depot}" + (" in one month" if self.kind == "month" else "")
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
    kinds = {
        "rig": (_codes((rig, period)), True),
        "tube": (_codes((rig, tube)), True),
        "depot": (_codes((depot,)), True),
        "month": (_codes((depot, month)), False),
    }
    kinds = {kind: of for kind, of in kinds.items() if of[0].max(initial=-1) >= 0}
    for (kind, (code, _)), found_of in zip(kinds.items(), changes(fit, list(kinds.values()), day), strict=True):
        number, first = np.unique(code, return_index=True)
        for running in found_of:
            if running.group < 0 or running.best < 0:
                continue
            at = int(first[np.searchsorted(number, running.group)])
            told.append(
                SharedCause(
                    kind=kind,
                    rig=str(rig[at]) if kind not in OF_DEPOT else None,
                    channel=str(tube[at]) if kind == "tube" else None,
                    depot=str(depot[at]) if kind in OF_DEPOT else None,
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
