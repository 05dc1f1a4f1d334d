"""Sentences of a plan."""

from __future__ import annotations

from datetime import date

import pytest

from pipelines.steps.plan_words import (
    left_words,
    no_plan_words,
    part_words,
    why_now_words,
    why_part_words,
    work_words,
)
from plan_example import NEXT, example, line, visit
from wearlab.plan.crossing_law import Spread
from wearlab.plan.fleet import week_of
from wearlab.plan.schedule import Bite, Infeasible
from wearlab.records import NoAnswer


@pytest.mark.parametrize(
    ("positions", "words"),
    [
        (["3"], "injector 3"),
        (["10", "2"], "injectors 2 and 10"),
        (["4", "pump", "1", "2"], "injectors 1, 2 and 4 and pump"),
        (["pump"], "pump"),
        ([], ""),
    ],
)
def test_parts_are_listed_by_cylinder(positions: list[str], words: str) -> None:
    assert part_words(positions) == words


@pytest.mark.parametrize(
    ("replace", "test", "whole", "words"),
    [
        (("3",), ("1", "2"), False, "replace injector 3; test the set"),
        (("1", "2", "3", "4"), (), True, "replace full set"),
        (("1", "2", "3", "4", "pump"), (), True, "replace full set and pump"),
        ((), ("1", "pump"), False, "test the set and pump"),
        ((), ("pump",), False, "test the pump"),
        ((), (), False, ""),
    ],
)
def test_work_of_a_visit(replace: tuple[str, ...], test: tuple[str, ...], whole: bool, words: str) -> None:
    assert work_words(visit(replace=replace, test=test, whole_set=whole)) == words


@pytest.mark.parametrize(
    ("why", "words"),
    [
        ("past limit", "Its last test reads past the limit."),
        ("past by then", "Chance of being past the limit on 12 November 2026: 6 in 10."),
        (
            "may pass before the next visit",
            "Chance of being past the limit by 20 May 2027, the next visit: 9 in 10.",
        ),
        (
            "with the set",
            "It comes out with the full set; by itself it could stay: past the limit by 20 May 2027, the next visit, "
            "9 in 10.",
        ),
        (
            "a test decides",
            "The test decides: chance of being past the limit 6 in 10 on that day, 9 in 10 by 20 May 2027, the next "
            "visit.",
        ),
    ],
)
def test_why_this_part(why: str, words: str) -> None:
    assert why_part_words(line(why_part=why)) == words


def test_without_a_forecast_no_chance_is_invented() -> None:
    blank = line(why_part="with the set", past_then=None, by_next=None, next_visit=None)
    assert why_part_words(blank) == "It comes out with the full set."
    assert why_part_words(line(why_part="past by then", past_then=None)).endswith("not told.")


def test_every_reason_for_the_day_has_a_sentence_of_its_own() -> None:
    reasons = ("last before leaving", "before warranty ends", "first it can be there", "only visit", "costs least")
    told = [why_now_words(line(why_now=why), in_money=money) for why in reasons for money in (True, False)]
    assert len(set(told)) == 6
    assert all(words.endswith(".") for words in told)
    assert "heapest" not in why_now_words(line(why_now="costs least"), in_money=False)


def test_what_leaving_it_means() -> None:
    assert left_words(line(), "crowns") == (
        "Left until 20 May 2027, the next visit: about 5,200 (0 to 9,100) km past the limit, and road failures for "
        "210 (61 to 530) crowns."
    )
    assert left_words(line(km_if_left=None, cost_if_left=None), "crowns") == ""
    last = line(next_visit=None, cost_if_left=None, km_if_left=Spread(99.6, 9.0, 996.0), drawn_on=True)
    assert left_words(last, "") == (
        f"Left until {NEXT.day} May 2027, with no later visit known: about 100 (9 to 1,000) km past the limit; that "
        "day lies beyond what the forecast tells."
    )


def test_the_rule_that_bites_is_named_with_its_place() -> None:
    week = week_of(date(2026, 11, 12))
    bites = (
        Bite("bay hours", True, 12.4, "h", ("North 0", "Upper Lake 2")),
        Bite("budget", True, 1250.0, "money", tuple(str(month) for month in range(6))),
        Bite("apart", True, 1.0, "vehicles", (f"V01, V02 in week {week}",)),
        Bite("most chance", True, 0.123, "chance", ("V12",)),
        Bite("budget", True, None, "money"),
        Bite("budget", False, None, "money"),
    )
    assert no_plan_words(example(schedule=Infeasible(bites))) == (
        "No plan keeps all of its rules.",
        "Without the bay hours there is one: it has to give by 12 h in all (North month from 31 October 2026, "
        "Upper Lake month from 31 December 2026).",
        "Without the monthly budget there is one: it has to give by 1,250 crowns in all (month from 31 October 2026, "
        "month from 30 November 2026, month from 31 December 2026, month from 31 January 2027 and 2 more).",
        "Without the vehicles that must not be in the workshop together there is one: 1 of them too many in a week "
        "(V01, V02 in the week of 9 November 2026).",
        "Without the cap on the chance of being past the limit there is one: it has to rise by 0.123 (V12).",
        "Without the monthly budget there is one; by how much it has to give was not found.",
        "Without the monthly budget there is still none.",
    )
    assert no_plan_words(example(schedule=NoAnswer("no plan was found within 40 s"))) == (
        "No plan: no plan was found within 40 s.",
    )
    assert no_plan_words(example()) == ()
