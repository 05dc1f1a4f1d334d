"""One run of learn: the wear model's answers in the tables, forecasts from them, and what is left to the line."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipelines.steps import wear_learn
from pipelines.steps.learn import current_forecasts, forecasts_of, fresh_run, latest_run, learn
from pipelines.steps.wear_learn import previous_choice
from pipelines.workspace import Workspace, open_workspace
from small_fleet import AS_OF, SmallFleet
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit

NEAR = {"rail_bar": 280.0, "fuel_temp_c": 45.0, "temp_kind": "tank"}
VEHICLES, VISITS, KM_A_DAY = 12, 6, 110.0
#: truth: level when new and rise per 10,000 km, ml/min
NEW, RATE = 10.0, 0.9


def day_of(visit: int, vehicle: int) -> date:
    return date(2023, 3, 1) + timedelta(days=200 * visit + 3 * vehicle)


def km_of(day: date) -> float:
    return float(round(KM_A_DAY * (day - date(2022, 1, 1)).days))


def truth(seed: int = 5) -> np.ndarray[tuple[int, int, int], np.dtype[np.float64]]:
    """True levels (vehicle, visit, position) of a fleet whose parts wear straight."""
    rng = np.random.default_rng(seed)
    level = NEW + rng.normal(0, 1.0, (VEHICLES, 1, 4))
    rate = RATE + rng.normal(0, 0.15, (VEHICLES, 1, 4))
    km = np.array([[km_of(day_of(k, v)) for k in range(VISITS)] for v in range(VEHICLES)])
    return level + rate * km[:, :, None] / 10_000


def straight_fleet(seed: int = 5) -> SmallFleet:
    fleet = SmallFleet()
    level = truth(seed)
    read = level + np.random.default_rng(seed + 1).normal(0, 0.4, level.shape)
    for v in range(VEHICLES):
        fleet.original(f"V{v:02}", "2022-01-01")
        for k in range(VISITS):
            day = day_of(k, v)
            values = {str(p + 1): float(round(read[v, k, p], 1)) for p in range(4)}
            fleet.test(f"V{v:02}", day.isoformat(), km_of(day), values, resolution=0.1, **NEAR)
    return fleet


@pytest.fixture(scope="module")
def learned_home(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A straight fleet with one gross error, one part without any usable test, and a pump; learned once."""
    fleet = straight_fleet()
    wrong = next(row for row in fleet.rows["reading"] if row["vehicle"] == "V03" and row["position"] == "2")
    at = fleet.rows["reading"].index(wrong) + 12  # the same position three visits on
    fleet.rows["reading"][at] |= {"value": 60.0, "level": 60.0}
    fleet.vehicle("V90")
    fleet.test("V90", "2026-01-10", None, {"1": 15.0}, **NEAR)
    for k in range(5):
        day = day_of(k, 0)
        fleet.test(
            "V00", day.isoformat(), km_of(day), {"pump": ("at_least", 1600.0)}, measure="pump_peak",
            protocol="closed volume", supply_bar=4.0,
        )  # fmt: skip
    place = fleet.written(tmp_path_factory.mktemp("learned"))
    with place.open() as db:
        learn(db, place, AS_OF)
    return place


def rows(place: Workspace, sql: str, *parameters: Any) -> list[dict[str, Any]]:
    with place.open(read_only=True) as db:
        return db.records(sql, parameters)


def test_levels_and_rates_are_near_the_truth(learned_home: Workspace) -> None:
    told = rows(learned_home, "SELECT * FROM part_state WHERE measure = 'return_flow' AND vehicle <> 'V90'")
    assert len(told) == VEHICLES * 4
    level = truth()
    inside = 0
    for row in told:
        true = level[int(row["vehicle"][1:]), -1, int(row["position"]) - 1]
        # a reading is wrong by 0.4; six of them on a line of three years tell its end to less than that
        assert row["level"] == pytest.approx(true, abs=1.2)
        inside += row["level_low"] <= true <= row["level_high"]
        assert row["level_low"] < row["level"] < row["level_high"]
        # the next reading comes a visit later, with its own error
        assert row["next_low"] < row["next_high"]
        assert row["next_high"] - row["next_low"] > row["level_high"] - row["level_low"]
        assert row["rate_low"] < row["rate"] < row["rate_high"]
        assert row["rate_unit"] == "ml/min per 10,000 km"
        assert (row["readings"], row["visits"], row["beyond"], row["outside"]) == (VISITS, VISITS, 0, 0)
        assert row["reference"].startswith("280 bar (limit), tank temperature 45 degC (limit)")
        assert row["no_answer"] is None
    # 90 % of 48, which fewer than 37 meet once in 500 fleets (binomial)
    assert inside >= 37
    (rate,) = rows(learned_home, "SELECT * FROM wear_effect WHERE kind = 'rate'")
    assert rate["name"] == "van"
    assert rate["low"] < RATE < rate["high"]
    assert rate["estimate"] == pytest.approx(RATE, abs=0.15)


