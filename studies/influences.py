"""How often what goes with wear is found, and how often something that does not: many simulated fleets.

    python -m studies.influences [docs/studies/influences.csv] [--fleets 400] [--first 5000] [--workers 2]

A fleet has 40 to 70 vehicles of two families and 4 parts, 3 to 8 visits, a part in five replaced, three lives in ten
of unknown beginning, 5 % of readings missing. Every fleet has one effect on the rate, by turns of a word of vehicles
(duty "rounds" 30 % faster), of a number of vehicles (pace, 15 % for one sd) and of a word of lives (origin "rebuilt"
30 % faster). Asked about are duty (three words), depot (three), fuel used (a number that follows pace), pace and
origin.

- planted: the candidates as they are;
- shuffled: the same readings, the candidates dealt to the vehicles anew (those of one vehicle kept together), and
  origins dealt to the lives anew. Nothing is to be found; the effect is still in the readings and makes the rates of
  vehicles or parts differ in two clumps, not along a normal curve.

A fleet is one run of the command: chances are adjusted over its candidates, and what is found has an adjusted chance
of 0.1 or less and a cross-validated score above 0. The score costs time and is worked out only where something has
such a chance. Settings were chosen on seeds below 1000, which are not in the table.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from math import nan
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from studies.table import read_table, write_table
from wearlab.records import NoAnswer
from wearlab.study.candidates import Candidate
from wearlab.study.influences import CHANCE, Influences, discovered, influences
from wearlab.study.rate_models import rate_models
from wearlab.wear.data import coded
from wearlab.wear.estimate import Options
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import fit_scale

Floats = NDArray[np.float64]

#: Seed of the first fleet in the table.
FIRST = 5000
#: What is planted by turns: the candidate, its word ("": one sd of a number), and its share of the rate.
PLANTED = (("duty", "rounds", 0.30), ("pace", "", 0.15), ("origin", "rebuilt", 0.30))
DUTIES, SHARES = np.array(["rounds", "samples", "trunk"], dtype=object), (0.4, 0.35, 0.25)
DEPOTS = np.array(["North", "Lake", "Mill"], dtype=object)
ORIGINS = np.array(["new", "rebuilt"], dtype=object)


@dataclass(frozen=True)
class Row:
    """One fleet, planted or shuffled.

    `p_...` are the unadjusted chances; `adjusted` is the least adjusted one, `score` the cross-validated one (NaN: not
    worked out), `found` the names found, joined by "+". Of the planted effect: what was told (`percent`, `low`,
    `high`) and the `truth`, against the average life, % of the rate.
    """

    seed: int
    kind: str
    planted: str
    vehicles: int
    readings: int
    p_duty: float
    p_depot: float
    p_fuel: float
    p_pace: float
    p_origin: float
    adjusted: float
    score: float
    found: str
    percent: float = nan
    low: float = nan
    high: float = nan
    truth: float = nan


@dataclass(frozen=True)
class _Known:
    """What is recorded of a fleet: codes and numbers a vehicle (V,), origin a life (L,)."""

    duty: NDArray[np.int64]
    depot: NDArray[np.int64]
    pace: Floats
    fuel: Floats
    origin: NDArray[np.int64]

    def shuffled(self, rng: np.random.Generator) -> _Known:
        order = rng.permutation(self.duty.size)
        return _Known(
            self.duty[order], self.depot[order], self.pace[order], self.fuel[order], rng.permutation(self.origin)
        )

    def candidates(self, fleet: Fleet) -> list[Candidate]:
        vehicle, life = np.asarray(fleet.data.vehicle), fleet.of_parts(np.asarray(fleet.data.part))
        return [
            Candidate("duty", DUTIES[self.duty][vehicle]),
            Candidate("depot", DEPOTS[self.depot][vehicle]),
            Candidate("fuel", self.fuel[vehicle], "l/100 km"),
            Candidate("pace", self.pace[vehicle], "km an engine hour"),
            Candidate("origin", ORIGINS[self.origin][life]),
        ]


def rows_of(seed: int) -> list[Row]:
    """The planted and the shuffled row of one fleet."""
    rng = np.random.default_rng(seed)
    vehicles = int(rng.integers(40, 71))
    fleet = simulated_fleet(rng, vehicles=vehicles, families=2, visits=(3, 8), replaced=0.2, unknown=0.3, missing=0.05)
    pace = rng.normal(35.0, 6.0, vehicles)
    known = _Known(
        duty=rng.choice(3, vehicles, p=SHARES),
        depot=rng.integers(0, 3, vehicles),
        pace=pace,
        fuel=24.0 - 0.3 * (pace - 35.0) + rng.normal(0.0, 1.8, vehicles),
        origin=(rng.random(fleet.part.size) < 0.3).astype(np.int64),
    )
    name, word, size = PLANTED[seed % 3]
    of_life = _plant(name, word, size, known, fleet)
    data = fleet.data
    life = fleet.of_parts(np.asarray(data.part))
    rate = fleet.family_effects[np.asarray(data.family), 1]
    readings = replace(data, y=data.y + of_life[life] * rate * data.exposure)
    base = fit_scale(coded(readings), STRAIGHT, Options(workers=1))
    # a share of the average rate of lives, which the effect itself has raised
    average = float(of_life.mean())
    truth = 100 * (size if word == "" else size - average) / (1 + average)
    out = []
    for kind, told in (("planted", known), ("shuffled", known.shuffled(rng))):
        found = influences(readings, told.candidates(fleet), STRAIGHT, base=base)
        if isinstance(found, NoAnswer):
            raise RuntimeError(found.reason)
        row = _row(seed, kind, name, vehicles, len(data), discovered([found])[0])
        out.append(_beside_truth(row, found, name, word, truth) if kind == "planted" else row)
    return out


def _plant(name: str, word: str, size: float, known: _Known, fleet: Fleet) -> Floats:
    """By which share each life (L,) wears faster."""
    vehicle = np.zeros(fleet.part.size, dtype=np.int64)
    vehicle[fleet.of_parts(np.asarray(fleet.data.part))] = np.asarray(fleet.data.vehicle)
    if name == "duty":
        return np.where((DUTIES[known.duty] == word)[vehicle], size, 0.0)
    if name == "origin":
        return np.where(ORIGINS[known.origin] == word, size, 0.0)
    return np.asarray(size * ((known.pace - known.pace.mean()) / known.pace.std())[vehicle], dtype=np.float64)


def _row(seed: int, kind: str, planted: str, vehicles: int, readings: int, told: Influences) -> Row:
    p = {one.name: one.p for one in told.asked}
    stands_out = [one.name for one in told.asked if one.adjusted <= CHANCE]
    score = nan
    if stands_out:
        models = rate_models(told, shuffles=0)
        score = nan if isinstance(models, NoAnswer) else models.score
    return Row(
        seed=seed, kind=kind, planted=planted, vehicles=vehicles, readings=readings,
        p_duty=p.get("duty", nan), p_depot=p.get("depot", nan), p_fuel=p.get("fuel", nan),
        p_pace=p.get("pace", nan), p_origin=p.get("origin", nan),
        adjusted=min(one.adjusted for one in told.asked), score=score,
        found="+".join(stands_out) if score > 0 else "",
    )  # fmt: skip


def _beside_truth(row: Row, told: Influences, name: str, word: str, truth: float) -> Row:
    one = next((one for one in told.asked if one.name == name), None)
    if one is None:
        return row
    effect = next(effect for effect in one.effects if word in ("", effect.label))
    step = next(made.step for made in told.coded if made.name == name)
    # the step of a number is the fleet's own sd as told within families; one true sd is 1 here
    scale = 1.0 if step is None else _true_sd(told, name) / step
    found = effect.percent
    return replace(row, percent=scale * found.point, low=scale * found.low, high=scale * found.high, truth=truth)


def _true_sd(told: Influences, name: str) -> float:
    """The sd of a number over the vehicles."""
    raw = next(made.raw for made in told.coded if made.name == name)
    first = np.unique(told.frame.vehicle, return_index=True)[1]
    return float(np.std(raw[first]))


def write(path: Path, rows: Sequence[Row]) -> None:
    """Write the table; numbers to six figures."""
    write_table(path, rows, Row, 6)


def read(path: Path) -> list[Row]:
    """Read the table back."""
    return read_table(path, Row)


def summary(rows: Sequence[Row]) -> str:
    """How often something was found, and the right one, in words."""
    told = []
    shuffled = [row for row in rows if row.kind == "shuffled"]
    p = np.array([[row.p_duty, row.p_depot, row.p_fuel, row.p_pace, row.p_origin] for row in shuffled])
    told.append(
        f"shuffled, {len(shuffled)} fleets: something found in {np.mean([row.found != '' for row in shuffled]):.3f}, "
        f"without the score {np.mean([row.adjusted <= CHANCE for row in shuffled]):.3f} (nominal {CHANCE}); chances "
        f"below 0.05 {np.nanmean(p < 0.05):.3f}, below 0.01 {np.nanmean(p < 0.01):.4f}; by candidate "
        + ", ".join(f"{share:.3f}" for share in np.nanmean(p < 0.05, axis=0))
    )
    for name, _, size in PLANTED:
        own = [row for row in rows if row.kind == "planted" and row.planted == name]
        names = [row.found.split("+") for row in own]
        inside = [row.low <= row.truth <= row.high for row in own if row.truth == row.truth]
        others = sum(len(set(found) - {name, ""}) for found in names)
        told.append(
            f"planted {name} {100 * size:.0f} %, {len(own)} fleets: found "
            f"{np.mean([name in found for found in names]):.3f}; others found beside {others}; told "
            f"{np.nanmean([row.percent for row in own]):.1f}, true {np.nanmean([row.truth for row in own]):.1f}; "
            f"9 in 10 held {np.mean(inside):.3f}"
        )
    return "\n".join(told) + "\n"


def main(words: Sequence[str] | None = None) -> None:
    """Make the table and print a summary."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path, default=Path("docs/studies/influences.csv"))
    parser.add_argument("--fleets", type=int, default=400)
    parser.add_argument("--first", type=int, default=FIRST, help="seed of the first fleet")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args(words)
    rows: list[Row] = []
    with ProcessPoolExecutor(given.workers) as pool:
        for made in pool.map(rows_of, range(given.first, given.first + given.fleets)):
            rows += made
            write(given.table, rows)
    sys.stdout.write(summary(rows))


if __name__ == "__main__":
    main()
