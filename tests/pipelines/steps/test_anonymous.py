"""A fleet shared without its names: what must not be in it, and what must still be there."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.sheets.files import find_files
from pipelines.sheets.layout import read_layouts
from pipelines.sheets.load import load_files
from pipelines.steps.anonymous import DAYS, FACTOR, export_anonymous
from pipelines.workspace import Workspace, open_workspace
from wearlab.errors import InputError

TESTS = """
    SELECT t.vehicle, t.tested_on AS day, t.odometer_km AS km, r.position, r.value, r.bound, r.unit,
           t.fuel_temp_c, t.driven
    FROM reading r JOIN test t USING (test_id) WHERE r.quality = 'good'
    ORDER BY t.vehicle, t.tested_on, t.measure, t.protocol, r.position, r.repeat, r.value
"""
NAMES = (
    "SELECT unnest([vehicle, alias, depot, family, duty, fuel_supply]) FROM register",
    "SELECT unnest([vehicle, rig, technician, complaint, note, protocol, fault_codes]) FROM test",
    "SELECT unnest([serial_in, serial_out, part_number, note]) FROM work",
    "SELECT serial FROM reading",
    "SELECT name FROM source_file",
)


@pytest.fixture(scope="module")
def shared(demo_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    folder = tmp_path_factory.mktemp("given") / "fleet"
    export_anonymous(open_workspace(demo_home), folder, np.random.default_rng(20261125))
    place = open_workspace(folder)
    with place.open(create=True) as db:
        files = find_files([folder / "sheets"])
        done = load_files(db, place.settings, read_layouts(place.layouts), files, as_of=date(2026, 10, 31))
    assert sum(one.set_aside + one.cells_set_aside for one in done) == 0
    return place


def _visits(place: Workspace) -> pd.DataFrame:
    with place.open(read_only=True) as db:
        return db.frame(TESTS)


def test_no_name_of_the_fleet_is_in_what_is_shared(demo_home: Path, shared: Workspace) -> None:
    with open_workspace(demo_home).open(read_only=True) as db:
        named = {str(name) for query in NAMES for (name,) in db.rows(query) if name}
    text = "\n".join(
        path.read_text("utf-8") for path in sorted(shared.home.rglob("*")) if path.suffix in (".csv", ".toml")
    )
    words = set(re.split(r'[,\n"\[\].]', text))
    # short new names may be an old one by chance: a lot gives no meaning to them
    assert not {name for name in named & words if not re.fullmatch(r"[ASNDRKFULP]\d+", name)}
    assert not [name for name in named if len(name) > 5 and name in text]


def test_intervals_readings_and_conditions_stay(demo_home: Path, shared: Workspace) -> None:
    before, after = _visits(open_workspace(demo_home)), _visits(shared)
    same = ["position", "value", "bound", "unit", "fuel_temp_c", "driven"]

    # a vehicle is known again by its readings alone, in the order of its days
    def told(frame: pd.DataFrame) -> dict[str, tuple[object, ...]]:
        found = {}
        for vehicle, rows in frame.groupby("vehicle"):
            days = (rows["day"] - rows["day"].min()).dt.days
            key = tuple(zip(days, *(rows[name].astype(str) for name in same), strict=True))
            found[str(vehicle)] = (tuple(sorted(key)), rows["day"].min(), rows.groupby("day")["km"].first().to_numpy())
        return found

    old, new = told(before), told(after)
    by_readings = {key: (day, km) for key, day, km in new.values()}
    assert len(by_readings) == len(new) == len(old)
    factors, shifts = [], []
    for key, day, km in old.values():
        assert key in by_readings
        moved, scaled = by_readings[key]
        shifts.append((day - moved).days)
        known = np.isfinite(km) & np.isfinite(scaled) & (km > 10_000)
        factors.append(scaled[known] / km[known])
    assert min(shifts) >= DAYS[0]
    assert max(shifts) <= DAYS[1]
    assert len(set(shifts)) > len(shifts) / 2
    all_factors = np.concatenate(factors)
    assert FACTOR[0] <= all_factors.mean() <= FACTOR[1]
    assert np.ptp(all_factors) < 2e-4  # a kilometre of rounding in ten thousand


def test_two_exports_have_nothing_in_common(demo_home: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        export_anonymous(open_workspace(demo_home), tmp_path / name)
    one, two = ((tmp_path / name / "sheets" / "tests.csv").read_text("utf-8") for name in ("one", "two"))
    assert one != two
    assert len(one.splitlines()) == len(two.splitlines())


def test_a_folder_that_is_in_use_is_refused(demo_home: Path, tmp_path: Path) -> None:
    (tmp_path / "there.txt").write_text("mine")
    with pytest.raises(InputError, match="name a new folder"):
        export_anonymous(open_workspace(demo_home), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["there.txt"]


def test_the_command_wants_the_word(demo_home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["export", str(tmp_path / "x"), "--home", str(demo_home)])
    assert left.value.code == 2
    assert "--anonymous" in capsys.readouterr().err
    with pytest.raises(SystemExit) as left:
        main(["export", str(tmp_path / "x"), "--anonymous", "--home", str(demo_home)])
    assert left.value.code == 0
    assert "rows of tests" in capsys.readouterr().out
