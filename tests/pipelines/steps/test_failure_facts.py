"""Road failures: kilometres on both sides of the limit by hand, what was foretold, and the demo's planted truth."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipelines.steps.failure_facts import KindFailures, failure_facts, of_unknown_cause, road_events
from pipelines.steps.failure_margins import Level, Margin, Series, margins, split
from pipelines.steps.learn import latest_run
from pipelines.steps.lives import fresh_lives, meter_histories
from pipelines.workspace import Workspace, open_workspace
from small_fleet import AS_OF, SETTINGS, SmallFleet
from wearlab.limit_settings import LimitRule
from wearlab.plan.road_failures import FailureRate
from wearlab.records import NoAnswer

ROOT = Path(__file__).parents[3]
SET = {"1": 10.0, "2": 11.0, "3": 12.0, "4": 13.0}
DAYS = ("2025-01-01", "2025-07-01", "2026-01-01", "2026-06-01")
KM = (60_000.0, 75_000.0, 90_000.0, 105_000.0)

PUMP_LIMITS = """
[[limits]]
name = "peak"
measure = "pump_peak"
family = "van"
kind = "least"
value = 1200
unit = "bar"
source = "made for this test"
[[limits]]
name = "rise"
measure = "pump_rise"
family = "van"
kind = "most"
value = 2
unit = "s"
source = "made for this test"
"""

COSTS = """
[failures."van".injector]
tow = 300
downtime_a_day = 100
per_10000_km_beyond = 0.5
"""

IDLE = ("return_flow", "warm idle")


@dataclass
class Learned:
    """A small fleet with what a run would have found of it."""

    fleet: SmallFleet = field(default_factory=SmallFleet)
    paths: list[dict[str, Any]] = field(default_factory=list)
    rates: list[dict[str, Any]] = field(default_factory=list)
    runs: list[dict[str, Any]] = field(default_factory=list)
    said: list[dict[str, Any]] = field(default_factory=list)

    def van(self, name: str = "V1") -> None:
        """A van with original parts and four tests, 15,000 km from one to the next."""
        self.fleet.original(name, "2024-01-01")
        for day, km in zip(DAYS, KM, strict=True):
            self.fleet.test(name, day, km, SET)

    def levels(
        self,
        part: str,
        levels: Sequence[float],
        days: Sequence[str] = DAYS,
        group: tuple[str, str] = IDLE,
        rate: float | None = None,
    ) -> None:
        """What the run smoothed of a part, and its rate a 10,000 km."""
        key = {"run_id": 1, "part": part, "life": 1, "measure": group[0], "protocol": group[1]}
        self.paths += [
            key | {"tested_on": pd.Timestamp(day), "level": level} for day, level in zip(days, levels, strict=True)
        ]
        if rate is not None:
            counts = {"readings": 4, "visits": 4, "beyond": 0, "outside": 0}
            words = {"vehicle": "V1", "position": "1", "rate_unit": "", "reference": ""}
            self.rates.append(key | counts | words | {"last_test": pd.Timestamp(days[-1]), "rate": rate})

    def run(self, number: int, as_of: str, states: Mapping[tuple[str, str], Sequence[str]]) -> None:
        """An earlier run with the states of some positions of V1's original parts."""
        row = {"run_id": number, "made_at": pd.Timestamp(as_of), "as_of": pd.Timestamp(as_of), "step": "learn"}
        self.runs.append(row | {"settings_sha256": "", "facts_sha256": "", "version": ""})
        for (position, part), words in states.items():
            self.said += [
                {"run_id": number, "vehicle": "V1", "position": position, "part": part, "measure": IDLE[0]}
                | {"protocol": IDLE[1], "unit": "ml/min", "state": state, "readings": 2, "method": "line"}
                for state in words
            ]

    def facts(self, home: Path, settings: str = SETTINGS) -> dict[tuple[str, str], KindFailures]:
        """Write all of it, and tell the failures."""
        return self.told(self.fleet.written(home, settings))

    def told(self, place: Workspace) -> dict[tuple[str, str], KindFailures]:
        """Tell the failures of the fleet as it was written."""
        with place.open() as db:
            fresh_lives(db, place.settings)
            tables = {"part_path": self.paths, "part_state": self.rates, "run": self.runs, "forecast": self.said}
            for table, rows in tables.items():
                if rows:
                    db.append(table, pd.DataFrame(rows, dtype=object))
            found = failure_facts(db, place.settings, 1, AS_OF, meter_histories(db))
        return {(one.family, one.kind): one for one in found}


