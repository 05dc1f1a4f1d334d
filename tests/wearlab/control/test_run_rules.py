"""Run rules: their patterns, their chances by counting, and what they cost."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from wearlab.control.rule_chain import rules_run_length, sequence_run_length
from wearlab.control.rules import Rule, alternating, beyond, inside, of_last, outside, run, trend, window_chance
from wearlab.control.run_rules import cost, run_rules
from wearlab.errors import InputError


def _found(values: list[float], rule: Rule) -> list[int]:
    return run_rules(values, [rule], mean=0.0, sd=1.0)[0].signals.tolist()


@pytest.mark.parametrize(
    ("rule", "chance"),
    [
        (beyond(3), 0.0026998),
        (run(7), 0.015625),
        (run(8), 0.0078125),
        (run(9), 0.00390625),
        (trend(6), 2 / 720),
        (trend(7), 2 / 5040),
        (alternating(14), 2 * 199360981 / 87178291200),  # zigzag number of 14 over 14!
        (of_last(2, 3, 2), 0.0030583),
        (of_last(4, 5, 1), 0.0055318),
        (inside(15), 0.0032610),
        (outside(8), 0.0001028),
    ],
)
def test_chance_of_one_window(rule: Rule, chance: float) -> None:
    # binomial and permutation counts, by another program
    assert window_chance(rule) == pytest.approx(chance, abs=6e-8)


def test_both_sides_at_once_are_counted_once() -> None:
    # 1 of 2 past 0 on one side is certain
    assert window_chance(of_last(1, 2, 0.0)) == pytest.approx(1.0)


@pytest.mark.parametrize("rule", [trend(4), alternating(4), trend(3)])
def test_sequences_beside_all_orders(rule: Rule) -> None:
    orders = np.array(list(permutations(range(7))), dtype=float)
    held = np.zeros(7)
    for order in orders:
        first = _found(order.tolist(), rule)
        held[first[0] if first else 7 :] += 1
    told = sequence_run_length(rule).chance_within(np.arange(1, 8))
    assert told == pytest.approx(held / len(orders), abs=1e-12)


def test_patterns_signal_at_the_reading_that_completes_them() -> None:
    assert _found([0.1, 2.1, 0.3, 2.2, 0.0], of_last(2, 3, 2)) == [3]
    assert _found([0.1, 2.1, 0.3, -2.2, 0.0], of_last(2, 3, 2)) == []
    assert _found([2.5, 2.5], of_last(2, 3, 2)) == [1]
    assert _found([1.1, 1.2, 0.2, 1.3, 1.4, 0.0], of_last(4, 5, 1)) == [4]
    assert _found([-0.1] * 9, run(8)) == [7, 8]
    assert _found([-0.1] * 4 + [0.0] + [-0.1] * 4, run(8)) == []
    assert _found([1, 2, 3, 4, 5, 6, 5], trend(6)) == [5]
    assert _found([6, 5, 4, 3, 2, 1], trend(6)) == [5]
    assert _found([1, 2, 3, 3, 4, 5, 6], trend(6)) == []
    assert _found([0, 1, 0, 1, 0, 0], alternating(5)) == [4]
    assert _found([0.5, -0.9, 0.2], inside(3)) == [2]
    assert _found([1.5, -1.9, 1.2, 0.9], outside(3)) == [2]
    assert _found([0.5, 3.2, 0.5], beyond(3)) == [1]


def test_missing_readings_are_passed_over() -> None:
    assert _found([1, 2, np.nan, 3, 4, np.nan, 5, 6], trend(6)) == [7]
    assert _found([], trend(6)) == []
    assert _found([np.nan], run(8)) == []


def test_the_chain_agrees_with_the_patterns_it_counts() -> None:
    rules = [beyond(2.5), of_last(2, 3, 1.5), of_last(3, 6, 1), run(6), inside(7), outside(4)]
    law, series = rules_run_length(rules, shift=0.3), np.random.default_rng(8).normal(0.3, 1, (1500, 15))
    held = np.zeros(15)
    for row in series:
        places = [each.signals[0] for each in run_rules(row, rules, mean=0.0, sd=1.0) if each.signals.size]
        held[min(places, default=15) :] += 1
    told = law.chance_within(np.arange(1, 16))
    assert told[-1] > 0.5
    assert (np.abs(held / len(series) - told) < 4 * np.sqrt(told * (1 - told) / len(series))).all()


def test_cost_tells_what_each_rule_adds() -> None:
    rules = [of_last(2, 3, 2.0), of_last(4, 5, 1.0), run(8)]
    told = cost(rules, 12)
    assert told.exact
    assert told.limits == pytest.approx(1 - (1 - 0.0026998) ** 12, abs=1e-7)
    # Champ & Woodall (1987); 91.75 is also printed in the e-Handbook, section 6.3.2
    assert [each.mean for each in told.rules] == pytest.approx([225.44, 166.05, 152.73], abs=0.006)
    assert (told.mean_limits, told.mean_all) == pytest.approx((370.40, 91.75), abs=0.006)
    assert all(each.added > 0 for each in told.rules)
    assert told.limits < told.everything < told.limits + sum(each.added for each in told.rules)


def test_cost_of_a_sequence_rule_is_a_bound() -> None:
    told = cost([trend(6)], [6, 6])
    assert not told.exact
    # six readings have one window
    assert told.rules[0].added == pytest.approx(2 / 720, abs=1e-12)
    assert told.everything == pytest.approx(told.limits + 2 / 720)


def test_rules_that_say_nothing_are_refused() -> None:
    for wrong in (
        lambda: of_last(4, 3, 1.0),
        lambda: inside(15, 0.0),
        lambda: trend(2),
        lambda: rules_run_length([trend(6)]),
        lambda: rules_run_length([]),
        lambda: sequence_run_length(run(8)),
        lambda: run_rules([1.0], [run(8)], mean=0.0, sd=0.0),
        lambda: cost([run(8)], []),
    ):
        with pytest.raises(InputError):
            wrong()
