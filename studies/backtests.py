"""Back-tests of first crossings on three outside sets of data, all with the same settings.

    python -m studies.backtests [docs/studies/backtests.csv]

The settings were fixed on simulated fleets before these data were scored. A row is the wear model or a rival at one
origin. Figures of other methods on the same crossings, from the same rule, stand in `BASELINES`.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipelines.steps.back_tests import table_back_test
from studies.table import read_table, write_table
from wearlab.forecast.backtest import CrossingScore

DATA = Path(__file__).parents[1] / "tests" / "reference"
MODEL = "wear model"


@dataclass(frozen=True)
class Case:
    """One set of data, its limit and the origin of the forecasts."""

    data: str
    limit: float
    origin: float


CASES = (
    Case("gaas_laser", 6.0, 1000.0),
    Case("gaas_laser", 6.0, 1500.0),
    Case("gaas_laser", 6.0, 2000.0),
    Case("alloy_a_crack", 1.25, 0.05),
    Case("turbine_s11_means", 47.8, 100.0),
)

#: CRPS of other methods by the same rule (least squares a unit; mixed model by REML; Wiener process with normal random
#: drift; what the other units' crossings say), computed with statsmodels and numpy. The fleet's history needs crossings
#: that had not come yet at the origin.
BASELINES: dict[Case, dict[str, float]] = {
    CASES[0]: {"line a unit": 239, "mixed model": 257, "Wiener process": 195},
    CASES[1]: {"line a unit": 194, "mixed model": 212, "Wiener process": 177},
    CASES[2]: {"line a unit": 187, "mixed model": 195, "Wiener process": 143},
    CASES[3]: {"line a unit": 0.0164, "mixed model": 0.0170, "Wiener process on -1/a^2": 0.0027},
    CASES[4]: {"line a unit": 359, "mixed model": 232, "Wiener process": 101, "fleet history": 20.5},
}


@dataclass(frozen=True)
class Row:
    """The score of one forecast; `scales` lists power, power of exposure and weight."""

    data: str
    limit: float
    origin: float
    forecast: str
    n: int
    mae: float
    bias: float
    covered_90: int
    coverage_50: float
    crps: float
    width_90: float
    accelerating: bool
    misfit: bool
    scales: str


def rows(case: Case) -> list[Row]:
    """Forecast and score one case."""
    found = table_back_test(
        DATA / f"{case.data}.csv", case.limit, origin=case.origin, origin_reading=None, falling=False
    )
    scales = " ".join(f"{power:.3g}/{gamma:g}/{weight:.3f}" for power, gamma, weight in found.scale)

    def one(name: str, score: CrossingScore, told: str) -> Row:
        values = (score.mae, score.bias, score.coverage_50, score.crps, score.width_90)
        mae, bias, half, crps, width = (float("nan") if value is None else value for value in values)
        flags = (found.signs.accelerating, found.signs.misfit) if told else (False, False)
        return Row(case.data, case.limit, case.origin, name, score.n, mae, bias, score.covered_90, half, crps, width,
                   *flags, told)  # fmt: skip

    return [one(MODEL, found.score, scales), *(one(name, score, "") for name, score in found.rivals.items())]


def read(path: Path) -> list[Row]:
    """Return the rows of a table that `write` made."""
    return read_table(path, Row)


def write(path: Path, rows: Sequence[Row]) -> None:
    """Write the table; figures to five digits."""
    write_table(path, rows, Row, 5)


def main(words: Sequence[str] | None = None) -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path, default=Path("docs/studies/backtests.csv"))
    given = parser.parse_args(words)
    write(given.table, [row for case in CASES for row in rows(case)])


if __name__ == "__main__":
    main()
