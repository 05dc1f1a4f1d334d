"""What four policies of replacement cost over three years, on fleets whose wear is not the plan's own model.

    python -m studies.policies [docs/studies/policies.csv] [--chart docs/studies/policies.svg] [--fleets 6]

A row is one fleet under one policy; `policy_fleets` tells what is true, `policy_runs` what is counted. The age of
"fixed age" is the optimum by the law of this fleet's lives, as recorded over four years under the practice of replacing
what fails its test: a road failure and a failed test both end a life. "best age" is the age that would have been
cheapest, chosen afterwards: a bound for any fixed age, which nobody can know. Not one figure was chosen on these seeds.
"""

from __future__ import annotations

import argparse
import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from studies.policies_chart import Column, Panel, policies_chart
from studies.policy_fleets import KINDS, STAKES, WEIGHED, Stakes, fleet
from studies.policy_plan import Plan
from studies.policy_runs import (
    START,
    VEHICLE_YEARS,
    Books,
    FixedAge,
    RunToFailure,
    TestFails,
    best_age,
    hindsight_age,
    history,
    weighed,
)
from studies.table import read_table, write_table

FAILURE, AGE, HINDSIGHT, TEST, PLAN = POLICIES = "run to failure", "fixed age", "best age", "test fails", "plan"
FLEETS = 6
SEED = 7000
#: ages tried for "best age", in lives of the middle part
_TRIED = (0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.3, 1.5, 2.0, float("inf"))


@dataclass(frozen=True, slots=True)
class Row:
    """One fleet under one policy.

    `cost` and `km_beyond` (of all its parts) are told for a vehicle and year; `failures`, `past_limit` (those of parts
    past their limit, the others no test foretells), `parts`, `tests` (of a vehicle's set) and `extra` (visits that were
    not planned) are counted over the fleet and all three years. `left` is what the seated parts still have before their
    limits at the end, in whole new parts. `age_km` is the age of a policy that has one, infinite: never. `early` is
    what the whole fleet cost in the first six months.
    """

    mechanism: str
    stakes: str
    seed: int
    policy: str
    age_km: float
    cost: float
    failures: int
    past_limit: int
    km_beyond: float
    parts: int
    tests: int
    extra: int
    left: float
    early: float


def simple_rows(books: Books, seed: int) -> Iterator[Row]:
    """Return the rows of the policies that forecast nothing."""
    stakes, never = books.stakes, float("nan")
    age = best_age(books.wear_lives(START), stakes)
    yield _row(books, seed, FAILURE, never, *weighed(books, RunToFailure()))
    yield _row(books, seed, AGE, age, *weighed(books, FixedAge(age)))
    yield _row(books, seed, HINDSIGHT, *hindsight_age(books, [share * books.fleet.life for share in _TRIED]))
    yield _row(books, seed, TEST, never, *weighed(books, TestFails()))


def plan_row(books: Books, seed: int, months: int = WEIGHED) -> Row:
    """Return the row of the plan; of fewer months only what was done in them is counted."""
    return _row(books, seed, PLAN, float("nan"), *weighed(books, Plan(books.stakes, books.fleet.limit), months))


def opened(mechanism: str, stakes: str, seed: int) -> Books:
    """Return a fleet's books at the start of the weighed time."""
    return history(fleet(mechanism, seed), STAKES[stakes])


def _row(books: Books, seed: int, policy: str, age: float, after: Books, left: float) -> Row:
    return Row(
        mechanism=books.fleet.mechanism,
        stakes=books.stakes.name,
        seed=seed,
        policy=policy,
        age_km=age,
        cost=after.cost / VEHICLE_YEARS,
        failures=after.failures,
        past_limit=after.past_limit,
        km_beyond=after.km_beyond / VEHICLE_YEARS,
        parts=after.parts,
        tests=after.tests,
        extra=after.extra,
        left=left,
        early=after.early,
    )


@dataclass(frozen=True, slots=True)
class Summary:
    """One policy over the fleets of a kind of wear (or all) and stakes: means, with the spread of cost over fleets.

    `net` is the cost less the worth of what is left at the end, at the price of replacing one part. `dearer` is the
    mean of what it costs more than the plan, fleet by fleet, with its standard error; `plan_wins` the fleets in which
    the plan costs less.
    """

    policy: str
    fleets: int
    cost: float
    sd: float
    least: float
    most: float
    net: float
    failures: float
    km_beyond: float
    parts: float
    tests: float
    dearer: float
    error: float
    plan_wins: int


def summary(rows: Sequence[Row], stakes: str, mechanism: str | None = None) -> list[Summary]:
    """Return the summaries in the order of `POLICIES`."""
    kept = [row for row in rows if row.stakes == stakes and mechanism in (None, row.mechanism)]
    of = {name: {(row.mechanism, row.seed): row for row in kept if row.policy == name} for name in POLICIES}
    found = []
    for name, own in of.items():
        cost = np.array([row.cost for row in own.values()])
        more = cost - np.array([of[PLAN][key].cost for key in own])
        found.append(
            Summary(
                policy=name,
                fleets=cost.size,
                cost=float(cost.mean()),
                sd=float(cost.std(ddof=1)),
                least=float(cost.min()),
                most=float(cost.max()),
                net=float(np.mean([net(row) for row in own.values()])),
                failures=float(np.mean([row.failures for row in own.values()])),
                km_beyond=float(np.mean([row.km_beyond for row in own.values()])),
                parts=float(np.mean([row.parts for row in own.values()])),
                tests=float(np.mean([row.tests for row in own.values()])),
                dearer=float(more.mean()),
                error=float(more.std(ddof=1) / np.sqrt(more.size)),
                plan_wins=int((more > 0).sum()),
            )
        )
    return found


def net(row: Row) -> float:
    """Return the cost for a vehicle and year less the worth of what is left in the seats at the end."""
    return row.cost - row.left * _stakes(row).replacing(1) / VEHICLE_YEARS


def _stakes(row: Row) -> Stakes:
    return STAKES[row.stakes]


def read(path: Path) -> list[Row]:
    """Return the rows of a table that `write` made."""
    return read_table(path, Row)


def write(path: Path, rows: Sequence[Row]) -> None:
    """Write the table; figures to six digits."""
    write_table(path, rows, Row, 6)


def panels(rows: Sequence[Row]) -> list[Panel]:
    """Return what the chart shows: every fleet's cost by stakes, kind of wear and policy."""
    return [
        Panel(
            name,
            tuple(
                Column(kind, policy, tuple(row.cost for row in rows if (row.stakes, row.mechanism, row.policy) == key))
                for kind in KINDS
                for policy in POLICIES
                for key in [(name, kind, policy)]
            ),
        )
        for name in STAKES
    ]


def main(words: Sequence[str] | None = None) -> None:
    """Make the table and the chart."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path, default=Path("docs/studies/policies.csv"))
    parser.add_argument("--chart", type=Path, default=Path("docs/studies/policies.svg"))
    parser.add_argument("--fleets", type=int, default=FLEETS)
    given = parser.parse_args(words)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    rows: list[Row] = []
    for seed in range(SEED, SEED + given.fleets):
        for mechanism in KINDS:
            for stakes in STAKES:
                books = opened(mechanism, stakes, seed)
                rows += [*simple_rows(books, seed), plan_row(books, seed)]
                logging.info("%s", rows[-1])
    rows.sort(key=lambda row: (KINDS.index(row.mechanism), row.stakes, row.seed, POLICIES.index(row.policy)))
    write(given.table, rows)
    given.chart.write_text(policies_chart(panels(read(given.table))).svg + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
