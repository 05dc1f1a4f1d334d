"""True distance from what odometers showed, with everything that is typed into them."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlab.errors import InputError
from wearlab.lives.odometer import Distance, MeterChange, true_distance

START = date(2022, 1, 1)


def days(*numbers: int) -> list[date]:
    return [START + timedelta(days=number) for number in numbers]


def monthly(n: int, first: float = 100_000, step: float = 3000) -> tuple[list[date], list[float]]:
    return days(*(30 * k for k in range(n))), [first + step * k for k in range(n)]


def test_a_clean_log_is_its_own_distance() -> None:
    when, shown = monthly(8)
    found = true_distance(when, shown)
    assert found.distance_km == pytest.approx(shown)
    assert set(found.reason) == {""}
    assert not found.uncertain.any()
    assert found.meter_offset_km == 0
    assert found.notes == ()


def test_input_order_does_not_matter() -> None:
    when, shown = monthly(8)
    shown[3] = 1_090_000
    order = np.random.default_rng(1).permutation(8)
    found = true_distance([when[k] for k in order], [shown[k] for k in order])
    reference = true_distance(when, shown)
    assert found.distance_km == pytest.approx(reference.distance_km[order], nan_ok=True)
    assert found.reason == tuple(reference.reason[k] for k in order)


def test_datetime64_days_are_the_same_days() -> None:
    when, shown = monthly(4)
    found = true_distance(np.array(when, dtype="datetime64[us]"), shown)
    assert (found.days == true_distance(when, shown).days).all()
    assert found.days[0] == 18993  # 2022-01-01, days since 1970-01-01 (52 years of 365 days and 13 leap days)


@pytest.mark.parametrize("place", range(8))
@pytest.mark.parametrize(
    ("slip", "reason"),
    [
        (lambda km: km * 10, "tenfold"),
        (lambda km: km / 10, "tenfold"),
        (lambda km: km + 800_000, "too high"),
        (lambda km: 37_000.0, None),
        (lambda km: 999_999.0, "sentinel"),
        (lambda km: -1.0, "negative"),
        (lambda km: math.nan, "missing"),
        (lambda km: math.inf, "missing"),
    ],
)
def test_one_wild_value_never_unsettles_the_rest(place: int, slip: object, reason: str | None) -> None:
    when, shown = monthly(8)
    truth = list(shown)
    shown[place] = slip(shown[place])  # type: ignore[operator]
    found = true_distance(when, shown)
    others = [k for k in range(8) if k != place]
    assert found.distance_km[others] == pytest.approx([truth[k] for k in others])
    assert {found.reason[k] for k in others} == {""}
    assert np.isnan(found.distance_km[place])
    if reason is not None:
        assert found.reason[place] == reason
    if reason == "tenfold":
        assert found.suggestion_km[place] == pytest.approx(truth[place])
    else:
        assert np.isnan(found.suggestion_km[place])


def test_a_rollback_is_named() -> None:
    when, shown = monthly(8)
    shown[4] = 104_500
    assert true_distance(when, shown).reason[4] == "rollback"


def test_an_improbable_last_but_one_value_is_outvoted_by_the_usual_pace() -> None:
    # 190,000 could have been driven in a month, but this vehicle goes 3000 km
    when, shown = monthly(8)
    shown[6] = 190_000
    found = true_distance(when, shown)
    assert np.flatnonzero(np.isnan(found.distance_km)).tolist() == [6]


def test_values_rounded_on_the_sheet_are_no_rollback() -> None:
    found = true_distance(days(0, 1, 30, 31), [100_345, 100_000, 103_460, 103_400])
    assert set(found.reason) == {""}


def test_recorded_meter_change_with_both_values_is_exact() -> None:
    when = days(0, 30, 60, 90, 120)
    change = MeterChange(days(70)[0], 107_000, 12)
    found = true_distance(when, [100_000, 103_000, 106_000, 2_012, 5_012], [change])
    assert found.distance_km == pytest.approx([100_000, 103_000, 106_000, 109_000, 112_000])
    assert not found.uncertain.any()
    assert found.meter_offset_km == pytest.approx(106_988)
    assert found.shown(109_000) == pytest.approx(2_012)


@pytest.mark.parametrize(
    "change",
    [MeterChange(days(75)[0]), MeterChange(days(75)[0], 107_500), MeterChange(days(75)[0], None, 0)],
)
def test_meter_change_with_a_missing_value_is_bridged_by_usage(change: MeterChange) -> None:
    # 100 km a day throughout: the truth on day 90 is 109,000
    found = true_distance(days(0, 30, 60, 90, 120), [100_000, 103_000, 106_000, 1_500, 4_500], [change])
    assert found.distance_km == pytest.approx([100_000, 103_000, 106_000, 109_000, 112_000])
    assert found.uncertain.tolist() == [False, False, False, True, True]
    assert found.notes == ()


def test_readings_on_the_day_of_the_change_go_to_the_nearer_meter() -> None:
    when = days(0, 30, 60, 60, 90)
    found = true_distance(when, [100_000, 103_000, 106_000, 3, 3_000], [MeterChange(days(60)[0], 106_000, 0)])
    assert found.distance_km == pytest.approx([100_000, 103_000, 106_000, 106_003, 109_000])


def test_unrecorded_meter_change_is_bridged_marked_and_noted() -> None:
    when = days(*range(0, 300, 30))
    shown = [100_000 + 3000 * k for k in range(5)] + [500 + 3000 * k for k in range(5)]
    found = true_distance(when, shown)
    assert found.distance_km == pytest.approx([100_000 + 3000 * k for k in range(10)])
    assert found.uncertain.tolist() == [False] * 5 + [True] * 5
    assert len(found.notes) == 1
    assert "without a recorded meter change" in found.notes[0]
    assert "112000 km to 500 km" in found.notes[0]


def test_a_change_that_cannot_be_bridged_gives_no_distance() -> None:
    found = true_distance(days(0, 40), [100_000, 500], [MeterChange(days(20)[0])])
    assert found.reason == ("", "no usage")
    assert np.isnan(found.distance_km[1])


def test_a_mistyped_value_of_the_change_itself_is_left_out() -> None:
    when = days(0, 30, 60, 90, 120)
    shown = [100_000, 103_000, 106_000, 2_000, 5_000]
    found = true_distance(when, shown, [MeterChange(days(70)[0], 1_070_000, 0)])
    assert found.reason == ("",) * 5
    assert found.uncertain.tolist() == [False, False, False, True, True]
    assert found.distance_km[3] == pytest.approx(109_000, abs=1)


def test_zeros_written_for_unknown_are_sentinels() -> None:
    when, shown = monthly(9)
    for k in (2, 3, 4, 5, 6):
        shown[k] = 0.0
    found = true_distance(when, shown)
    assert found.reason[2:7] == ("sentinel",) * 5
    assert found.distance_km[7] == pytest.approx(121_000)
    assert true_distance(days(0, 30), [0, 3000]).reason == ("", "")


def test_a_meter_that_stands_still_while_fuel_is_taken_is_stuck() -> None:
    when = days(*range(0, 300, 30))
    shown = [100_000.0, 103_000, 106_000, 109_000, 109_000, 109_000, 109_000, 110_000, 113_000, 116_000]
    fuelled = [True] * 10
    found = true_distance(when, shown, fuelled=fuelled)
    assert [found.reason[k] for k in (3, 4, 5, 6)] == ["", "stuck", "stuck", "stuck"]
    assert "stood still" in found.notes[0]
    # without fuel it is a parked vehicle
    assert set(true_distance(when, shown).reason) == {""}


def test_distance_on_a_day_is_by_proportion_and_never_beyond_the_readings() -> None:
    found = true_distance(days(0, 10, 20), [1000, 2000, 9_000_000])
    assert found.at(days(5)[0]) == pytest.approx(1500)
    assert math.isnan(found.at(days(15)[0]))
    assert math.isnan(found.at(days(-1)[0]))
    assert math.isnan(true_distance([], []).at(START))


def test_lengths_must_agree() -> None:
    with pytest.raises(InputError, match="2 days, 1 readings"):
        true_distance(days(0, 1), [5.0])


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 100_000), st.integers(6, 40))
def test_wild_values_far_apart_are_found_and_nothing_else_is_touched(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    gaps = rng.integers(5, 60, n)
    number = np.cumsum(gaps)
    km = 50_000 + np.cumsum(gaps * rng.uniform(60, 140, n)).round()
    shown = km.copy()
    wild = np.arange(int(rng.integers(1, 4)), n - 1, 5)
    shown[wild] = np.where(rng.random(wild.size) < 0.5, km[wild] * 10, np.floor(km[wild] / 10))
    found: Distance = true_distance(days(*number.tolist()), shown)
    good = np.setdiff1d(np.arange(n), wild)
    assert found.distance_km[good] == pytest.approx(km[good])
    assert np.isnan(found.distance_km[wild]).all()
    assert {found.reason[k] for k in wild} <= {"tenfold"}
