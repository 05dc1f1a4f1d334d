"""Which parts and sets a rule looks at: incomplete sets, the lowest that may serve, banks, part numbers, conditions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from learned_fleet import learned_from
from set_fleet import AS_OF, LOWEST, TOTAL, VEHICLES, by_seat, changed, fleet, rows_of, settings_of, unseated
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit
from wearlab.wear.scale import STRAIGHT


def test_an_incomplete_set_says_so_and_is_never_steady() -> None:
    found = unseated(fleet(), "V3", "2")
    wide = LOWEST | {"value": 40.0}
    far = TOTAL | {"value": 9000}
    rows = by_seat(rows_of(settings_of(wide), found), "V3")
    assert sorted(rows) == ["1", "3", "4"]
    assert {row["state"] for row in rows.values()} == {"no answer"}
    assert "set incomplete (cylinder 2 without a level)" in rows["1"]["cause"]
    assert "may fail a rule, never pass it" in rows["1"]["no_answer"]
    whole = by_seat(rows_of(settings_of(far), found), "V3")["set"]
    assert whole["state"] == "no answer"
    # the other vehicles are complete
    assert by_seat(rows_of(settings_of(far), found), "V4")["set"]["state"] == "steady"


def test_an_incomplete_set_may_fail() -> None:
    found = unseated(fleet(), "V3", "2")
    row = by_seat(rows_of(settings_of(TOTAL | {"value": 20}), found), "V3")["set"]
    assert row["past"] > 0.99
    assert row["state"] in ("book", "past limit", "test again")
    assert "set incomplete (cylinder 2 without a level), so it may fail sooner" in row["cause"]


def test_a_number_of_cylinders_that_nobody_states_leaves_the_set_open() -> None:
    found = replace(fleet(), group=replace(fleet().group, family=np.full(4 * VEHICLES, "", dtype=object)))
    far = TOTAL | {"value": 9000}
    row = by_seat(rows_of(settings_of(far), found), "V4")["set"]
    assert row["state"] == "no answer"
    assert "number of cylinders not recorded" in row["cause"]
    six = by_seat(rows_of(settings_of(far), found, cylinders={"V4": 4, "V5": 6}), "V4")["set"]
    assert six["state"] == "steady"
    five = by_seat(rows_of(settings_of(far), found, cylinders={"V4": 4, "V5": 6}), "V5")["set"]
    assert "set incomplete (cylinders 5 and 6 without a level)" in five["cause"]


def test_a_new_lowest_is_named_and_does_not_serve() -> None:
    """Cylinder 1 fitted new with one visit, far below the others."""
    plain = fleet()
    group = plain.group
    code = group.rows.vehicles.tolist().index("V6")
    life = int(np.flatnonzero((group.lives.vehicle == code) & (group.lives.seat == "1"))[0])
    keep = np.ones(len(group.rows), dtype=bool)
    own = np.flatnonzero(group.rows.life == life)
    keep[own[:-1]] = False
    data = group.data
    assert data is not None
    level = np.asarray(data.y).copy()
    level[own[-1]] = 15.0
    start = np.zeros(len(data), dtype=bool)
    data = replace(data, y=level, unknown_start=start).take(keep)
    data = replace(data, exposure=np.where(np.asarray(data.part) == data.part[own[0]], 100.0, data.exposure))
    fit = fit_group(data, scales=(STRAIGHT,))
    assert isinstance(fit, WearFit)
    found = learned_from(data, fit, as_of=AS_OF, new=[life])
    rows = by_seat(rows_of(settings_of(LOWEST), found), "V6")
    told = rows["2"]["cause"]
    assert "cylinder 1 lower but new" in told
    assert "lowest valid: cylinder 1" not in told
    lowest = told.split("lowest valid: cylinder ")[1][0]
    assert rows[lowest]["level"] == pytest.approx(1.0)
    assert rows["1"]["level"] < 1.0


def test_a_suspect_lowest_is_named_and_does_not_serve() -> None:
    plain = fleet()
    rows = plain.group.rows
    code = rows.vehicles.tolist().index("V6")
    told = by_seat(rows_of(settings_of(LOWEST)), "V6")["1"]["cause"]
    seat = told.split("lowest valid: cylinder ")[1][0]
    life = int(np.flatnonzero((plain.group.lives.vehicle == code) & (plain.group.lives.seat == seat))[0])
    bound = rows.bound.copy()
    bound[np.flatnonzero(rows.life == life)[-1]] = -1
    found = replace(plain, group=replace(plain.group, rows=changed(rows, bound=bound)))
    for row in by_seat(rows_of(settings_of(LOWEST), found), "V6").values():
        assert f"lowest valid: cylinder {seat}" not in row["cause"]
        assert f"cylinder {seat} lower but under suspicion" in row["cause"]


def test_no_other_valid_cylinder_gives_no_answer() -> None:
    found = unseated(fleet(), "V3", "2", "3", "4")
    rows = by_seat(rows_of(settings_of(LOWEST), found), "V3")
    assert rows["1"]["state"] == "no answer"
    assert "no other cylinder" in rows["1"]["no_answer"]


def test_banks_and_families_and_cylinders() -> None:
    bank = {"name": "bank", "kind": "bank total most", "value": 90, "unit": "ml/min"}
    rows = rows_of(settings_of(bank, TOTAL | {"family": "truck"}, TOTAL | {"name": "six", "cylinders": 6}))
    assert {row["rule"] for row in rows} == {"bank"}
    assert {row["position"] for row in rows} == {"bank 1", "bank 2"}
    whole = by_seat(rows_of(settings_of(TOTAL)), "V8")["set"]["level"]
    both = by_seat(rows, "V8")
    assert both["bank 1"]["level"] + both["bank 2"]["level"] == pytest.approx(whole, rel=0.02)
    none = rows_of(settings_of(bank, families={"van": {"cylinders": 4}}))
    assert {(row["state"], row["no_answer"]) for row in none} == {("no answer", "no banks are listed for the family")}


def test_part_numbers_choose_the_cylinders_of_a_ratio() -> None:
    plain = fleet()
    lives = plain.group.lives
    number = np.where(np.isin(lives.seat.astype(str), ["1", "2"]), "A", "B").astype(object)
    found = replace(
        plain, group=replace(plain.group, rows=changed(plain.group.rows, lives=replace(lives, part_number=number)))
    )
    rows = rows_of(settings_of(LOWEST | {"part_number": "B"}), found)
    assert {row["position"] for row in rows} == {"3", "4"}


def test_conditions_of_the_rule_are_asked_of_the_latest_test() -> None:
    asked = LOWEST | {"conditions": {"rail_bar": [250, 310], "speed_rpm": [700, 900]}}
    rows = rows_of(settings_of(asked))
    assert {(row["position"], row["state"]) for row in rows} == {("set", "no answer")}
    # the protocol states the speed, nobody the pressure
    assert {row["no_answer"] for row in rows} == {"rail pressure not recorded"}
    group = fleet().group
    pressure = group.rows.conditions | {"rail_bar": np.full(len(group.rows), 280.0)}
    found = replace(fleet(), group=replace(group, rows=changed(group.rows, conditions=pressure)))
    assert len(rows_of(settings_of(asked), found)) == 4 * VEHICLES
    high = group.rows.conditions | {"rail_bar": np.full(len(group.rows), 400.0)}
    found = replace(fleet(), group=replace(group, rows=changed(group.rows, conditions=high)))
    assert {row["no_answer"] for row in rows_of(settings_of(asked), found)} == {
        "rail pressure 400 bar outside 250 to 310"
    }
