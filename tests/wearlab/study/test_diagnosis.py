"""The table of diagnosis by itself, and the facts it is asked with."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import date
from itertools import product
from typing import Any

import pytest

from wearlab.config import Spread
from wearlab.study.diagnosis import Finding
from wearlab.study.facts import FamilyFacts, LimitInForce, MeasuredSet, VisitFacts
from wearlab.study.judgement import judge
from wearlab.study.rules import CYLINDER_FACTS, CYLINDER_ROWS, VEHICLE_FACTS, VEHICLE_ROWS, Row, Verdict

FOUR = FamilyFacts("van", 4, "solenoid")
Maker = Callable[..., Any]


def _all(facts: dict[str, tuple[str, ...]]) -> Iterator[dict[str, str]]:
    for states in product(*facts.values()):
        yield dict(zip(facts, states, strict=True))


def _first(rows: tuple[Row, ...], facts: dict[str, str]) -> Row | None:
    return next((row for row in rows if row.holds(facts)), None)


@pytest.mark.parametrize(("rows", "facts"), [(VEHICLE_ROWS, VEHICLE_FACTS), (CYLINDER_ROWS, CYLINDER_FACTS)])
def test_every_row_can_speak_and_names_known_facts(rows: tuple[Row, ...], facts: dict[str, tuple[str, ...]]) -> None:
    for row in rows:
        for name, states in row.when.items():
            assert set(states.split("|")) <= set(facts[name]), row.name
    spoken = {row.name for one in _all(facts) if (row := _first(rows, one)) is not None}
    assert spoken == {row.name for row in rows}


def test_every_combination_of_the_vehicle_has_an_answer() -> None:
    assert all(_first(VEHICLE_ROWS, one) is not None for one in _all(VEHICLE_FACTS))


def test_a_pump_is_never_blamed_before_supply_and_cranking_are_cleared() -> None:
    for one in _all(VEHICLE_FACTS):
        row = _first(VEHICLE_ROWS, one)
        assert row is not None
        if row.verdict in (Verdict.PUMP, Verdict.INJECTORS_AND_PUMP):
            assert (one["pump"], one["supply"], one["cranking"]) == ("weak", "good", "good")


def test_a_limiter_is_named_only_when_injectors_and_pump_are_cleared() -> None:
    for one in _all(VEHICLE_FACTS):
        row = _first(VEHICLE_ROWS, one)
        assert row is not None
        if row.verdict == Verdict.LIMITER:
            assert one["returns"] == "within"
            assert one["pump"] in ("strong", "limiter")


def test_nothing_found_needs_no_sign_against_anything() -> None:
    for one in _all(VEHICLE_FACTS):
        row = _first(VEHICLE_ROWS, one)
        assert row is not None
        if row.verdict == Verdict.NOTHING:
            assert one["rail"] != "low"
            assert one["supply"] != "bad"
            assert one["returns"] not in ("past", "repeat", "outlier")
            assert one["pump"] not in ("weak", "repeat")


def test_no_row_holds_a_figure_of_its_own() -> None:
    for row in (*VEHICLE_ROWS, *CYLINDER_ROWS):
        assert not re.search(r"\d", row.sentence + row.next_test), row.name
        assert row.source


# ---- through the whole judgement

WARM = {"name": "warm", "unit": "ml/min", "conditions": {"rail_bar": (260, 300)}}
PEAK = {"name": "peak", "unit": "bar", "measure": "pump_peak", "conditions": {"supply_bar": (2, 6)}}
RISE = {"name": "rise", "unit": "s", "measure": "pump_rise"}


@pytest.fixture(scope="module")
def rules(limit: Maker) -> list[LimitInForce]:
    return [
        limit("most", 25.0, **WARM),
        limit("set total most", 38.0, name="crank total", unit="ml", over_s=30),
        limit("least", 1100.0, **PEAK),
        limit("least", 1100.0, name="peak, any supply", unit="bar", measure="pump_peak"),
        limit("most", 2.5, **RISE),
    ]


def _findings(rules: list[LimitInForce], *tests: MeasuredSet, family: FamilyFacts = FOUR) -> tuple[Finding, ...]:
    visit = VisitFacts("V1", date(2026, 3, 1), tests, 120_000.0)
    return judge(visit, rules, family, Spread()).findings


def test_one_injector_past_its_limit(rules: list[LimitInForce], flows: Maker) -> None:
    vehicle, cylinder = _findings(rules, flows([14.0, 15.0, 41.0, 16.0]))
    assert vehicle.verdict == Verdict.INJECTORS
    assert (cylinder.positions, cylinder.rule) == (("3",), "past limit, high in the set")
    assert "Exchange hose and tube" in cylinder.next_test
    assert any("past limit by 16 ml/min" in line for line in cylinder.evidence)


def test_all_high_together_asks_for_temperature_and_pressure(rules: list[LimitInForce], flows: Maker) -> None:
    _, cylinders = _findings(rules, flows([41.0, 42.0, 41.0, 43.0]))
    assert (cylinders.positions, cylinders.rule) == (("1", "2", "3", "4"), "past limit with its neighbours")
    assert "fuel temperature" in cylinders.next_test


def test_weak_pump_with_unknown_supply(rules: list[LimitInForce], pump: Maker) -> None:
    (vehicle,) = _findings(rules, pump(700.0, supply_bar=None, supply_note=None))
    assert vehicle.verdict == Verdict.PUMP_OR_SUPPLY
    assert "Not cleared: supply pressure, filter, air" in vehicle.sentence
    assert vehicle.next_test.startswith("Measure supply pressure")
    (vehicle,) = _findings(rules, pump(700.0, supply_note="filter new"))
    assert vehicle.verdict == Verdict.PUMP_OR_SUPPLY


def test_weak_pump_with_good_supply(rules: list[LimitInForce], pump: Maker) -> None:
    assert _findings(rules, pump(700.0))[0].verdict == Verdict.PUMP
    assert (
        _findings(rules, pump(6.0, "pump_rise", supply_note="supply ok, filter ok, no air"))[0].verdict == Verdict.PUMP
    )


def test_weak_pump_on_slow_or_unknown_cranking(rules: list[LimitInForce], pump: Maker) -> None:
    for change in ({"speed_rpm": 95.0}, {"battery_v": 8.7}, {"speed_rpm": None}):
        (vehicle,) = _findings(rules, pump(700.0, **change))
        assert vehicle.verdict == Verdict.CANNOT_TELL
        assert vehicle.rule == "weak pump, slow cranking"


def test_bad_supply_comes_first(rules: list[LimitInForce], pump: Maker) -> None:
    assert _findings(rules, pump(700.0, supply_note="filter clogged"))[0].verdict == Verdict.SUPPLY
    assert _findings(rules, pump(700.0, supply_bar=0.6))[0].verdict == Verdict.SUPPLY


def test_a_peak_at_the_limiter_is_at_least(rules: list[LimitInForce], pump: Maker, flows: Maker) -> None:
    (vehicle,) = _findings(rules[:1], pump(1600.0, limiter_bar=1600.0))
    assert (vehicle.verdict, vehicle.rule) == (Verdict.NOTHING, "pump good, injectors not judged")
    assert any(">= 1600 bar" in line for line in vehicle.evidence)
    # a slow rise speaks although the peak reaches the limiter
    found = _findings(rules, pump(1600.0, limiter_bar=1600.0), pump(6.0, "pump_rise"))
    assert found[0].verdict == Verdict.PUMP
    # a limiter that opens below the limit proves nothing
    (low,) = _findings(rules, pump(900.0, limiter_bar=900.0))
    assert low.verdict == Verdict.CANNOT_TELL


def test_low_rail_with_all_else_good_is_limiter_or_regulator(
    rules: list[LimitInForce], pump: Maker, flows: Maker
) -> None:
    idle = flows([9.0, 9.0, 10.0, 9.0], rail_bar=190.0)
    crank = flows([5.0, 5.0, 6.0, 5.0], driven="crank", protocol="crank", duration_s=30.0, rail_bar=290.0)
    found = _findings(rules, idle, crank, pump(1400.0), pump(1.2, "pump_rise"))
    assert found[0].verdict == Verdict.LIMITER
    assert "190 bar" in found[0].sentence
    # without the pump test it stays open, and the closed volume is what separates
    found = _findings(rules, idle, crank)
    assert found[0].verdict == Verdict.CANNOT_TELL
    assert "closed volume" in found[0].next_test
    # without a judged return it could be the whole set
    found = _findings(rules, idle, pump(1400.0))
    assert found[0].rule == "rail low, injectors not cleared"


def test_set_point_stands_in_where_no_limit_asks_for_a_pressure(pump: Maker, flows: Maker) -> None:
    for rail, rule in (
        (190.0, "rail low, injectors not cleared"),
        (270.0, "pump good, injectors not judged"),
    ):
        idle = flows([9.0, None, 10.0, 9.0], rail_bar=rail, set_point_bar=280.0)
        assert _findings([], idle, pump(1400.0, bound="at_least"))[0].rule == rule


def test_low_rail_with_high_returns_is_the_injectors(rules: list[LimitInForce], flows: Maker) -> None:
    idle = flows([15.0, 15.0, 16.0, 15.0], rail_bar=190.0)
    crank = flows([12.0, 30.0, 12.0, 12.0], driven="crank", protocol="crank", duration_s=30.0, rail_bar=None)
    found = _findings(rules, idle, crank)
    assert (found[0].verdict, found[0].rule) == (Verdict.INJECTORS, "rail low, returns past")


def test_crank_without_pressure_never_clears_the_injectors(rules: list[LimitInForce], flows: Maker) -> None:
    cranked = {"driven": "crank", "protocol": "crank", "duration_s": 30.0}
    (vehicle,) = _findings(rules, flows([5.0, 5.0, 5.5, 5.0], rail_bar=None, **cranked))
    assert (vehicle.verdict, vehicle.rule) == (Verdict.CANNOT_TELL, "shares only")
    (vehicle,) = _findings(rules, flows([5.0, 5.0, 5.5, 5.0], rail_bar=400.0, **cranked))
    assert vehicle.verdict == Verdict.NOTHING


def test_zero_missing_and_piezo(rules: list[LimitInForce], flows: Maker) -> None:
    found = _findings(rules, flows([14.0, 0.0, 15.0, None]))
    assert [(f.rule, f.positions) for f in found[1:]] == [
        ("nothing collected", ("2",)),
        ("not measured", ("4",)),
    ]
    assert found[0].verdict == Verdict.CANNOT_TELL
    piezo = FamilyFacts("van", 4, "piezo servo")
    found = _findings(rules, flows([14.0, 0.0, 15.0, 14.0]), family=piezo)
    assert found[1].rule == "nothing from an open piezo return"
    held = flows([14.0, 0.0, 15.0, 14.0], back_pressure_bar=10.0)
    assert _findings(rules, held, family=piezo)[1].rule == "nothing collected"


def test_a_part_just_fitted(rules: list[LimitInForce], flows: Maker) -> None:
    found = _findings(rules, flows([14.0, 15.0, 41.0, 16.0], fresh=("3",)))
    assert found[1].rule == "past limit, just fitted"
    found = _findings(rules, flows([5.0, 15.0, 15.0, 16.0], fresh=("1",)))
    assert (found[1].rule, found[1].verdict) == ("low, just fitted", Verdict.NOTHING)


def test_a_younger_part_that_reads_low_is_no_finding_and_one_that_reads_high_is(
    rules: list[LimitInForce], flows: Maker
) -> None:
    since = date(2024, 6, 5)
    found = _findings(rules, flows([5.0, 15.0, 15.0, 16.0], younger={"1": since}))
    assert found[0].verdict == Verdict.NOTHING
    assert (found[1].rule, found[1].verdict) == ("low, younger part", Verdict.NOTHING)
    assert "2024-06-05" in " ".join(found[1].evidence)
    found = _findings(rules, flows([22.0, 15.0, 15.0, 16.0], younger={"1": since}))
    assert found[1].rule == "high within limit"


def test_a_ratio_does_not_clear_an_evenly_worn_set(limit: Maker, flows: Maker) -> None:
    found = _findings([limit("times lowest", 3.0)], flows([60.0, 61.0, 60.0, 62.0]))
    assert (found[0].verdict, found[0].rule) == (Verdict.CANNOT_TELL, "even set")


def test_an_incomplete_set_does_not_clear_the_injectors(rules: list[LimitInForce], flows: Maker) -> None:
    found = _findings(rules, flows([14.0, 15.0, 14.0, None]))
    assert found[0].rule == "nothing to go by"
    # another test of the visit that was judged whole does
    crank = flows([5.0] * 4, driven="crank", protocol="crank", duration_s=30.0, rail_bar=400.0)
    assert _findings(rules, flows([14.0, 15.0, 14.0, None]), crank)[0].verdict == Verdict.NOTHING


def test_without_any_limit(flows: Maker) -> None:
    (vehicle,) = _findings([], flows([14.0, 15.0, 14.0, 15.0]))
    assert (vehicle.verdict, vehicle.rule) == (Verdict.CANNOT_TELL, "even set")
    vehicle, cylinder = _findings([], flows([14.0, 15.0, 44.0, 15.0]))
    assert vehicle.verdict == Verdict.INJECTORS
    assert cylinder.rule == "high, no limit judged"
    assert "not a failure" in cylinder.sentence