def test_a_group_tells_its_scale_its_exponents_and_what_it_left_out(learned_home: Workspace) -> None:
    (group,) = rows(learned_home, "SELECT * FROM wear_group WHERE measure = 'return_flow'")
    assert group["status"].startswith("converged")
    # 12 x 6 x 4 readings and the one without an odometer
    assert (group["readings"], group["vehicles"], group["parts"]) == (288, 12, 48)
    assert "straight line" in group["scale_weights"]
    assert any("1 readings without a usable odometer" in note for note in group["notes"])
    kinds = {row["kind"] for row in rows(learned_home, "SELECT DISTINCT kind FROM wear_effect")}
    assert {"rate", "level", "spread"} <= kinds


def test_a_gross_error_is_named_at_its_place_and_moves_nothing(learned_home: Workspace) -> None:
    found = rows(
        learned_home,
        "SELECT g.*, r.vehicle, r.level FROM wear_gross g "
        "JOIN reading r ON r.test_id = g.test_id AND r.position = g.position WHERE g.weight < 0.1",
    )
    assert [(row["vehicle"], row["position"], row["level"]) for row in found] == [("V03", "2", 60.0)]
    (state,) = rows(learned_home, "SELECT level FROM part_state WHERE vehicle = 'V03' AND position = '2'")
    assert state["level"] == pytest.approx(truth()[3, -1, 1], abs=1.2)


def test_the_path_has_a_level_on_every_day_of_a_life(learned_home: Workspace) -> None:
    path = rows(learned_home, "SELECT * FROM part_path WHERE part LIKE 'V05/3/%' ORDER BY tested_on")
    assert [row["tested_on"] for row in path] == [day_of(k, 5) for k in range(VISITS)]
    for k, row in enumerate(path):
        assert row["low"] < row["level"] < row["high"]
        assert row["level"] == pytest.approx(truth()[5, k, 2], abs=1.0)
        assert row["exposure_km"] == row["distance_km"] == km_of(day_of(k, 5))


def test_forecasts_cross_where_the_truth_does(learned_home: Workspace) -> None:
    """The true line of a part crosses 30 ml/min at a known distance; the middle of the forecasts is near it."""
    told = [row for row in current_forecasts(learned_home, AS_OF) if row["method"] == "wear model"]
    assert len(told) == VEHICLES * 4
    level = truth()
    off, inside = [], 0
    for row in told:
        v, p = int(row["vehicle"][1:]), int(row["position"]) - 1
        first, last = level[v, 0, p], level[v, -1, p]
        run = km_of(day_of(VISITS - 1, v)) - km_of(day_of(0, v))
        true = km_of(day_of(VISITS - 1, v)) + (30.0 - last) / (last - first) * run
        assert row["rule"] == "van idle"
        assert row["level"] > last  # it wore on since the last test
        assert row["distance_p10"] < row["distance_p50"]
        assert row["last_test"] == day_of(VISITS - 1, v)
        inside += row["distance_p10"] < true and (row["distance_p90"] is None or true < row["distance_p90"])
        off.append(row["distance_p50"] / true - 1)
    assert abs(float(np.median(off))) < 0.08
    # 80 % of 48, fewer than 30 once in 300 fleets (binomial)
    assert inside >= 30


def test_a_part_without_a_usable_test_says_why(learned_home: Workspace) -> None:
    (state,) = rows(learned_home, "SELECT * FROM part_state WHERE vehicle = 'V90'")
    assert state["level"] is None
    assert state["no_answer"] == "no reading of this part may be used (1 without a usable odometer)"
    (row,) = [row for row in current_forecasts(learned_home, AS_OF) if row["vehicle"] == "V90"]
    assert (row["method"], row["level"], row["state"]) == ("line", None, "no answer")
    assert "without a usable odometer" in row["no_answer"]


def test_a_group_beyond_the_scale_has_no_model_and_its_pumps_are_steady(learned_home: Workspace) -> None:
    (group,) = rows(learned_home, "SELECT * FROM wear_group WHERE measure = 'pump_peak'")
    assert (group["status"], group["scale"]) == ("no answer", None)
    assert group["scale_note"].startswith("5 of 5 readings lie beyond the scale")
    (row,) = [row for row in current_forecasts(learned_home, AS_OF) if row["measure"] == "pump_peak"]
    assert (row["method"], row["state"]) == ("line", "no limit")


