"""Costs added up by hand, and what is said where figures are missing."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from wearlab.config import Settings
from wearlab.plan.costs import action_cost, cost_of_test, failure_cost
from wearlab.plan_settings import Costs, FamilyCosts, PartCost, PlanRules, RoadFailure

INJECTOR = PartCost(
    part_price=300,
    small_parts=40,
    coding_h=0.2,
    labour_alone_h=1.5,
    labour_together_h=0.5,
    core_return=60,
    set_discount_percent=10,
    test_h=0.8,
)
PUMP = PartCost(part_price=900, small_parts=80, labour_alone_h=4.0, labour_together_h=2.5, core_return=100, test_h=0.5)
COSTS = Costs(currency="crowns", labour_per_hour=60, parts={"A": FamilyCosts(injector=INJECTOR, pump=PUMP)})


@pytest.mark.parametrize(
    ("asked", "hours", "total"),
    [
        # 300 + 40 + 0.2 h and 1.5 h at 60 - 60
        ({"injectors": 1}, 1.7, 382.0),
        # 3 x 300 + 3 x 40 + 0.6 h and 2.5 h at 60 - 180
        ({"injectors": 3}, 3.1, 1026.0),
        # 6 x 300 + 240 + 1.2 h and 4.0 h at 60 - 360 - 180
        ({"injectors": 6, "whole_set": True}, 5.2, 1812.0),
        # 900 + 80 + 4 h at 60 - 100
        ({"pump": True}, 4.0, 1120.0),
        # the pump beside one injector takes 2.5 h: 382 + 900 + 80 + 150 - 100
        ({"injectors": 1, "pump": True}, 4.2, 1412.0),
        # one of two under warranty: 300 + 80 + 0.4 h and 2.0 h at 60 - 60
        ({"injectors": 2, "warranty_injectors": 1}, 2.4, 464.0),
        ({"pump": True, "warranty_pump": True}, 4.0, 320.0),
    ],
)
def test_costs_by_hand(asked: dict[str, int | bool], hours: float, total: float) -> None:
    made = action_cost(COSTS, "A", **asked)  # type: ignore[arg-type]
    assert made.hours == pytest.approx(hours)
    assert made.total == pytest.approx(total)


def test_a_test_costs_its_hours() -> None:
    both = cost_of_test(COSTS, "A", injectors=True, pump=True)
    assert (both.hours, both.total) == (pytest.approx(1.3), pytest.approx(78.0))


def test_without_a_price_there_is_no_total_and_the_figure_is_named() -> None:
    bare = Costs(labour_per_hour=60, parts={"A": FamilyCosts(injector=PartCost(labour_alone_h=1.5))})
    made = action_cost(bare, "A", injectors=2)
    assert made.total is None
    assert made.hours == pytest.approx(3.0)  # each as if alone
    assert 'costs.parts."A".injector.part_price' in made.missing
    assert 'costs.parts."A".injector.labour_together_h' in made.missing
    nothing = action_cost(Costs(), "A", injectors=1)
    assert (nothing.total, nothing.hours) == (None, None)
    assert "labour_per_hour" in nothing.missing
    assert cost_of_test(Costs(), "A", injectors=True, pump=False).hours is None


def test_a_road_failure_is_towing_and_standing() -> None:
    assert failure_cost(RoadFailure(tow=350, downtime_a_day=400, days=2), "A", "injector") == (1150.0, ())
    cost, missing = failure_cost(RoadFailure(tow=350, days=2), "A", "pump")
    assert cost == 350.0
    assert missing == ('failures."A".pump.downtime_a_day',)
    assert failure_cost(RoadFailure(), "A", "pump")[0] is None


def test_settings_have_no_figures_of_their_own_and_know_their_families() -> None:
    bare = Settings()
    assert bare.costs == Costs()
    assert bare.failures == {}
    assert [getattr(bare.plan, name) for name in ("bay_hours", "monthly_budget", "lead_days", "most_chance")] == [
        None
    ] * 4
    read = Settings.model_validate(
        {"families": {"A": {}}, "costs": {"parts": {"A": {"pump": {"part_price": 900}}}}, "failures": {"A": {}}}
    )
    assert read.costs.parts["A"].pump.part_price == 900
    assert read.costs.parts["A"].injector.part_price is None
    with pytest.raises(ValidationError, match='unknown family "B"'):
        Settings.model_validate({"families": {"A": {}}, "costs": {"parts": {"B": {}}}})
    with pytest.raises(ValidationError, match="two or more"):
        PlanRules(apart=(("V01",),))
