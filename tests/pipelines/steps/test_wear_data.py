"""From the store to the wear model: which readings vote, at which exposure, under which conditions."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipelines.steps.lives import fresh_lives
from pipelines.steps.wear_data import GroupData, group_data
from small_fleet import AS_OF, SETTINGS, SmallFleet
from wearlab.wear.data import WearData, coded

SET = {"1": 10.0, "2": 11.0, "3": 12.0, "4": 13.0}


def made(
    fleet: SmallFleet,
    home: Path,
    measure: str = "return_flow",
    protocol: str = "warm idle",
    settings: str = SETTINGS,
) -> GroupData:
    place = fleet.written(home, settings)
    with place.open() as db:
        fresh_lives(db, place.settings)
        return group_data(db, place.settings, measure, protocol, AS_OF)


def data_of(group: GroupData) -> WearData:
    assert group.data is not None
    coded(group.data)  # the model's own check of shapes and values
    return group.data


def life_of(group: GroupData, vehicle: str, position: str, life: int = 1) -> int:
    lives = group.lives
    named = group.rows.vehicles[lives.vehicle] == vehicle
    (found,) = np.flatnonzero(named & (lives.seat == position) & (lives.life == life))
    return int(found)


def readings_of(group: GroupData, life: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.flatnonzero(group.rows.life[group.fitted] == life)


def test_original_parts_count_from_zero_and_others_from_their_first_test(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2024-01-01")
    fleet.vehicle("V2")
    for day, km in (("2025-01-10", 60_000.0), ("2025-07-10", 75_000.0)):
        fleet.test("V1", day, km, SET)
        fleet.test("V2", day, km, SET)
    group = made(fleet, tmp_path)
    data = data_of(group)
    own, other = (readings_of(group, life_of(group, name, "1")) for name in ("V1", "V2"))
    assert data.exposure[own].tolist() == [60_000.0, 75_000.0]
    assert data.exposure[other].tolist() == [0.0, 15_000.0]
    assert data.unknown_start is not None
    assert not data.unknown_start[own].any()
    assert data.unknown_start[other].all()
    assert np.unique(data.part).size == 8
    assert data.visit[own[0]] == data.visit[other[0]] < data.visit[own[1]]
    assert data.unit == "ml/min"
    assert data.relative_error == pytest.approx(0.10)


def test_a_moved_part_keeps_its_life_and_splits_its_exposure(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.original("V2", "2023-01-01")
    fleet.test("V1", "2024-01-10", 40_000.0, {"1": 10.0}, serials={"1": "S1"})
    fleet.test("V2", "2024-01-10", 30_000.0, {"1": 20.0}, serials={"1": "S2"})
    fleet.work(
        "replacement",
        "2024-06-10",
        "V2",
        position="1",
        serial_in="S1",
        serial_out="S2",
        origin="used",
        odometer_km=35e3,
    )
    fleet.test("V1", "2024-06-10", 50_000.0, {"2": 9.0})
    fleet.test("V2", "2025-01-10", 45_000.0, {"1": 12.0}, serials={"1": "S1"})
    group = made(fleet, tmp_path)
    data = data_of(group)
    (moved,) = np.flatnonzero(group.lives.part == "S1")
    here = readings_of(group, int(moved))
    assert group.rows.vehicles[data.vehicle[here]].tolist() == ["V1", "V2"]
    # 40,000 km, then 10,000 more until the move at V1's 50,000 km, then 10,000 on V2
    assert data.exposure[here].tolist() == [40_000.0, 60_000.0]
    assert data.gathered is not None
    assert data.gathered[here].tolist() == [40_000.0, 10_000.0]
    assert group.lives.seated[moved]
    (left,) = np.flatnonzero(group.lives.part == "S2")
    assert not group.lives.seated[left]


def test_a_rebuild_opens_a_new_life_and_a_cleaning_steps_the_level(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.test("V1", "2024-01-10", 40_000.0, SET)
    fleet.work("rebuild", "2024-03-10", "V1", position="1", odometer_km=45_000.0)
    fleet.work("cleaning", "2024-03-10", "V1", position="2", odometer_km=45_000.0)
    fleet.test("V1", "2025-01-10", 65_000.0, SET)
    fleet.test("V1", "2026-01-10", 85_000.0, SET)
    group = made(fleet, tmp_path)
    data = data_of(group)
    rebuilt = readings_of(group, life_of(group, "V1", "1", 2))
    assert data.exposure[rebuilt].tolist() == [20_000.0, 40_000.0]
    assert data.unknown_start is not None
    assert not data.unknown_start[rebuilt].any()
    cleaned = readings_of(group, life_of(group, "V1", "2"))
    assert data.exposure[cleaned].tolist() == [40_000.0, 65_000.0, 85_000.0]
    (name,) = group.event_names
    assert name.startswith("cleaning of V1/2/")
    column = data.covariate_names.index(name)
    assert data.covariates is not None
    assert data.covariates[cleaned, column].tolist() == [0.0, 1.0, 1.0]
    assert data.covariates[:, column].sum() == 2
    assert data.covariate_role[column] == "step"
    assert data.covariate_kind[column] == "factor"


def test_bounds_graduation_and_repeats_arrive(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.test("V1", "2024-01-10", 40_000.0, {"1": ("at_most", 0.5), "2": ("at_least", 40.0), "3": 12.0}, resolution=1)
    fleet.test("V1", "2024-01-10", 40_000.0, {"3": 13.0}, resolution=None, repeat=2)
    group = made(fleet, tmp_path)
    data = data_of(group)
    assert data.bound is not None
    assert data.resolution is not None
    told = dict(zip(group.rows.position[group.fitted], data.bound, strict=True))
    assert told == {"1": -1, "2": 1, "3": 0}
    third = readings_of(group, life_of(group, "V1", "3"))
    assert data.y[third].tolist() == [12.0, 13.0]
    assert np.unique(data.visit).size == 1
    assert data.resolution[third][0] == 1
    assert np.isnan(data.resolution[third][1])


def test_only_readings_that_may_be_trended_vote(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.test("V1", "2024-01-10", 40_000.0, SET)
    fleet.test("V1", "2024-02-10", 41_000.0, SET, use="share")
    fleet.test("V1", "2024-03-10", None, SET)
    fleet.test("V1", "2024-04-10", 43_000.0, {"set": 44.0})
    fleet.test("V1", "2026-12-10", 99_000.0, SET)  # after the day that is asked about
    group = made(fleet, tmp_path)
    assert data_of(group).y.size == 4
    assert group.unplaced.sum() == 4
    assert any(note.startswith("4 readings without a usable odometer") for note in group.notes)


def test_two_protocols_are_never_mixed(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.test("V1", "2024-01-10", 40_000.0, SET)
    fleet.test("V1", "2024-01-10", 40_000.0, {"1": 3.0, "2": 3.5}, protocol="crank 15 s", driven="crank")
    group = made(fleet, tmp_path, protocol="crank 15 s")
    data = data_of(group)
    assert data.y.tolist() == [3.0, 3.5]
    assert data.relative_error == pytest.approx(0.20)


def test_levels_are_told_under_the_conditions_of_the_limit(tmp_path: Path) -> None:
    """The limit is stated for 270 to 290 bar and 40 to 50 degC, so 280 bar and 45 degC are zero."""
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.original("T1", "2023-01-01", family="truck")
    for month, rail, temp in ((1, 280.0, 45.0), (3, 308.0, 45.0), (5, 280.0, 55.0), (7, 280.0, 80.0), (9, 420.0, 45.0)):
        km = 40_000.0 + 1000 * month
        fleet.test("V1", f"2024-{month:02}-10", km, {"1": 10.0}, rail_bar=rail, fuel_temp_c=temp, temp_kind="tank")
        fleet.test("T1", f"2024-{month:02}-10", km, {"1": 10.0}, rail_bar=rail, fuel_temp_c=temp, temp_kind="tank")
    group = made(fleet, tmp_path)
    data = data_of(group)
    van, truck = life_of(group, "V1", "1"), life_of(group, "T1", "1")
    # 80 degC is 35 K away and 420 bar is 1.5 times the reference: shown, but without a vote
    assert group.per_life(group.outside)[van] == 2
    here = readings_of(group, van)
    assert data.covariates is not None
    rail = data.covariates[here, data.covariate_names.index("rail pressure")]
    oil = data.covariates[here, data.covariate_names.index("fuel viscosity")]
    assert rail == pytest.approx([0.0, np.log(1.1), 0.0])
    assert oil[:2] == pytest.approx([0.0, 0.0])
    assert oil[2] > 0  # thinner when warm, so more comes back
    assert "280 bar (limit)" in group.reference[van]
    # no limit judges trucks: they are told under the group's median test
    assert "280 bar (median test)" in group.reference[truck]


def test_a_condition_not_recorded_spreads_its_visit(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    for month in range(1, 7):
        known = {"rail_bar": 280.0, "temp_kind": "tank"} | ({"fuel_temp_c": 40.0 + 2 * month} if month > 1 else {})
        fleet.test("V1", f"2024-{month:02}-10", 40_000.0 + 1000 * month, SET, **known)
    group = made(fleet, tmp_path)
    data = data_of(group)
    assert data.visit_sd is not None
    first = data.visit == data.visit.min()
    assert np.unique(data.visit_sd[first]).size == 1
    # five temperatures 2 K apart spread by 3.2 K, at about 1.4 % a kelvin (exponent 0.7, laminar 2 % a kelvin)
    assert 0.02 < data.visit_sd[first][0] < 0.08
    assert (data.visit_sd[~first] == 0).all()


def test_a_rig_is_another_after_its_calibration(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.work("calibration", "2024-03-01", rig="R1")
    for day, km, rig in (
        ("2024-01-10", 40e3, "R1"), ("2024-03-01", 41e3, "R1"), ("2024-05-10", 42e3, "R1"), ("2024-06-10", 43e3, "R2"),
        ("2024-07-10", 44e3, None),
    ):  # fmt: skip
        fleet.test("V1", day, km, {"1": 10.0}, rig=rig)
    data = data_of(made(fleet, tmp_path))
    assert data.period is not None
    # the most used is the base; a test on the day of calibration comes after it; no rig counts with the base
    assert data.period[np.argsort(data.exposure)].tolist() == ["R1 before 2024-03-01", "", "", "R2", ""]


def test_contamination_steps_the_level_and_adds_a_rate_but_not_to_new_parts(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    fleet.original("V2", "2023-01-01")
    for name in ("V1", "V2"):
        fleet.test(name, "2024-01-11", 40_000.0, {"1": 10.0, "2": 10.0})
        fleet.test(name, "2024-03-11", 46_000.0, {"1": 12.0, "2": 12.0})
        fleet.test(name, "2024-05-11", 50_000.0, {"1": 13.0, "2": 9.0})
    fleet.work("contamination", "2024-02-10", "V1")
    fleet.work("replacement", "2024-04-01", "V1", position="2", origin="new", odometer_km=48_000.0)
    group = made(fleet, tmp_path)
    data = data_of(group)
    step, rate = (data.covariate_names.index(name) for name in group.event_names)
    assert [data.covariate_role[k] for k in (step, rate)] == ["step", "rate"]
    assert data.covariates is not None
    old = readings_of(group, life_of(group, "V1", "1"))
    assert data.covariates[old, step].tolist() == [0.0, 1.0, 1.0]
    # half of the time, so half of the way between the tests before and after: 43,000 km
    assert data.covariates[old, rate] == pytest.approx([0.0, 3_000.0, 7_000.0])
    (new,) = np.flatnonzero((group.lives.seat == "2") & group.lives.seated & (group.rows.vehicles[0] == "V1"))[:1]
    assert data.covariates[readings_of(group, int(new)), step].tolist() == [0.0]
    other = readings_of(group, life_of(group, "V2", "1"))
    assert not data.covariates[other][:, [step, rate]].any()


def test_many_events_share_one_step(tmp_path: Path) -> None:
    fleet = SmallFleet()
    for number in range(40):
        name = f"V{number:02}"
        fleet.original(name, "2023-01-01")
        fleet.test(name, "2024-01-11", 40_000.0, {"1": 10.0})
        fleet.work("cleaning", "2024-02-11", name, position="1")
        fleet.test(name, "2024-03-11", 46_000.0, {"1": 8.0})
    group = made(fleet, tmp_path)
    assert group.event_names == ("cleaning",)
    assert "40 times cleaning: one step is taken for all of them" in group.notes


def test_fuel_supply_and_family_hold_from_their_date_on(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.vehicle("V1", fuel_supply="own tank")
    fleet.vehicle("V1", "truck", valid_from=np.datetime64("2024-02-01"), fuel_supply="card")
    fleet.test("V1", "2024-01-11", 40_000.0, {"1": 10.0})
    fleet.test("V1", "2024-03-11", 46_000.0, {"1": 12.0})
    fleet.test("V1", "2024-05-11", 50_000.0, {"1": 12.0})
    group = made(fleet, tmp_path)
    data = data_of(group)
    assert set(data.family if data.family is not None else ()) == {"truck"}
    assert data.covariates is not None
    assert data.covariates[:, data.covariate_names.index("fuel supply own tank")].tolist() == [1.0, 0.0, 0.0]


def test_a_season_needs_a_year_of_tests(tmp_path: Path) -> None:
    short, long_ = SmallFleet(), SmallFleet()
    for fleet, months in ((short, 8), (long_, 20)):
        fleet.original("V1", "2023-01-01")
        for month in range(months):
            day = f"{2024 + month // 12}-{month % 12 + 1:02}-10"
            fleet.test("V1", day, 40_000.0 + 1000 * month, {"1": 10.0})
    assert "season, cosine" not in data_of(made(short, tmp_path / "short")).covariate_names
    assert "season, cosine" in data_of(made(long_, tmp_path / "long")).covariate_names


def test_a_pump_without_a_word_on_its_supply_has_no_vote(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    common = {"measure": "pump_rise", "protocol": "closed volume, to 1000 bar", "speed_rpm": 200.0}
    for day, km, said in (
        ("2024-01-11", 40e3, {"supply_bar": 4.0}),
        ("2024-03-11", 45e3, {}),
        ("2024-05-11", 50e3, {"supply_note": "no air"}),
    ):
        fleet.test("V1", day, km, {"pump": 1.2}, **common, **said)
    group = made(fleet, tmp_path, "pump_rise", "closed volume, to 1000 bar")
    assert data_of(group).exposure.tolist() == [40_000.0, 50_000.0]
    assert group.unsupplied.tolist() == [False, True, False]
    assert group.condition_names == ("cranking speed",)


def test_known_to_miss_a_stated_condition_that_nothing_corrects(tmp_path: Path) -> None:
    settings = (
        SETTINGS
        + """
[[limits]]
name = "pump rise"
measure = "pump_rise"
kind = "most"
value = 1.6
unit = "s"
conditions = { supply_bar = [3.5, 6], volume_ml = 20 }
source = "made for this test"
"""
    )
    fleet = SmallFleet()
    fleet.original("V1", "2023-01-01")
    for month, said in enumerate(
        ({"supply_bar": 4.0}, {"supply_bar": 2.0}, {"supply_bar": 4.0, "volume_ml": 40.0}, {"supply_note": "clean"}), 1
    ):
        fleet.test(
            "V1", f"2024-{month:02}-11", 40e3 + 1000 * month, {"pump": 1.2}, measure="pump_rise",
            protocol="closed volume, to 1000 bar", **said,
        )  # fmt: skip
    group = made(fleet, tmp_path, "pump_rise", "closed volume, to 1000 bar", settings)
    assert group.outside.tolist() == [False, True, True, False]


def test_nothing_left_is_no_data(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.vehicle("V1")
    fleet.test("V1", "2024-01-10", None, SET)
    group = made(fleet, tmp_path)
    assert group.data is None
    assert len(group.lives) == 4
