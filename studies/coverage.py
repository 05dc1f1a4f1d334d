"""How often the intervals hold: many simulated fleets, fitted and compared with their truth.

    python -m studies.coverage [docs/studies/coverage.csv] [--workers 2]

Every row of the table is one batch of fleets of one case, drawn from the seeds in the row, so that any row can be
made again by itself. Per batch, over all parts: how many true levels and rates lie inside their 90 % intervals, and
the mean CRPS of the model's predictive distribution of level and rate, beside that of the same computation with the
true variances. Levels in ml/min, rates in ml/min per 10,000 km.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from studies.table import read_table, write_table
from wearlab.wear import fit_group
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.state import posterior_at
from wearlab.wear.variances import Variances

Floats = NDArray[np.float64]

#: Standard deviations of every fleet, in ml/min and km; a case changes some of them.
TRUE = Variances(
    vehicle_level=3.0,
    vehicle_rate=3e-5,
    part_level=4.0,
    part_rate=4e-5,
    correlation=0.3,
    path=7e-3,
    visit=0.8,
    error=2.0,
)
PER = 10_000.0


@dataclass(frozen=True)
class Case:
    """A kind of fleet: vehicles and visits, what differs from `TRUE`, and how many batches of fleets are drawn."""

    name: str
    vehicles: int
    visits: int
    batches: int
    fleets: int
    changed: tuple[tuple[str, float], ...] = ()

    @property
    def variances(self) -> Variances:
        """The true standard deviations."""
        return Variances(**{**asdict(TRUE), **dict(self.changed)})

    def fleet(self, seed: int) -> Fleet:
        """The fleet of this seed."""
        return simulated_fleet(
            seed, vehicles=self.vehicles, parts=4, visits=self.visits, **{**asdict(self.variances), "repeat": 0.0}
        )


def _sizes(name: str, small: int, middle: int, large: int, **changed: float) -> Iterator[Case]:
    change = tuple(changed.items())
    yield Case(f"{name} 5 x 3", 5, 3, small, 10, change)
    yield Case(f"{name} 20 x 4", 20, 4, middle, 5, change)
    yield Case(f"{name} 200 x 6", 200, 6, large, 1, change)


CASES: tuple[Case, ...] = (
    *_sizes("all effects", 60, 40, 20),
    *_sizes("no path", 30, 20, 10, path=0.0),
    *_sizes("no vehicle rate", 30, 20, 10, vehicle_rate=0.0),
    *(Case(f"correlation {r:g} 20 x 4", 20, 4, 20, 5, (("correlation", r),)) for r in (-0.5, 0.0, 0.6)),
)
BY_NAME = {case.name: case for case in CASES}


@dataclass(frozen=True)
class Row:
    """What one batch showed; the seeds are `seed`, `seed` + 1, ..."""

    case: str
    seed: int
    fleets: int
    parts: int
    level_inside: int
    rate_inside: int
    level_crps: float
    level_crps_true: float
    rate_crps: float
    rate_crps_true: float


def crps(weight: Floats, mean: Floats, sd: Floats, true: Floats) -> Floats:
    """CRPS of mixtures of normal distributions at `true` (n,); weight (k,), mean and sd (k, n).

    E|Y - true| - E|Y - Y'| / 2 with Y, Y' from the mixture (Gneiting and Raftery 2007; Grimit et al. 2006).
    """

    def distance(m: Floats, s: Floats) -> Floats:
        z = m / s
        return np.asarray(2 * s * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) + m * (2 * ndtr(z) - 1), dtype=np.float64)

    near = weight @ distance(mean - true, sd)
    own = np.zeros_like(true)
    for w, m, s in zip(weight, mean, sd, strict=True):
        own += w * (weight @ distance(m - mean, np.hypot(s, sd)))
    return near - own / 2


def batch(case: Case, number: int) -> Row:
    """Draw, fit and score one batch."""
    seed = 1000 * number
    parts = level_inside = rate_inside = 0
    scores = np.zeros(4)
    for k in range(case.fleets):
        fleet = case.fleet(seed + k)
        fit = fit_group(fleet.data, scales=(STRAIGHT,), workers=1)
        found = fit.parts
        at = fleet.of_parts(found.part)
        level, rate = fleet.last_level[at], PER * fleet.rate[at]
        parts += level.size
        level_inside += int(np.sum((found.level_low <= level) & (level <= found.level_high)))
        rate_inside += int(np.sum((found.rate_low <= rate) & (rate <= found.rate_high)))
        true = posterior_at(fleet.data, case.variances)
        one = np.ones(1)
        scores += [
            float(np.sum(values))
            for values in (
                *_of_mixture(fit.mixture(), level, rate),
                crps(one, true.level[None], np.sqrt(true.var_level)[None], level),
                crps(one, PER * true.rate[None], PER * np.sqrt(true.var_rate)[None], rate),
            )
        ]
    mean = scores / parts
    return Row(
        case=case.name,
        seed=seed,
        fleets=case.fleets,
        parts=parts,
        level_inside=level_inside,
        rate_inside=rate_inside,
        level_crps=float(mean[0]),
        level_crps_true=float(mean[2]),
        rate_crps=float(mean[1]),
        rate_crps_true=float(mean[3]),
    )


def _of_mixture(mixture: Any, level: Floats, rate: Floats) -> tuple[Floats, Floats]:
    """CRPS of level and rate under a straight-scale mixture."""
    parts = mixture.components
    weight = np.array([c.weight for c in parts])
    return (
        crps(weight, np.array([c.level for c in parts]), np.sqrt([c.var_level for c in parts]), level),
        crps(
            weight,
            np.array([c.rate * PER / c.unit_exposure for c in parts]),
            np.array([np.sqrt(c.var_rate) * PER / c.unit_exposure for c in parts]),
            rate,
        ),
    )


def read(path: Path) -> list[Row]:
    """Return the rows of a table that `write` made."""
    return read_table(path, Row)


def write(path: Path, rows: Sequence[Row]) -> None:
    """Write the table; scores to six digits."""
    write_table(path, rows, Row, 6)


@dataclass(frozen=True)
class Summary:
    """A case over all its batches: coverage with its standard error from batch to batch, and ratios of CRPS."""

    case: str
    fleets: int
    level: float
    level_se: float
    rate: float
    rate_se: float
    level_ratio: float
    rate_ratio: float


def summary(rows: Sequence[Row]) -> Summary:
    """Put the batches of one case together."""
    parts = np.array([row.parts for row in rows], dtype=float)

    def share(inside: list[int]) -> tuple[float, float]:
        shares = np.array(inside) / parts
        return float(np.sum(inside) / parts.sum()), float(shares.std(ddof=1) / np.sqrt(len(rows)))

    def ratio(name: str) -> float:
        own, true = (np.array([getattr(row, name + end) for row in rows]) for end in ("_crps", "_crps_true"))
        return float(own @ parts / (true @ parts))

    level, level_se = share([row.level_inside for row in rows])
    rate, rate_se = share([row.rate_inside for row in rows])
    return Summary(
        rows[0].case, sum(row.fleets for row in rows), level, level_se, rate, rate_se, ratio("level"), ratio("rate")
    )


def main(words: Sequence[str] | None = None) -> None:
    """Make the table and print a summary of every case."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path, default=Path("docs/studies/coverage.csv"))
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args(words)
    rows: list[Row] = []
    with ProcessPoolExecutor(given.workers) as pool:
        for case in CASES:
            made = list(pool.map(batch, [case] * case.batches, range(case.batches)))
            rows += made
            s = summary(made)
            sys.stdout.write(
                f"{s.case:28} {s.fleets:4} fleets: level {s.level:.3f} +- {s.level_se:.3f}, rate {s.rate:.3f} +- "
                f"{s.rate_se:.3f}; CRPS over that of true variances {s.level_ratio:.3f}, {s.rate_ratio:.3f}\n"
            )
            sys.stdout.flush()
    write(given.table, rows)


if __name__ == "__main__":
    main()
