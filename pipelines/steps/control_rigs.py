"""One rig month by month: what its tests read against everything else that is known of the vehicles it tested."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.steps.calibrations import calibrated_on
from pipelines.steps.compare import fitted_again
from pipelines.steps.control_series import USUAL
from pipelines.steps.group_rows import Floats, Ints, groups
from pipelines.steps.signals import SignalsTold, current_signals
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.workspace import Workspace
from wearlab.charts.words import measure_words
from wearlab.control.cause_size import NORMAL_90
from wearlab.control.chart import Chart, chart
from wearlab.control.rig_profile import rig_profile
from wearlab.errors import InputError
from wearlab.language import _
from wearlab.lives.odometer import day_of
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.wear.results import WearFit

#: tests over fewer days than this are told day by day
_SHORT = 92


@dataclass(frozen=True, slots=True, eq=False)
class RigSeries:
    """A rig or one of its tubes over k stretches (months, or days of a short time), arrays (k,), in %.

    `chart` holds what it read high; `low`, `high` are the 90 % interval. `days` lie in the middle of each stretch's
    tests, `first` at their begin. A calibration begins a new stretch.
    """

    name: str
    days: tuple[date, ...]
    first: tuple[date, ...]
    last: tuple[date, ...]
    tests: Ints
    readings: Ints
    chart: Chart
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True, eq=False)
class RigVisits:
    """One rig in one group of tests; `tube` of a series is its name. `no_answer` says why there is none."""

    rig: str
    measure: str
    protocol: str
    base: bool
    monthly: bool
    calibrations: tuple[date, ...]
    whole: RigSeries | None
    tubes: tuple[RigSeries, ...]
    signals: tuple[dict[str, Any], ...]
    no_answer: str | None

    @property
    def test(self) -> str:
        """The kind of test in words."""
        return f"{measure_words(self.measure)}, {self.protocol}"


def rig_visits(
    place: Workspace,
    rig: str,
    as_of: date,
    *,
    measure: str | None = None,
    protocol: str | None = None,
    say: Callable[[str], None] | None = None,
) -> tuple[RigVisits, ...]:
    """Return a rig's readings over time in every group that was asked for.

    Raises
    ------
    InputError
        No test names such a rig, or it has no such tests.
    """
    told = current_signals(place, as_of, say=say)
    with place.open() as db:
        known = [str(one) for (one,) in db.rows("SELECT DISTINCT rig FROM test WHERE rig IS NOT NULL ORDER BY rig")]
        name = next((one for one in known if one.casefold() == rig.casefold()), None)
        if name is None:
            raise InputError(f'no test names a rig "{rig}"; there are {", ".join(known) or "none at all"}')
        days = tuple(day_of(day) for day in calibrated_on(db, place.settings, as_of).get(name, ()))
        found = []
        for one in groups(db, as_of):
            if not (measure in (None, one[0]) and protocol in (None, one[1])):
                continue
            group = group_data(db, place.settings, *one, as_of)
            if name not in group.rows.rig[group.fitted]:
                continue
            if say is not None:
                say(f"{measure_words(one[0])}, {one[1]}: fitting")
            found.append(group_rig(db, group, fitted_again(db, group), name, days, told))
    if not found:
        asked = ", ".join(word for word in (measure, protocol) if word) or "any measure and protocol"
        raise InputError(f"rig {name} has no readings that a trend may use of {asked}")
    return tuple(found)


def group_rig(
    db: Database,
    group: GroupData,
    fit: WearFit | NoAnswer,
    rig: str,
    calibrated: tuple[date, ...],
    told: SignalsTold,
    *,
    tube: str | None = None,
) -> RigVisits:
    """Work out one rig of one fitted group with all its tubes, or with one of them."""
    rows, at = group.rows, group.fitted
    mine = rows.rig[at] == rig
    day = rows.day[at]
    monthly = bool(day[mine].max() - day[mine].min() >= _SHORT)
    signals = tuple(
        one
        for one in told.signals
        if one["rig"] == rig and (one["measure"], one["protocol"]) == (group.measure, group.protocol)
    )
    common = (rig, group.measure, group.protocol)
    if isinstance(fit, NoAnswer):
        return RigVisits(*common, False, monthly, calibrated, None, (), signals, fit.reason)
    labels = [str(fit.data.period_label[k]) for k in np.unique(fit.data.period[mine])]
    own = [f"period {label}" for label in labels if label]
    width = told.budget.limit or USUAL
    stretch = _stretches(day, mine, monthly, calibrated)
    whole = _series(group, fit, stretch, own, width, _("rig {rig}", rig=rig))
    named = _tubes(db, group)
    tubes = []
    for name in sorted({str(one) for one in named[mine]} - {""}, key=lambda one: (len(one), one)):
        if tube not in (None, name):
            continue
        numbered = _stretches(day, mine & (named == name), monthly, calibrated)
        tubes.append(_series(group, fit, numbered, (), width, name))
    return RigVisits(*common, "" in labels, monthly, calibrated, whole, tuple(tubes), signals, None)


def _stretches(day: Ints, mine: NDArray[np.bool_], monthly: bool, calibrated: tuple[date, ...]) -> Ints:
    """Number months, or days, from one calibration to the next, (N,); -1 where a reading is not meant."""
    cuts = np.array(calibrated, dtype="datetime64[D]").astype(np.int64)
    unit = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) if monthly else day
    pair = np.stack([unit, np.searchsorted(cuts, day, side="right")])
    out = np.full(day.size, -1, dtype=np.int64)
    out[mine] = np.unique(pair[:, mine], axis=1, return_inverse=True)[1].reshape(-1)
    return out


def _series(
    group: GroupData, fit: WearFit, stretch: Ints, own: list[str] | tuple[str, ...], width: float, name: str
) -> RigSeries:
    found = rig_profile(fit.best, stretch, own)
    day, test = group.rows.day[group.fitted], group.rows.test_id[group.fitted]
    members = [np.flatnonzero(stretch == k) for k in range(found.offset.size)]
    percent, reach = 100 * found.offset, 100 * width * found.quiet
    return RigSeries(
        name=name,
        days=tuple(day_of(round(float(day[one].mean()))) for one in members),
        first=tuple(day_of(int(day[one].min())) for one in members),
        last=tuple(day_of(int(day[one].max())) for one in members),
        tests=np.array([np.unique(test[one].astype(str)).size for one in members], dtype=np.int64),
        readings=found.readings,
        chart=chart("individuals", percent, 0.0, -reach, reach),
        low=percent - 100 * NORMAL_90 * found.sd,
        high=percent + 100 * NORMAL_90 * found.sd,
    )


def _tubes(db: Database, group: GroupData) -> NDArray[np.object_]:
    """The tube of every reading in the fit, "" where the sheet does not say."""
    rows, at = group.rows, group.fitted
    frame = db.frame(
        "SELECT test_id, position, repeat, min(channel) AS channel FROM reading "
        "WHERE measure = ? AND protocol = ? AND channel IS NOT NULL GROUP BY ALL",
        [group.measure, group.protocol],
    )
    keys = zip(frame["test_id"], frame["position"], frame["repeat"].astype(int), strict=True)
    known = dict(zip(keys, frame["channel"].astype(str), strict=True)) if not frame.empty else {}
    sought = pd.DataFrame({"t": rows.test_id[at], "p": rows.position[at], "r": rows.repeat[at]})
    return np.array([known.get(key, "") for key in sought.itertuples(index=False, name=None)], dtype=object)
