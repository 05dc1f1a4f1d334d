"""Rules on whole sets as rows of the forecast table: which rules speak, what incomplete sets say, and dates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest

from learned_fleet import learned_from, meters_of, paces_of
from pipelines.steps.group_rows import GroupRows
from pipelines.steps.plans import Plans
from pipelines.steps.set_forecasts import set_forecasts
from pipelines.steps.states_before import StatesBefore
from pipelines.steps.wear_forecasts import wear_forecasts
from pipelines.steps.wear_learn import Learned
from wearlab.config import Settings
from wearlab.records import NoAnswer
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit
from wearlab.wear.scale import STRAIGHT, WorkingScale

AS_OF = date(2026, 6, 30)
VEHICLES = 55


@cache
def fleet() -> Learned:
    data = simulated_fleet(7, vehicles=VEHICLES, parts=4, visits=4, gap_spread=0.05).data
    fit = fit_group(data, scales=(STRAIGHT, WorkingScale(0.0)))
    assert isinstance(fit, WearFit)
    return learned_from(data, fit, as_of=AS_OF)


def settings_of(*limits: dict[str, Any], **more: Any) -> Settings:
    plain = {"measure": "return_flow", "protocol": "warm idle", "source": "made for this test"}
    return Settings.model_validate(
        {
            "protocols": {"warm idle": {"measure": "return_flow", "driven": "idle", "speed_rpm": 800}},
            "families": {"van": {"cylinders": 4, "banks": [["1", "2"], ["3", "4"]]}, "truck": {"cylinders": 6}},
            "limits": [plain | limit for limit in limits],
        }
        | more
    )


LOWEST = {"name": "lowest", "kind": "times lowest", "value": 1.4}
TOTAL = {"name": "total", "kind": "set total most", "value": 170, "unit": "ml/min"}


def rows_of(settings: Settings, found: Learned | None = None, **more: Any) -> list[dict[str, Any]]:
    found = fleet() if found is None else found
    versions = {(rule.name, rule.valid_from): k for k, rule in enumerate(settings.limits, start=1)}
    given: dict[str, Any] = {"meters": meters_of(found), "paces": paces_of(found, AS_OF)}
    given |= more
    meters, paces = given.pop("meters"), given.pop("paces")
    return set_forecasts(found, versions, meters, paces, settings, AS_OF, draws=200, **given)


def changed(rows: GroupRows, **values: Any) -> GroupRows:
    return replace(rows, **values)


def unseated(found: Learned, vehicle: str, *seats: str) -> Learned:
    """The fleet with the parts of some seats taken out."""
    lives = found.group.lives
    code = found.group.rows.vehicles.tolist().index(vehicle)
    gone = (lives.vehicle == code) & np.isin(lives.seat.astype(str), seats)
    lives = replace(lives, seated=lives.seated & ~gone)
    return replace(found, group=replace(found.group, rows=changed(found.group.rows, lives=lives)))


def by_seat(rows: list[dict[str, Any]], vehicle: str) -> Mapping[str, dict[str, Any]]:
    return {row["position"]: row for row in rows if row["vehicle"] == vehicle}


def test_a_ratio_has_a_row_a_cylinder_and_a_total_one_a_set() -> None:
    rows = rows_of(settings_of(LOWEST, TOTAL))
    ratio, whole = ([row for row in rows if row["rule"] == name] for name in ("lowest", "total"))
    assert len(ratio) == 4 * VEHICLES
    assert len(whole) == VEHICLES
    assert {row["position"] for row in whole} == {"set"}
    assert {(row["unit"], row["limit"], row["limit_version"]) for row in ratio} == {("times", 1.4, 1)}
    assert {(row["unit"], row["limit"], row["limit_version"]) for row in whole} == {("ml/min", 170.0, 2)}
    assert len({frozenset(row) for row in rows}) == 1


def test_the_columns_are_those_of_a_single_part() -> None:
    own = {"name": "own", "kind": "most", "value": 45, "unit": "ml/min"}
    found = fleet()
    single = settings_of(own)
    found = replace(found, group=replace(found.group, rules=single.limits))
    (row, *_) = wear_forecasts(found, {("own", None): 1}, meters_of(found), paces_of(found, AS_OF), single, AS_OF)
    refused = rows_of(settings_of(LOWEST | {"conditions": {"rail_bar": [250, 310]}}))
    for other in (*rows_of(settings_of(LOWEST, TOTAL)), *refused):
        assert set(other) == set(row)


def test_a_line_over_speed_is_one_limit_crossed_by_single_parts() -> None:
    """The same parts against the same figure, once drawn and once by the passage law: chances within the draws'."""
    line = {"name": "line", "kind": "line over speed", "speeds": [[600, 35], [1000, 55]], "unit": "ml/min"}
    own = settings_of({"name": "own", "kind": "most", "value": 45, "unit": "ml/min"})
    found = replace(fleet(), group=replace(fleet().group, rules=own.limits))
    exact = wear_forecasts(found, {("own", None): 1}, meters_of(found), paces_of(found, AS_OF), own, AS_OF)
    drawn = {(row["vehicle"], row["position"]): row for row in rows_of(settings_of(line))}
    assert len(exact) == len(drawn)
    for name in ("past", "within_90", "within_365"):
        apart = np.array([drawn[row["vehicle"], row["position"]][name] - row[name] for row in exact])
        assert np.abs(apart).max() < 0.15
        assert np.sqrt((apart**2).mean()) < 0.03
        assert abs(apart.mean()) < 0.005
    days = [
        (drawn[row["vehicle"], row["position"]]["date_p50"] - row["date_p50"]).days / (row["date_p50"] - AS_OF).days
        for row in exact
        if row["date_p50"] and row["date_p50"] > AS_OF + timedelta(days=200)
    ]
    assert len(days) > 20
    assert abs(float(np.mean(days))) < 0.03
    assert float(np.std(days)) < 0.12


