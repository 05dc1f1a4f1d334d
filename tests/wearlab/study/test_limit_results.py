"""Limit results in short: what lies within shares a line, whatever does not keeps its own."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from wearlab.config import Spread
from wearlab.study.facts import FamilyFacts, LimitInForce, MeasuredSet
from wearlab.study.limit_results import Outcome, short
from wearlab.study.limits import judge_limits


def test_cylinders_within_share_a_line_and_the_one_past_keeps_its_own(
    flows: Callable[..., MeasuredSet], limit: Callable[..., LimitInForce]
) -> None:
    test = flows([10.0, 60.0, 12.0, 11.0])
    rules = [limit("most", 30.0, unit="ml/min")]
    results = judge_limits(test, rules, FamilyFacts(cylinders=4), Spread(), date(2026, 5, 1))
    assert len(results) == 4
    past, within = short(results)
    assert (past.position, past.outcome) == ("2", Outcome.PAST)
    assert within.outcome == Outcome.WITHIN
    assert within.sentence == "Cylinders 1, 3 and 4: within limit, at most 30 ml/min."