def test_the_weights_of_the_scales_go_on(learned_home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []

    def watched(*words: Any, previous: Any = None, **more: Any) -> WearFit | NoAnswer:
        seen.append(previous)
        return fit_group(*words, previous=previous, **more)

    monkeypatch.setattr(wear_learn, "fit_group", watched)
    with learned_home.open() as db:
        before = previous_choice(db, "return_flow", "warm idle")
        assert before is not None
        assert previous_choice(db, "return_flow", "crank 15 s") is None
        first = db.value("SELECT max(run_id) FROM run")
        learn(db, learned_home, AS_OF - timedelta(days=30))
        assert [None if one is None else one.names for one in seen] == [before.names]
        assert seen[0].weights.tolist() == before.weights.tolist()
        assert seen[0].vehicles == before.vehicles > 0
        assert seen[0].sentence == before.sentence
        # the run before is still there, and the newest of its day is found again
        assert latest_run(db, learned_home, AS_OF) == first
        assert fresh_run(db, learned_home, AS_OF) == first


def test_the_same_facts_give_the_same_answer(tmp_path: Path) -> None:
    """Loaded in another order, everything learned is the same to the last digit that is printed."""
    told = []
    for turn in (1, -1):
        fleet = straight_fleet()
        fleet.rows["register"] = fleet.rows["register"][::turn]
        fleet.rows["reading"] = fleet.rows["reading"][::turn]
        place = fleet.written(tmp_path / str(turn))
        with place.open() as db:
            learn(db, place, AS_OF)
            told.append(
                db.rows(
                    "SELECT vehicle, position, round(level, 6), round(rate, 6), date_p50 FROM forecast ORDER BY ALL"
                )
            )
    assert told[0] == told[1]


def test_a_rebuilt_part_is_not_told_by_its_old_life(tmp_path: Path) -> None:
    fleet = straight_fleet()
    fleet.work("rebuild", "2026-06-20", "V02", position="3", odometer_km=km_of(date(2026, 6, 20)))
    place = fleet.written(tmp_path)
    with place.open() as db:
        learn(db, place, AS_OF)
        told = forecasts_of(db, fresh_run(db, place, AS_OF))
        kept = db.rows("SELECT life, readings FROM part_state WHERE vehicle = 'V02' AND part LIKE 'V02/3/%'")
    assert {row["position"] for row in told if row["vehicle"] == "V02"} == {"1", "2", "4"}
    assert kept == [(1, VISITS)]  # its old life still speaks for the family


def test_a_fault_leaves_no_half_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = straight_fleet().written(tmp_path)

    def broken(db: Database, run: int, found: Any) -> None:
        raise RuntimeError("stopped here")

    with place.open() as db:
        monkeypatch.setattr("pipelines.steps.learn.store", broken)
        with pytest.raises(RuntimeError, match="stopped here"):
            learn(db, place, AS_OF)
        for table in ("run", "wear_group", "part_state", "forecast"):
            assert db.value(f"SELECT count(*) FROM {table}") == 0  # noqa: S608


def test_a_fit_that_breaks_off_leaves_the_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*words: Any, **more: Any) -> WearFit | NoAnswer:
        raise np.linalg.LinAlgError("singular")

    monkeypatch.setattr(wear_learn, "fit_group", broken)
    place = straight_fleet().written(tmp_path)
    with place.open() as db:
        told = learn(db, place, AS_OF)
        rows_ = forecasts_of(db, fresh_run(db, place, AS_OF))
        (note,) = db.rows("SELECT status, scale_note FROM wear_group")
    assert note[0] == "no answer"
    assert "broke off" in note[1]
    assert [(row["answered"], row["rate_median"]) for row in told] == [(0, None)]
    assert {row["method"] for row in rows_} == {"line"}
    assert sum(row["level"] is not None for row in rows_) == VEHICLES * 4


def test_the_model_answers_for_the_demo_fleet(demo_home: Path) -> None:
    """Real sheets have full tubes, zeros, missing conditions and many rigs at once; only pumps at the limiter may stay
    without a model."""
    place = open_workspace(demo_home)
    status = {
        (row["measure"], row["protocol"]): row["status"]
        for row in rows(
            place,
            "SELECT measure, protocol, status FROM wear_group WHERE run_id = (SELECT max(run_id) FROM wear_group)",
        )
    }
    silent = {measure for (measure, _), word in status.items() if not word.startswith("converged")}
    assert silent <= {"pump_peak"}, status
