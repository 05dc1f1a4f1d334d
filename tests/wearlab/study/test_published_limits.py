"""Published forms of limits, judged as rules a user could write.

The figures are those of public workshop pages, named beside each; they check the forms and ship nowhere as
limits.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from wearlab.config import Spread
from wearlab.study.facts import FamilyFacts, LimitInForce, MeasuredSet
from wearlab.study.limits import LimitResult, Outcome, judge_limits

ON = date(2026, 3, 1)
FOUR, SIX = FamilyFacts(cylinders=4), FamilyFacts(cylinders=6)
#: Repeatability so small that only the form of the rule decides.
EXACT = Spread(idle_percent=1e-6, raised_percent=1e-6, bench_percent=1e-6, crank_percent=1e-6, pump_percent=1e-6)
Maker = Callable[..., Any]


def _judge(
    test: MeasuredSet, rule: LimitInForce, family: FamilyFacts, spread: Spread = EXACT
) -> tuple[LimitResult, ...]:
    return judge_limits(test, [rule], family, spread, ON)


# an engine maker's special instruction on high leak-off: cranked at 150 rpm, a pump can no longer keep up above 38
# ml in 30 s over six cylinders, 25 ml in 30 s over four
CRANKED = {"protocol": "crank 30 s", "driven": "crank", "duration_s": 30.0, "rail_bar": None}


@pytest.mark.parametrize(
    ("family", "limit_ml", "values", "outcome"),
    [
        (SIX, 38.0, [6.0, 6.0, 7.0, 6.5, 6.0, 6.0], Outcome.WITHIN),
        (SIX, 38.0, [6.0, 6.0, 7.0, 6.5, 6.5, 6.0], Outcome.WITHIN),  # 38 itself is not above 38
        (SIX, 38.0, [6.0, 6.0, 7.0, 6.5, 6.5, 6.1], Outcome.PAST),
        (FOUR, 25.0, [6.0, 6.0, 6.0, 6.9], Outcome.WITHIN),
        (FOUR, 25.0, [6.0, 6.0, 6.0, 7.1], Outcome.PAST),
    ],
)
def test_total_while_cranking(
    flows: Maker, limit: Maker, family: FamilyFacts, limit_ml: float, values: list[float], outcome: Outcome
) -> None:
    rule = limit(
        "set total most",
        limit_ml,
        unit="ml",
        over_s=30,
        cylinders=family.cylinders,
        conditions={"speed_rpm": (140, 160)},
    )
    (result,) = _judge(flows(values, speed_rpm=150.0, **CRANKED), rule, family)
    # a total that stands on the limit is within it by less than any error
    expected = Outcome.CLOSE if sum(values) == limit_ml else outcome
    assert result.outcome == expected
    assert result.position is None
    assert (result.reading, result.limit, result.unit) == (
        pytest.approx(sum(values)),
        limit_ml,
        "ml in 30 s",
    )
    (slow,) = _judge(flows(values, speed_rpm=105.0, **CRANKED), rule, family)
    assert slow.outcome == Outcome.CANNOT
    assert "engine speed 105 rpm outside 140 to 160" in slow.sentence


def test_total_of_the_other_engine_does_not_apply(flows: Maker, limit: Maker) -> None:
    rule = limit("set total most", 38.0, unit="ml", over_s=30, cylinders=6)
    assert _judge(flows([9, 9, 9, 9], speed_rpm=150.0, **CRANKED), rule, FOUR) == ()
    (unknown,) = _judge(flows([9, 9, 9, 9], speed_rpm=150.0, **CRANKED), rule, FamilyFacts())
    assert unknown.reasons == ("number of cylinders not recorded",)


def test_three_times_the_smallest(flows: Maker, limit: Maker) -> None:
    # a remanufacturer's guide: over three times the smallest cylinder fails
    rule = limit("times lowest", 3.0)
    results = _judge(flows([10.0, 29.0, 31.0, 12.0]), rule, FOUR)
    assert [result.outcome for result in results] == [
        Outcome.WITHIN,
        Outcome.WITHIN,
        Outcome.PAST,
        Outcome.WITHIN,
    ]
    assert results[2].reading == pytest.approx(3.1)
    assert results[2].compared_with == "lowest valid: cylinder 1"


def test_absolute_at_800_bar(flows: Maker, limit: Maker) -> None:
    # the same guide: 30 ml/min at 800 bar for one maker's injectors
    rule = limit("most", 30.0, unit="ml/min", conditions={"rail_bar": (760, 840)})
    at_800 = flows([28.0, 33.0], protocol="raised", driven="raised", rail_bar=800.0)
    assert [r.outcome for r in _judge(at_800, rule, FOUR)] == [Outcome.WITHIN, Outcome.PAST]
    (idle,) = _judge(flows([28.0, 33.0], rail_bar=280.0), rule, FOUR)
    assert idle.reasons == ("rail pressure 280 bar outside 760 to 840",)


def test_whole_running_engine(flows: Maker, limit: Maker) -> None:
    # the same guide: a six-cylinder engine, running, below 180 ml/min in all
    rule = limit("set total most", 180.0, unit="ml/min", cylinders=6)
    assert _judge(flows([29.0] * 6), rule, SIX)[0].outcome == Outcome.WITHIN
    assert _judge(flows([31.0] * 6), rule, SIX)[0].outcome == Outcome.PAST


# a construction-machine workshop manual: six cylinders together, ml/min over rpm at rated load
LINE = ((1600.0, 190.0), (1700.0, 200.0), (1800.0, 210.0), (1900.0, 220.0), (2000.0, 230.0))


def test_line_over_speed(flows: Maker, limit: Maker) -> None:
    rule = limit("line over speed", speeds=LINE, unit="ml/min", cylinders=6)
    (result,) = _judge(flows([34.0] * 6, speed_rpm=1750.0), rule, SIX)
    assert result.limit == pytest.approx(205.0)  # interpolated by hand between 200 and 210
    assert (result.reading, result.outcome) == (pytest.approx(204.0), Outcome.WITHIN)
    assert result.limit_text == "at most 190 ml/min at 1600 rpm to 230 at 2000 rpm over the whole set"
    (past,) = _judge(flows([34.4] * 6, speed_rpm=1750.0), rule, SIX)
    assert past.outcome == Outcome.PAST
    assert [_judge(flows([30] * 6, speed_rpm=s), rule, SIX)[0].limit for s in (1600.0, 2000.0)] == [
        190.0,
        230.0,
    ]
    (outside,) = _judge(flows([34.0] * 6, speed_rpm=1500.0), rule, SIX)
    assert outside.reasons == ("engine speed 1500 rpm outside 1600 to 2000",)
    (silent,) = _judge(flows([34.0] * 6, speed_rpm=None), rule, SIX)
    assert silent.reasons == ("engine speed not recorded",)


def test_a_hot_test_is_not_judged_by_a_limit_for_40_degrees(flows: Maker, limit: Maker) -> None:
    # common practice, no source: a limit is a limit under its own test conditions. Thinned by heat, 30 ml/min at 70
    # degC may be some 21 at 40 degC, on either side of a limit of 25.
    rule = limit("most", 25.0, unit="ml/min", conditions={"fuel_temp_c": (35, 45)})
    (hot,) = _judge(flows([30.0, 30.0, 30.0, 30.0], fuel_temp_c=70.0), rule, FOUR)
    assert hot.outcome == Outcome.CANNOT
    assert hot.reasons == ("fuel temperature 70 degC outside 35 to 45",)
    (silent,) = _judge(flows([30.0, 30.0, 30.0, 30.0], fuel_temp_c=None), rule, FOUR)
    assert silent.reasons == ("fuel temperature not recorded",)
    assert {r.outcome for r in _judge(flows([30.0] * 4, fuel_temp_c=40.0), rule, FOUR)} == {Outcome.PAST}