@pytest.fixture
def made() -> Learned:
    """One van whose second injector passes its limit of 30 ml/min at 82,500 km, half way between two tests."""
    built = Learned()
    built.van()
    for position in "134":
        built.levels(f"V1/{position}/2024-01-01", [10.0, 11.0, 12.0, 13.0])
    built.levels("V1/2/2024-01-01", [10.0, 20.0, 40.0, 50.0])
    return built


def test_kilometres_of_parts_are_split_where_the_level_passes_the_limit(made: Learned, tmp_path: Path) -> None:
    found = made.facts(tmp_path)
    one = found["van", "injector"]
    # four injectors over the 45,000 km that the van was watched for
    assert one.km_beyond == pytest.approx(22_500.0)
    assert one.km_below == pytest.approx(4 * 45_000.0 - 22_500.0)
    assert one.foretold.failures == 0
    pump = found["van", "pump"]
    assert (pump.learned, pump.km_below, pump.km_beyond) == (None, 0.0, 0.0)
    assert {key[0] for key in found} == {"truck", "van"}


def test_after_the_last_test_the_rate_carries_on_to_the_last_meter_reading(made: Learned, tmp_path: Path) -> None:
    made.levels("V1/1/2024-01-01", [25.0], ["2026-06-01"], rate=10.0)
    made.paths = [row for row in made.paths if row["part"] != "V1/1/2024-01-01" or row["level"] == 25.0]
    made.fleet.work("oil_change", "2026-06-20", "V1", odometer_km=115_000.0)
    made.fleet.work("oil_change", "2026-07-20", "V1", odometer_km=125_000.0)
    one = made.facts(tmp_path)["van", "injector"]
    # 25 at 105,000 km and one more a thousand: past from 110,000 km on; the reading after the day does not count
    assert one.km_beyond == pytest.approx(22_500.0 + 10_000.0 + 5_000.0)
    assert one.km_below + one.km_beyond == pytest.approx(4 * 55_000.0)


def test_a_new_part_is_followed_back_from_its_first_test_by_its_rate(made: Learned, tmp_path: Path) -> None:
    made.fleet.work("replacement", "2026-01-02", "V1", odometer_km=90_000.0, position="2", origin="new")
    made.paths = [row for row in made.paths if row["part"] != "V1/2/2024-01-01"]
    made.levels("V1/2/2024-01-01", [10.0, 20.0, 40.0], DAYS[:3])
    # 35 at its first test at 105,000 km, from 32 at 102,000 back to 30 at 100,000 km
    made.levels("V1/2/2026-01-02", [35.0], DAYS[3:], rate=10.0)
    made.fleet.work("road_failure", "2026-01-02", "V1", position="2", odometer_km=90_000.0)
    made.fleet.work("road_failure", "2026-01-10", "V1", position="2", odometer_km=91_000.0)
    one = made.facts(tmp_path)["van", "injector"]
    assert one.km_beyond == pytest.approx(7_500.0 + 5_000.0, rel=2e-3)
    # of the day of the replacement: the old part; a week later: the new one
    learned = one.learned
    assert learned is not None
    assert isinstance(learned.beyond, FailureRate)
    assert isinstance(learned.background, FailureRate)
    assert (learned.beyond.failures, learned.background.failures) == (1, 1)


def test_a_part_that_changes_places_takes_its_level_with_it(made: Learned, tmp_path: Path) -> None:
    made.fleet.work("swap", "2026-01-02", "V1", odometer_km=90_000.0, position="2", position_to="3")
    made.fleet.work("road_failure", "2026-05-01", "V1", position="2", odometer_km=100_000.0)
    made.fleet.work("road_failure", "2026-05-02", "V1", position="3", odometer_km=100_100.0)
    one = made.facts(tmp_path)["van", "injector"]
    assert one.km_beyond == pytest.approx(22_500.0, rel=1e-3)
    assert one.learned is not None
    assert isinstance(one.learned.beyond, FailureRate)
    assert isinstance(one.learned.background, FailureRate)
    assert (one.learned.beyond.failures, one.learned.background.failures) == (1, 1)


def test_the_odometer_tells_where_in_a_day_a_failure_came(made: Learned, tmp_path: Path) -> None:
    # the limit is passed at 82,500 km, on that very day
    for km in (82_000.0, 83_000.0):
        made.fleet.work("oil_change", "2025-09-30", "V1", odometer_km=km)
    made.fleet.work("road_failure", "2025-09-30", "V1", position="2", odometer_km=82_000.0)
    one = made.facts(tmp_path)["van", "injector"]
    assert one.learned is not None
    assert isinstance(one.learned.background, FailureRate)
    assert one.learned.background.failures == 1


