"""What a run left in the store, as charts, tables and sentences tell it; the rows are put there by hand."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipelines.cli.outlook import _print_group
from pipelines.steps.chart_series import OUTSIDE, chart_series, doubts
from pipelines.steps.lives import rebuild_lives
from pipelines.steps.part_states import doubtful, latest_states, part_state
from pipelines.steps.series import LifeSeries, life_series
from pipelines.steps.wear_told import wear_groups, wear_told
from pipelines.workspace import Workspace
from small_fleet import AS_OF, SmallFleet
from wearlab.charts.series import GROSS, LINE, MODEL, Series
from wearlab.pack.state_tables import state_tables
from wearlab.store.database import Database

DAYS = ("2022-03-01", "2023-03-01", "2024-03-01", "2025-03-01", "2026-03-01")
LEVELS = {"1": (10, 12, 14, 16, 18), "2": (10, 11, 30, 12, 13), "3": (9, 9, 10, 10, 11), "4": (8, 9, 10, 11, 12)}
UNDER = "280 bar, 45 degC"
RUN = 7


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    """One van with four injectors, tested every 20,000 km."""
    fleet = SmallFleet()
    fleet.original("V1", "2021-01-01")
    for k, day in enumerate(DAYS):
        fleet.test("V1", day, 20_000.0 * (k + 1), {position: levels[k] for position, levels in LEVELS.items()})
    return fleet.written(tmp_path)


@pytest.fixture
def db(place: Workspace) -> Iterator[Database]:
    """The store after a run: a path for injectors 1 to 3, a gross error of 2, the second test of 3 outside."""
    with place.open() as store:
        with store.transaction():
            rebuild_lives(store, place.settings)
        found = life_series(store, AS_OF)
        paths, states = [], []
        for series in found[:3]:
            key = {"part": series.part, "life": series.life, "measure": series.measure, "protocol": series.protocol}
            for k, point in enumerate(series.points):
                if series.position == "3" and k == 1:
                    continue
                level = 10.0 + 2 * k
                paths.append(
                    {"run_id": RUN, **key, "tested_on": point.day, "distance_km": point.distance_km,
                     "exposure_km": point.exposure_km, "level": level, "low": level - 1, "high": level + 1}
                )  # fmt: skip
            states.append(
                {"run_id": RUN, "vehicle": "V1", "position": series.position, **key, "readings": 5, "visits": 5,
                 "beyond": 0, "last_test": series.last_test, "exposure_km": 1e5, "level": 18.0, "level_low": 17.0,
                 "level_high": 19.0, "rate": 1.0, "rate_low": 0.8, "rate_high": 1.2,
                 "rate_unit": "ml/min per 10,000 km", "next_low": 15.0, "next_high": 21.0, "new_low": 14.0,
                 "new_high": 17.0, "reference": UNDER, "outside": int(series.position == "3"), "no_answer": None,
                 "rate_no_answer": None}
            )  # fmt: skip
        store.append("part_path", pd.DataFrame(paths))
        store.append("part_state", pd.DataFrame(states, dtype=object))
        spoiled = store.value("SELECT test_id FROM test WHERE tested_on = DATE '2024-03-01'")
        store.run(
            "INSERT INTO wear_gross VALUES (?, ?, '2', 1, 'return_flow', 'warm idle', 8.25, 0.001)", [RUN, spoiled]
        )
        store.run("INSERT INTO wear_gross VALUES (?, ?, '1', 1, 'return_flow', 'warm idle', -3.1, 0.9)", [RUN, spoiled])
        weights = json.dumps({"weights": {"straight line": 0.2, "logarithm": 0.8, "reciprocal": 0.0}, "vehicles": 40})
        store.run(
            "INSERT INTO wear_group VALUES (?, 'return_flow', 'warm idle', 'ml/min', 'km', 15, 1, 3, 'logarithm', ?, "
            "'weighed by forecasts of held-back readings', 'converged', 5, -12.5, ['visit and error are told as one'])",
            [RUN, weights],
        )
        for effect in (
            ("rate", "van", 1.0, 0.8, 1.2, "ml/min per 10,000 km", None),
            ("exponent", "rail pressure", 0.9, 0.6, 1.2, "", "assumed before the tests: 1.00, sd 0.25"),
            ("offset", "R1 before 2024-01-01", 6.0, 1.0, 11.0, "%", None),
            ("offset", "R2", 0.5, -3.0, 4.0, "%", None),
            ("spread", "reading error", 0.7, None, None, "ml/min", "assumed"),
        ):
            store.run(
                "INSERT INTO wear_effect VALUES (?, 'return_flow', 'warm idle', ?, ?, ?, ?, ?, ?, ?)", [RUN, *effect]
            )
        yield store


#: columns of the forecast table that these rows leave open
UNTOLD = (
    "state_before", "changed", "date_p05", "date_p95", "within_30", "within_90", "within_180", "next_visit",
    "before_visit", "next_reading_past", "odometer_p05", "odometer_p90", "odometer_p95",
)  # fmt: skip


def forecast(series: LifeSeries, **other: Any) -> dict[str, Any]:
    """A row of the forecast table: limit 30, crossed between 180,000 and 260,000 km."""
    row: dict[str, Any] = {
        "part": series.part, "position": series.position, "measure": series.measure, "protocol": series.protocol,
        "unit": "ml/min", "rule": "van idle", "limit": 30.0, "limit_version": 1, "direction": "above",
        "level": 18.5, "level_low": 17.2, "level_high": 19.8, "next_low": 15.0, "next_high": 22.0,
        "rate": 1.0, "rate_low": 0.8, "rate_high": 1.2, "rate_unit": "ml/min per 10,000 km", "state": "watch",
        "readings": 5, "last_test": series.last_test, "retest_by": None, "odometer_p50": 215_000.0,
        "date_p10": date(2029, 1, 1), "date_p50": date(2030, 1, 1), "date_p90": date(2032, 1, 1),
        "distance_p10": 180_000.0, "distance_p50": 215_000.0, "distance_p90": 260_000.0,
        "method": "wear model", "no_answer": None, "cause": "6 in 10 within a year", "retest_why": None, "note": None,
        "past": 0.01, "within_365": 0.6, "odometer_p10": 181_000.0,
    } | dict.fromkeys(UNTOLD)  # fmt: skip
    return row | other


def charted(db: Database, place: Workspace, position: str, **other: Any) -> Series:
    """The chart's series of one position with such a forecast."""
    (series,) = [one for one in life_series(db, AS_OF) if one.position == position]
    (made,) = chart_series([series], [forecast(series, **other)], place.settings, wear_told(db, RUN))
    return made


