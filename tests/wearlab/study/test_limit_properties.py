"""What must hold for any readings: more leak never improves a verdict, and the unit of a limit changes
nothing."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from wearlab.config import Spread
from wearlab.limit_settings import LimitRule
from wearlab.study.facts import AsTested, FamilyFacts, LimitInForce, MeasuredSet, SetReading
from wearlab.study.limit_results import ORDER
from wearlab.study.limits import LimitResult, Outcome, judge_limits

ON = date(2026, 3, 1)
IDLE = AsTested("return_flow", "warm idle", "idle", 60.0, 280.0, 1750.0, 45.0)
FLOW = st.floats(0.5, 200.0).map(lambda value: round(value, 2))
SETS = st.lists(FLOW, min_size=4, max_size=4)


def _rule(**facts: Any) -> LimitInForce:
    named = {"name": "limit", "measure": "return_flow", "source": "invented for a test"}
    return LimitInForce(LimitRule(**{**named, **facts}), 1)


RULES = {
    "most": _rule(kind="most", value=25.0, unit="ml/min"),
    "set total most": _rule(kind="set total most", value=90.0, unit="ml/min"),
    "times lowest": _rule(kind="times lowest", value=3.0),
    "times median": _rule(kind="times median", value=1.8),
    "line over speed": _rule(kind="line over speed", speeds=((1700, 20.0), (1800, 30.0)), unit="ml/min"),
}


def _judge(
    values: list[float], rule: LimitInForce, bounds: dict[int, str] | None = None, graduation: float = 1.0
) -> tuple[LimitResult, ...]:
    readings = tuple(
        SetReading(str(n), value, "ml/min", value, (bounds or {}).get(n), graduation)
        for n, value in enumerate(values, 1)
    )
    return judge_limits(MeasuredSet(IDLE, readings), [rule], FamilyFacts(cylinders=4), Spread(), ON)


def _of(results: tuple[LimitResult, ...], at: str) -> LimitResult:
    return next(result for result in results if result.position in (at, None))


@pytest.mark.parametrize("kind", RULES)
@settings(max_examples=150, deadline=None, derandomize=True)
@given(values=SETS, more=st.floats(0.0, 100.0), at=st.integers(0, 3))
def test_more_leak_never_improves_a_verdict(kind: str, values: list[float], more: float, at: int) -> None:
    before = _of(_judge(values, RULES[kind]), str(at + 1)).outcome
    values = [value + more * (place == at) for place, value in enumerate(values)]
    after = _of(_judge(values, RULES[kind]), str(at + 1)).outcome
    assert ORDER.index(after) >= ORDER.index(before)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(values=SETS, at=st.integers(1, 4))
def test_running_over_is_never_better_than_the_same_number(values: list[float], at: int) -> None:
    for rule in RULES.values():
        plain = _of(_judge(values, rule), str(at)).outcome
        over = _of(_judge(values, rule, {at: "at_least"}), str(at)).outcome
        if over != Outcome.CANNOT:
            assert over in (Outcome.REPEAT, Outcome.PAST)
        else:
            # what was past stays past unless the reading itself served as the lowest
            assert plain not in (Outcome.PAST, Outcome.REPEAT) or rule.rule.kind.startswith("times")


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    values=SETS,
    gone=st.integers(0, 3),
    kind=st.sampled_from(["set total most", "times lowest", "times median"]),
)
def test_an_incomplete_set_never_passes(values: list[float], gone: int, kind: str) -> None:
    readings = tuple(SetReading(str(n), value, "ml/min", value) for n, value in enumerate(values, 1) if n != gone + 1)
    results = judge_limits(MeasuredSet(IDLE, readings), [RULES[kind]], FamilyFacts(cylinders=4), Spread(), ON)
    assert results
    assert {result.outcome for result in results} <= {Outcome.CANNOT, Outcome.PAST, Outcome.REPEAT}


@settings(max_examples=100, deadline=None, derandomize=True)
@given(values=SETS, limit=st.floats(2.0, 150.0))
def test_the_unit_of_the_limit_changes_nothing(values: list[float], limit: float) -> None:
    assume(all(abs(value - limit) > 1e-6 * limit for value in values))
    # factors by definition: 1 l/h = 1000 ml / 60 min, 1 ml/s = 60 ml/min, 1 l/min = 1000 ml/min
    written = {
        "ml/min": limit,
        "cc/min": limit,
        "l/h": limit * 0.06,
        "ml/s": limit / 60,
        "l/min": limit / 1000,
    }
    told = [
        [
            (r.position, r.outcome, round(r.margin or 0.0, 6))
            for r in _judge(values, _rule(kind="most", value=value, unit=unit))
        ]
        for unit, value in written.items()
    ]
    assert all(one == told[0] for one in told)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(values=SETS, factor=st.floats(0.1, 10.0))
def test_a_ratio_does_not_know_the_size(values: list[float], factor: float) -> None:
    rule = RULES["times lowest"]
    scaled = [value * factor for value in values]
    first, second = _judge(values, rule, graduation=0.0), _judge(scaled, rule, graduation=0.0)
    for a, b in zip(first, second, strict=True):
        assert a.reading == pytest.approx(b.reading)
