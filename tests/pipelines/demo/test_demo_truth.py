"""What is planted: counted, found again in the sheets, and visible to a straight line."""

from __future__ import annotations

import csv
import io
import itertools
from collections import Counter, defaultdict
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from pipelines.demo import scenario as sc
from pipelines.demo.fleet import Fleet, make_fleet
from pipelines.demo.parts import first_crossing, limit_of
from pipelines.demo.slips import make_slips
from pipelines.demo.visits import DemoTest, make_tests

COMMITTED = Path(__file__).parents[3] / "datasets_demo"
MEASURES = {"peak": "pump_peak", "rise": "pump_rise"}


def _rows(name: str, delimiter: str = ",", encoding: str = "utf-8", skip: int = 0) -> list[dict[str, str]]:
    lines = (COMMITTED / name).read_bytes().decode(encoding).splitlines(keepends=True)[skip:]
    return list(csv.DictReader(io.StringIO("".join(lines), newline=""), delimiter=delimiter))


@pytest.fixture(scope="module")
def truth() -> list[dict[str, str]]:
    return _rows("truth.csv")


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return make_fleet(sc.SEED)


@pytest.fixture(scope="module")
def visits(fleet: Fleet) -> tuple[DemoTest, ...]:
    return make_tests(fleet)


def test_as_much_is_planted_as_was_said(truth: list[dict[str, str]]) -> None:
    count = Counter(row["kind"] for row in truth)
    once = (
        "contaminated_delivery",
        "swap",
        "rig_drift",
        "odometer_replaced",
        "duplicate_row",
        "mistyped_value",
    )
    assert {kind: count[kind] for kind in once} == dict.fromkeys(once, 1)
    assert count["fast_injector"] == 8
    assert count["weak_pump"] == 2
    assert count["replacement"] == 12
    assert count["tube_over"] >= 3
    assert count["contaminated_vehicle"] >= 4
    fast = [
        row for row in truth if row["kind"] == "life" and row["measure"] == "return_flow" and float(row["value"]) > 1.5
    ]
    assert {(row["vehicle"], row["position"]) for row in fast} == {
        (row["vehicle"], row["position"]) for row in truth if row["kind"] == "fast_injector"
    }
    assert {float(row["value"]) for row in fast} == {2.0}


def test_the_fleet_is_the_one_described(fleet: Fleet) -> None:
    assert len(fleet.vehicles) == 60
    assert {v.depot for v in fleet.vehicles} == set(sc.DEPOTS)
    assert {v.family.cylinders for v in fleet.vehicles} == {4, 6}
    for vehicle in fleet.vehicles:
        years = Counter(day.year - (day.month < 11) for day in vehicle.visits)
        assert set(years) == set(range(2020, 2026))
        assert all(1 <= n <= 4 for n in years.values())
        assert len(set(vehicle.visits)) == len(vehicle.visits)
        assert min(vehicle.visits) >= sc.START
        assert max(vehicle.visits) <= sc.AS_OF


def test_diary_holds_the_planted_work(truth: list[dict[str, str]]) -> None:
    diary = _rows("sheets/events.csv")
    done = {
        (row["date"], row["vehicle"], row["position"], row["serial in"]) for row in diary if "replaced" in row["work"]
    }
    wanted = {
        (row["date"], row["vehicle"], row["position"], row["part"]) for row in truth if row["kind"] == "replacement"
    }
    assert wanted <= done
    work = Counter(row["work"] for row in diary)
    assert work["injector replaced"] + work["pump replaced"] == 12
    assert work["injectors exchanged"] == work["odometer replaced"] == 1
    bad = next(row for row in truth if row["kind"] == "contaminated_delivery")
    assert [
        r for r in diary if r["work"] == "fuel delivered" and (r["date"], r["depot"]) == (bad["date"], bad["depot"])
    ]
    drift = next(row for row in truth if row["kind"] == "rig_drift")
    calibrated = [row["date"] for row in diary if row["work"] == "rig calibrated" and row["rig"] == drift["rig"]]
    assert drift["date_to"] in calibrated
    assert not [day for day in calibrated if drift["date"] <= day < drift["date_to"]]


def test_only_vehicles_that_took_the_fuel_have_its_step(truth: list[dict[str, str]]) -> None:
    bad = next(row for row in truth if row["kind"] == "contaminated_delivery")
    start, end = date.fromisoformat(bad["date"]), date.fromisoformat(bad["date_to"])
    took = set()
    for row in _rows("sheets/fuel_cards.csv", ";"):
        day, month, year = map(int, row["filled on"].split("."))
        if row["tank at"] == bad["depot"] and start <= date(year, month, day) <= end:
            took.add(row["card of"])
    assert took == {row["vehicle"] for row in truth if row["kind"] == "contaminated_vehicle"}