def test_rates_have_the_published_poisson_interval_and_entered_ones_come_first(made: Learned, tmp_path: Path) -> None:
    made.fleet.work("road_failure", "2025-08-01", "V1", position="2", odometer_km=80_000.0)
    made.fleet.work("road_failure", "2026-05-01", "V1", position="2", odometer_km=100_000.0)
    one = made.facts(tmp_path, SETTINGS + COSTS)["van", "injector"]
    assert one.learned is not None
    rate = one.learned.beyond
    assert isinstance(rate, FailureRate)
    # 90 % limits of a count of 1, Garwood (1936): 0.0513 to 4.744; here in 2.25 times 10,000 km
    assert (rate.per_10000, rate.low, rate.high) == pytest.approx((1 / 2.25, 0.0513 / 2.25, 4.744 / 2.25), rel=1e-3)
    assert one.used.beyond is not None
    assert (one.used.beyond_source, one.used.beyond.per_10000) == ("entered", 0.5)
    assert (one.used.background_source, one.used.background) == ("learned", one.learned.background)
    assert (one.cost, one.missing_cost) == (300.0, ('failures."van".injector.days',))


def test_either_limit_of_a_pump_counts_and_the_tests_speak_where_the_model_is_silent(tmp_path: Path) -> None:
    made = Learned()
    made.fleet.original("V1", "2024-01-01")
    # short of 1200 bar from half way between the second test and the third; the last says no more than "at least"
    peaks: Sequence[float | tuple[str, float]] = (1300.0, 1300.0, 1100.0, ("at_least", 1150.0))
    for day, km, peak in zip(DAYS, KM, peaks, strict=True):
        made.fleet.test("V1", day, km, {"pump": peak}, measure="pump_peak", protocol="closed volume")
        made.fleet.test("V1", day, km, {"pump": 1.0}, measure="pump_rise", protocol="closed volume, to 1000 bar")
    # past 2 s between the second test and half way to the third: where the peak is not yet
    made.levels("V1/pump/2024-01-01", [1.0, 3.0, 1.0, 1.0], group=("pump_rise", "closed volume, to 1000 bar"))
    made.fleet.work("road_failure", "2026-06-02", "V1", position="pump")
    found = made.facts(tmp_path, SETTINGS + PUMP_LIMITS)["van", "pump"]
    # rise past from 67,500 to 82,500 km, peak from 82,500 km on
    assert found.km_beyond == pytest.approx(105_000.0 - 67_500.0)
    assert found.km_below == pytest.approx(7_500.0)
    assert found.learned is not None
    assert isinstance(found.learned.beyond, FailureRate)
    assert found.learned.beyond.failures == 1


def test_what_no_level_is_known_of_is_on_neither_side(tmp_path: Path) -> None:
    made = Learned()
    made.fleet.original("V1", "2024-01-01", family="truck")
    for day, km in zip(DAYS, KM, strict=True):
        made.fleet.test("V1", day, km, SET)
    made.fleet.work("road_failure", "2026-05-01", "V1", position="2", odometer_km=100_000.0)
    one = made.facts(tmp_path)["truck", "injector"]
    assert (one.km_below, one.km_beyond) == (0.0, 0.0)
    assert one.learned is not None
    assert isinstance(one.learned.beyond, NoAnswer)
    assert one.learned.unknown == 1
    assert one.used.beyond_source == "missing"


def test_a_failure_counts_once_and_for_no_part_where_none_is_named(made: Learned, tmp_path: Path) -> None:
    for position in ("2", "2", None):
        made.fleet.work("road_failure", "2026-05-01", "V1", position=position)
    made.fleet.work("road_failure", "2026-05-02", "V1")
    made.fleet.work("road_failure", "2026-05-02", "V1")
    made.fleet.work("road_failure", "2026-07-02", "V1", position="2")
    found = made.facts(tmp_path)
    assert found["van", "injector"].foretold.failures == 1
    with open_workspace(tmp_path).open(read_only=True) as db:
        assert [(str(one.day), one.position) for one in road_events(db, AS_OF)] == [
            ("2026-05-01", "2"),
            ("2026-05-02", None),
        ]
        assert of_unknown_cause(db, AS_OF) == {"van": 1}


