"""From the store to the wear model: one group's readings as `WearData`, with all that leads its results back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.group_reference import group_conditions, judging
from pipelines.steps.group_rows import Flags, GroupLives, GroupRows, Ints, group_rows, said_on
from pipelines.steps.rules import rules_in_force
from pipelines.steps.wear_events import event_columns
from pipelines.steps.wear_periods import PERIOD_SD, Columns, fuel_supplies, joined, rig_periods, season
from wearlab.config import Settings
from wearlab.language import _, msg
from wearlab.limit_settings import LimitRule
from wearlab.records import LEVEL_UNIT, Driven, Measure
from wearlab.store.database import Database
from wearlab.wear.data import CovariateKind, WearData

#: a starved pump looks like a worn one: without a word on the supply such a reading has no vote
_ON_SUPPLY = (Measure.PUMP_PEAK, Measure.PUMP_RISE)

#: a test slightly before the day a life began (a meter read a little later) counts as at its beginning
_SLACK_KM = 500.0


@dataclass(frozen=True, slots=True, eq=False)
class GroupData:
    """One group for the wear model.

    `rows` and `lives` hold all n readings and P lives that may be trended; `fitted` (m,) are the places in `rows` of
    the readings in `data` (None where none is left). `outside`, `unplaced`, `unsupplied` (n,) say why others stay out:
    outside the range of correction, no exposure, nothing said of a pump's supply. `family` and `reference` (P,) are
    words a life; `rules` are the limits that judge the group. `condition_names` and
    `event_names` tell which covariates are what. `usual_speed` is the median speed of the tests of the whole group
    where this is a part of it, None: that of `rows`.
    """

    measure: str
    protocol: str
    unit: str
    rows: GroupRows
    data: WearData | None
    fitted: Ints
    outside: Flags
    unplaced: Flags
    unsupplied: Flags
    family: NDArray[np.object_]
    reference: NDArray[np.object_]
    rules: tuple[LimitRule, ...]
    condition_names: tuple[str, ...]
    event_names: tuple[str, ...]
    notes: tuple[str, ...]
    usual_speed: float | None = None

    @property
    def lives(self) -> GroupLives:
        """The lives of the group."""
        return self.rows.lives

    def per_life(self, flags: Flags) -> Ints:
        """Count flagged readings (n,) a life, shape (P,)."""
        return np.bincount(self.rows.life[flags], minlength=len(self.lives)).astype(np.int64)

    @property
    def per_life_fitted(self) -> Ints:
        """Readings in the fit a life, shape (P,)."""
        return np.bincount(self.rows.life[self.fitted], minlength=len(self.lives)).astype(np.int64)

    @property
    def codes(self) -> Ints:
        """Lives that have a reading in the fit, in the order of the model's parts."""
        return np.unique(self.rows.life[self.fitted])


def group_data(db: Database, settings: Settings, measure: str, protocol: str, as_of: date) -> GroupData:
    """Read one group as of a day and arrange it for the wear model."""
    rows = group_rows(db, measure, protocol, as_of)
    lives = rows.lives
    rules = judging(rules_in_force(settings, as_of), measure, protocol)
    # parts of one life wear alike all along: the family is that of the vehicle it was last tested on
    family = said_on(db, "family", rows.vehicles, lives.vehicle, rows.day[lives.last], as_of)
    conditions = group_conditions(rows, family[rows.life], rules, settings)
    unsupplied = ~rows.supply_seen if measure in _ON_SUPPLY else np.zeros(len(rows), dtype=np.bool_)
    unplaced = ~(rows.exposure_km >= -_SLACK_KM) | ~np.isfinite(rows.gathered_km)
    outside = conditions.outside
    fitted = np.flatnonzero(~unsupplied & ~unplaced & ~outside).astype(np.int64)
    events = event_columns(db, rows, fitted, as_of)
    others = joined(
        [
            Columns(conditions.matrix, conditions.names, conditions.prior_sd),
            season(rows.day, rows.conditions["fuel_temp_c"]),
            fuel_supplies(db, rows, as_of),
            events,
        ]
    )
    period, period_notes = rig_periods(db, rows, settings, as_of)
    kept = np.any(others.matrix[fitted] != 0, axis=0)
    names = tuple(name for name, used in zip(others.names, kept, strict=True) if used)
    factor: CovariateKind = "factor"
    mean = np.concatenate([conditions.prior_mean, np.zeros(len(others.names) - conditions.prior_mean.size)])
    data = WearData(
        y=rows.level[fitted],
        exposure=np.maximum(rows.exposure_km[fitted], 0.0),
        vehicle=rows.vehicle[fitted],
        part=rows.life[fitted],
        visit=rows.day[fitted],
        bound=rows.bound[fitted],
        resolution=rows.resolution[fitted],
        covariates=others.matrix[np.ix_(fitted, np.flatnonzero(kept))],
        covariate_names=names,
        covariate_kind=(factor,) * len(names),
        covariate_role=tuple(role for role, used in zip(others.roles, kept, strict=True) if used),
        prior_mean=mean[kept],
        prior_sd=others.prior_sd[kept],
        family=family[rows.life[fitted]].astype(str),
        gathered=np.maximum(rows.gathered_km[fitted], 0.0),
        unknown_start=rows.unknown_start[fitted],
        period=period[fitted].astype(str),
        period_sd=PERIOD_SD,
        visit_sd=conditions.visit_sd[fitted],
        relative_error=_stated_error(rows, settings),
        exposure_unit="km",
        unit=LEVEL_UNIT[Measure(measure)],
    )
    return GroupData(
        measure=measure,
        protocol=protocol,
        unit=LEVEL_UNIT[Measure(measure)],
        rows=rows,
        data=data if fitted.size else None,
        fitted=fitted,
        outside=outside,
        unplaced=unplaced,
        unsupplied=unsupplied,
        family=family,
        reference=_last_words(conditions.words, conditions.reference, rows),
        rules=tuple(rules),
        condition_names=conditions.names,
        event_names=events.names,
        notes=(*conditions.notes, *others.notes, *period_notes, *_left_out(outside, unplaced, unsupplied)),
    )


def _last_words(words: tuple[str, ...], reference: Ints, rows: GroupRows) -> NDArray[np.object_]:
    return np.array(words, dtype=object)[reference[rows.lives.last]] if len(rows) else np.zeros(0, dtype=object)


def _stated_error(rows: GroupRows, settings: Settings) -> float:
    """The relative error of one reading that the settings state for such tests."""
    spread = settings.spread
    if rows.measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE, Measure.PUMP_HOLD):
        return spread.pump_percent / 100.0
    percent = {
        Driven.CRANK: spread.crank_percent,
        Driven.RAISED: spread.raised_percent,
        Driven.BENCH: spread.bench_percent,
    }
    return percent.get(Driven(rows.driven) if rows.driven else Driven.IDLE, spread.idle_percent) / 100.0


def _left_out(outside: Flags, unplaced: Flags, unsupplied: Flags) -> tuple[str, ...]:
    told = (
        (
            outside,
            msg("{n} readings outside the range of correction or the limit's own conditions stay out of the fit"),
        ),
        (unplaced & ~outside, msg("{n} readings without a usable odometer stay out of the fit")),
        (
            unsupplied & ~outside & ~unplaced,
            msg("{n} readings of pumps with nothing recorded of the fuel supply stay out of the fit"),
        ),
    )
    return tuple(_(words, n=int(flags.sum())) for flags, words in told if flags.any())
