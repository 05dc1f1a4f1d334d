"""The manager's morning on the demo fleet: what to pull in, test and order, why, and what waiting means."""

from __future__ import annotations

import json
import shutil
from collections import defaultdict
from datetime import date
from itertools import pairwise
from pathlib import Path

import icalendar
import openpyxl
import pytest

from conftest import DEMO_DAY, Run
from pipelines.steps.parts import parts_told
from pipelines.steps.plan import plan_told
from pipelines.steps.plan_schedule import scheduled
from pipelines.steps.plan_told import PlanTold
from pipelines.steps.plan_words import no_plan_words
from pipelines.workspace import open_workspace
from wearlab.errors import InputError
from wearlab.plan.fleet import Frame
from wearlab.plan.schedule import Infeasible, Schedule
from wearlab.records import State

TODAY = date.fromisoformat(DEMO_DAY)


@pytest.fixture(scope="module")
def home(demo_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy, so that plans under other settings leave the demo alone."""
    to = tmp_path_factory.mktemp("plan") / "fleet"
    shutil.copytree(demo_home, to)
    return to


@pytest.fixture(scope="module")
def told(home: Path) -> PlanTold:
    return plan_told(open_workspace(home), TODAY)


def changed(home: Path, to: Path, **words: str | None) -> Path:
    """The workspace with lines of wearlab.toml replaced by their first words; None drops the line."""
    shutil.copytree(home, to)
    lines = (to / "wearlab.toml").read_text(encoding="utf-8").splitlines()
    kept = []
    for line in lines:
        key = line.partition("=")[0].strip()
        new = words.get(key, line)
        if new is not None:
            kept.append(new)
    (to / "wearlab.toml").write_text("\n".join(kept) + "\n", encoding="utf-8")
    return to


def test_parts_past_their_limit_come_out_and_each_line_says_why(home: Path, told: PlanTold) -> None:
    assert isinstance(told.schedule, Schedule)
    assert told.in_money
    with open_workspace(home).open(read_only=True) as db:
        past = db.rows(
            "SELECT DISTINCT vehicle, position FROM forecast WHERE state = ? AND (position = 'pump' OR "
            "regexp_matches(position, '^[0-9]+$')) AND run_id = (SELECT max(run_id) FROM forecast)",
            [str(State.PAST_LIMIT)],
        )
    assert len(past) >= 3
    replaced = {(one.vehicle, one.position) for one in told.lines if one.kind == "replace"}
    assert set(past) <= replaced
    for line in told.lines:
        assert TODAY < line.day < date(2027, 4, 30)
        assert line.km_if_left is not None
        assert line.cost_if_left is not None
        assert line.cost is not None


def test_it_keeps_to_hours_and_money_and_costs_no_more_than_doing_nothing(home: Path, told: PlanTold) -> None:
    settings = open_workspace(home).settings
    frame = Frame(TODAY, told.months)
    hours: dict[tuple[str, int | None], float] = defaultdict(float)
    money: dict[int | None, float] = defaultdict(float)
    for visit in told.visits:
        hours[visit.depot, frame.month_of(visit.day)] += visit.hours or 0.0
        money[frame.month_of(visit.day)] += visit.cost or 0.0
    assert isinstance(settings.plan.bay_hours, dict)
    assert settings.plan.monthly_budget is not None
    assert all(spent <= settings.plan.monthly_budget + 1e-6 for spent in money.values())
    assert all(used <= settings.plan.bay_hours[depot] + 1e-6 for (depot, _), used in hours.items())
    assert isinstance(told.schedule, Schedule)
    # leaving all alone keeps every rule of the demo, and is one of the plan's own ways
    assert told.schedule.objective <= told.rivals[0].objective + 1e-6
    assert told.schedule.bound <= told.schedule.objective
    # more money never makes a plan dearer
    objectives = [row.objective for row in told.budgets if row.objective is not None]
    assert len(objectives) >= 3
    assert all(later <= earlier * (1 + 2e-3) for earlier, later in pairwise(objectives))


def test_tests_lie_at_visits_in_the_diary_and_ask_nothing_of_new_parts(told: PlanTold) -> None:
    assert told.tests
    assert len({one.vehicle for one in told.tests}) == len(told.tests)
    new = {(visit.vehicle, part): visit.day for visit in told.visits for part in visit.replace}
    for one in told.tests:
        assert one.saves > 0 or all(new.get((one.vehicle, part), date.max) > one.day for part in one.parts)
    worth = [one.saves for one in told.tests]
    assert worth == sorted(worth, reverse=True)


def test_what_the_plan_takes_out_is_ordered_for(home: Path, told: PlanTold) -> None:
    places = scheduled(told)
    assert places is not None
    assert set(places) == {(visit.vehicle, part) for visit in told.visits for part in visit.replace}
    parts = parts_told(open_workspace(home), TODAY, months=told.months, schedule=places)
    assert sum(one.whole.mean for one in parts.numbers) >= len(places) - 1e-6


def test_without_costs_it_counts_kilometres_and_names_what_is_missing(home: Path, tmp_path: Path) -> None:
    told = plan_told(open_workspace(changed(home, tmp_path / "fleet", part_price=None)), TODAY)
    assert not told.in_money
    assert isinstance(told.schedule, Schedule)
    assert all(line.cost is None for line in told.lines if line.kind == "replace")
    assert any("part_price" in sentence and "kilometres" in sentence for sentence in told.missing)
    assert told.lines


def test_a_rule_that_nothing_keeps_is_named(home: Path, tmp_path: Path) -> None:
    place = open_workspace(changed(home, tmp_path / "fleet", monthly_budget="monthly_budget = 500\nmost_chance = 0.05"))
    told = plan_told(place, TODAY)
    assert isinstance(told.schedule, Infeasible)
    assert {bite.rule for bite in told.schedule.bites} == {"bay hours", "budget", "most chance"}
    words = " ".join(no_plan_words(told))
    # some parts are past their limit, and new ones take weeks to come: no money mends that
    assert "Without the cap on the chance of being past the limit there is one" in words
    assert "Without the monthly budget there is still none" in words
    assert told.lines == ()


def test_a_budget_is_a_sum_above_nothing(home: Path) -> None:
    with pytest.raises(InputError, match="a sum of money above 0, not -5"):
        plan_told(open_workspace(home), TODAY, budget=-5)


def test_the_command_prints_it_and_writes_its_files(home: Path, tmp_path: Path, run: Run) -> None:
    book, visits = tmp_path / "plan.xlsx", tmp_path / "visits.ics"
    done = run("plan", "--home", str(home), "--as-of", DEMO_DAY, "--out", str(book), "--out", str(visits))
    assert done.code == 0, done.err
    for words in ("What to pull in, test and replace", "Why, and what waiting means", "Parts to order", "Take care"):
        assert words in done.out
    assert "not a clearance to drive" in " ".join(done.out.split())
    assert "plan" in openpyxl.load_workbook(book).sheetnames
    events = icalendar.Calendar.from_ical(visits.read_bytes()).walk("VEVENT")
    with_work = json.loads(run("plan", "--home", str(home), "--as-of", DEMO_DAY, "--json").out)
    assert len(events) == len(with_work["tables"]["visits"])
    assert "ends in .xlsx, .csv or .ics" in run("plan", "--home", str(home), "--out", "plan.docx").err