def test_the_newest_run_before_a_failure_says_whether_it_was_foretold(made: Learned, tmp_path: Path) -> None:
    original = {position: (position, f"V1/{position}/2024-01-01") for position in "1234"}
    made.run(1, "2025-02-01", {original["2"]: ["steady", "book"], original["3"]: ["past limit"]})
    made.run(2, "2026-02-01", {original["1"]: ["past limit"], original["2"]: ["steady"], original["3"]: ["no answer"]})
    for day, position in (
        ("2025-01-20", "2"),  # before any run
        ("2025-03-01", "2"),  # foretold: one of its rows said so
        ("2026-03-01", "1"),  # foretold
        ("2026-03-02", "2"),  # the newer run took it back
        ("2026-03-03", "3"),  # no answer tells nothing
        ("2026-02-01", "3"),  # of the day of a run itself: the run before it counts
        ("2026-03-04", "4"),  # no row
        ("2026-03-05", "set"),  # any of the injectors
    ):
        made.fleet.work("road_failure", day, "V1", position=position)
    told = made.facts(tmp_path)["van", "injector"].foretold
    assert (told.failures, told.foretold, told.not_foretold, told.not_tested) == (8, 4, 1, 3)


def test_a_part_fitted_after_the_run_was_not_spoken_of(made: Learned, tmp_path: Path) -> None:
    made.run(1, "2025-02-01", {("2", "V1/2/2024-01-01"): ["past limit"]})
    made.fleet.work("replacement", "2025-07-02", "V1", odometer_km=75_000.0, position="2", origin="new")
    made.fleet.work("road_failure", "2025-09-01", "V1", position="2")
    told = made.facts(tmp_path)["van", "injector"].foretold
    assert (told.foretold, told.not_tested) == (0, 1)


def test_a_state_goes_with_the_part_to_its_new_place(made: Learned, tmp_path: Path) -> None:
    made.run(1, "2025-02-01", {("2", "V1/2/2024-01-01"): ["past limit"], ("3", "V1/3/2024-01-01"): ["steady"]})
    made.fleet.work("swap", "2025-07-02", "V1", odometer_km=75_000.0, position="2", position_to="3")
    made.fleet.work("road_failure", "2025-09-01", "V1", position="3")
    made.fleet.work("road_failure", "2025-09-02", "V1", position="2")
    told = made.facts(tmp_path)["van", "injector"].foretold
    assert (told.foretold, told.not_foretold, told.not_tested) == (1, 1, 0)


def test_a_part_that_moves_to_another_vehicle_takes_its_distance_with_it(tmp_path: Path) -> None:
    made = Learned()
    for name in ("V1", "V2"):
        made.fleet.original(name, "2024-01-01")
    made.fleet.test("V1", DAYS[0], 60_000.0, {"1": 10.0}, serials={"1": "A"})
    made.fleet.test("V1", DAYS[1], 75_000.0, {"1": 10.0}, serials={"1": "A"})
    made.fleet.test("V2", DAYS[0], 160_000.0, {"1": 10.0}, serials={"1": "B"})
    for km, name, out, put in ((75_000.0, "V1", "A", "C"), (170_000.0, "V2", "B", "A")):
        made.fleet.work(
            "replacement",
            "2025-07-02",
            name,
            odometer_km=km,
            position="1",
            serial_out=out,
            serial_in=put,
            origin="used",
        )
    made.fleet.test("V2", DAYS[3], 190_000.0, {"1": 50.0}, serials={"1": "A"})
    # level 10 while on V1; from 10 to 50 over the 20,000 km on V2: past 30 for the last 10,000 of them
    made.levels("A", [10.0, 10.0, 50.0], (DAYS[0], DAYS[1], DAYS[3]))
    made.fleet.work("road_failure", "2026-05-25", "V2", position="1", odometer_km=189_000.0)
    place = made.fleet.written(tmp_path)
    with place.open() as db:
        fresh_lives(db, place.settings)
        lives = db.rows("SELECT vehicle, life FROM fitment WHERE part = 'A' ORDER BY from_date")
    assert lives == [("V1", 1), ("V2", 1)]
    one = made.told(place)["van", "injector"]
    assert one.km_beyond == pytest.approx(10_000.0)
    assert one.learned is not None
    assert isinstance(one.learned.beyond, FailureRate)
    assert one.learned.beyond.failures == 1


@pytest.mark.parametrize(
    ("said", "speaks"),
    [
        ({}, True),
        ({"family": "truck"}, False),
        ({"protocol": "crank 15 s"}, False),
        ({"cylinders": 4}, True),
        ({"cylinders": 6}, False),
        ({"part_number": "N-1"}, True),
        ({"part_number": "N-2"}, False),
        ({"unit": "ml", "over_s": 60.0}, True),
        ({"unit": "ml", "over_s": 30.0}, False),
    ],
)
def test_only_rules_that_speak_for_a_part_are_asked(said: dict[str, Any], speaks: bool) -> None:
    rule = LimitRule.model_validate(
        {"name": "r", "measure": "return_flow", "kind": "most", "value": 30.0, "unit": "ml/min", "source": "made"}
        | said
    )
    series = Series(*IDLE, (Level(date(2026, 1, 1), 33.0),), 5.0, 60.0)
    found = list(margins(series, lambda day: 1_000.0, [rule], family="van", cylinders=4, part_number="N-1"))
    assert found == ([Margin((1_000.0,), (3.0,), 5e-4)] if speaks else [])


