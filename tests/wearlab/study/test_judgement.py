"""The whole judgement as a reader gets it."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import Any

from wearlab.config import Spread
from wearlab.study.cautions import PIEZO, PLANS_ONLY, TRIM
from wearlab.study.facts import FamilyFacts, LimitInForce, MeasuredSet, VisitFacts
from wearlab.study.judgement import Judgement, judge

FOUR = FamilyFacts("van", 4, "solenoid")
Maker = Callable[..., Any]


def _judge(limits: list[LimitInForce], *tests: MeasuredSet, family: FamilyFacts = FOUR) -> Judgement:
    return judge(VisitFacts("V017", date(2026, 3, 1), tests, 120_000.0), limits, family, Spread())


def _texts(judgement: Judgement) -> list[str]:
    out = [judgement.headline, *judgement.next_steps, *judgement.cautions]
    for test in judgement.tests:
        out += [
            test.title,
            test.unjudged,
            *test.notes,
            *test.comparison.sentences,
            test.comparison.threshold_text,
        ]
        out += [result.sentence for result in test.limits]
    out += [text for f in judgement.findings for text in (f.sentence, f.next_test, *f.evidence)]
    return out + [text for w in judgement.weaknesses for text in (w.sentence, w.remedy)]


def test_headline_names_the_worst_cylinder_and_the_steps_what_to_do(flows: Maker, limit: Maker) -> None:
    found = _judge([limit("most", 25.0, unit="ml/min")], flows([14.0, 35.0, 45.0, 16.0]))
    assert found.headline == (
        "Injectors: cylinder 3 reads 45 ml/min against at most 25 ml/min: past limit by 20 ml/min. 1 more past a limit."
    )
    assert found.next_steps[0].startswith("Cylinders 2 and 3: ") or found.next_steps[0].startswith("Cylinder 3: ")
    assert TRIM in found.cautions
    assert found.cautions[-1] == PLANS_ONLY


def test_no_blank_is_left_in_any_text_and_no_state_leaks_out(flows: Maker, pump: Maker, limit: Maker) -> None:
    rules = [
        limit("most", 25.0, unit="ml/min", conditions={"rail_bar": (260, 300)}),
        limit("times lowest", 3.0),
        limit("percent from mean", 40.0),
        limit("percent from first", 40.0),
        limit("least", 1100.0, unit="bar", measure="pump_peak"),
    ]
    tests = (
        flows([14.0, "50+", 45.0, 0.0], graduation=1.0, quality={"3": "foam"}),
        flows([5.0, 6.0, None, 5.0], driven="crank", protocol="crank 30 s", duration_s=30.0, rail_bar=None),
        pump(900.0, supply_note=None),
        pump(1.4, "pump_rise"),
    )
    texts = _texts(_judge(rules, *tests, family=FamilyFacts("van", 4, "piezo direct")))
    assert len(texts) > 40
    for text in texts:
        assert not re.search(r"[{}]|None|nan|inf\b|_|  ", text), text


def test_one_vehicle_with_one_test_and_nothing_else(flows: Maker) -> None:
    found = _judge([], flows([12.0, 13.0, 12.0, 14.0]), family=FamilyFacts())
    assert found.verdict == "cannot tell"
    assert found.tests[0].unjudged == "No limit of yours for return flow: compared, not judged."
    assert found.tests[0].comparison.median == 12.5
    # actuation unknown: the caution about driven injectors stays in
    assert PIEZO in found.cautions
    assert PIEZO not in _judge([], flows([12.0, 13.0, 12.0, 14.0])).cautions


def test_limits_of_another_protocol_are_mentioned(flows: Maker, limit: Maker) -> None:
    rule = limit("most", 25.0, unit="ml/min", protocol="raised 800 bar")
    found = _judge([rule], flows([12.0, 13.0, 12.0, 14.0]))
    assert "there are some for raised 800 bar" in found.tests[0].unjudged


def test_a_limit_without_conditions_says_so(flows: Maker, limit: Maker) -> None:
    found = _judge([limit("most", 25.0, unit="ml/min")], flows([12.0, 13.0, 12.0, 14.0]))
    assert found.tests[0].notes == ('Limit "most" states no test conditions: readings are judged as measured.',)
    stated = limit("most", 25.0, unit="ml/min", conditions={"rail_bar": (260, 300)})
    assert _judge([stated], flows([12.0, 13.0, 12.0, 14.0])).tests[0].notes == ()


def test_recorded_conditions_are_shown_and_open_ones_are_not(flows: Maker) -> None:
    shown = dict(_judge([], flows([12.0], rail_bar=None, injectors_connected=True)).tests[0].conditions)
    assert shown["duration"] == "60 s"
    assert shown["injectors connected"] == "yes"
    assert "rail pressure" not in shown


def test_no_output_reads_as_a_clearance(flows: Maker, pump: Maker, limit: Maker) -> None:
    rules = [limit("most", 25.0, unit="ml/min"), limit("least", 1100.0, unit="bar", measure="pump_peak")]
    good = _judge(rules, flows([12.0, 13.0, 12.0, 14.0]), pump(1500.0))
    assert good.verdict == "nothing found"
    text = " ".join(_texts(good)).lower().replace("not a clearance to drive", "")
    assert not re.search(r"\b(safe|clearance|roadworthy|fit to drive|may drive)\b", text)


def test_equal_facts_give_an_equal_judgement(flows: Maker, limit: Maker) -> None:
    rules = [limit("most", 25.0, unit="ml/min"), limit("times lowest", 3.0)]
    test = flows([14.0, 15.0, 41.0, 16.0])
    turned = MeasuredSet(test.conditions, tuple(reversed(test.readings)))
    assert _judge(rules, test) == _judge(rules, turned)
