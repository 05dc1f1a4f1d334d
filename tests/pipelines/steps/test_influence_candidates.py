"""What the store knows of vehicles and parts as candidates, and what the demo and a planted store say of them."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from conftest import DEMO_DAY, Run
from pipelines.sheets.vocabulary import work_word
from pipelines.steps.group_rows import group_rows
from pipelines.steps.influence_candidates import candidates, fuel_used, interval, pace_of_engines
from pipelines.steps.influences import group_influences
from pipelines.steps.lives import fresh_lives, meter_histories
from pipelines.workspace import Workspace
from small_fleet import AS_OF, SmallFleet
from wearlab.records import NoAnswer, WorkKind
from wearlab.study.candidates import Candidate

START = date(2020, 1, 1)
KM_A_DAY = 100.0
#: vehicles of the planted store, and by how much parts of "hill rounds" wear faster
VEHICLES, SHARE = 36, 0.6


def km_on(day: date) -> float:
    return KM_A_DAY * (day - START).days


def duty_of(k: int) -> str:
    return "hill rounds" if k % 2 else "trunk"


def planted() -> SmallFleet:
    """Vans tested every half year; half of them on hills. The log has every fill and the engine's hours."""
    made, rng = SmallFleet(), np.random.default_rng(1)
    made.rows["odometer_log"] = []
    for k in range(VEHICLES):
        name = f"B{k:02d}"
        made.original(name, str(START), duty=duty_of(k), depot="East" if k % 3 else "West", fuel_supply="depot tank")
        rates = 1.0e-4 * (1 + SHARE * (k % 2)) * (1 + 0.05 * rng.standard_normal(4))
        levels = 10.0 + rng.normal(0, 0.5, 4)
        for visit in range(1, 9):
            day = START + timedelta(days=182 * visit)
            values = levels + rates * km_on(day) + rng.normal(0, 0.4, 4)
            made.test(
                name, str(day), km_on(day), {str(c + 1): round(float(v), 1) for c, v in enumerate(values)},
                resolution=0.1, rail_bar=280.0, fuel_temp_c=45.0, duration_s=60.0, technician=f"t{k % 2}",
            )  # fmt: skip
            made.work("oil_change", str(day), name, odometer_km=km_on(day))
        for month in range(1, 40):
            day = START + timedelta(days=30 * month)
            made.rows["odometer_log"].append(
                {"vehicle": name, "read_on": pd.Timestamp(day), "odometer_km": km_on(day),
                 "engine_hours": 30.0 * month * (2 + k % 5), "litres": 300.0 + 10.0 * (k % 7)}
            )  # fmt: skip
    return made


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return planted().written(tmp_path_factory.mktemp("planted"))


def test_figures_of_a_vehicle_by_hand(store: Workspace) -> None:
    with store.open() as db:
        meters = meter_histories(db)
        used, why = fuel_used(db, meters, AS_OF)
        assert why == ""
        # 38 fills after the first over 38 times 3,000 km
        assert used["B00"] == pytest.approx(10.0)
        assert used["B06"] == pytest.approx(12.0)
        # 3,000 km and 60 to 180 hours a month
        assert pace_of_engines(db, meters, AS_OF)["B00"] == pytest.approx(3000 / 60)
        assert pace_of_engines(db, meters, AS_OF)["B04"] == pytest.approx(3000 / 180)
        assert interval(db, meters, WorkKind.OIL_CHANGE, AS_OF)["B00"] == pytest.approx(18_200.0)
        assert interval(db, meters, WorkKind.FILTER_CHANGE, AS_OF) == {}
        # of what came later nothing is known yet
        assert pace_of_engines(db, meters, START + timedelta(days=60)) == {}


def test_a_log_of_some_fills_only_is_not_believed(tmp_path: Path) -> None:
    made = planted()
    for row in made.rows["odometer_log"]:
        row["litres"] = 60.0
    with made.written(tmp_path).open() as db:
        used, why = fuel_used(db, meter_histories(db), AS_OF)
    assert used == {}
    assert "some fills only" in why


def test_people_are_no_candidate(store: Workspace) -> None:
    with store.open() as db:
        fresh_lives(db, store.settings)
        rows = group_rows(db, "return_flow", "warm idle", AS_OF)
        every = np.arange(len(rows))
        made = candidates(db, rows, every, meter_histories(db), AS_OF)
    told: dict[str, Candidate] = {one.name: one for one in made}
    assert set(told) == {
        "duty", "depot", "fuel supply", "origin of the part", "fuel used", "pace", "oil interval",
        "fuel filter interval",
    }  # fmt: skip
    # the technician of this store is one for hills and one for the rest: nothing but duty says the same
    assert not any({"t0", "t1"} & set(one.value.astype(str)) for one in made)
    assert set(told["origin of the part"].value) == {"new"}
    vehicle = rows.vehicles[rows.vehicle]
    assert all(told["duty"].value[vehicle == "B01"] == "hill rounds")


def test_a_planted_duty_is_found_and_nothing_else(store: Workspace) -> None:
    (group,) = group_influences(store, AS_OF, workers=1)
    assert not isinstance(group.told, NoAnswer)
    assert [one.name for one in group.found] == ["duty"]
    told = {effect.label: effect.percent for effect in group.found[0].effects}
    average = 1 + SHARE / 2
    assert told["hill rounds"].low < 100 * ((1 + SHARE) / average - 1) < told["hill rounds"].high
    assert told["trunk"].low < 100 * (1 / average - 1) < told["trunk"].high
    assert {one.name for one in group.told.left_out} == {
        "fuel supply", "origin of the part", "oil interval", "fuel filter interval",
    }  # fmt: skip


def test_the_command_says_that_an_association_is_no_cause(store: Workspace, run: Run) -> None:
    done = run("influences", "--home", store.home, "--as-of", AS_OF)
    assert done.code == 0
    assert "Goes with duty: hill rounds" in done.out
    assert "Association, not cause" in done.out
    assert "oil interval: it is nearly the same for every vehicle" in done.out


def test_the_demo_has_nothing_planted_and_nothing_is_found(demo_home: Path, run: Run) -> None:
    found = run("influences", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    assert found["as_of"] == DEMO_DAY
    assert "not cause" in found["caution"]
    groups = {(one["measure"], one["protocol"]): one for one in found["groups"]}
    idle = groups["return_flow", "warm idle"]
    assert idle["found"] == []
    assert idle["sentences"][0].startswith("None found")
    assert {one["name"] for one in idle["candidates"]} >= {"duty", "depot"}
    effect = idle["candidates"][0]["effects"][0]
    assert effect["percent_low"] < effect["percent"] < effect["percent_high"]
    assert effect["regression"] is not None
    fills = next(one for one in idle["not_asked"] if one["name"] == "fuel used")
    assert "some fills only" in fills["reason"]
    assert all(one["found"] == [] for one in found["groups"])


@pytest.mark.parametrize(
    ("said", "kind"),
    [
        ("oil change", WorkKind.OIL_CHANGE),
        ("Ölwechsel", WorkKind.OIL_CHANGE),
        ("vidange", WorkKind.OIL_CHANGE),
        ("fuel filter replaced", WorkKind.FILTER_CHANGE),
        ("Kraftstofffilter ersetzt", WorkKind.FILTER_CHANGE),
        ("injector replaced", WorkKind.REPLACEMENT),
    ],
)
def test_oil_and_filter_changes_are_known_in_a_diary(said: str, kind: WorkKind) -> None:
    assert work_word(said) == kind
