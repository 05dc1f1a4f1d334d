"""How many false signals begin where nothing happened: simulated fleets, fitted and watched as after a learning.

    python -m studies.false_signals [docs/studies/false_signals.csv] [--workers 2]

Every vehicle is judged at its newest visit, the variances estimated from the same readings, under the limit that the
budget sets for the fitted fleet. Every row of the table is one batch of fleets of one case, drawn from the seeds in the
row, so that any row can be made again by itself. Four parts a vehicle, one reading in ten missing; 3 to 5 visits with
20 vehicles, 4 to 8 with more.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.signals import VISITS_A_FALSE_SIGNAL
from studies.coverage import TRUE
from studies.table import read_table, write_table
from wearlab.control.budget import false_signals, limit_for
from wearlab.control.cause_scores import CauseScores
from wearlab.control.episodes import episodes
from wearlab.control.innovations import whitened
from wearlab.control.signatures import signatures
from wearlab.control.variance_draws import variance_draws
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.scale_fit import ScaleFit

#: Mean exposure from test to test, in km, and mean level of new parts, in ml/min.
GAP, NEW = 20_000.0, 30.0
#: The power of exposure along which curved wear runs.
CURVED = WorkingScale(1.0, 1.5)


@dataclass(frozen=True)
class Case:
    """A kind of fleet: what is drawn, under which budget it is watched, and how many batches of fleets there are.

    `wear`: "none", no part wears; "doubling", readings double over the mean history and every part has a rate and a
    path of its own; "curved", the same along `CURVED`, the working scale chosen by the fit. `one_in`: budgets, each one
    false signal in so many visits.
    """

    name: str
    vehicles: int
    wear: str
    one_in: tuple[int, ...]
    batches: int
    fleets: int

    @property
    def visits(self) -> tuple[int, int]:
        """The fewest and the most visits of a vehicle."""
        return (3, 5) if self.vehicles < 50 else (4, 8)

    def fleet(self, seed: int) -> Fleet:
        """The fleet of this seed."""
        sizes: dict[str, Any] = asdict(TRUE) | {"repeat": 0.0}
        if self.wear == "none":
            sizes |= {"rate": 0.0, "vehicle_rate": 0.0, "part_rate": 0.0, "path": 0.0}
        else:
            sizes |= {"rate": NEW / (GAP * float(np.mean(self.visits)))}
        return simulated_fleet(
            seed,
            vehicles=self.vehicles,
            parts=4,
            visits=self.visits,
            missing=0.1,
            level=NEW,
            gap=GAP,
            scale=CURVED if self.wear == "curved" else STRAIGHT,
            **sizes,
        )

    def fitted(self, fleet: Fleet) -> ScaleFit:
        """The fit whose series are watched."""
        scales = None if self.wear == "curved" else (STRAIGHT,)
        # averaging over the variances changes what is told of the parts, not the fit that is watched
        found = fit_group(fleet.data, scales=scales, average=False, workers=1)
        if isinstance(found, NoAnswer):
            raise ArithmeticError(found.reason)
        return found.best


#: Vehicles, fleets of a batch, and budgets: that of a small fleet and one more.
SIZES = (
    (20, 5, (20, VISITS_A_FALSE_SIGNAL)),
    (200, 10, (VISITS_A_FALSE_SIGNAL, 200)),
    (2000, 1, (VISITS_A_FALSE_SIGNAL, 200)),
)
#: Batches of each kind of wear, by size.
BATCHES = {"none": (75, 8, 8), "doubling": (75, 8, 8), "curved": (2, 1, 1)}
WORDS = {"none": "no wear", "doubling": "wear", "curved": "curved wear"}

CASES: tuple[Case, ...] = tuple(
    Case(f"{WORDS[wear]} {vehicles}", vehicles, wear, one_in, count, fleets)
    for wear, counts in BATCHES.items()
    for count, (vehicles, fleets, one_in) in zip(counts, SIZES, strict=True)
)
BY_NAME = {case.name: case for case in CASES}


@dataclass(frozen=True)
class Row:
    """What one batch showed under one budget; the seeds are `seed`, `seed` + 1, ...

    `visits` are the newest visits, one a vehicle; `expected` is what the budget allows at them, one in `one_in`;
    `begun` how many of them pass the limit after a visit that did not; `episodes` how many episodes are first told
    there; `limit` is the mean limit on |z|.
    """

    case: str
    vehicles: int
    one_in: int
    seed: int
    fleets: int
    visits: int
    expected: float
    begun: int
    episodes: int
    limit: float


def batch(case: Case, number: int) -> list[Row]:
    """Draw, fit and watch one batch; a row for each budget."""
    seed = 1000 * number
    counts = np.zeros((len(case.one_in), 3), dtype=np.int64)
    totals = np.zeros(len(case.one_in))
    for k in range(case.fleets):
        fit = case.fitted(case.fleet(seed + k))
        chance = false_signals(fit, variance_draws(fit))
        limits = [limit_for(1.0 / one_in, [(chance, 1.0)]) for one_in in case.one_in]
        counts += watched(fit, limits)
        totals += limits
    return [
        Row(
            case=case.name,
            vehicles=case.vehicles,
            one_in=one_in,
            seed=seed,
            fleets=case.fleets,
            visits=visits,
            expected=visits / one_in,
            begun=begun,
            episodes=told,
            limit=total / case.fleets,
        )
        for one_in, (visits, begun, told), total in zip(case.one_in, counts.tolist(), totals.tolist(), strict=True)
    ]


def watched(fit: ScaleFit, limits: Sequence[float]) -> NDArray[np.int64]:
    """Return by limit (L, 3): newest visits, those that begin a signal, episodes first told at one."""
    visits, begun = 0, np.zeros(len(limits), dtype=np.int64)
    newest = np.zeros(fit.design.n + 1, dtype=np.bool_)
    for white in whitened(fit):
        before, now = CauseScores.of(white, signatures(white).d).newest(white.w[:, None])
        last = white.visit.max(axis=1)
        visits += int(np.count_nonzero(last >= 0))
        begun += [int(np.count_nonzero((now >= limit) & (before < limit))) for limit in limits]
        newest[white.rows[(white.visit == last[:, None]) & (white.visit >= 0)]] = True
    told = [sum(bool(newest[one.detected]) for one in episodes(fit, limit)) for limit in limits]
    return np.array([[visits, number, known] for number, known in zip(begun.tolist(), told, strict=True)])


def read(path: Path) -> list[Row]:
    """Return the rows of a table that `write` made."""
    return read_table(path, Row)


def write(path: Path, rows: Sequence[Row]) -> None:
    """Write the table; limits to six digits."""
    write_table(path, rows, Row, 6)


@dataclass(frozen=True)
class Summary:
    """A case over all its batches: signals begun and episodes told over the budget; `ratio_se` is that of counts."""

    case: str
    one_in: int
    fleets: int
    expected: float
    ratio: float
    ratio_se: float
    episode_ratio: float


def summary(rows: Sequence[Row]) -> Summary:
    """Put the batches of one case under one budget together."""
    expected = sum(row.expected for row in rows)
    begun = sum(row.begun for row in rows)
    return Summary(
        case=rows[0].case,
        one_in=rows[0].one_in,
        fleets=sum(row.fleets for row in rows),
        expected=expected,
        ratio=begun / expected,
        ratio_se=float(np.sqrt(max(begun, 1))) / expected,
        episode_ratio=sum(row.episodes for row in rows) / expected,
    )


def main(words: Sequence[str] | None = None) -> None:
    """Make the table and print a summary of every case."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path, default=Path("docs/studies/false_signals.csv"))
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args(words)
    rows: list[Row] = []
    with ProcessPoolExecutor(given.workers) as pool:
        for case in CASES:
            made = [row for some in pool.map(batch, [case] * case.batches, range(case.batches)) for row in some]
            rows += made
            for one_in in case.one_in:
                s = summary([row for row in made if row.one_in == one_in])
                sys.stdout.write(
                    f"{s.case:16} 1 in {one_in:3}: {s.fleets:3} fleets, {s.expected:5.0f} expected, {s.ratio:.3f} +- "
                    f"{s.ratio_se:.3f} of them begun, {s.episode_ratio:.3f} told as episodes\n"
                )
                sys.stdout.flush()
    write(given.table, rows)


if __name__ == "__main__":
    main()