def test_slips_stand_where_the_truth_says(truth: list[dict[str, str]]) -> None:
    wrong = next(row for row in truth if row["kind"] == "mistyped_value")
    line = (COMMITTED / "sheets" / wrong["file"]).read_bytes().decode("cp1252").splitlines()[int(wrong["row"]) - 1]
    text = wrong["note"].removeprefix("written ")
    assert line.split(";")[6 + int(wrong["position"])] == text
    assert float(text) == pytest.approx(10 * float(wrong["value"]))
    twice = next(row for row in truth if row["kind"] == "duplicate_row")
    lines = (COMMITTED / "sheets" / twice["file"]).read_text("utf-8").splitlines()
    assert lines[int(twice["row"]) - 1] == lines[int(twice["row"]) - 2]
    doubled = [
        line
        for path in (COMMITTED / "sheets").glob("lake_*.csv")
        for line, count in Counter(path.read_text("utf-8").splitlines()).items()
        if count > 1
    ]
    assert doubled == [lines[int(twice["row"]) - 1]]


def test_the_new_meter_starts_again(truth: list[dict[str, str]]) -> None:
    row = next(row for row in truth if row["kind"] == "odometer_replaced")
    shown = [int(r["meter km"]) for r in _rows("sheets/fuel_cards.csv", ";") if r["card of"] == row["vehicle"]]
    falls = [before - after for before, after in itertools.pairwise(shown) if after < before]
    assert len(falls) == 1
    assert falls[0] > 50_000


def test_swapped_injectors_keep_their_own_wear(fleet: Fleet) -> None:
    vehicle = fleet.vehicle(fleet.planted.swap_vehicle)
    day = fleet.planted.swap_day
    before = fleet.fitted(vehicle, date.fromordinal(day.toordinal() - 1))
    after = fleet.fitted(vehicle, date.fromordinal(day.toordinal() + 1))
    one, two = fleet.swapped
    assert before[one] is after[two]
    assert before[two] is after[one]
    assert set(before) == set(after)


def test_drift_ends_at_eight_percent() -> None:
    assert sc.drift("Lake", date(2024, 3, 14)) == pytest.approx(1.08, abs=0.001)
    assert sc.drift("Lake", sc.DRIFT_UNTIL) == sc.drift("North", date(2024, 3, 14)) == 1.0


def test_viscosity_passes_through_the_stated_points() -> None:
    # default fuel of the design: 2.8 mm2/s at 40 C, 1.15 at 100 C; mean road diesel near 4.4 at 20 C, 1.95 at
    # 60 C, 1.46 at 80 C (trade figures computed by the same two-point fit, rounded)
    assert sc.viscosity(40.0) == pytest.approx(2.8)
    assert sc.viscosity(100.0) == pytest.approx(1.15)
    assert [round(sc.viscosity(c), 2) for c in (60.0, 80.0)] == pytest.approx([1.95, 1.46], abs=0.02)
    assert sc.viscosity(20.0) == pytest.approx(4.4, abs=0.1)


def test_ordinary_parts_rarely_cross_within_the_history(fleet: Fleet) -> None:
    early = []
    for life in fleet.lives:
        crossing = first_crossing(life, "pump_peak" if life.pump else "return_flow")
        if life.rate_share < 1.5 and crossing is not None and crossing[0] <= sc.AS_OF:
            early.append(life)
    assert len(early) <= 3


def test_a_straight_line_a_part_finds_the_planted(fleet: Fleet, visits: tuple[DemoTest, ...]) -> None:
    """Least squares on the readings as written, slips included: a check of the scenario, not of wearlab."""
    slips = make_slips(fleet, visits)
    series: dict[tuple[int, str], list[tuple[float, float]]] = defaultdict(list)
    for test in visits:
        if test.kind == "crank" or test.duration_s not in (None, sc.IDLE_S):
            continue
        parts = fleet.fitted(test.vehicle, test.day)
        for place, shown in test.readings.items():
            value = float(slips.mistyped_text) if slips.is_mistyped(test, place) else shown.value
            life = parts["pump" if test.kind == "pump" else place]
            if not shown.over:
                measure = MEASURES.get(place, "return_flow")
                series[fleet.lives.index(life), measure].append((test.vehicle.track.at(test.day), value))
    found = []
    for (index, measure), points in series.items():
        life = fleet.lives[index]
        if life.removed is not None or len(points) < 3:
            continue
        km, value = np.array(points).T
        slope, level = np.polyfit(km - km.mean(), value, 1)
        if slope * (-1.0 if measure == "pump_peak" else 1.0) > 0:
            crossing = km.mean() + (limit_of(life, measure) - level) / slope
            yearly = (life.vehicle.track.at(sc.AS_OF) - life.vehicle.track.km[0]) / 6.0
            found.append(((crossing - life.vehicle.track.at(sc.AS_OF)) / yearly, index))
    first = {index for _, index in sorted(found)[:20]}
    planted = {index for index, life in enumerate(fleet.lives) if life.rate_share > 1.5}
    assert len(planted) == 10
    assert len(first & planted) >= 8
