"""From a small store to signals: planted events found and named, known ones silent, acknowledgements that last."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from conftest import Run
from pipelines.steps.acknowledgements import acknowledge
from pipelines.steps.notes import Note, add_note
from pipelines.steps.signals import VISITS_A_FALSE_SIGNAL, SignalsTold, chosen, current_signals
from pipelines.workspace import Workspace, open_workspace
from small_fleet import AS_OF, SETTINGS, SmallFleet
from wearlab.errors import InputError, UnknownName

VEHICLES, VISITS = 16, 8
#: visit from which what was planted shows
FROM = 5
#: what was planted: a part's step, a part replaced in silence, a part replaced and noted, a whole vehicle in silence, a
#: whole vehicle noted, one spoiled reading
STEP, SILENT, NOTED, FUEL, FUEL_NOTED, SPOILED = "V4", "V6", "V8", "V10", "V12", "V14"


def day_of(visit: int, vehicle: int) -> date:
    return date(2022, 7, 1) + timedelta(days=190 * visit + 3 * vehicle)


def event_day(name: str) -> date:
    return day_of(FROM, int(name[1:])) - timedelta(days=60)


def planted(seed: int = 4) -> SmallFleet:
    fleet, rng = SmallFleet(), np.random.default_rng(seed)
    for number in range(1, VEHICLES + 1):
        name = f"V{number}"
        fleet.original(name, "2022-01-01")
        level, rate = 10 + rng.normal(0, 0.8, 4), 0.7 + rng.normal(0, 0.1, 4)
        for visit in range(VISITS):
            day = day_of(visit, number)
            km = 100.0 * (day - date(2022, 1, 1)).days
            true = level + rate * km / 10_000
            since = visit >= FROM
            if name == STEP and since:
                true[1] *= 1.6
            if name in (SILENT, NOTED) and since:
                true[0] = 9.0 + rate[0] * (km - 100.0 * (event_day(name) - date(2022, 1, 1)).days) / 10_000
            if name in (FUEL, FUEL_NOTED) and since:
                true *= 1.4
            if name == SPOILED and visit == FROM:
                true[3] *= 1.8
            read = np.round(true * np.exp(rng.normal(0, 0.04, 4)), 1)
            fleet.test(
                name, day.isoformat(), km, {str(k + 1): float(v) for k, v in enumerate(read)},
                resolution=0.1, fuel_temp_c=45.0, temp_kind="tank", rail_bar=280.0,
            )  # fmt: skip
    fleet.work("replacement", event_day(NOTED).isoformat(), NOTED, position="1", origin="new")
    fleet.work("contamination", event_day(FUEL_NOTED).isoformat(), FUEL_NOTED)
    return fleet


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    made = planted().written(tmp_path_factory.mktemp("signals") / "home")
    current_signals(made, AS_OF)
    return made


@pytest.fixture(scope="module")
def told(place: Workspace) -> SignalsTold:
    return current_signals(place, AS_OF)


def of(told: SignalsTold, name: str) -> list[dict[str, Any]]:
    return [one for one in told.signals if one["vehicle"] == name]


def test_the_budget_is_stated_and_few_visits_use_a_part_of_it(told: SignalsTold) -> None:
    budget = told.budget
    # all tests of the last year, over twelve months
    days = [day_of(visit, number) for visit in range(VISITS) for number in range(1, VEHICLES + 1)]
    recent = sum(AS_OF - timedelta(days=365) < day <= AS_OF for day in days)
    assert budget.budget == 2.0
    assert budget.visits_a_month == pytest.approx(recent / 12, rel=0.01)
    assert budget.expected == pytest.approx(budget.visits_a_month / VISITS_A_FALSE_SIGNAL, rel=0.02)
    assert budget.limit is not None
    assert 2.5 < budget.limit < 4.5
    assert told.recent == sum(AS_OF - timedelta(days=30) < one["detected_on"] <= AS_OF for one in told.signals)


@pytest.mark.parametrize(
    ("name", "kind", "position", "percent"),
    [(STEP, "step", "2", 60.0), (FUEL, "vehicle", None, 40.0), (SPOILED, "reading", "4", 80.0)],
)
def test_what_was_planted_is_found_with_its_cause_its_day_and_its_size(
    told: SignalsTold, name: str, kind: str, position: str | None, percent: float
) -> None:
    found = max(of(told, name), key=lambda one: abs(one["z"]))
    assert (found["kind"], found["position"]) == (kind, position)
    shown = day_of(FROM, int(name[1:]))
    assert found["onset_on"] == shown
    assert found["onset_early"] <= (shown if kind == "reading" else event_day(name)) <= found["onset_late"] <= AS_OF
    assert found["percent_low"] < percent < found["percent_high"]
    # an interval that says something: no wider to either side than a sixth of the level
    assert found["percent_high"] - found["percent_low"] < 34
    assert found["size_low"] < found["size"] < found["size_high"]
    assert not found["question"]


def test_a_part_replaced_in_silence_is_asked_for(told: SignalsTold) -> None:
    found = max(of(told, SILENT), key=lambda one: abs(one["z"]))
    assert (found["kind"], found["position"]) == ("step", "1")
    assert found["size_high"] < 0
    assert found["question"] == "was injector 1 replaced or cleaned and not recorded?"


def test_known_events_are_silent(told: SignalsTold) -> None:
    for name in (NOTED, FUEL_NOTED):
        shown = day_of(FROM, int(name[1:]))
        assert [one for one in of(told, name) if one["onset_early"] < shown <= one["onset_late"]] == []


def test_a_spoiled_reading_is_closed_once_later_visits_read_as_expected(told: SignalsTold) -> None:
    found = max(of(told, SPOILED), key=lambda one: abs(one["z"]))
    assert not found["open"]
    assert found["closed"] == "later visits read as expected"
    assert max(of(told, STEP), key=lambda one: abs(one["z"]))["open"]


def test_an_acknowledgement_and_a_settled_event_last_when_all_is_learned_anew(tmp_path: Path) -> None:
    place = planted().written(tmp_path / "home")
    before = current_signals(place, AS_OF)
    step = max(of(before, STEP), key=lambda one: abs(one["z"]))
    assert any(one["kind"] == "vehicle" for one in of(before, FUEL))
    with place.open() as db:
        acknowledge(db, step["key"][:5], "  seal renewed  ", before.signals)
        # what was found becomes a known event
        add_note(db, Note(FUEL, FUEL, "contamination", event_day(FUEL)), as_of=AS_OF)
    after = current_signals(place, AS_OF)
    same = max(of(after, STEP), key=lambda one: abs(one["z"]))
    assert same["acknowledged"] == "seal renewed"
    assert same["z"] != step["z"]  # it was learned anew
    assert same not in chosen(after)
    assert same in chosen(after, every=True)
    assert all(one["kind"] != "vehicle" for one in of(after, FUEL))
    # another part of the same vehicle is not covered by it
    assert all(one["acknowledged"] is None for one in after.signals if one["vehicle"] != STEP)


def test_an_acknowledgement_needs_a_reason_and_a_known_key(place: Workspace, told: SignalsTold) -> None:
    with place.open() as db:
        with pytest.raises(InputError, match="needs a reason"):
            acknowledge(db, told.signals[0]["key"], " ", told.signals)
        with pytest.raises(UnknownName, match="no signal has the key"):
            acknowledge(db, "zz", "seen", told.signals)
        assert db.value("SELECT count(*) FROM acknowledgement") == 0


def test_the_command_prints_answer_budget_cause_and_check(place: Workspace, told: SignalsTold, run: Run) -> None:
    said = run("signals", "--home", place.home, "--as-of", AS_OF)
    assert said.code == 0, said.err
    first, second, *_ = said.out.splitlines()
    assert first == f"{told.recent} signals in the last 30 days; chance alone would raise about {told.by_chance:.2g}."
    assert second.startswith("Budget: 2 false signals a month over the whole fleet")
    assert "V10, all parts tested: return flow, warm idle" in said.out
    assert "Check first: What all parts share" in said.out
    assert "Fuel above about 100 bar goes through skin" in said.out
    assert "wearlab note V6 replacement --position 1 --on DATE" in said.out
    assert "p-value" not in said.out


def test_the_command_chooses_and_prints_json(place: Workspace, told: SignalsTold, run: Run) -> None:
    everything = run("signals", "--home", place.home, "--as-of", AS_OF, "--json").json
    assert len(everything["signals"]) == len(told.signals)
    assert everything["budget"]["false_per_month"] == 2.0
    assert all(one["sentence"] and one["check_first"] for one in everything["signals"])
    days = [one["detected_on"] for one in everything["signals"]]
    assert days == sorted(days, reverse=True)
    some = run("signals", "--home", place.home, "--as-of", AS_OF, "--json", "--open", "--since", "2025-03-01").json
    assert some["signals"] == [
        one for one in everything["signals"] if one["open"] and one["detected_on"] >= "2025-03-01"
    ]
    assert 0 < len(some["signals"]) < len(everything["signals"])


def test_a_reason_without_a_key_is_refused(place: Workspace, run: Run) -> None:
    said = run("signals", "--home", place.home, "--as-of", AS_OF, "--reason", "seen")
    assert (said.code, said.err) == (2, "wearlab: --reason belongs to --accept KEY\n")


def test_a_store_that_nothing_can_be_learned_from_says_so(tmp_path: Path, run: Run) -> None:
    fleet = SmallFleet()
    fleet.vehicle("V1")
    place = fleet.written(tmp_path / "home")
    said = run("signals", "--home", place.home, "--as-of", AS_OF)
    assert said.code == 0, said.err
    assert "no group of tests has a wear model yet" in said.out


def test_a_budget_of_next_to_nothing_raises_nothing(tmp_path: Path) -> None:
    settings = SETTINGS + "\n[signals]\nfalse_per_month = 1e-9\n"
    place = planted().written(tmp_path / "home", settings)
    told = current_signals(open_workspace(place.home), AS_OF)
    assert told.budget.limit is None or told.budget.limit > 6
    assert all(abs(one["z"]) > 5 for one in told.signals)
