"""An invented fleet of any size as a workspace: registers, five years of sheets, and those of one more month.

python national_fleet.py FOLDER VEHICLES [VISITS]

Four injectors a vehicle, a visit every half year, each part with its own level and rate, a path that is not quite
straight, readings to a millilitre. A part whose level has passed the limit is replaced after the visit that shows it.
"""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

SEED = 7
PARTS, VISITS, DAYS_APART = 4, 10, 182
LAST = date(2026, 9, 30)
MONTH_END = date(2026, 10, 31)
LIMIT = 40.0

SETTINGS = f"""
name = "national fleet"
[families.van]
cylinders = {PARTS}
[families.truck]
cylinders = {PARTS}
[protocols."warm idle"]
measure = "return_flow"
driven = "idle"
rail_bar = 280
duration_s = 60
[[limits]]
name = "idle"
measure = "return_flow"
protocol = "warm idle"
kind = "most"
value = {LIMIT}
unit = "ml/min"
source = "invented for speed"
"""
FIELDS = {
    "vehicle": "", "date": "", "odometer": "km", "protocol": "", "position": "", "value": "ml", "duration": "s",
    "rail": "bar", "rig": "",
}  # fmt: skip


def write_fleet(folder: Path, vehicles: int, visits: int = VISITS) -> int:
    """Write `home/` and, beside it, `sheets/` and `month/`; return the number of readings of both."""
    home = folder / "home"
    (home / "layouts").mkdir(parents=True)
    (home / "wearlab.toml").write_text(SETTINGS, "utf-8")
    columns = "".join(
        f'[[columns]]\nheader = "{name}"\nfield = "{name}"\n' + (f'unit = "{unit}"\n' if unit else "")
        for name, unit in FIELDS.items()
    )
    of_value = 'measure = "return_flow"\n'
    columns = columns.replace('field = "value"\n', f'field = "value"\n{of_value}')
    (home / "layouts" / "long.toml").write_text(f'name = "long"\nkind = "tests"\n{columns}', "utf-8")
    for name in ("sheets", "month"):
        (folder / name).mkdir()
    names = np.array([f"T{number:06d}" for number in range(vehicles)])
    depot = np.arange(vehicles) % max(vehicles // 250, 3)
    register = pd.DataFrame(
        {
            "vehicle": names,
            "family": np.where(np.arange(vehicles) % 3, "van", "truck"),
            "cylinders": PARTS,
            "depot": [f"depot {number}" for number in depot],
            "in service": "2019-01-01",
            "original parts": "yes",
        }
    )
    register.to_csv(folder / "sheets" / "vehicles.csv", index=False)
    tests, works = _history(names, depot, visits)
    new = tests["date"] > LAST.isoformat()
    tests[~new].to_csv(folder / "sheets" / "tests.csv", index=False)
    tests[new].to_csv(folder / "month" / "tests_2026-10.csv", index=False)
    works.to_csv(folder / "sheets" / "works.csv", index=False)
    return len(tests)


def _history(names: np.ndarray, depot: np.ndarray, visits: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    rng = np.random.default_rng(SEED)
    count = names.size
    pace = np.exp(rng.normal(np.log(110), 0.3, count))
    shape = (count, PARTS)
    level = rng.normal(11, 1.5, shape)
    rate = np.maximum(rng.normal(0.5, 0.3, shape) + rng.normal(0, 0.15, (count, 1)), 0.02)
    # the last visit lies within the last half year
    last_day = MONTH_END.toordinal() - rng.integers(0, DAYS_APART, count)
    begin = last_day - DAYS_APART * (visits - 1)
    travelled = pace * (begin - date(2019, 1, 1).toordinal())
    worn = level + rate * travelled[:, None] / 1e4
    rows, works = [], []
    for visit in range(visits):
        day = begin + DAYS_APART * visit + rng.integers(-20, 21, count) * (visit < visits - 1)
        if visit:
            step = pace * DAYS_APART * np.exp(rng.normal(0, 0.1, count))
            travelled = travelled + step
            worn = worn + rate * step[:, None] / 1e4 + rng.normal(0, 0.35, shape) * np.sqrt(step[:, None] / 1e4)
        shared = rng.normal(0, 0.4, (count, 1))
        seen = np.maximum(np.round(worn + shared + rng.normal(0, 1.0, shape)), 1)
        rail = rng.integers(272, 289, count)
        days = np.array([date.fromordinal(int(one)).isoformat() for one in day])
        rows.append(
            pd.DataFrame(
                {
                    "vehicle": np.repeat(names, PARTS),
                    "date": np.repeat(days, PARTS),
                    "odometer": np.repeat(np.round(travelled).astype(int), PARTS),
                    "protocol": "warm idle",
                    "position": np.tile(np.arange(1, PARTS + 1), count),
                    "value": seen.ravel().astype(int),
                    "duration": 60,
                    "rail": np.repeat(rail, PARTS),
                    "rig": np.repeat([f"R{number}" for number in depot], PARTS),
                }
            )
        )
        past = (seen > LIMIT) & (visit < visits - 1)
        of, part = np.nonzero(past)
        works.append(
            pd.DataFrame(
                {
                    "vehicle": names[of], "date": days[of], "odometer km": np.round(travelled[of]).astype(int),
                    "work": "replacement", "position": part + 1,
                }
            )
        )  # fmt: skip
        worn[past], rate[past] = rng.normal(11, 1.5, of.size), np.maximum(rng.normal(0.5, 0.3, of.size), 0.02)
    return pd.concat(rows, ignore_index=True), pd.concat(works, ignore_index=True)


if __name__ == "__main__":
    where, size, *more = sys.argv[1:]
    sys.stdout.write(f"{write_fleet(Path(where), int(size), *map(int, more))}\n")
