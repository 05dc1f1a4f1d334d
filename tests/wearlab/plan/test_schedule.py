"""The chosen plan against trying every combination, on small random fleets under every rule."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from wearlab.errors import InputError
from wearlab.plan.budgets import budget_table
from wearlab.plan.option import Option, worth_keeping
from wearlab.plan.rules import Rules
from wearlab.plan.schedule import Infeasible, Schedule, schedule
from wearlab.plan_settings import PlanRules

MONTHS = 3
GROUP = ("V0", "V1", "V2")


def _option(vehicle: int, rng: np.random.Generator | None) -> Option:
    hours, spend, weeks, cost = np.zeros(MONTHS), np.zeros(MONTHS), frozenset[int](), 10.0
    chance = 0.8
    if rng is not None:
        month = int(rng.integers(MONTHS))
        hours[month], spend[month] = rng.integers(1, 6), rng.integers(1, 9) * 100
        weeks, cost, chance = frozenset({month}), float(rng.uniform(0, 9)), float(rng.uniform(0, 0.6))
    name = f"V{vehicle}"
    return Option(name, f"D{vehicle % 2}", (), cost, cost, 100 * cost, hours, spend, weeks, chance)


def _fleet(seed: int) -> list[list[Option]]:
    rng = np.random.default_rng(seed)
    return [[_option(k, None), *(_option(k, rng) for _ in range(3))] for k in range(5)]


def _rules(seed: int) -> Rules:
    rng = np.random.default_rng(1000 + seed)
    return Rules(
        bay_hours={"D0": float(rng.integers(2, 8)), "D1": float(rng.integers(2, 8))},
        monthly_budget=float(rng.integers(3, 12) * 100),
        apart=(GROUP,),
        most_chance=0.7 if seed % 3 == 0 else None,
    )


def _overruns(chosen: tuple[Option, ...], rules: Rules) -> dict[str, float]:
    """By how much a choice breaks each rule, summed, written again from the rules' meaning."""
    over = {"bay hours": 0.0, "budget": 0.0, "apart": 0.0, "most chance": 0.0}
    for month in range(MONTHS):
        for depot, most in rules.bay_hours.items():
            used = sum(one.hours[month] for one in chosen if one.depot == depot)
            over["bay hours"] += max(used - most, 0.0)
        if rules.monthly_budget is not None:
            over["budget"] += max(sum(one.spend[month] for one in chosen) - rules.monthly_budget, 0.0)
    for group in rules.apart:
        weeks = [week for one in chosen if one.vehicle in group for week in one.weeks]
        over["apart"] += len(weeks) - len(set(weeks))
    if rules.most_chance is not None:
        over["most chance"] = max(0.0, *(one.most_chance - rules.most_chance for one in chosen))
    return over


@pytest.mark.parametrize("seed", range(12))
def test_the_plan_is_the_best_of_all_combinations(seed: int) -> None:
    fleet, rules = _fleet(seed), _rules(seed)
    every = [(chosen, _overruns(chosen, rules)) for chosen in product(*fleet)]
    kept = [sum(one.objective for one in chosen) for chosen, over in every if max(over.values()) <= 1e-9]
    plan = schedule(fleet, rules, gap=0.0)
    if kept:
        assert isinstance(plan, Schedule)
        assert plan.objective == pytest.approx(min(kept), abs=1e-6)
        assert max(_overruns(plan.chosen, rules).values()) < 1e-6
        assert plan.proven
        assert plan.gap < 1e-6
        assert plan.bound <= min(kept) + 1e-6
        for own, one, is_best in zip(fleet, plan.chosen, plan.best_alone, strict=True):
            assert is_best == (one.objective == min(other.objective for other in own))
        return
    assert isinstance(plan, Infeasible)
    for bite in plan.bites:
        # without this rule alone: the least it must give among choices that keep the others
        others = [over[bite.rule] for _, over in every if max(v for k, v in over.items() if k != bite.rule) <= 1e-9]
        assert bite.enough == bool(others)
        if others:
            assert bite.least == pytest.approx(min(others), abs=1e-5)
            assert bite.places


def test_both_kinds_of_fleets_were_tried() -> None:
    plans = [schedule(_fleet(seed), _rules(seed), gap=0.0) for seed in range(12)]
    assert sum(isinstance(plan, Infeasible) for plan in plans) >= 2
    assert sum(isinstance(plan, Schedule) for plan in plans) >= 6


def test_without_rules_everyone_gets_the_best_and_more_money_never_costs_more() -> None:
    fleet = _fleet(1)
    plan = schedule(fleet, Rules())
    assert isinstance(plan, Schedule)
    assert plan.objective == pytest.approx(sum(min(one.objective for one in own) for own in fleet))
    assert all(plan.best_alone)
    rows = budget_table(fleet, Rules(), [0.0, 300.0, 800.0, None], gap=0.0)
    costs = [row.objective for row in rows if row.objective is not None]
    assert len(costs) == 4
    assert costs == sorted(costs, reverse=True)
    assert costs[-1] == pytest.approx(plan.objective)
    assert rows[0].spend == 0.0
    assert rows[0].km_beyond is not None
    assert rows[1].km_beyond is not None
    assert rows[1].avoided_km == pytest.approx(rows[0].km_beyond - rows[1].km_beyond)
    assert rows[1].most_spent is not None
    assert rows[1].most_spent <= 300.0


def test_a_vehicle_without_an_option_is_refused_and_an_empty_fleet_has_an_empty_plan() -> None:
    with pytest.raises(InputError):
        schedule([[]], Rules())
    empty = schedule([], Rules())
    assert isinstance(empty, Schedule)
    assert empty.chosen == ()


def test_what_is_beaten_in_every_respect_is_not_weighed() -> None:
    rng = np.random.default_rng(4)
    own = [_option(0, None), *(_option(0, rng) for _ in range(60))]
    kept = worth_keeping(own, most=200)
    assert kept[0] is own[0]
    assert len(kept) < len(own)
    for seed in range(4):
        rules = Rules({"D0": 3.0 + seed}, 300.0 + 100 * seed, most_chance=0.5)
        full, less = schedule([own], rules, gap=0.0), schedule([kept], rules, gap=0.0)
        assert isinstance(full, Schedule)
        assert isinstance(less, Schedule)
        assert less.objective == pytest.approx(full.objective)
    assert len(worth_keeping(own, most=5)) == 5


def test_settings_of_one_figure_hold_for_every_depot() -> None:
    rules = Rules.of(PlanRules(bay_hours=40.0, monthly_budget=900.0), ["North", "South", "North"])
    assert rules.bay_hours == {"North": 40.0, "South": 40.0}
    assert rules.stated == ("bay hours", "budget")
