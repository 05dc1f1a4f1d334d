"""Repeatability and reproducibility from a balanced crossed study: every appraiser reads every part equally often.

Analysis of variance with p parts, a appraisers and r repeats: sums of squares of part, appraiser, their interaction and
repeats; components from the expected mean squares, a negative one set to 0 (its own value is kept in `estimate`). Where
the interaction's chance is above `pool_above` it is pooled with the repeats, as the usual handbooks of measurement
system analysis do. The older method of averages and ranges stands beside it, for comparison with such sheets: it knows
no interaction. Uneven data belong to `components.variance_components`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

from wearlab.control.constants import d2, d2_star
from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One source: sum of squares, degrees of freedom, mean square, F against `against` and its chance (NaN: none)."""

    source: str
    ss: float
    df: int
    ms: float
    f: float
    chance: float
    against: str


@dataclass(frozen=True, slots=True)
class Component:
    """One source of variance.

    `estimate` is as it came out, `variance` and `sd` not below 0; `contribution` is its share of the total variance,
    `study_variation` of the total sd, both in %.
    """

    source: str
    estimate: float
    variance: float
    sd: float
    contribution: float
    study_variation: float


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """The table, the components and the number of distinct categories, sqrt(2) part sd / gauge sd, cut to a whole one.

    `table` and `components` are read by source: appraiser, part, interaction, repeatability, total; components also
    reproducibility (appraiser and interaction) and gauge (repeatability and reproducibility).
    """

    table: tuple[AnovaRow, ...]
    components: tuple[Component, ...]
    pooled: bool
    categories: int

    def row(self, source: str) -> AnovaRow:
        """Return the row of the table of one source."""
        return next(each for each in self.table if each.source == source)

    def component(self, source: str) -> Component:
        """Return the component of one source."""
        return next(each for each in self.components if each.source == source)


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """Sds by averages and ranges, and the number of distinct categories."""

    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    categories: int


def crossed_study(
    values: ArrayLike, part: ArrayLike, appraiser: ArrayLike, *, pool_above: float = 0.25
) -> GaugeStudy | NoAnswer:
    """Analyse readings (n,) with the part and the appraiser (technician, rig, channel) of each, (n,).

    `pool_above` 1 never pools the interaction. No answer where the study is not balanced or has no repeats.
    """
    cube = _balanced(values, part, appraiser)
    if isinstance(cube, NoAnswer):
        return cube
    p, a, r = cube.shape
    cell = cube.mean(axis=2)
    grand, of_part, of_person = cell.mean(), cell.mean(axis=1), cell.mean(axis=0)
    within = float(np.sum((cube - cell[:, :, None]) ** 2))
    mixed = float(r * np.sum((cell - of_part[:, None] - of_person + grand) ** 2))
    by_part = float(a * r * np.sum((of_part - grand) ** 2))
    by_person = float(p * r * np.sum((of_person - grand) ** 2))
    free, free_mixed = p * a * (r - 1), (p - 1) * (a - 1)
    if not within > 0:
        return NoAnswer(_("all repeats agree exactly, so their scatter is below the resolution of the readings"))
    mixed_row = _row("interaction", mixed, free_mixed, within / free, free, "repeatability")
    pooled = mixed_row.chance > pool_above
    error, error_df = ((within + mixed), free + free_mixed) if pooled else (within, free)
    base, base_df, against = (
        (error / error_df, error_df, "repeatability") if pooled else (mixed_row.ms, free_mixed, "interaction")
    )
    table = (
        _row("appraiser", by_person, a - 1, base, base_df, against),
        _row("part", by_part, p - 1, base, base_df, against),
        mixed_row,
        AnovaRow("repeatability", error, error_df, error / error_df, np.nan, np.nan, ""),
        AnovaRow("total", within + mixed + by_part + by_person, p * a * r - 1, np.nan, np.nan, np.nan, ""),
    )
    repeat = error / error_df
    interaction = 0.0 if pooled else (mixed_row.ms - repeat) / r
    person, piece = (table[0].ms - base) / (p * r), (table[1].ms - base) / (a * r)
    components = _components(repeat, person, interaction, piece)
    ratio = sqrt(2) * components[5].sd / components[4].sd
    return GaugeStudy(table, components, pooled, int(ratio))


def average_and_range(values: ArrayLike, part: ArrayLike, appraiser: ArrayLike) -> RangeStudy | NoAnswer:
    """Work out a balanced study by averages and ranges; arguments as in `crossed_study`."""
    cube = _balanced(values, part, appraiser)
    if isinstance(cube, NoAnswer):
        return cube
    p, a, r = cube.shape
    repeat = float(np.ptp(cube, axis=2).mean()) / d2(r)
    person = float(np.ptp(cube.mean(axis=(0, 2)))) / d2_star(a, 1)
    person = sqrt(max(0.0, person**2 - repeat**2 / (p * r)))
    piece = float(np.ptp(cube.mean(axis=(1, 2)))) / d2_star(p, 1)
    gauge = hypot(repeat, person)
    if not gauge > 0:
        return NoAnswer(_("all repeats agree exactly, so their scatter is below the resolution of the readings"))
    return RangeStudy(repeat, person, gauge, piece, hypot(gauge, piece), int(sqrt(2) * piece / gauge))


def _balanced(values: ArrayLike, part: ArrayLike, appraiser: ArrayLike) -> NDArray[np.float64] | NoAnswer:
    """Return the readings as (part, appraiser, repeat)."""
    y = np.asarray(values, dtype=np.float64)
    parts, i = np.unique(np.asarray(part), return_inverse=True)
    people, j = np.unique(np.asarray(appraiser), return_inverse=True)
    if not y.shape == i.shape == j.shape or y.ndim != 1:
        raise InputError("a gauge study needs one part and one appraiser for every reading")
    if not np.isfinite(y).all():
        return NoAnswer(_("a reading of the study is missing, so it is not balanced"))
    p, a = parts.size, people.size
    if p < 2 or a < 2:
        return NoAnswer(_("a crossed study needs at least two parts and two appraisers"))
    count = np.bincount(i * a + j, minlength=p * a)
    r = int(count[0])
    if (count != r).any():
        return NoAnswer(_("the study is not balanced: some appraiser read some part more often than another"))
    if r < 2:
        return NoAnswer(_("every appraiser read every part once: without repeats there is no repeatability"))
    return y[np.lexsort((j, i))].reshape(p, a, r)


def _row(source: str, ss: float, df: int, base: float, base_df: int, against: str) -> AnovaRow:
    f = ss / df / base if base > 0 else np.inf
    return AnovaRow(source, ss, df, ss / df, f, float(fdtrc(df, base_df, f)), against)


def _components(repeat: float, person: float, interaction: float, piece: float) -> tuple[Component, ...]:
    kept = [max(0.0, value) for value in (repeat, person, interaction, piece)]
    reproduce = kept[1] + kept[2]
    gauge = kept[0] + reproduce
    total = gauge + kept[3]
    named = (
        ("repeatability", repeat, kept[0]),
        ("appraiser", person, kept[1]),
        ("interaction", interaction, kept[2]),
        ("reproducibility", reproduce, reproduce),
        ("gauge", gauge, gauge),
        ("part", piece, kept[3]),
        ("total", total, total),
    )
    return tuple(
        Component(name, raw, value, sqrt(value), 100 * value / total, 100 * sqrt(value / total))
        for name, raw, value in named
    )
