"""Lives from the store: where they are watched from, how they end and why; groups that say too little."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.steps.life_curves import FEWEST, life_curves
from pipelines.steps.life_ends import Why
from pipelines.steps.lives import fresh_lives
from pipelines.steps.part_lives import NO_METER, NO_START, FleetLives, PartLife, fleet_lives
from small_fleet import AS_OF, SmallFleet
from wearlab.errors import InputError
from wearlab.records import NoAnswer

SET = {"1": 10.0, "2": 11.0, "3": 12.0, "4": 13.0}


def lives_of(fleet: SmallFleet, home: Path) -> FleetLives:
    place = fleet.written(home)
    with place.open() as db:
        fresh_lives(db, place.settings)
        return fleet_lives(db, place.settings, AS_OF)


def at(found: FleetLives, position: str, vehicle: str = "V1") -> list[PartLife]:
    own = [one for one in found.lives if one.position == position and one.vehicle == vehicle]
    return sorted(own, key=lambda one: (one.removed_on is None, one.removed_on))


def four_tests(fleet: SmallFleet, vehicle: str = "V1", values: dict[str, float] = SET) -> None:
    """From 60,000 km on, the vehicle in service since 2024 with original parts, four tests of 15,000 km each."""
    for day, km in (("2025-01-01", 60_000.0), ("2025-07-01", 75_000.0), ("2026-01-01", 90_000.0)):
        fleet.test(vehicle, day, km, values)
    fleet.test(vehicle, "2026-06-01", 105_000.0, values)


def test_original_parts_are_watched_from_the_first_record_and_new_ones_from_zero(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2024-01-01", depot="North")
    four_tests(fleet)
    fleet.work("replacement", "2025-07-02", "V1", odometer_km=75_000.0, position="2", origin="rebuilt", serial_in="R2")
    found = lives_of(fleet, tmp_path)
    (kept,) = at(found, "1")
    assert (kept.entry_km, kept.end_km, kept.removed_on, kept.origin) == (60_000.0, 105_000.0, None, "new")
    assert (kept.kind, kept.family, kept.depot) == ("injector", "van", "North")
    old, new = at(found, "2")
    assert (old.entry_km, old.end_km, str(old.removed_on)) == (60_000.0, 75_000.0, "2025-07-02")
    assert (old.why, old.failed) == (Why.UNKNOWN, True)
    assert (new.entry_km, new.end_km, new.origin, new.why) == (0.0, 30_000.0, "rebuilt", None)


def test_parts_of_unknown_age_and_without_a_meter_are_counted_not_used(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.vehicle("V1")
    four_tests(fleet)
    fleet.vehicle("V2")
    fleet.test("V2", "2025-01-01", None, SET)
    fleet.work("replacement", "2025-07-02", "V2", position="2", origin="new")
    found = lives_of(fleet, tmp_path)
    assert found.lives == ()
    assert found.left_out["injector"] == {NO_START: 8, NO_METER: 1}


def test_a_part_that_changes_places_goes_on(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2024-01-01")
    four_tests(fleet)
    fleet.work("swap", "2025-07-02", "V1", odometer_km=75_000.0, position="1", position_to="2")
    found = lives_of(fleet, tmp_path)
    assert len(found.lives) == 4
    assert {(one.end_km, one.removed_on) for one in found.lives} == {(105_000.0, None)}


@pytest.mark.parametrize(
    ("why", "work", "failed"),
    [
        (Why.UNKNOWN, {}, True),
        (Why.PLANNED, {"reason": "planned"}, False),
        (Why.WARRANTY, {"reason": "warranty"}, True),
        (Why.COMPLAINT, {"complaint": "rough idle"}, True),
        (Why.WITH_OTHERS, {"position": "set"}, False),
    ],
)
def test_what_the_work_says_of_a_removal(tmp_path: Path, why: Why, work: dict[str, str], failed: bool) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2024-01-01")
    four_tests(fleet)
    fleet.work("replacement", "2025-07-02", "V1", **{"odometer_km": 75_000.0, "position": "2", "origin": "new", **work})
    old = at(lives_of(fleet, tmp_path), "2")[0]
    assert (old.why, old.failed) == (why, failed)


def test_what_tests_and_other_work_say_of_a_removal(tmp_path: Path) -> None:
    fleet = SmallFleet()
    for name in ("V1", "V2", "V3", "V4", "V5"):
        fleet.original(name, "2024-01-01")
        # the limit is 30 ml/min
        four_tests(fleet, name, SET | {"2": 31.0} if name == "V1" else SET)
        if name != "V5":
            fleet.work("replacement", "2026-01-05", name, odometer_km=90_000.0, position="2", origin="new")
    fleet.work("road_failure", "2026-01-03", "V2", position="2")
    fleet.work("road_failure", "2026-01-03", "V3", position="4")
    fleet.test("V4", "2026-01-04", 90_000.0, SET, complaint="smoke")
    fleet.work("engine_swap", "2026-01-05", "V5", odometer_km=90_000.0)
    found = lives_of(fleet, tmp_path)
    told = {name: at(found, "2", name)[0].why for name in ("V1", "V2", "V3", "V4", "V5")}
    assert told == {"V1": Why.LIMIT, "V2": Why.ROAD, "V3": Why.UNKNOWN, "V4": Why.COMPLAINT, "V5": Why.ENGINE}


def test_a_change_that_no_work_records_ends_a_life(tmp_path: Path) -> None:
    fleet = SmallFleet()
    fleet.original("V1", "2024-01-01")
    fleet.test("V1", "2025-01-01", 60_000.0, SET, serials={"3": "A"})
    fleet.test("V1", "2025-07-01", 75_000.0, SET, serials={"3": "B"})
    found = lives_of(fleet, tmp_path)
    (old,) = at(found, "3")
    assert (old.why, old.end_km) == (Why.UNRECORDED, 75_000.0)
    assert found.left_out["injector"] == {NO_START: 1}


def test_few_removals_are_told_instead_of_a_curve(tmp_path: Path) -> None:
    fleet = SmallFleet()
    for number in range(4):
        name = f"V{number}"
        fleet.original(name, "2024-01-01", depot="North" if number % 2 else "Mill")
        four_tests(fleet, name)
    for number in range(FEWEST - 1):
        fleet.work("replacement", "2025-07-02", f"V{number}", odometer_km=75_000.0, position="2", origin="new")
    place = fleet.written(tmp_path)
    injectors, pumps = life_curves(place, AS_OF)
    (only,) = injectors.curves
    assert isinstance(only.survival, NoAnswer)
    assert only.survival.reason == "4 of 20 taken out for cause: a curve needs 5"
    assert isinstance(only.weibull, NoAnswer)
    assert isinstance(only.removals, NoAnswer)
    assert pumps.curves == ()
    by_depot = life_curves(place, AS_OF, "depot")[0]
    assert [curve.group for curve in by_depot.curves] == ["Mill", "North"]
    assert isinstance(by_depot.test, NoAnswer)
    assert "needs 5" in by_depot.test.reason
    with pytest.raises(InputError, match='"driver" is none of family, depot, origin'):
        life_curves(place, AS_OF, "driver")


def test_planned_removals_are_censored_in_the_curve_and_told_among_the_reasons(tmp_path: Path) -> None:
    fleet = SmallFleet()
    for number in range(8):
        name = f"V{number}"
        fleet.original(name, "2024-01-01")
        four_tests(fleet, name)
        reason = {"reason": "planned"} if number < 3 else {}
        fleet.work(
            "replacement", f"2025-07-0{number + 2}", name, odometer_km=75_000.0, position="2", origin="new", **reason
        )
    (only,) = life_curves(fleet.written(tmp_path), AS_OF)[0].curves
    assert (only.failed, only.spared, only.why) == (5, 3, {Why.UNKNOWN: 5, Why.PLANNED: 3})
    assert not isinstance(only.survival, NoAnswer)
    assert not isinstance(only.removals, NoAnswer)
    # 5 of 32 at one distance; the three planned ones of that distance count as still alive there
    assert only.survival.at(80_000.0)[0] == pytest.approx(1 - 5 / 32)
    assert only.removals.at(Why.PLANNED, 80_000.0)[0] == pytest.approx(3 / 32)
