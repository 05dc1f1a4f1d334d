"""The first page of the demo fleet, held against the plan, the forecasts and the signals that it is made of."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from conftest import DEMO_DAY
from pipelines.steps.fleet_facts import gather_fleet
from pipelines.steps.month_book import window_end
from pipelines.steps.month_first import book_words, first_page, order_words
from pipelines.steps.parts import PartsTold, parts_told
from pipelines.steps.plan import plan_told
from pipelines.steps.plan_schedule import scheduled
from pipelines.steps.plan_told import PlanTold
from pipelines.steps.signals import SignalsTold, current_signals
from pipelines.steps.vehicle_view import FleetFacts
from pipelines.workspace import open_workspace
from plan_example import parts_example
from wearlab.pack.first_page import FirstPage
from wearlab.records import State
from wearlab.study.cautions import PLANS_ONLY, SKIN

TODAY = date.fromisoformat(DEMO_DAY)


@dataclass(frozen=True)
class Made:
    page: FirstPage
    plan: PlanTold
    parts: PartsTold
    signals: SignalsTold
    fleet: FleetFacts


@pytest.fixture(scope="module")
def made(demo_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Made:
    home = tmp_path_factory.mktemp("first") / "fleet"
    shutil.copytree(demo_home, home)
    place = open_workspace(home)
    plan = plan_told(place, TODAY)
    parts = parts_told(place, TODAY, months=plan.months, schedule=scheduled(plan))
    signals = current_signals(place, TODAY)
    with place.open() as db:
        fleet = gather_fleet(db, place, TODAY)
        return Made(first_page(db, place, fleet, plan, parts, signals), plan, parts, signals, fleet)


def texts(value: Any) -> list[str]:
    """Every text in a dataclass of plain values."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, tuple):
        return [text for item in value for text in texts(item)]
    if is_dataclass(value) and not isinstance(value, type):
        return [text for field in fields(value) for text in texts(getattr(value, field.name))]
    return []


def test_every_visit_of_three_months_is_there_with_its_parts(made: Made) -> None:
    wanted = {
        (one.vehicle, one.day, place)
        for one in made.plan.visits
        if one.day <= window_end(TODAY)
        for place in one.replace
    }
    found = {
        (row.vehicle, row.day, part.position) for month in made.page.book for row in month.rows for part in row.parts
    }
    assert wanted
    assert wanted <= found
    for month in made.page.book:
        assert all((row.day.year, row.day.month) == (month.first.year, month.first.month) for row in month.rows)
        for row in month.rows:
            assert row.reason
            assert row.waiting.startswith("Left until ")
            assert all(part.rule and part.level for part in row.parts)


def test_no_part_that_presses_is_lost(made: Made) -> None:
    """A part past its limit, or to be booked, is either dealt with in three months, or listed with the reason."""
    calls = {
        (row["vehicle"], row["position"])
        for rows in made.fleet.forecasts.values()
        for row in rows
        if row["state"] in (State.PAST_LIMIT, State.BOOK)
    }
    booked = {(row.vehicle, part.position) for month in made.page.book for row in month.rows for part in row.parts}
    left = {(one.vehicle, one.position) for one in made.page.not_booked}
    assert calls
    assert calls <= booked | left
    assert not booked & left
    assert all(one.why.endswith(".") for one in made.page.not_booked)


def test_open_signals_stand_newest_first_with_what_to_check(made: Made) -> None:
    open_ = [one["key"] for one in made.signals.signals if one["open"] and one["acknowledged"] is None]
    assert [one.key for one in made.page.signals] == open_
    assert all(one.check_first and one.sentence.endswith(".") for one in made.page.signals)
    days = [one.raised_on for one in made.page.signals]
    assert days == sorted(days, reverse=True)


def test_orders_and_counts_are_those_of_the_fleet(made: Made) -> None:
    assert [(one.name, one.order) for one in made.page.orders] == [
        (one.name, one.order.order) for one in made.parts.numbers if one.order is not None and one.order.order
    ]
    parts = {(row["vehicle"], row["position"]) for rows in made.fleet.forecasts.values() for row in rows}
    assert sum(one.parts for one in made.page.counts) == len(parts)


def test_overdue_tests_are_on_both_lists(made: Made) -> None:
    overdue = {one.vehicle for one in made.page.weak_tests if one.kind == "overdue"}
    assert {one.vehicle for one in made.page.tests if one.overdue} == overdue
    assert all(one.pressing for one in made.page.tests if one.overdue)


def test_sentences_are_finished_and_plain(made: Made) -> None:
    """No day in figures, no probability value, no unfinished word on the page."""
    page = made.page
    assert len(page.summary) == 6
    assert all(text.endswith((".", "?")) for text in page.summary)
    every = texts(page)
    parts = {part.part for month in page.book for row in month.rows for part in row.parts}
    prose = [text for text in every if text not in parts]
    assert not [text for text in prose if re.search(r"\d{4}-\d\d-\d\d", text)]
    assert not [text for text in prose if re.search(r"\bp ?[=<]|\bNone\b|\bnan\b", text)]
    assert page.issued.issued_on is None
    assert page.changes_since is None
    assert page.cautions[0] == SKIN
    assert page.cautions[-1] == PLANS_ONLY


def test_what_cannot_be_ordered_says_why() -> None:
    parts = parts_example()
    assert order_words(parts, (), "crowns") == (
        "Nothing is to be ordered now of 1 part number. Not told of van, pump, no number (no part number is known)."
    )
    assert book_words((), ("No plan keeps all of its rules.",)) == "No plan keeps all of its rules."
