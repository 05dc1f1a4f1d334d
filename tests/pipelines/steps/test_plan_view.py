"""The tables of a plan: which there are, and that each cell is the figure it is headed by."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from pipelines.steps.plan_view import PlanView, plan_view
from pipelines.steps.view_table import Column, table_of
from plan_example import FIRST, NEXT, SECOND, example, line, parts_example
from wearlab.errors import UnknownName
from wearlab.plan.schedule import Bite, Infeasible


def records(view: PlanView, name: str) -> list[dict[str, Any]]:
    table = view.table(name)
    heads = [column.title for column in table.columns]
    return [dict(zip(heads, row, strict=True)) for row in table.rows]


def test_every_table_is_there() -> None:
    assert plan_view(example(), parts_example()).names == (
        "plan", "visits", "tests", "parts to order", "parts by month", "parts used", "budgets", "other ways",
        "road failures", "missing figures", "not planned", "about",
    )  # fmt: skip
    assert "parts to order" not in plan_view(example(), None).names
    with pytest.raises(UnknownName, match="name one of plan, visits"):
        plan_view(example(), None).table("orders")


def test_heads_are_unlike_and_every_row_is_full() -> None:
    for table in plan_view(example(), parts_example()).tables:
        heads = [column.title.lower() for column in table.columns]
        assert len(set(heads)) == len(heads), table.name
        assert all(len(row) == len(heads) for row in table.rows), table.name
        assert table.rows, table.name


def test_a_line_of_the_plan() -> None:
    first, second, last = records(plan_view(example(), None), "plan")
    assert (first["vehicle"], first["part"], second["part"], last["vehicle"]) == ("V12", "injector 3", "pump", "V07")
    assert (first["depot"], last["depot"]) == ("North", "Lake")
    assert (first["what"], second["what"], first["day"], last["day"]) == ("replace", "test", FIRST, SECOND)
    assert first["cost: all work of the day, or the test [crowns]"] == 812.5
    assert first["chance past the limit by then [%]"] == 61.0
    assert first["chance of passing it before the next visit [%]"] == 30.0
    assert (first["passes early (1 in 20)"], first["passes late (19 in 20)"]) == (date(2026, 8, 2), date(2027, 7, 9))
    assert [first[f"past the limit if left{end} [km]"] for end in ("", ", low", ", high")] == [5230, 0, 9120]
    assert [first[f"cost if left{end} [crowns]"] for end in ("", ", low", ", high")] == [214.4, 61.0, 530.0]
    assert (first["next visit"], first["left until"]) == (NEXT, NEXT)
    assert first["why this part"].startswith("Chance of being past")
    assert first["beyond what the forecast tells"] == "no"


def test_what_is_not_known_stays_empty() -> None:
    blank = line(
        cost=None, past_then=None, before_next=None, by_next=None, cross_low=None, cross_high=None, km_if_left=None,
        cost_if_left=None, next_visit=None,
    )  # fmt: skip
    (row,) = records(plan_view(example(lines=(blank,), visits=(), currency="", in_money=False), None), "plan")
    assert {head for head, value in row.items() if value is None} == {
        "depot", "cost: all work of the day, or the test", "chance past the limit by then [%]",
        "chance of passing it before the next visit [%]", "passes early (1 in 20)", "passes late (19 in 20)",
        "past the limit if left [km]", "past the limit if left, low [km]", "past the limit if left, high [km]",
        "cost if left", "cost if left, low", "cost if left, high", "next visit",
    }  # fmt: skip


def test_visits_and_tests() -> None:
    view = plan_view(example(), None)
    first, called = records(view, "visits")
    assert first["work"] == "replace injector 3; test the pump"
    assert (first["in the diary"], called["in the diary"]) == ("yes", "no: call it in")
    assert (first["expected cost [crowns]"], called["expected cost [crowns]"]) == (861.25, None)
    assert (first["expected work [h]"], called["test"]) == (2.25, None)
    (test,) = records(view, "tests")
    assert (test["chance that one reads past the limit [%]"], test["saves [crowns]"]) == (31.0, 77.0)
    assert (test["last test"], test["test again by"]) == (date(2026, 5, 6), None)
    assert test["before warranty ends"] == "yes"
    assert "saves [km]" in records(plan_view(example(in_money=False), None), "tests")[0]


def test_budgets_tell_no_plan_from_as_much_as_it_takes() -> None:
    none, some, free = records(plan_view(example(), None), "budgets")
    assert (none["note"], none["all that is counted [crowns]"]) == ("no plan under it", None)
    assert (some["note"], some["budget a month [crowns]"]) == (None, 6000.0)
    assert (free["note"], free["budget a month [crowns]"]) == ("as much as it takes", None)
    assert free["distance avoided against the row above [km]"] == 2200
    assert some["proven gap [%]"] == 0.05
    (failure,) = records(plan_view(example(), None), "road failures")
    assert (failure["past the limit, on top [per 10,000 km]"], failure["background [per 10,000 km]"]) == (0.25, None)
    assert (failure["recorded"], failure["foretold"], failure["not foretold"], failure["not tested"]) == (4, 2, 1, 1)


def test_parts_to_order_by_month_and_used() -> None:
    view = plan_view(example(), parts_example())
    one, none = records(view, "parts to order")
    assert (one["order now"], one["cost of the order [crowns]"], one["on order"], one["enough is"]) == (2, 580.0, 2, 5)
    assert (one["with a chance of [%]"], one["lead time [days]"], one["why none is told"]) == (95.0, 10, None)
    assert (none["order now"], none["why none is told"]) == (None, "no part number is known")
    months = [row for row in records(view, "parts by month") if row["part number"] == "IV-20"]
    assert [(row["span"], row["ends on"], row["expected"]) for row in months] == [
        ("month", date(2026, 11, 30), 0.42),
        ("month", date(2026, 12, 31), 0.2),
        ("all months", date(2026, 12, 31), 0.62),
    ]
    assert [months[0][f"enough with {share} %"] for share in (50, 90, 95)] == [0, 1, 2]
    (used,) = records(view, "parts used")
    assert (used["expected then"], used["put in"]) == (None, 3)
    assert [row["for"] for row in records(view, "missing figures")] == ["plan", "parts"]
    assert records(view, "not planned") == [{"vehicle": "V03", "why": "it leaves before its next visit"}]


def test_about_tells_why_there_is_no_plan() -> None:
    told = {row["what"]: row["is"] for row in records(plan_view(example(), None), "about")}
    assert (told["as of"], told["counted in"], told["proven gap"]) == ("2026-10-31", "money (crowns)", "0.05 %")
    assert "no plan" not in told
    no_plan = Infeasible((Bite("budget", True, 100.0, "money", ("0",)),))
    view = plan_view(example(schedule=no_plan, lines=(), visits=(), budgets=(), rivals=()), None)
    assert view.no_plan
    assert [row["is"] for row in records(view, "about") if row["what"] == "no plan"] == list(view.no_plan)


def test_numbers_are_rounded_as_shown_and_infinite_ones_are_not_known() -> None:
    table = table_of(
        "x",
        [(0.1 + 0.2, -0.4, float("inf"), True)],
        (
            (Column("a", "money"), lambda row: row[0]),
            (Column("b", "km"), lambda row: row[1]),
            (Column("c", "hours"), lambda row: row[2]),
            (Column("d"), lambda row: row[3]),
        ),
    )
    assert table.rows == ((0.3, 0, None, "yes"),)
    assert (
        Column("cost", "money", "a\nlabel that is much too long for a head").title == "cost [a label that is much too]"
    )
