"""The fleet page: of the demo beside what its tables hold, and of runs written by hand."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from conftest import DEMO_DAY
from pipelines.steps.fleet_facts import gather_fleet
from pipelines.steps.month_fleet import fleet_page
from pipelines.steps.month_rigs import calibration_words, check_words
from pipelines.steps.month_states import coming_months, crossings_ahead, pressing, states_over_time
from pipelines.steps.month_wear import month_ends, spread_of
from pipelines.steps.rigs import Calibration, SelfCheck
from pipelines.steps.vehicle_view import FleetFacts
from pipelines.workspace import open_workspace
from wearlab.config import Settings
from wearlab.pack.fleet_page import FleetPage
from wearlab.pack.fleet_pictures import fleet_pictures
from wearlab.store.database import Database, open_database

DAY = date.fromisoformat(DEMO_DAY)
LEVELS = ("row set aside", "cell set aside")


@pytest.fixture(scope="module")
def made(demo_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Database, FleetFacts, FleetPage]]:
    home = tmp_path_factory.mktemp("fleet_page") / "fleet"
    shutil.copytree(demo_home, home)
    place = open_workspace(home)
    with place.open() as db:
        fleet = gather_fleet(db, place, DAY)
        yield db, fleet, fleet_page(db, fleet)


def facts(rows: dict[str, list[dict[str, Any]]], *, run: int = 1, as_of: date = DAY) -> FleetFacts:
    wear: Any = SimpleNamespace(paths={}, states={})
    return FleetFacts(Settings(), {}, {}, {}, rows, {}, wear, run, as_of)


def test_wear_of_the_demo_is_that_of_its_paths(made: tuple[Database, FleetFacts, FleetPage]) -> None:
    db, fleet, page = made
    headings = [section.heading for section in page.wear]
    assert "return flow, warm idle: four-cylinder van" in headings
    assert len(headings) == len(set(headings))
    section = next(one for one in page.wear if one.heading == "return flow, warm idle: four-cylinder van")
    # the levels at each life's last test, by the table of states: a little lower than what they have come to since
    stored = db.rows(
        "SELECT s.level FROM part_state s JOIN register r USING (vehicle) JOIN fitment f USING (part, life) "
        "WHERE s.run_id = ? AND s.measure = 'return_flow' AND s.protocol = 'warm idle' AND f.to_date IS NULL "
        "AND r.family = 'four-cylinder van'",
        [fleet.run],
    )
    last = section.whole.months[-1].level
    assert last is not None
    assert last.parts == len(stored)
    median = float(np.median([row[0] for row in stored]))
    assert median < last.median < 1.1 * median
    assert sum(one.parts_now for one in section.depots) == last.parts
    # the model's own rate of the family holds the median rate: its interval is told in the page on the wear model
    low, high = db.rows(
        "SELECT low, high FROM wear_effect WHERE run_id = ? AND measure = 'return_flow' AND protocol = 'warm idle' "
        "AND kind = 'rate' AND name = 'four-cylinder van'",
        [fleet.run],
    )[0]
    rates = [one.rate.median for one in section.whole.months if one.rate is not None]
    assert min(rates) < high
    assert max(rates) > low
    assert section.whole.limit is not None
    assert section.whole.limit.value == 28.0
    assert f"{last.parts} parts in October 2026" in section.sentence


def test_the_last_month_is_that_of_the_pack_and_months_follow_each_other(
    made: tuple[Database, FleetFacts, FleetPage],
) -> None:
    for section in made[2].wear:
        for cohort in (section.whole, *section.depots):
            numbers = [one.month.year * 12 + one.month.month for one in cohort.months]
            assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
            assert cohort.months[-1].month == date(2026, 10, 1)


def test_what_has_no_wear_is_named(made: tuple[Database, FleetFacts, FleetPage]) -> None:
    assert any(text.startswith("pump peak") and "beyond the scale" in text for text in made[2].unsaid)


def test_states_of_the_demo_count_every_part_once(made: tuple[Database, FleetFacts, FleetPage]) -> None:
    db, fleet, page = made
    parts = db.value("SELECT count(DISTINCT (vehicle, position, part)) FROM forecast WHERE run_id = ?", [fleet.run])
    assert sum(count.parts for count in page.states.months[-1].counts) == parts
    past = db.value(
        "SELECT count(DISTINCT (vehicle, position)) FROM forecast WHERE run_id = ? AND state = 'past limit'",
        [fleet.run],
    )
    assert {count.state: count.parts for count in page.states.months[-1].counts}["past limit"] == past
    assert "States are kept from 31 October 2026 on" in page.states.sentence


def test_crossings_of_the_demo_agree_with_the_chances_of_its_forecasts(
    made: tuple[Database, FleetFacts, FleetPage],
) -> None:
    db, fleet, page = made
    within, past = db.rows(
        "SELECT sum(a), sum(b) FROM (SELECT max(within_365) AS a, max(past) AS b FROM forecast "
        'WHERE run_id = ? AND "limit" IS NOT NULL GROUP BY vehicle, position)',
        [fleet.run],
    )[0]
    year = page.crossings.past_now + sum(one.expected for one in page.crossings.months[:12])
    # each part by its likeliest limit of all 18 months, which need not be that of the year
    assert year == pytest.approx(within, rel=0.1)
    assert page.crossings.past_now == pytest.approx(past, rel=0.1)
    assert all(one.low <= one.expected + 1 and one.expected - 1 <= one.high for one in page.crossings.months)
    assert page.crossings.months[0].month == date(2026, 11, 1)


def test_rigs_of_the_demo_are_those_of_the_fit(made: tuple[Database, FleetFacts, FleetPage]) -> None:
    db, fleet, page = made
    stored = db.value("SELECT count(*) FROM wear_effect WHERE run_id = ? AND kind = 'offset'", [fleet.run])
    told = [one for one in page.rigs.offsets if not one.base]
    assert len(told) == stored > 0
    groups = {(one.measure, one.protocol) for one in page.rigs.offsets}
    bases = {(one.measure, one.protocol, f"{one.rig} {one.period}") for one in page.rigs.offsets if one.base}
    assert len(bases) == len(groups)
    notes = " ".join(
        f"{row[0]} {row[1]} {row[2]}"
        for row in db.rows(
            "SELECT measure, protocol, array_to_string(notes, ' ') FROM wear_group WHERE run_id = ?", [fleet.run]
        )
    )
    for _, _, name in bases:
        assert f"told as on rig {name}" in notes
    assert [row.rig for row in page.rigs.rigs] == ["R-lake", "R-mill", "R-north"]
    assert all(row.calibrated == date(2026, 3, 15) and row.due == date(2027, 3, 15) for row in page.rigs.rigs)


def test_quality_of_the_demo_adds_up(made: tuple[Database, FleetFacts, FleetPage]) -> None:
    db, _, page = made
    quality = page.quality
    aside, cells = db.rows("SELECT sum(set_aside), sum(cells_set_aside) FROM source_file")[0]
    by_level = {
        one: sum(r.count for r in quality.remarks if r.level == one) for one in ("row set aside", "cell set aside")
    }
    assert by_level["cell set aside"] == cells
    assert by_level["row set aside"] <= aside == sum(row.set_aside for row in quality.files)
    crank = next(one for one in quality.left_out if one.protocol == "crank 15 s")
    assert crank.outside == 406  # as the notes of its fit say
    assert "406 readings lie outside the range of correction" in quality.sentence


def test_every_picture_has_the_table_of_what_it_draws(made: tuple[Database, FleetFacts, FleetPage]) -> None:
    page = made[2]
    pictures = fleet_pictures(page)
    assert len(pictures.wear) == len(page.wear)
    assert pictures.states is not None
    assert pictures.crossings is not None
    every = [*pictures.wear, pictures.states, pictures.crossings, *pictures.rigs]
    for picture in every:
        assert all(len(row) == len(picture.table.headers) for row in picture.table.rows)
        assert picture.table.rows
    assert sum(len(one.chart.svg) for one in every) < 600_000
    assert len(pictures.crossings.table.rows) == len(page.crossings.months)
    assert pictures.wear[0].table.rows[0][0] == "October 2026"


def test_states_of_earlier_runs_are_kept_by_month() -> None:
    with open_database(Path(":memory:")) as db:
        # of October two days, the later one stands; of the pack's day the run that is asked for
        days = [date(2026, 8, 31), date(2026, 10, 15), date(2026, 10, 31), date(2026, 10, 31), date(2026, 11, 30)]
        for run, day in enumerate(days, start=1):
            db.run("INSERT INTO run VALUES (?, ?, ?, 'learn', '', '', '')", [run, datetime(2026, 12, 1), day])
        said = {
            1: ["steady", "watch", "steady"],
            2: ["book", "book", "book"],
            3: ["steady", "book", "past limit"],
            4: ["no limit", "no limit", "no limit"],
            5: ["steady", "steady", "steady"],
        }
        rows = [
            {"run_id": run, "vehicle": "T01", "position": str(place), "part": f"P{place}", "measure": "return_flow",
             "protocol": "idle", "unit": "ml/min", "state": state, "readings": 3, "method": "line"}
            for run, states in said.items()
            for place, state in enumerate(states)
        ]  # fmt: skip
        # a second measure of the first part of run 3: the more pressing one counts
        rows.append(rows[6] | {"measure": "pump_rise", "state": "watch"})
        db.append("forecast", pd.DataFrame(rows, dtype=object))
        told = states_over_time(db, facts({}, run=3))
    assert [(one.month, one.as_of) for one in told.months] == [
        (date(2026, 8, 1), date(2026, 8, 31)), (date(2026, 10, 1), date(2026, 10, 31))
    ]  # fmt: skip
    counts = [{count.state: count.parts for count in one.counts if count.parts} for one in told.months]
    assert counts == [{"steady": 2, "watch": 1}, {"watch": 1, "book": 1, "past limit": 1}]
    assert "states are kept since August 2026, 1 of the 3 months since then were not reported" in told.sentence
    assert "past limit +1, book +1" in told.sentence


def test_a_test_without_a_limit_speaks_only_alone() -> None:
    assert pressing(["no limit", "steady"]) == "steady"
    assert pressing(["no limit"]) == "no limit"
    assert pressing(["steady", "watch", "book"]) == "book"


def test_crossings_take_a_part_once_and_count_what_has_no_law() -> None:
    sure = {"position": "1", "limit": 28.0, "past": 1.0, "within_30": 1.0, "within_365": 1.0}
    likely = {"position": "2", "limit": 28.0, "past": 0.0, "within_30": 0.5, "within_90": 0.9, "within_365": 0.99}
    late = {"position": "2", "limit": 2.0, "past": 0.0, "within_365": 0.01}
    silent = {"position": "3", "limit": 28.0}
    free = {"position": "4", "limit": None, "past": 0.5}
    told = crossings_ahead(facts({"T01": [sure, likely, late, silent, free]}))
    assert (told.parts, told.untold) == (2, 1)
    assert told.past_now == pytest.approx(1.0, abs=1e-4)
    # 30 days to the end of November: one of two, told as none to one
    assert told.months[0].expected == pytest.approx(0.5, abs=0.01)
    assert (told.months[0].low, told.months[0].high) == (0, 1)
    assert "1 part with a limit has no forecast" in told.sentence
    none = crossings_ahead(facts({}))
    assert (none.parts, none.past_now, none.sentence) == (
        0,
        0.0,
        "No part has a forecast of the day it passes a limit.",
    )


def test_months_ahead_begin_the_day_after() -> None:
    assert coming_months(date(2026, 10, 31), 3) == [
        (date(2026, 11, 1), date(2026, 11, 30)), (date(2026, 12, 1), date(2026, 12, 31)),
        (date(2027, 1, 1), date(2027, 1, 31)),
    ]  # fmt: skip
    assert coming_months(date(2026, 12, 10), 1) == [(date(2026, 12, 1), date(2026, 12, 31))]


def test_months_back_end_on_the_day_of_the_pack() -> None:
    found = month_ends(date(2025, 11, 20), date(2026, 2, 10))
    assert [end for _, end in found] == [date(2025, 11, 30), date(2025, 12, 31), date(2026, 1, 31), date(2026, 2, 10)]
    assert len(month_ends(date(1990, 1, 1), date(2026, 2, 10))) == 60


def test_too_few_parts_tell_a_median_alone() -> None:
    few = spread_of(np.array([3.0, np.nan, 1.0, 2.0, 9.0]))
    assert few is not None
    assert (few.parts, few.median, few.p10) == (4, 2.5, None)
    enough = spread_of(np.arange(11.0))
    assert enough is not None
    assert (enough.p10, enough.p25, enough.median, enough.p90) == (1.0, 2.5, 5.0, 9.0)
    assert spread_of(np.array([np.nan])) is None


def test_calibrations_and_self_checks_in_words() -> None:
    last, due = date(2026, 3, 15), date(2026, 9, 11)
    assert calibration_words(Calibration("R", None, 180, None, 0), DAY) == "No calibration is written down."
    assert calibration_words(Calibration("R", last, None, None, 0), DAY).endswith("no interval is set.")
    assert "overdue by 50 days, since 11 September 2026" in calibration_words(Calibration("R", last, 180, due, 50), DAY)
    later = Calibration("R", last, 365, date(2027, 3, 15), 0)
    assert calibration_words(later, DAY) == "Calibrated on 15 March 2026; due on 15 March 2027, in 135 days."
    check = SelfCheck("R", "2", last, 0.4, 0.2, 5, 0.3)
    assert "channel 2: 0.40 bar/s, median of the 4 before 0.20 bar/s; past the limit of 0.30" in check_words(check)
    assert check_words(SelfCheck("R", "", last, 0.4, None, 1, None)).endswith("no limit is set.")
