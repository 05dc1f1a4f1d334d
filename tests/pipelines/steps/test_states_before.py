"""States of the run before, and what has changed since."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipelines.steps.facts import facts_sha256
from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.forecast_rows import PartAhead, forecast_row
from pipelines.steps.part_limits import PartLimit
from pipelines.steps.plans import plans_of
from pipelines.steps.states_before import states_before
from pipelines.workspace import Workspace
from small_fleet import AS_OF, SmallFleet
from wearlab import __version__
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.state_changes import StateBefore
from wearlab.records import State
from wearlab.store.database import Database

FLOW = ("return_flow", "warm idle")


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    fleet = SmallFleet()
    fleet.original("V1", "2022-01-01")
    fleet.test("V1", "2026-03-01", 100_000.0, {"1": 12.0, "2": 13.0})
    fleet.work("cleaning", "2026-06-10", "V1", position="2")
    fleet.work("cleaning", "2026-04-10", "V1", position="1")  # before the run that counts
    fleet.work("replacement", "2026-07-05", "V1", position="1")  # after the day asked for
    fleet.work("swap", "2026-06-12", "V2", position="1", position_to="4")
    fleet.work("engine_swap", "2026-06-20", "V3")
    fleet.work("calibration", "2026-06-21", "V4", position="1")
    return fleet.written(tmp_path)


@pytest.fixture
def db(place: Workspace) -> Iterator[Database]:
    with place.open() as store:
        yield store


def run(db: Database, number: int, as_of: date, place: Workspace, **other: Any) -> None:
    row = {
        "run_id": number, "made_at": pd.Timestamp(2026, 1, number), "as_of": as_of, "step": "learn",
        "settings_sha256": place.settings_sha256, "facts_sha256": facts_sha256(db), "version": __version__,
    }  # fmt: skip
    db.append("run", pd.DataFrame([row | other], dtype=object))


def stated(db: Database, number: int, vehicle: str, position: str, state: str, **other: Any) -> None:
    row = {
        "run_id": number, "vehicle": vehicle, "position": position, "part": f"{vehicle}/{position}",
        "measure": FLOW[0], "protocol": FLOW[1], "unit": "ml/min", "rule": "van idle", "limit": 30.0,
        "limit_version": 1, "state": state, "readings": 3, "last_test": date(2026, 3, 1), "method": "wear model",
    }  # fmt: skip
    db.append("forecast", pd.DataFrame([row | other], dtype=object))


def told(db: Database, place: Workspace, vehicle: str, position: str, **other: str | None) -> StateBefore | None:
    part = other.get("part", f"{vehicle}/{position}") or ""
    return states_before(db, place, AS_OF).of(vehicle, part, position, *FLOW, other.get("rule", "van idle"))


def test_nothing_came_before(db: Database, place: Workspace) -> None:
    run(db, 1, AS_OF, place)  # of the same day: no earlier one
    stated(db, 1, "V1", "1", "watch")
    assert told(db, place, "V1", "1") is None


def test_the_newest_run_of_the_latest_earlier_day_counts(db: Database, place: Workspace) -> None:
    may = date(2026, 5, 31)
    run(db, 1, may, place)
    run(db, 2, may, place)
    run(db, 3, date(2026, 4, 30), place)
    run(db, 4, date(2026, 6, 1), place, step="hindsight")
    for number, state in ((1, "watch"), (2, "book"), (3, "steady"), (4, "past limit")):
        stated(db, number, "V1", "1", state)
    assert told(db, place, "V1", "1") == StateBefore(State.BOOK, may, date(2026, 3, 1), 3, "van idle", 1)


def test_a_test_that_lay_ahead_of_the_run_before_is_news(db: Database, place: Workspace) -> None:
    run(db, 1, date(2026, 2, 28), place)
    stated(db, 1, "V1", "9", "watch")
    found = told(db, place, "V1", "9")
    assert found is not None
    assert found.facts  # V1 was tested on 1 March, which the store knew already


def test_what_changed_since(db: Database, place: Workspace) -> None:
    run(db, 1, date(2026, 5, 31), place, settings_sha256="other", facts_sha256="other", version="0.0.1")
    for vehicle, position in (("V1", "1"), ("V1", "2"), ("V2", "1"), ("V2", "4"), ("V3", "2"), ("V4", "1")):
        stated(db, 1, vehicle, position, "watch")
    first = told(db, place, "V1", "1")
    assert first is not None
    assert (first.settings, first.facts, first.program, first.repair) == (True, True, True, "")
    repairs = {
        key: found.repair
        for key in (("V1", "2"), ("V2", "1"), ("V2", "4"), ("V3", "2"), ("V4", "1"))
        if (found := told(db, place, *key)) is not None
    }
    assert repairs == {
        ("V1", "2"): "cleaning on 2026-06-10",
        ("V2", "1"): "swap on 2026-06-12",
        ("V2", "4"): "swap on 2026-06-12",
        ("V3", "2"): "engine swap on 2026-06-20",
        ("V4", "1"): "",
    }


def test_another_part_in_the_position_is_known_as_such(db: Database, place: Workspace) -> None:
    run(db, 1, date(2026, 5, 31), place)
    stated(db, 1, "V1", "1", "past limit", part="V1/1/old")
    found = told(db, place, "V1", "1")
    assert found is not None
    assert (found.state, found.same_part) == (State.PAST_LIMIT, False)


def test_a_rule_that_came_or_went(db: Database, place: Workspace) -> None:
    run(db, 1, date(2026, 5, 31), place)
    stated(db, 1, "V1", "1", "no limit", rule=None, limit=None, limit_version=None)
    stated(db, 1, "V1", "2", "watch")
    came, went = told(db, place, "V1", "1"), told(db, place, "V1", "2", rule=None)
    assert came is not None
    assert went is not None
    assert (came.state, came.rule) == (State.NO_LIMIT, None)
    assert (went.state, went.rule) == (State.WATCH, "van idle")
    # a second rule beside one that stays is new, and nothing came before it
    assert told(db, place, "V1", "2", rule="another") is None


def test_banks_have_no_part_and_stay_apart(db: Database, place: Workspace) -> None:
    run(db, 1, date(2026, 5, 31), place)
    for position, state in (("bank 1", "watch"), ("bank 2", "book")):
        stated(db, 1, "V1", position, state, part="")
    found = [told(db, place, "V1", position, part="") for position in ("bank 1", "bank 2")]
    assert [(one.state, one.same_part) for one in found if one is not None] == [
        (State.WATCH, True),
        (State.BOOK, True),
    ]


def test_a_new_factor_of_recalibration_is_told(db: Database, place: Workspace) -> None:
    def factor(number: int, value: float | None, protocol: str = FLOW[1]) -> None:
        row = {"run_id": number, "measure": FLOW[0], "protocol": protocol, "factor": value, "vehicles": 30}
        row |= {"sentence": "made for this test", "accelerating": False, "misfit": False, "signs": []}
        db.append("recalibration", pd.DataFrame([row], dtype=object))

    run(db, 2, date(2026, 5, 31), place)
    stated(db, 2, "V1", "1", "watch")

    def recalibrated() -> bool | None:
        found = told(db, place, "V1", "1")
        return None if found is None else found.recalibrated

    factor(3, 1.4, protocol="crank 15 s")
    assert recalibrated() is False
    factor(1, 1.2)  # known to the run before
    assert recalibrated() is False
    factor(4, 1.3)
    assert recalibrated() is True
    factor(5, None)  # too few vehicles: none any more
    assert recalibrated() is True
    factor(6, 1.2)
    assert recalibrated() is False


def forecast(db: Database, place: Workspace, position: str, book_chance: float) -> dict[str, Any]:
    """The row of a part of V1 that passes its limit within 90 days with this chance."""
    (rule,) = place.settings.limits
    part = PartAhead(
        vehicle="V1", position=position, part=f"V1/{position}", measure=FLOW[0], protocol=FLOW[1], unit="ml/min",
        limit=PartLimit(rule, 1, 30.0, "above"), level=None, level_now=None, next_now=None, rate=None,
        forecast=CalendarForecast(past=0.02, book_chance=book_chance, watch_chance=0.9), exposure_now=1e5,
        offset_km=0.0, shown_km=1e5, readings=3, fitted=3, last_test=date(2026, 3, 1), last_used=date(2026, 3, 1),
        last_level=25.0, last_bound=None, method="wear model", silent=None,
    )  # fmt: skip
    plans = plans_of(db, AS_OF, states_before(db, place, AS_OF))
    return forecast_row(part, FleetToday(AS_OF, place.settings, {}, {}, {}, plans))


def test_a_row_remembers_its_state_unless_the_part_was_worked_on(db: Database, place: Workspace) -> None:
    may = date(2026, 5, 31)
    run(db, 1, may, place)
    for position in ("1", "2"):
        stated(db, 1, "V1", position, "book")
    kept, cleaned = forecast(db, place, "1", 0.45), forecast(db, place, "2", 0.45)
    assert (kept["state"], kept["state_before"], kept["changed"]) == ("book", "book", None)
    assert (cleaned["state"], cleaned["state_before"]) == ("watch", "book")
    assert cleaned["changed"] == "watch after book on 2026-05-31: cleaning on 2026-06-10"
    left = forecast(db, place, "1", 0.39)
    assert left["changed"] == "watch after book on 2026-05-31: nothing but time and distance"
    assert kept["retest_why"]