@pytest.mark.parametrize(
    ("kind", "bound", "level", "past"),
    [
        ("least", "at_least", 1300.0, -100.0),
        ("least", "at_least", 1100.0, None),
        ("least", "at_most", 1100.0, 100.0),
        ("most", "at_least", 1300.0, 100.0),
        ("most", "at_most", 1100.0, -100.0),
        ("most", "at_most", 1300.0, None),
    ],
)
def test_a_bound_counts_where_it_says_on_which_side_it_lies(
    kind: str, bound: str, level: float, past: float | None
) -> None:
    rule = LimitRule.model_validate(
        {"name": "r", "measure": "pump_peak", "kind": kind, "value": 1200.0, "unit": "bar", "source": "made"}
    )
    series = Series("pump_peak", "closed volume", (Level(date(2026, 1, 1), level, bound),), 0.0, None)
    found = list(margins(series, lambda day: 5.0, [rule], family=None, cylinders=None, part_number=None))
    assert [one.past for one in found] == ([] if past is None else [(past,)])


def test_a_stretch_is_split_at_every_crossing_of_any_limit() -> None:
    # past from 10 to 30 and again after 60; the other from 20 to 40
    one = Margin((0.0, 20.0, 40.0, 50.0), (-1.0, 1.0, -1.0, -1.0), 0.1)
    other = Margin((0.0, 30.0, 60.0), (-2.0, 1.0, -2.0), 0.0)
    assert split((one,), 0.0, 100.0) == pytest.approx((40.0, 60.0))
    assert split((other,), 0.0, 100.0) == pytest.approx((80.0, 20.0))
    assert split((one, other), 0.0, 100.0) == pytest.approx((30.0, 70.0))
    assert split((one, other), 15.0, 15.0) == (0.0, 0.0)
    assert split((), 0.0, 100.0) == (0.0, 0.0)


def test_the_failures_of_the_demo_came_past_the_limit_as_planted(demo_home: Path) -> None:
    place, day = open_workspace(demo_home), date(2026, 10, 31)
    with place.open(read_only=True) as db:
        run = latest_run(db, place, day)
        assert run is not None
        meters = meter_histories(db)
        found = {(one.family, one.kind): one for one in failure_facts(db, place.settings, run, day, meters)}
        assert of_unknown_cause(db, day) == {"four-cylinder van": 1, "six-cylinder truck": 3}
        events = {(one.vehicle, one.position): one.day for one in road_events(db, day) if one.position}
    assert set(events) == {("T06", "4"), ("T07", "pump")}
    truly = defaultdict(list)
    with (ROOT / "datasets_demo" / "truth.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["kind"] == "life" and row["crossed_on"] and date.fromisoformat(row["crossed_on"]) <= day:
                truly[row["vehicle"], row["position"]].append(row)
    # by the demo's truth both parts had passed a limit when they failed
    for place_of, failed in events.items():
        assert min(date.fromisoformat(row["crossed_on"]) for row in truly[place_of]) < failed
    for family, kind in (("six-cylinder truck", "injector"), ("six-cylinder truck", "pump")):
        one = found[family, kind]
        assert one.learned is not None
        assert isinstance(one.learned.beyond, FailureRate)
        assert isinstance(one.learned.background, FailureRate)
        assert (one.learned.beyond.failures, one.learned.background.failures) == (1, 0)
        assert (one.used.beyond_source, one.used.background_source) == ("learned", "missing")
        told = one.foretold
        # whether it was foretold hangs on the days as of which other tests have learned this store before
        assert (told.failures, told.foretold + told.not_foretold + told.not_tested) == (1, 1)
    # the vans' rates are entered, and none of them failed by a part
    for kind in ("injector", "pump"):
        one = found["four-cylinder van", kind]
        assert (one.used.beyond_source, one.foretold.failures) == ("entered", 0)
    # true distances from the crossing to today, of trucks' injectors: within a quarter
    driven = sum(
        meters[name].distance.distance_km[-1] - min(float(row["crossed_at_true_km"]) for row in rows)
        for (name, position), rows in truly.items()
        if name.startswith("T") and position != "pump"
    )
    assert found["six-cylinder truck", "injector"].km_beyond == pytest.approx(driven, rel=0.25)
