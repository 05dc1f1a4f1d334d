"""What happened to the vehicles of one learned group, as rows: since when, how large, what else it may be."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from typing import Any

import numpy as np

from pipelines.steps.acknowledgements import key_of, subject_of
from pipelines.steps.group_rows import Ints
from pipelines.steps.signal_words import replaced_unrecorded
from pipelines.steps.wear_learn import Learned
from wearlab.control.cause_size import RATES, Foretold, MeasuredSize
from wearlab.control.episodes import Cause, Episode, telling
from wearlab.language import _
from wearlab.lives.odometer import day_of
from wearlab.units import rate_unit
from wearlab.wear.scale_fit import ScaleFit

#: causes that pass by themselves: once a later visit reads as expected, there is nothing left to look for
_PASSING = ("reading", "visit")


def group_signals(found: Learned, fit: ScaleFit, told: Sequence[Episode]) -> list[dict[str, Any]]:
    """What happened to the vehicles of one group, as rows of the table `signal` without their run.

    `fit` is the group's best fit, what vehicles share taken off its readings.
    """
    if not told:
        return []
    group = _Group.of(found, fit)
    return [group.row(one) for one in told]


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """A learned group seen from its causes: days, vehicles and lives of the readings in the fit, (N,)."""

    found: Learned
    foretold: Foretold
    day: Ints
    vehicle: Ints

    @classmethod
    def of(cls, found: Learned, fit: ScaleFit) -> _Group:
        rows, fitted = found.group.rows, found.group.fitted
        return cls(found, Foretold.of(fit), rows.day[fitted], rows.vehicle[fitted])

    def row(self, episode: Episode) -> dict[str, Any]:
        """One signal: its best cause spread over the columns, the others as a list."""
        group = self.found.group
        causes = self._apart(episode.causes)
        best, *others = (self._cause(cause) for cause in causes)
        vehicle = str(group.rows.vehicles[self.vehicle[episode.causes[0].onset]])
        life = self._life(episode.causes[0])
        subject = subject_of(
            vehicle=vehicle,
            part=best["part"],
            measure=group.measure,
            protocol=group.protocol,
            onset=best["onset_on"],
            kind=best["kind"],
        )
        closed = self._closed(episode)
        return {
            "key": key_of(subject),
            "subject": subject,
            "vehicle": vehicle,
            "life": None if life < 0 else int(group.lives.life[life]),
            "measure": group.measure,
            "protocol": group.protocol,
            "driven": group.rows.driven,
            "family": str(group.family[self._any_life(episode.causes[0])]) or None,
            # a cause named anew as of a later visit was not there to be seen before it
            "detected_on": max(day_of(self.day[episode.detected]), best["onset_on"]),
            "latest_on": day_of(self.day[episode.latest]),
            **best,
            "alternatives": json.dumps(others, default=date.isoformat),
            "telling": "; ".join(telling(causes)) or None,
            "question": next((one["question"] for one in (best, *others) if one["question"]), None),
            "faded": episode.faded,
            "open": closed is None,
            "closed": closed,
        }

    def _apart(self, causes: tuple[Cause, ...]) -> tuple[Cause, ...]:
        """The causes without those that say the same again: where a visit reads one part, it is the whole set."""
        if causes[0].life < 0:
            return causes
        design = self.foretold.fit.design
        here = np.flatnonzero(self.vehicle == self.vehicle[causes[0].onset])
        cells = np.unique(np.stack([design.data.visit[here], design.blocks.life[here]]), axis=1)
        alone = np.unique(cells[0]).size == cells.shape[1]
        return tuple(cause for cause in causes if cause.life >= 0) if alone else causes

    def _cause(self, cause: Cause) -> dict[str, Any]:
        group, life = self.found.group, self._life(cause)
        size = self.foretold.measured(cause)
        first, last = self._between(cause)
        rate = cause.kind in RATES
        position = str(group.rows.position[group.fitted[self.foretold.rows_of(cause)[0]]]) if life >= 0 else None
        return {
            "kind": cause.kind,
            "part": str(group.lives.part[life]) if life >= 0 else None,
            "position": position,
            "onset_on": day_of(self.day[cause.onset]),
            "onset_early": first,
            "onset_late": last,
            **_plain(size),
            "unit": rate_unit(group.unit) if rate else group.unit,
            "z": float(cause.z),
            "question": replaced_unrecorded(group.measure, cause.kind, position, size.size),
        }

    def _life(self, cause: Cause) -> int:
        """The group's life of a cause, -1 for the whole vehicle."""
        if cause.life < 0:
            return -1
        design = self.foretold.fit.design
        return int(design.data.part_label[design.blocks.life_part[cause.life]])

    def _any_life(self, cause: Cause) -> int:
        return int(self.found.group.rows.life[self.found.group.fitted[cause.onset]])

    def _between(self, cause: Cause) -> tuple[date, date]:
        """The days between which a cause lies with 90 %.

        A lasting change that a visit shows first happened after the visit before it; a rate that bends at one visit
        may as well bend between its neighbours.
        """
        early, late = int(self.day[cause.onset_early]), int(self.day[cause.onset_late])
        if cause.kind in _PASSING:
            return day_of(early), day_of(late)
        if cause.life >= 0:
            seen = np.unique(self.day[self.foretold.fit.design.blocks.life == cause.life])
        else:
            seen = np.unique(self.day[self.vehicle == self.vehicle[cause.onset]])
        before, after = seen[seen < early], seen[seen > late]
        early = int(before.max()) if before.size else early
        if cause.kind in RATES and after.size:
            late = int(after.min())
        return day_of(early), day_of(late)

    def _closed(self, episode: Episode) -> str | None:
        """Why nothing is left to look for, None while something is."""
        if episode.faded:
            return _("later visits took it back")
        life = self._life(episode.causes[0])
        if life >= 0 and not self.found.group.lives.seated[life]:
            return _("the part has left its place since")
        later = self.day[episode.latest] > self.day[episode.causes[0].onset_late]
        if later and all(cause.kind in _PASSING for cause in episode.causes):
            return _("later visits read as expected")
        return None


def _plain(size: MeasuredSize) -> dict[str, float | None]:
    told = {
        "size": size.size,
        "size_low": size.low,
        "size_high": size.high,
        "percent": size.percent,
        "percent_low": size.percent_low,
        "percent_high": size.percent_high,
    }
    return {name: float(value) if isfinite(value) else None for name, value in told.items()}