def test_dates_chances_and_distances_are_in_order() -> None:
    rows = rows_of(settings_of(LOWEST, TOTAL), meters=meters_of(fleet(), 1000.0))
    dated = [row for row in rows if row["date_p50"] is not None]
    assert len(dated) > VEHICLES / 2
    for row in rows:
        days = [row[f"date_{point}"] for point in ("p05", "p10", "p50", "p90", "p95") if row[f"date_{point}"]]
        assert days == sorted(days)
        spans = [row[name] for name in ("past", "within_30", "within_90", "within_180", "within_365")]
        assert spans == sorted(spans)
        assert 0 <= spans[0] <= spans[-1] <= 1
        assert row["level_low"] <= row["level"] <= row["level_high"]
        if row["odometer_p50"] is not None:
            assert row["distance_p50"] == pytest.approx(row["odometer_p50"] + 1000.0)
        # chances and dates are one law
        if row["date_p50"] is not None and row["date_p50"] > AS_OF + timedelta(days=366):
            assert row["within_365"] <= 0.51
        if row["within_365"] < 0.49:
            assert row["date_p50"] is None or row["date_p50"] > AS_OF + timedelta(days=364)


def test_the_chance_of_today_is_that_of_the_levels() -> None:
    """For the total: the mixture's level is normal on each scale, so the sum of the set is told without drawing."""
    rows = [row for row in rows_of(settings_of(TOTAL)) if row["state"] != "no answer"]
    found = fleet()
    assert isinstance(found.fit, WearFit)
    assert found.parts is not None
    lives = found.group.lives
    middle = np.asarray(found.parts.level)[found.place]
    for row in rows:
        code = found.group.rows.vehicles.tolist().index(row["vehicle"])
        assert row["level"] == pytest.approx(middle[lives.vehicle == code].sum(), rel=0.02)


def test_rules_that_disagree_give_a_row_each_and_a_rule_to_come_gives_none() -> None:
    strict = LOWEST | {"name": "strict", "value": 1.15}
    future = LOWEST | {"name": "from next year", "valid_from": date(2027, 1, 1)}
    newer = LOWEST | {"name": "lowest", "value": 1.6, "valid_from": date(2026, 1, 1)}
    rows = rows_of(settings_of(LOWEST, strict, future, newer))
    told = {(row["rule"], row["limit"], row["limit_version"]) for row in rows}
    assert told == {("strict", 1.15, 2), ("lowest", 1.6, 4)}
    states: dict[tuple[str, str], set[str]] = {}
    for row in rows:
        states.setdefault((row["vehicle"], row["position"]), set()).add(row["state"])
    assert any(len(several) == 2 for several in states.values())


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


def test_a_line_over_speed_is_taken_at_the_group_s_speed() -> None:
    line = {"name": "line", "kind": "line over speed", "speeds": [[600, 30], [1000, 50]], "unit": "ml/min"}
    rows = rows_of(settings_of(line))
    assert {(row["limit"], row["unit"]) for row in rows} == {(40.0, "ml/min")}
    assert len(rows) == 4 * VEHICLES
    whole = rows_of(settings_of(line | {"cylinders": 4}))
    assert {row["position"] for row in whole} == {"set"}
    outside = rows_of(settings_of(line | {"speeds": [[900, 30], [1000, 50]]}))
    assert {row["no_answer"] for row in outside} == {"engine speed 800 rpm outside 900 to 1000"}


