"""How forecasts of crossings hold on simulated fleets, of our own model and of mechanisms that are not ours.

    python -m studies.hindsight [docs/studies/hindsight.csv] [--fleets 36] [--workers 2]

A row is one fleet, drawn from the seed in the row, so that any row can be made again by itself: how many crossings lay
inside their 90 % interval, the mean CRPS (for our own model beside that with the scale given, and that with the true
variances as well), what the flags rest on, and the flags. Exposures count from 0, the origin lies at 1000. The
thresholds of the flags were set on the seeds 0 to 23 and 100 to 125, which are not in the table.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from studies.mechanisms import MECHANISMS, ORIGIN, Floats, Table, table
from studies.table import read_table, write_table
from wearlab.forecast.backtest import back_test, crossing_crps
from wearlab.forecast.passage import Mixture
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.group import fit_group
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.state import posterior_at

OWN, CURVED = "own model", "own model, curved"
#: Seed of the first fleet in the table.
FIRST = 200
#: Coverage of 90 % intervals below which a fleet's forecasts have failed.
FAILED = 0.8


@dataclass(frozen=True)
class Row:
    """What one fleet showed; `crps_given` (scale known) and `crps_true` (variances too) are 0 without a truth."""

    mechanism: str
    seed: int
    units: int
    readings: int
    n: int
    covered_90: int
    crps: float
    crps_given: float
    crps_true: float
    line_crps: float
    bend: float
    short: float
    spread: float
    lean: float
    accelerating: bool
    misfit: bool

    @property
    def flagged(self) -> bool:
        """Whether the fleet is flagged; our own model on a curved scale does speed up: there only a misfit counts."""
        return self.misfit or (self.accelerating and self.mechanism != CURVED)

    @property
    def failed(self) -> bool:
        """Whether fewer than 80 % of the crossings lay inside."""
        return self.covered_90 < FAILED * self.n


def row(mechanism: str, seed: int) -> Row:
    """Draw, forecast and score one fleet."""
    fleet = table(mechanism, seed)
    found = back_test(fleet.unit, fleet.time, fleet.value, fleet.limit, origin=ORIGIN, workers=1)
    if isinstance(found, NoAnswer) or found.score.crps is None:
        raise RuntimeError(f"{mechanism} {seed}: nothing was scored")
    units = len(set(fleet.unit))
    signs = found.signs
    return Row(
        mechanism=mechanism,
        seed=seed,
        units=units,
        readings=int((fleet.time <= ORIGIN).sum()) // units,
        n=found.score.n,
        covered_90=found.score.covered_90,
        crps=found.score.crps,
        crps_given=float(given_crps(fleet, found.units, found.truth).mean()) if fleet.variances is not None else 0.0,
        crps_true=float(true_crps(fleet, found.units, found.truth).mean()) if fleet.variances is not None else 0.0,
        line_crps=found.rivals["line per part"].crps or 0.0,
        bend=signs.bend or 0.0,
        short=signs.short or 0.0,
        spread=signs.spread or 0.0,
        lean=signs.lean or 0.0,
        accelerating=signs.accelerating,
        misfit=signs.misfit,
    )


@dataclass(frozen=True, slots=True, eq=False)
class TrueLaw:
    """Level and rate of every unit given the true variances, as one component; working exposure 1 is the origin."""

    weight: float
    scale: WorkingScale
    level: Floats
    rate: Floats
    var_level: Floats
    var_rate: Floats
    cov: Floats
    path_variance: float
    position: Floats
    unit_exposure: Floats
    gamma: Floats


@dataclass(frozen=True, slots=True, eq=False)
class TrueMixture:
    """That one component as a mixture."""

    components: tuple[TrueLaw, ...]


def true_crps(fleet: Table, units: Sequence[str], truth: Floats) -> Floats:
    """Return the CRPS (n,) of the crossings of these units with the true variances, the mean still estimated."""
    if fleet.variances is None:
        raise ValueError("only our own model has true variances")
    label, data = _known(fleet)
    post = posterior_at(data, fleet.variances, STRAIGHT)
    one = np.ones(label.size)
    law = TrueLaw(
        weight=1.0,
        scale=STRAIGHT,
        level=post.level,
        rate=post.rate * ORIGIN,
        var_level=post.var_level,
        var_rate=post.var_rate * ORIGIN**2,
        cov=post.cov * ORIGIN,
        path_variance=fleet.variances.path**2 * ORIGIN,
        position=post.position / ORIGIN,
        unit_exposure=ORIGIN * one,
        gamma=one,
    )
    return _crps(TrueMixture((law,)), label, fleet, units, truth)


def given_crps(fleet: Table, units: Sequence[str], truth: Floats) -> Floats:
    """Return the CRPS (n,) of the crossings of these units when only the straight scale is known beforehand."""
    label, data = _known(fleet)
    fit = fit_group(data, scales=(STRAIGHT,), workers=1)
    if isinstance(fit, NoAnswer):
        raise RuntimeError(fit.reason)
    return _crps(fit.mixture(), label, fleet, units, truth)


def _known(fleet: Table) -> tuple[NDArray[np.str_], WearData]:
    known = fleet.time <= ORIGIN
    label, number = np.unique(np.array(fleet.unit)[known], return_inverse=True)
    x = fleet.time[known]
    return label, WearData(y=fleet.value[known], exposure=x, vehicle=number, part=number, visit=x, exposure_unit="")


def _crps(mixture: Mixture, label: NDArray[np.str_], fleet: Table, units: Sequence[str], truth: Floats) -> Floats:
    index = np.searchsorted(label, np.array(units)).astype(np.int64)
    start, cap = np.full(index.size, ORIGIN), np.full(index.size, 10 * ORIGIN)
    return crossing_crps(mixture, index, fleet.limit, 1.0, start, cap, truth)


@dataclass(frozen=True)
class Summary:
    """A mechanism over its fleets; ratios of CRPS over all crossings, NaN where there are no true variances.

    `ratio` is that of the whole computation over that with the true variances, `ratio_given` the same with the scale
    known, `ratio_middle` the median of the fleets' own ratios.
    """

    mechanism: str
    fleets: int
    coverage: float
    ratio: float
    ratio_given: float
    ratio_middle: float
    failed: int
    failed_and_flagged: int
    flagged: float


def summary(rows: Sequence[Row]) -> Summary:
    """Put the fleets of one mechanism together."""
    n = sum(one.n for one in rows)
    true = sum(one.crps_true * one.n for one in rows)
    failed = [one for one in rows if one.failed]
    return Summary(
        mechanism=rows[0].mechanism,
        fleets=len(rows),
        coverage=sum(one.covered_90 for one in rows) / n,
        ratio=sum(one.crps * one.n for one in rows) / true if true > 0 else float("nan"),
        ratio_given=sum(one.crps_given * one.n for one in rows) / true if true > 0 else float("nan"),
        ratio_middle=float(np.median([one.crps / one.crps_true for one in rows])) if true > 0 else float("nan"),
        failed=len(failed),
        failed_and_flagged=sum(one.flagged for one in failed),
        flagged=sum(one.flagged for one in rows) / len(rows),
    )


def read(path: Path) -> list[Row]:
    """Return the rows of a table that `write` made."""
    return read_table(path, Row)


def write(path: Path, rows: Sequence[Row]) -> None:
    """Write the table; figures to five digits."""
    write_table(path, rows, Row, 5)


def main(words: Sequence[str] | None = None) -> None:
    """Make the table and print a summary of every mechanism."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path, default=Path("docs/studies/hindsight.csv"))
    parser.add_argument("--fleets", type=int, default=36)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args(words)
    names = [name for _ in range(given.fleets) for name in MECHANISMS]
    seeds = [FIRST + k for k in range(given.fleets) for _ in MECHANISMS]
    rows: list[Row] = []
    with ProcessPoolExecutor(given.workers) as pool:
        for one in pool.map(row, names, seeds):
            rows.append(one)
            write(given.table, sorted(rows, key=lambda r: (list(MECHANISMS).index(r.mechanism), r.seed)))
    for name in MECHANISMS:
        s = summary([one for one in rows if one.mechanism == name])
        ratio = f"{s.ratio:.3f} (scale given {s.ratio_given:.3f}, median fleet {s.ratio_middle:.3f})"
        flags = f"failed {s.failed}, of these flagged {s.failed_and_flagged}, flagged {s.flagged:.2f}"
        told = f"{s.mechanism:20} {s.fleets:3} fleets: coverage {s.coverage:.3f}, CRPS over that of true variances"
        sys.stdout.write(f"{told} {ratio}, {flags}\n")


if __name__ == "__main__":
    main()
