"""Rules on whole sets as rows of the forecast table: which rules speak, dates, chances and what a row remembers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from learned_fleet import fleet_today, meters_of, paces_of
from pipelines.steps.plans import Plans
from pipelines.steps.states_before import StatesBefore
from pipelines.steps.wear_forecasts import wear_forecasts
from set_fleet import AS_OF, LOWEST, TOTAL, VEHICLES, by_seat, fleet, rows_of, settings_of
from wearlab.records import NoAnswer
from wearlab.wear.results import WearFit


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
    (row, *_) = wear_forecasts(found, fleet_today(found, AS_OF, single))
    refused = rows_of(settings_of(LOWEST | {"conditions": {"rail_bar": [250, 310]}}))
    for other in (*rows_of(settings_of(LOWEST, TOTAL)), *refused):
        assert set(other) == set(row)


def test_a_line_over_speed_is_one_limit_crossed_by_single_parts() -> None:
    """The same parts against the same figure, once drawn and once by the passage law: chances within the draws'."""
    line = {"name": "line", "kind": "line over speed", "speeds": [[600, 35], [1000, 55]], "unit": "ml/min"}
    own = settings_of({"name": "own", "kind": "most", "value": 45, "unit": "ml/min"})
    found = replace(fleet(), group=replace(fleet().group, rules=own.limits))
    exact = wear_forecasts(found, fleet_today(found, AS_OF, own))
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