def test_change_since_the_first_test_is_told_in_percent_of_the_part_s_own() -> None:
    rows = rows_of(settings_of({"name": "change", "kind": "percent from first", "value": 60}))
    assert len(rows) == 4 * VEHICLES
    assert {row["unit"] for row in rows} == {"%"}
    found = fleet()
    assert found.parts is not None
    assert isinstance(found.fit, WearFit)
    level, first = np.asarray(found.parts.level), found.fit.smoothed[0]
    order = np.lexsort((-found.fit.data.exposure, -found.fit.data.turn))
    begun = np.full(level.size, -1)
    begun[found.fit.data.part[order]] = order
    base = found.fit.best.scale.inverse(first[begun])
    share = 100 * (level / base - 1)
    told = {row["part"]: row["level"] for row in rows}
    names = [f"P{label}" for label in found.fit.data.part_label.tolist()]
    known = dict(zip(names, share.tolist(), strict=True))
    assert [told[name] for name in told] == pytest.approx([known[name] for name in told], abs=6.0)


def test_without_a_pace_there_are_odometers_and_no_dates() -> None:
    paces = dict.fromkeys(paces_of(fleet(), AS_OF), NoAnswer("the odometer readings lie less than 30 days apart"))
    rows = rows_of(settings_of(TOTAL), paces=paces)
    assert all(row["date_p50"] is None for row in rows)
    assert any(row["odometer_p50"] is not None for row in rows)


def test_the_next_planned_visit_and_the_day_of_leaving_are_told() -> None:
    visit = AS_OF + timedelta(days=45)
    plain = rows_of(settings_of(TOTAL))
    dated = next(row for row in plain if row["date_p50"] is not None and row["date_p50"] > AS_OF + timedelta(days=100))
    name = dated["vehicle"]
    row = by_seat(rows_of(settings_of(TOTAL), plans=Plans({name: visit}, {name: AS_OF + timedelta(days=50)})), name)
    told = row["set"]
    assert told["next_visit"] == visit
    assert told["within_30"] <= told["before_visit"] <= told["within_90"]
    assert told["leaves_first"]
    assert not dated["leaves_first"]
    # a later test has worn further: it is likelier to read past
    later = by_seat(rows_of(settings_of(TOTAL), plans=Plans({name: AS_OF + timedelta(days=2000)})), name)["set"]
    assert later["next_reading_past"] > told["next_reading_past"]


def test_a_state_remembers_the_run_before() -> None:
    plain = {row["vehicle"]: row for row in rows_of(settings_of(TOTAL))}
    steady = next(row for row in plain.values() if row["state"] == "steady")
    key = (steady["vehicle"], "set", "return_flow", "warm idle", "total")
    earlier = {
        "state": "book",
        "last_test": steady["last_test"],
        "readings": steady["readings"],
        "rule": "total",
        "limit_version": 7,
    }
    before = StatesBefore(
        AS_OF - timedelta(days=30), {key: earlier}, {}, {}, {}, settings=False, facts=False, program=False
    )
    row = by_seat(rows_of(settings_of(TOTAL), plans=Plans(before=before)), steady["vehicle"])["set"]
    assert row["state_before"] == "book"
    assert "the limit changed (version 7 to 1)" in row["changed"]
    others = [row for row in rows_of(settings_of(TOTAL), plans=Plans(before=before)) if row["vehicle"] != key[0]]
    assert {row["state_before"] for row in others} == {None}


def test_no_rule_on_sets_and_no_answer_of_the_model_give_no_rows() -> None:
    own = {"name": "own", "kind": "most", "value": 40, "unit": "ml/min"}
    assert rows_of(settings_of(own)) == []
    silent = replace(fleet(), fit=NoAnswer("too few readings"), parts=None)
    assert rows_of(settings_of(LOWEST), silent) == []


def test_more_of_a_limit_never_raises_a_chance_and_the_same_seed_tells_the_same() -> None:
    near, again, far = (rows_of(settings_of(TOTAL | {"value": value})) for value in (170, 170, 190))
    assert near == again
    for one, other in zip(near, far, strict=True):
        assert other["within_365"] <= one["within_365"] + 1e-6
