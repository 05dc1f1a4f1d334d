"""A judgement in another language: no word of it is left as the code has it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

from loud_language import loud, quiet_words
from wearlab.config import Spread
from wearlab.limit_settings import Conditions, LimitRule
from wearlab.records import Measure
from wearlab.study.facts import Baseline, FamilyFacts, LimitInForce, MeasuredSet, VisitFacts
from wearlab.study.judgement import Judgement, judge
from wearlab.study.limit_conditions import misses
from wearlab.study.limit_results import short
from wearlab.study.rules import CYLINDER_ROWS, ON_CLOSED_VOLUME, VEHICLE_ROWS

Maker = Callable[..., Any]
SIX = FamilyFacts("VAN", 6, "piezo direct")


def _left(judgement: Judgement) -> set[str]:
    """Words in small letters anywhere a reader looks; units of volumes aside."""
    texts = [judgement.headline, *judgement.next_steps, *judgement.cautions]
    for one in judgement.findings:
        texts += [one.sentence, one.next_test, one.source, *one.evidence]
    for weak in judgement.weaknesses:
        texts += [weak.sentence, weak.remedy, weak.source]
    for test in judgement.tests:
        texts += [test.title, test.unjudged, *test.notes, *(text for pair in test.conditions for text in pair)]
        texts += [test.comparison.threshold_text, *test.comparison.sentences]
        texts += [text for row in test.comparison.rows for text in (row.name, row.remark)]
        texts += [result.sentence for result in (*test.limits, *short(test.limits))]
    return {word for text in texts for word in quiet_words(re.sub(r"\bml\b(?!/)", "", text))}


def _judged(rules: list[LimitInForce], *tests: MeasuredSet, **more: Any) -> Judgement:
    own = []
    for test in tests:
        note = test.conditions.supply_note
        written: dict[str, Any] = {"protocol": test.conditions.protocol.upper(), "supply_note": note and note.upper()}
        own.append(replace(test, conditions=replace(test.conditions, **written)))
    visit = VisitFacts("V017", date(2026, 3, 1), tuple(own), **more)
    return judge(visit, rules, SIX, Spread())


def _rules(limit: Maker) -> list[LimitInForce]:
    more = {"source": "A BOOK"}
    return [
        limit("most", 25.0, name="MOST", unit="ml/min", conditions={"rail_bar": (260, 300)}, **more),
        limit("least", 5.0, name="LEAST", unit="ml/min", **more),
        limit("times lowest", 3.0, name="LOWEST", **more),
        limit("times median", 2.0, name="MEDIAN", **more),
        limit("percent from mean", 40.0, name="MEAN", **more),
        limit("percent from first", 40.0, name="FIRST", **more),
        limit("set total most", 38.0, name="TOTAL", unit="ml", over_s=30, **more),
        limit("bank total most", 100.0, name="BANK", unit="ml/min", **more),
        limit("line over speed", name="LINE", unit="ml/min", speeds=((600, 30.0), (900, 40.0)), **more),
        limit("least", 1100.0, name="PEAK", unit="bar", measure="pump_peak", **more),
        limit("most", 2.0, name="RISE", unit="s", measure="pump_rise", conditions={"supply_bar": (5, 6)}, **more),
    ]


def test_every_text_of_a_judgement_is_told_in_the_language_of_its_reader(
    flows: Maker, pump: Maker, limit: Maker
) -> None:
    rules = _rules(limit)
    with loud():
        told = [
            _judged(rules, flows([14.0, "50+", 45.0, 0.0, 13.0], graduation=1.0, quality={"3": "foam"})),
            _judged(
                rules,
                flows([26.0, 27.0, 28.0, 26.0, 26.0, 60.0], rail_bar=150.0, temp_kind="tank", fresh=("6",)),
                pump(900.0, supply_note=None, supply_bar=None, metering_valve=None, volume_ml=None),
                pump(1.9, "pump_rise", rise_to_bar=None, speed_rpm=120.0, battery_v=9.0),
                odometer_km=1000.0,
                last_odometer_km=2000.0,
                last_tested_on=date(2026, 2, 1),
                baselines={("return_flow", "WARM IDLE", "6"): Baseline(20.0, date(2025, 1, 1))},
            ),
            _judged(
                rules,
                flows([5.0, 6.0, None, 5.0, 2.0, 5.0], driven="crank", duration_s=30.0, rail_bar=None),
                flows([24.5, 9.5, 9.0, 9.2, 9.0, "<0.5"], fuel_temp_c=70.0, younger={"4": date(2025, 5, 1)}),
                pump(1300.0, bound="at_least", supply_note=None),
                odometer_km=90_000.0,
                last_odometer_km=2000.0,
                last_tested_on=date(2026, 2, 1),
            ),
            _judged([], flows([12.0, 13.0, 12.5, 12.0, 12.4, 12.2], fuel_temp_c=None, duration_s=10.0, driven=None)),
            _judged(rules, replace(flows([40.0]), readings=(replace(flows([40.0]).readings[0], position="set"),))),
        ]
        assert set().union(*map(_left, told)) == set()
    outcomes = {result.outcome.name for one in told for test in one.tests for result in test.limits}
    assert outcomes == {"WITHIN", "CLOSE", "REPEAT", "PAST", "CANNOT"}


def test_every_row_of_the_rules_is_told(flows: Maker) -> None:
    with loud():
        for row in (*CYLINDER_ROWS, *VEHICLE_ROWS):
            assert row.next_told == row.next_test.upper()
    # what asks for the pump's own test brings the caution about the starter with it
    assert "rail low, pump not cleared" in ON_CLOSED_VOLUME
    assert "past limit, high in the set" not in ON_CLOSED_VOLUME


def test_what_a_test_left_open_is_not_what_it_missed(flows: Maker) -> None:
    rule = LimitRule(
        name="one", measure=Measure.RETURN_FLOW, kind="most", value=25.0, unit="ml/min", source="invented",
        conditions=Conditions(rail_bar=(260.0, 300.0), duration_s=60.0),
    )  # fmt: skip
    met, open_, missed = (flows([12.0], **more).conditions for more in ({}, {"rail_bar": None}, {"rail_bar": 150.0}))
    for told in (False, True):
        if told:
            with loud():
                found = [misses(rule, one) for one in (met, open_, missed)]
        else:
            found = [misses(rule, one) for one in (met, open_, missed)]
        assert found == [False, False, True]
    assert misses(rule, replace(open_, duration_s=90.0))