def test_the_level_is_the_models_path_under_its_reference(db: Database, place: Workspace) -> None:
    made = charted(db, place, "1")
    assert made.level is not None
    assert made.level.distance_km == (20_000.0, 40_000.0, 60_000.0, 80_000.0, 100_000.0)
    assert made.level.level == (10.0, 12.0, 14.0, 16.0, 18.0)
    assert (made.level.method, made.level.coverage, made.reference) == (MODEL, 0.9, UNDER)


def test_a_level_whose_interval_has_no_end_is_not_drawn(db: Database, place: Workspace) -> None:
    db.run("UPDATE part_path SET high = NULL WHERE tested_on = DATE '2026-03-01'")
    made = charted(db, place, "1")
    assert made.level is not None
    assert made.level.distance_km == (20_000.0, 40_000.0, 60_000.0, 80_000.0)
    assert made.ahead is not None
    assert made.ahead.distance_km[0] == 80_000.0


def test_the_fan_meets_the_limit_at_the_quantiles_of_the_crossing(db: Database, place: Workspace) -> None:
    ahead = charted(db, place, "1", distance_p90=190_000.0, distance_p50=185_000.0).ahead
    assert ahead is not None
    assert ahead.coverage == 0.8
    for line, reach in ((ahead.high, 180_000.0), (ahead.level, 185_000.0), (ahead.low, 190_000.0)):
        slope = (line[-1] - line[0]) / (ahead.distance_km[-1] - ahead.distance_km[0])
        assert line[0] + slope * (reach - 100_000.0) == pytest.approx(30.0)
    # it begins with the 80 % interval of the last level, whose 90 % interval is one to either side
    assert ahead.high[0] == pytest.approx(18 + 1.2816 / 1.6449, abs=1e-4)


def test_a_limit_on_a_ratio_has_no_place_among_the_levels(db: Database, place: Workspace) -> None:
    (series,) = [one for one in life_series(db, AS_OF) if one.position == "1"]
    own = forecast(series)
    ratio = own | {"rule": "times the lowest", "unit": "times", "limit": 3.0, "level": 1.6, "state": "book"}
    (made,) = chart_series([series], [ratio, own], place.settings, wear_told(db, RUN))
    assert made.limit is not None
    assert (made.limit.value, made.limit.name, made.state) == (30.0, "van idle", "watch")


def test_a_falling_measure_has_its_fan_the_other_way_round(db: Database, place: Workspace) -> None:
    ahead = charted(
        db, place, "1", direction="below", limit=6.0, rate=-1.0, rate_low=-1.2, rate_high=-0.8,
        distance_p10=150_000.0, distance_p50=160_000.0, distance_p90=None,
    ).ahead  # fmt: skip
    assert ahead is not None
    low = ahead.low[0] + (ahead.low[-1] - ahead.low[0]) / (ahead.distance_km[-1] - 100_000.0) * 50_000.0
    assert low == pytest.approx(6.0)
    assert all(a <= b <= c for a, b, c in zip(ahead.low, ahead.level, ahead.high, strict=True))


