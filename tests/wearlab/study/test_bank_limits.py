"""Limits on the total of a bank of cylinders, on one test."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from pydantic import ValidationError

from wearlab.config import Family, Spread
from wearlab.study.facts import FamilyFacts, LimitInForce, MeasuredSet
from wearlab.study.limits import LimitResult, Outcome, judge_limits

ON = date(2026, 3, 1)
VEE = FamilyFacts("truck", 4, "solenoid", (("1", "2"), ("3", "4")))
Maker = Callable[..., Any]


def judged(test: MeasuredSet, rule: LimitInForce, family: FamilyFacts = VEE) -> tuple[LimitResult, ...]:
    return judge_limits(test, [rule], family, Spread(), ON)


def test_each_bank_is_judged_by_its_own_total(flows: Maker, limit: Maker) -> None:
    left, right = judged(flows([10.0, 12.0, 30.0, 33.0]), limit("bank total most", 40.0, unit="ml/min"))
    assert (left.position, left.outcome, left.reading) == ("bank 1", Outcome.WITHIN, pytest.approx(22.0))
    assert (right.position, right.outcome, right.reading) == ("bank 2", Outcome.PAST, pytest.approx(63.0))
    assert right.sentence == "Bank 2 reads 63 ml/min against at most 40 ml/min over one bank: past limit by 23 ml/min."


def test_a_missing_cylinder_leaves_only_its_own_bank_open(flows: Maker, limit: Maker) -> None:
    left, right = judged(flows([10.0, 12.0, 30.0]), limit("bank total most", 40.0, unit="ml/min"))
    assert left.outcome == Outcome.WITHIN
    assert right.outcome == Outcome.CANNOT
    assert right.reasons == ("set incomplete (cylinder 4 not measured)",)
    assert judged(flows([10.0, 12.0, 55.0]), limit("bank total most", 40.0, unit="ml/min"))[1].outcome == Outcome.PAST


def test_banks_must_be_known_and_belong_to_the_engine(flows: Maker, limit: Maker) -> None:
    rule = limit("bank total most", 40.0, unit="ml/min")
    (none,) = judged(flows([10.0, 12.0, 30.0, 33.0]), rule, FamilyFacts("van", 4))
    assert none.reasons == ("no banks are listed for the family",)
    (other,) = judged(flows([10.0, 12.0, 30.0, 33.0]), rule, FamilyFacts("truck", 6, None, VEE.banks))
    assert "banks of the family do not hold" in other.reasons[0]


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"cylinders": 4, "banks": [["1", "2"], ["2", "4"]]}, "one bank only"),
        ({"cylinders": 4, "banks": [["1", "2"], ["3"]]}, "every cylinder"),
        ({"banks": [["1", "2"], ["3", "4"]]}, "cylinders = their number"),
        ({"cylinders": 2, "banks": [["1", "2"]]}, "two or more lists"),
        ({"cylinders": 2, "banks": [["1"], ["left"]]}, 'not "left"'),
        ({"cylinders": 2, "banks": [["1"], ["02"]]}, 'not "02"'),
    ],
)
def test_banks_that_make_no_sense_are_refused(said: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Family.model_validate(said)


def test_banks_are_taken_as_written() -> None:
    assert Family.model_validate({"cylinders": 4, "banks": [["1", "3"], ["2", "4"]]}).banks == (("1", "3"), ("2", "4"))
