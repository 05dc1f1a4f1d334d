"""What acts on the readings of a stretch of time: the season, the fuel supplied, the rig since its calibration."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import tau

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.steps.calibrations import calibrated_on
from pipelines.steps.group_rows import Floats, GroupRows, Ints, said_on
from wearlab.config import Settings
from wearlab.control.rig_offsets import period_names
from wearlab.language import _, msg
from wearlab.store.database import Database
from wearlab.wear.data import CovariateRole

#: prior sd of a season's swing, of a fuel supply and of a rig period: a relative error of this size is believed without
#: further proof (common practice, no source: a rig is trusted to about 5 %)
SEASON_SD = 0.05
#: where most tests noted no temperature, the season itself stands for it (20 K move a reading by 30 to 40 %, computed)
SEASON_SD_UNKNOWN = 0.15
SUPPLY_SD = 0.10
PERIOD_SD = 0.025

#: more columns than these cost time and say nothing: the rarest then share the base
MOST_SUPPLIES = 8
MOST_PERIODS = 60

#: columns of the time of year
SEASON = (msg("season, cosine"), msg("season, sine"))

#: name of a rig's period, by which a run keeps its offset
_PERIOD = re.compile(r"(?P<rig>.+) (?P<side>before|from) (?P<day>\d{4}-\d{2}-\d{2})")

_CONDITION: tuple[CovariateRole, ...] = ("condition",)

#: a season is told apart from wear only over a full year with tests in three quarters of it at least
_YEAR = 365.25
_FEWEST_QUARTERS = 3
_SHARE_OF_QUARTER = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Columns (n, c) that multiply a reading by exp(coefficient * column), zero under the conditions told for.

    `roles` say what becomes of a column when a level is told; none given: all are conditions.
    """

    matrix: Floats
    names: tuple[str, ...]
    prior_sd: Floats
    notes: tuple[str, ...] = ()
    roles: tuple[CovariateRole, ...] = ()

    @classmethod
    def none(cls, n: int, *notes: str) -> Columns:
        """No column for n readings."""
        return cls(np.zeros((n, 0)), (), np.zeros(0), notes)


def period_told(name: str) -> str:
    """Return the name of a rig's period in the spoken language: "R-north from 2026-03-01"."""
    found = _PERIOD.fullmatch(name)
    if found is None:
        return name
    place = {"rig": found["rig"], "day": found["day"]}
    return _("{rig} before {day}", **place) if found["side"] == "before" else _("{rig} from {day}", **place)


def joined(parts: Sequence[Columns]) -> Columns:
    """All columns side by side."""
    return Columns(
        np.hstack([part.matrix for part in parts]),
        tuple(name for part in parts for name in part.names),
        np.concatenate([part.prior_sd for part in parts]),
        tuple(note for part in parts for note in part.notes),
        tuple(role for part in parts for role in part.roles or _CONDITION * len(part.names)),
    )


def season(day: Ints, temperature: Floats) -> Columns:
    """Cosine and sine of the time of year, where the tests of a group cover the year."""
    n = day.size
    if not n or day.max() - day.min() < _YEAR:
        return Columns.none(n)
    year = day / _YEAR
    quarter = np.bincount((4 * (year % 1.0)).astype(np.int64), minlength=4)
    if (quarter >= _SHARE_OF_QUARTER * n).sum() < _FEWEST_QUARTERS:
        return Columns.none(n, _("the tests fall in the same months of the year, so a season is not told from wear"))
    noted = np.isfinite(temperature).mean() >= 0.5
    sd = SEASON_SD if noted else SEASON_SD_UNKNOWN
    angle = tau * year
    return Columns(np.column_stack([np.cos(angle), np.sin(angle)]), SEASON, np.full(2, sd))


def fuel_supplies(db: Database, rows: GroupRows, until: date) -> Columns:
    """One column a registered fuel supply other than the most used."""
    said = said_on(db, "fuel_supply", rows.vehicles, rows.vehicle, rows.day, until)
    code, names = pd.factorize(said, sort=True)
    count = np.bincount(code, minlength=len(names))
    told = [k for k in np.argsort(-count, kind="stable") if names[k] != ""]
    if len(told) < 2:
        return Columns.none(len(rows))
    shown = told[1 : MOST_SUPPLIES + 1]
    notes = [_("levels are told for the fuel supply {name}", name=names[told[0]])]
    if len(told) - 1 > len(shown):
        pooled = len(told) - 1 - len(shown)
        notes.append(_("{n} fuel supplies with few readings are taken for that one", n=pooled))
    matrix = np.column_stack([(code == k).astype(np.float64) for k in shown])
    return Columns(
        matrix,
        tuple(_("fuel supply {name}", name=names[k]) for k in shown),
        np.full(len(shown), SUPPLY_SD),
        tuple(notes),
    )


def rig_periods(
    db: Database, rows: GroupRows, settings: Settings, until: date
) -> tuple[NDArray[np.object_], tuple[str, ...]]:
    """The rig of every reading and its last calibration before the test, as a label; "" is the most used one.

    Readings without a rig count with the base. Returns the labels (n,) and notes.
    """
    rig, names = pd.factorize(rows.rig, sort=True)
    dates = calibrated_on(db, settings, until)
    label = np.full(len(rows), "", dtype=object)
    for number, name in enumerate(names):
        if not name:
            continue
        here = np.flatnonzero(rig == number)
        days = np.array(dates.get(str(name), ()), dtype=np.int64)
        label[here] = np.array(period_names(str(name), days), dtype=object)[
            np.searchsorted(days, rows.day[here], side="right")
        ]
    code, words_of = pd.factorize(label, sort=True)
    count = np.bincount(code, minlength=len(words_of))
    order = [k for k in np.argsort(-count, kind="stable") if words_of[k] != ""]
    notes = []
    if order:
        notes.append(_("readings are told as on rig {rig}", rig=period_told(words_of[order[0]])))
    pooled = order[MOST_PERIODS + 1 :]
    if pooled:
        notes.append(_("{n} rig periods with few readings are taken for that one", n=len(pooled)))
    label[np.isin(code, [*order[:1], *pooled])] = ""
    return label, tuple(notes) if len(order) > 1 else ()