def test_a_crossing_behind_leaves_the_fan_to_the_rate(db: Database, place: Workspace) -> None:
    behind = {"distance_p10": 60_000.0, "distance_p50": 80_000.0, "distance_p90": 90_000.0}
    ahead = charted(db, place, "1", limit=12.0, **behind).ahead
    assert ahead is not None
    slope = np.diff(ahead.level) / np.diff(ahead.distance_km) * 10_000
    assert slope == pytest.approx(1.0)


def test_readings_out_of_the_level_are_marked_with_the_reason(db: Database, place: Workspace) -> None:
    assert [point.doubt for point in charted(db, place, "2").points] == ["", "", GROSS, "", ""]
    assert [point.doubt for point in charted(db, place, "3").points] == ["", OUTSIDE, "", "", ""]
    assert not any(point.doubt for point in charted(db, place, "1").points)


def test_without_an_answer_of_the_model_the_line_is_drawn_and_named(db: Database, place: Workspace) -> None:
    made = charted(db, place, "4", method="line")
    assert made.level is not None
    assert made.ahead is not None
    assert {made.level.method, made.ahead.method} == {LINE}
    assert made.reference == ""
    # 8 to 12 in equal steps
    assert made.level.level[-1] == pytest.approx(12.0)


def test_states_keep_three_intervals_apart(db: Database, place: Workspace) -> None:
    wear = wear_told(db, RUN)
    found = [one for one in life_series(db, AS_OF) if one.position in ("1", "4")]
    states = [
        part_state(
            forecast(one, method="line" if one.position == "4" else "wear model"),
            place.settings,
            latest_states(wear).get((one.part, one.measure, one.protocol)),
        )
        for one in found
    ]
    first, fourth = states
    assert (first.level_low, first.level_high) == (17.2, 19.8)
    assert (first.next_low, first.next_high) == (15.0, 22.0)
    assert (first.new_low, first.new_high) == (14.0, 17.0)
    assert first.reference == UNDER
    assert (first.cause, first.past, first.within_365, first.odometer_p10_km) == (
        "6 in 10 within a year", 0.01, 0.6, 181_000.0,
    )  # fmt: skip
    assert (fourth.method, fourth.reference, fourth.new_low) == (LINE, "", None)
    model, line = state_tables(states)
    assert model.basis == f"By the wear model; levels under {UNDER}, readings as measured."
    assert line.basis == "By the simple line, not calibrated; levels as measured."


def test_doubtful_readings_are_named(db: Database) -> None:
    told = doubtful(life_series(db, AS_OF), wear_told(db, RUN))
    assert told == (
        "injector 2, return flow, warm idle: 30.0 ml/min on 1 March 2024 is taken for a gross error "
        "(8.2 sd above what the other readings lead to expect, not counted)",
        "injector 3, return flow, warm idle: 9.0 ml/min on 1 March 2023 outside the range of correction",
    )


def test_a_run_without_the_model_doubts_nothing(db: Database) -> None:
    nothing = wear_told(db, RUN + 1)
    assert nothing.states == {}
    assert not any(any(doubts(series, nothing)) for series in life_series(db, AS_OF))


def test_one_vehicle_is_told_alone(db: Database) -> None:
    assert wear_told(db, RUN, "V1") == wear_told(db, RUN)
    assert wear_told(db, RUN, "V2").states == wear_told(db, RUN, "V2").paths == {}


def test_groups_come_with_weights_effects_and_gross_errors(db: Database) -> None:
    (group,) = wear_groups(db, RUN)
    assert group.scale_weights == (("logarithm", 0.8), ("straight line", 0.2), ("reciprocal", 0.0))
    assert [effect.kind for effect in group.effects] == ["rate", "exponent", "offset", "offset", "spread"]
    (gross,) = group.gross
    assert group.eased == 1
    assert (gross.vehicle, gross.position, gross.tested_on, gross.level) == ("V1", "2", date(2024, 3, 1), 30.0)


def test_learn_prints_a_group_for_a_reader(db: Database, capsys: pytest.CaptureFixture[str]) -> None:
    _print_group(wear_groups(db, RUN)[0])
    told = " ".join(capsys.readouterr().out.split())
    for words in (
        "15 readings of 3 parts on 1 vehicle, in ml/min.",
        "Weighed by forecasts of held-back readings.",
        "van 1.00 ml/min per 10,000 km 0.80 to 1.20",
        "rail pressure 0.90 0.60 to 1.20 assumed before the tests: 1.00, sd 0.25",
        "R1 before 2024-01-01 +6.0 % +1.0 to +11.0",
        "1 more cannot be told from zero.",
        "reading error 0.700 ml/min – assumed",
        "1 gross error, hardly counted",
        "on 1 March 2024: 30.0 ml/min, 8.2 sd above what the other readings lead to expect, not counted",
        "Visit and error are told as one.",
        "1 reading lies about 3 sd off and counts a little less.",
    ):
        assert words in told
    assert "R2" not in told
