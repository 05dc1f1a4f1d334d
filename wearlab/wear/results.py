"""What a fitted group answers, part by part: levels, rates and three intervals that are told apart by name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wearlab.language import _, msg
from wearlab.records import NoAnswer
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.data import Coded
from wearlab.wear.line import Interval
from wearlab.wear.mixture import (
    Component,
    Mixture,
    families_of,
    interval,
    mixed_quantiles,
    new_part,
    quantiles,
    vehicles_of,
)
from wearlab.wear.scale_fit import ScaleFit
from wearlab.wear.stacking import ScaleChoice

#: Coverage of every interval in a table.
COVERAGE = 0.9

NO_RATE = msg("no part of this group was tested at two different exposures, so no rate can be told")


@dataclass(frozen=True, slots=True)
class GrossError:
    """A reading that the rest of its vehicle contradicts: its place in the data, residual in sd, and its weight."""

    index: int
    z: float
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """One entry a part, in the order of its label; arrays (P,) on the measured scale, intervals of 90 %.

    `level` is the true level at `last_exposure` under reference conditions, `rate` per the group's `rate_over`;
    `next_low`, `next_high` bound the next reading, one usual interval between visits on; `new_low`, `new_high` the
    level of a new part on the same vehicle. `no_answer`, `rate_no_answer` say why one is missing, else None.
    """

    part: NDArray[Any]
    vehicle: NDArray[Any]
    family: NDArray[Any]
    readings: Ints
    visits: Ints
    beyond: Ints
    last_exposure: Floats
    level: Floats
    level_low: Floats
    level_high: Floats
    rate: Floats
    rate_low: Floats
    rate_high: Floats
    next_low: Floats
    next_high: Floats
    new_low: Floats
    new_high: Floats
    no_answer: NDArray[np.object_]
    rate_no_answer: NDArray[np.object_]


@dataclass(frozen=True, slots=True, eq=False)
class WearFit:
    """The wear model of one group: `candidates` on several working scales with `weights`, and what they say together.

    `choice` tells how the scales were weighed (None: they were given), `gross` names doubted readings, `notes` says
    which effects were told as one and what was assumed. `gap` is the usual exposure between visits of the whole group
    where this is the fit of some of its vehicles, None: that of `data`.
    """

    data: Coded
    candidates: tuple[ScaleFit, ...]
    weights: Floats
    choice: ScaleChoice | None
    mixed: Mixture
    gross: tuple[GrossError, ...]
    notes: tuple[str, ...]
    smoothed: tuple[Floats, Floats]
    gap: float | None = None

    @property
    def usual_gap(self) -> float:
        """The median exposure between two visits of a part, of the whole group."""
        return usual_gap(self.data) if self.gap is None else self.gap

    @property
    def best(self) -> ScaleFit:
        """The candidate with the largest weight."""
        return self.candidates[int(np.argmax(self.weights))]

    @property
    def rate_over(self) -> float:
        """Exposure over which rates are told."""
        return self.data.source.rate_over

    def mixture(self) -> Mixture:
        """Return levels and rates of all parts for forecasts; parts in the order of `parts`."""
        return self.mixed

    def level(self, part: Any, exposure: float | None = None, coverage: float = COVERAGE) -> Interval | NoAnswer:
        """Return the true level of a part at an exposure (default: its last reading) with its interval."""
        k = self._part(part)
        return k if isinstance(k, NoAnswer) else self._interval(k, exposure, coverage, noise=False)

    def next_reading(self, part: Any, exposure: float | None = None, coverage: float = COVERAGE) -> Interval | NoAnswer:
        """Return what one more reading of a part would show at an exposure (default: that of its last reading)."""
        k = self._part(part)
        return k if isinstance(k, NoAnswer) else self._interval(k, exposure, coverage, noise=True)

    def new_part(self, family: Any, exposure: float = 0.0, coverage: float = COVERAGE) -> Interval | NoAnswer:
        """Return the level of an average new part of a family, on any vehicle, at an exposure."""
        found = np.flatnonzero(self.data.family_label == family)
        if found.size == 0:
            return NoAnswer(_("no reading of the family {family}", family=family))
        f = int(found[0])
        pairs = []
        for component in self.mixed.components:
            one = families_of(component)
            pairs.append(new_part(component, f, float(one.working(np.full(one.level.size, float(exposure)))[f])))
        table = np.array(pairs)
        return _told(quantiles(self.mixed, table[:, :1], table[:, 1:], interval(coverage))[:, 0], coverage)

    def rate(self, part: Any, coverage: float = COVERAGE) -> Interval | NoAnswer:
        """Return the rate of a part at its last reading, per `rate_over`, with its interval."""
        k = self._part(part)
        if isinstance(k, NoAnswer):
            return k
        if not self.has_rate:
            return NoAnswer(_(NO_RATE))
        last = last_exposure(self.data)
        return _told(
            _rates(self.mixed.components, [last] * len(self.mixed.components), interval(coverage))[:, k]
            * self.rate_over,
            coverage,
        )

    def family_rate(self, family: Any, coverage: float = COVERAGE) -> Interval | NoAnswer:
        """Return the rate of the average part of a family at the family's usual exposure."""
        found = np.flatnonzero(self.data.family_label == family)
        if found.size == 0:
            return NoAnswer(_("no reading of the family {family}", family=family))
        if not self.has_rate:
            return NoAnswer(_(NO_RATE))
        usual = usual_exposure(self.data)
        made = tuple(families_of(component) for component in self.mixed.components)
        return _told(_rates(made, [usual] * len(made), interval(coverage))[:, found[0]] * self.rate_over, coverage)

    def vehicle_rate(self, vehicle: Any, coverage: float = COVERAGE) -> Interval | NoAnswer:
        """Return the rate of the average part on a vehicle."""
        found = np.flatnonzero(self.data.vehicle_label == vehicle)
        if found.size == 0:
            return NoAnswer(_("no reading of the vehicle {vehicle}", vehicle=vehicle))
        if not self.has_rate:
            return NoAnswer(_(NO_RATE))
        return _told(self._vehicle_rates(interval(coverage))[:, found[0]], coverage)

    @property
    def has_rate(self) -> bool:
        """Whether the readings tell any rate at all."""
        return any(name == "rate" or name.startswith("rate ") for name in self.best.fixed.names)

    def levels_at_readings(self, coverage: float = COVERAGE) -> tuple[Floats, Floats, Floats]:
        """Return level, low and high (n,) of the true level at every reading, by the candidate of largest weight."""
        mean, variance = self.smoothed
        middle, low, high = mixed_quantiles(
            np.ones(1), mean[None], np.sqrt(variance)[None], interval(coverage), [self.best.scale]
        )
        return middle, low, high

    @property
    def parts(self) -> Parts:
        """What is known of every part now."""
        data, mixed = self.data, self.mixed
        chances = interval(COVERAGE)
        last = last_exposure(data)
        level = quantiles(mixed, *_ahead(mixed, None), chances)
        means, variances = _ahead(mixed, last + self.usual_gap)
        noise = np.stack([component.noise for component in mixed.components])
        following = quantiles(mixed, means, variances + noise, chances)
        fresh = quantiles(
            mixed,
            np.stack([component.fresh for component in mixed.components]),
            np.stack([component.var_fresh for component in mixed.components]),
            chances,
        )
        count = data.part_label.size
        nothing = np.full(count, None, dtype=np.object_)
        if self.has_rate:
            rate = _rates(mixed.components, [last] * len(mixed.components), chances) * self.rate_over
            why = nothing.copy()
        else:
            rate, why = np.full((3, count), np.nan), np.full(count, _(NO_RATE), dtype=np.object_)
        pair = np.unique(data.part * (int(data.visit.max()) + 1) + data.visit)
        place = last_reading(data)
        return Parts(
            part=data.part_label,
            vehicle=data.vehicle_label[data.vehicle[place]],
            family=data.family_label[data.family[place]],
            readings=np.bincount(data.part, minlength=count).astype(np.int64),
            visits=np.bincount(pair // (int(data.visit.max()) + 1), minlength=count).astype(np.int64),
            beyond=np.bincount(data.part, data.bound != 0, minlength=count).astype(np.int64),
            last_exposure=last,
            level=level[0], level_low=level[1], level_high=level[2],
            rate=rate[0], rate_low=rate[1], rate_high=rate[2],
            next_low=following[1], next_high=following[2],
            new_low=fresh[1], new_high=fresh[2],
            no_answer=nothing, rate_no_answer=why,
        )  # fmt: skip

    def part_table(self) -> pd.DataFrame:
        """Return `parts` as a table, one row a part."""
        parts = self.parts
        return pd.DataFrame({name: getattr(parts, name) for name in parts.__slots__}).set_index("part")

    def variance_table(self) -> pd.DataFrame:
        """Return standard deviations with standard errors, one row an effect, of every candidate."""
        rows = [
            {
                "scale": fit.scale.name,
                "effect": name,
                "sd": getattr(fit.variances, name),
                "se": getattr(fit.variance_se, name),
            }
            for fit in self.candidates
            for name in fit.variances.__slots__
        ]
        return pd.DataFrame(rows).set_index(["scale", "effect"])

    def fixed_table(self) -> pd.DataFrame:
        """Return fixed effects with standard errors, of every candidate, on its working scale."""
        return pd.concat(
            [
                pd.DataFrame(
                    {
                        "scale": fit.scale.name,
                        "effect": fit.fixed.names,
                        "estimate": fit.fixed.estimate,
                        "se": fit.fixed.sd,
                    }
                )
                for fit in self.candidates
            ]
        ).set_index(["scale", "effect"])

    def family_table(self) -> pd.DataFrame:
        """Return the rate of every family, per `rate_over`, with its interval."""
        usual = usual_exposure(self.data)
        made = tuple(families_of(component) for component in self.mixed.components)
        count = self.data.family_label.size
        rate = (
            _rates(made, [usual] * len(made), interval(COVERAGE)) * self.rate_over
            if self.has_rate
            else np.full((3, count), np.nan)
        )
        return pd.DataFrame(
            {"family": self.data.family_label, "rate": rate[0], "rate_low": rate[1], "rate_high": rate[2]}
        ).set_index("family")

    def vehicle_table(self) -> pd.DataFrame:
        """Return the rate of every vehicle, per `rate_over`, with its interval."""
        rate = (
            self._vehicle_rates(interval(COVERAGE))
            if self.has_rate
            else np.full((3, self.data.vehicle_label.size), np.nan)
        )
        return pd.DataFrame(
            {"vehicle": self.data.vehicle_label, "rate": rate[0], "rate_low": rate[1], "rate_high": rate[2]}
        ).set_index("vehicle")

    def _vehicle_rates(self, chances: tuple[float, ...]) -> Floats:
        family = np.zeros(self.data.vehicle_label.size, dtype=np.int64)
        family[self.data.vehicle[::-1]] = self.data.family[::-1]
        made = tuple(vehicles_of(component, family) for component in self.mixed.components)
        usual = usual_exposure(self.data)[family]
        out: Floats = _rates(made, [usual] * len(made), chances) * self.rate_over
        return out

    def _part(self, part: Any) -> int | NoAnswer:
        found = np.flatnonzero(self.data.part_label == part)
        return int(found[0]) if found.size else NoAnswer(_("no reading of the part {part}", part=part))

    def _interval(self, k: int, exposure: float | None, coverage: float, *, noise: bool) -> Interval:
        at = None if exposure is None else np.full(self.data.part_label.size, float(exposure))
        means, variances = _ahead(self.mixed, at)
        if noise:
            variances = variances + np.stack([component.noise for component in self.mixed.components])
        return _told(quantiles(self.mixed, means[:, [k]], variances[:, [k]], interval(coverage))[:, 0], coverage)


def last_reading(data: Coded) -> Ints:
    """Return the place of every part's last reading, (P,)."""
    out = np.empty(data.part_label.size, dtype=np.int64)
    order = np.lexsort((data.exposure, data.turn))
    out[data.part[order]] = order
    return out


def last_exposure(data: Coded) -> Floats:
    """Return the exposure of every part at its last reading, (P,)."""
    out: Floats = data.exposure[last_reading(data)]
    return out


def usual_exposure(data: Coded) -> Floats:
    """Return the median exposure of each family's parts at their last readings, (F,)."""
    place = last_reading(data)
    table = pd.Series(data.exposure[place]).groupby(data.family[place]).median()
    return np.asarray(table.reindex(range(data.family_label.size)).fillna(0.0), dtype=np.float64)


def usual_gap(data: Coded) -> float:
    """Return the median exposure between two visits of a part; 0 where no part was tested twice."""
    order = np.lexsort((data.exposure, data.part))
    step = np.diff(data.exposure[order])
    step = step[(np.diff(data.part[order]) == 0) & (step > 0)]
    return float(np.median(step)) if step.size else 0.0


def _ahead(mixed: Mixture, exposure: Floats | None) -> tuple[Floats, Floats]:
    found = [component.ahead(exposure) for component in mixed.components]
    return np.stack([one[0] for one in found]), np.stack([one[1] for one in found])


def _rates(components: tuple[Component, ...], exposure: list[Floats], chances: tuple[float, ...]) -> Floats:
    """Return quantiles (Q, P) of the rate per unit of exposure, on the measured scale."""
    found = [component.measured_rate(x) for component, x in zip(components, exposure, strict=False)]
    weights = np.array([component.weight for component in components])
    return mixed_quantiles(weights, np.stack([one[0] for one in found]), np.stack([one[1] for one in found]), chances)


def _told(values: Floats, coverage: float) -> Interval:
    return Interval(float(values[0]), float(values[1]), float(values[2]), coverage)
