"""Every kind of limit rule, its conditions, bounds, incomplete sets and the reading's error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from wearlab.config import Spread
from wearlab.study.facts import Baseline, FamilyFacts, LimitInForce, MeasuredSet, SetReading
from wearlab.study.limits import ERROR_REACH, LimitResult, Outcome, judge_limits

ON = date(2026, 3, 1)
FOUR = FamilyFacts("van", 4, "solenoid")
Maker = Callable[..., Any]

FIRST = {("return_flow", "warm idle", "1"): Baseline(10.0, date(2024, 5, 1))}
OVER_30_S: dict[str, Any] = {"unit": "ml", "over_s": 30.0}


def _judge(
    test: MeasuredSet,
    *rules: LimitInForce,
    family: FamilyFacts = FOUR,
    baselines: dict[tuple[str, str, str], Baseline] | None = None,
) -> tuple[LimitResult, ...]:
    return judge_limits(test, rules, family, Spread(), ON, baselines)


def _outcomes(results: tuple[LimitResult, ...]) -> list[str]:
    return [result.outcome.name for result in results]


def test_the_error_decides_between_past_and_repeat(flows: Maker, limit: Maker) -> None:
    rule = limit("most", 25.0, unit="ml/min")
    results = _judge(flows([10.0, 23.0, 27.0, 35.0]), rule)
    assert _outcomes(results) == ["WITHIN", "CLOSE", "REPEAT", "PAST"]
    # 10 % of the reading, no graduation, reach 1.645 standard errors
    assert results[2].error == pytest.approx(1.645 * 2.7)
    assert results[2].margin == pytest.approx(-2.0)
    assert "past limit by 2 ml/min, within the reading's error of 4.44 ml/min; repeat" in results[2].sentence
    assert results[3].sentence == "Cylinder 4 reads 35 ml/min against at most 25 ml/min: past limit by 10 ml/min."


def test_more_repeats_settle_what_one_could_not(flows: Maker, limit: Maker) -> None:
    test = flows([29.0])
    rule = limit("most", 25.0, unit="ml/min")
    assert _outcomes(_judge(test, rule)) == ["REPEAT"]
    thrice = replace(test, readings=tuple(replace(test.readings[0], repeat=n) for n in (1, 2, 3)))
    assert _outcomes(_judge(thrice, rule)) == ["PAST"]


def test_result_carries_rule_version_and_source(flows: Maker, limit: Maker) -> None:
    rule = limit("most", 1.5, version=3, unit="l/h", name="our warm limit", source="maker's sheet 12")
    (result,) = _judge(flows([24.0]), rule)
    assert (result.rule, result.version, result.source) == ("our warm limit", 3, "maker's sheet 12")
    assert (result.limit, result.unit, result.limit_text) == (
        pytest.approx(25.0),
        "ml/min",
        "at most 1.5 l/h",
    )


def test_every_open_condition_is_named(flows: Maker, limit: Maker) -> None:
    rule = limit(
        "most",
        25.0,
        unit="ml/min",
        conditions={"rail_bar": (260, 300), "fuel_temp_c": (40, 60), "battery_v": (12, 15), "duration_s": 60},
    )
    test = flows([40.0, 41.0], rail_bar=None, fuel_temp_c=71.0, duration_s=30.0)
    (result,) = _judge(test, rule)
    assert result.position is None
    assert result.reasons == (
        "rail pressure not recorded",
        "fuel temperature 71 degC outside 40 to 60",
        "battery voltage not recorded",
        "duration 30 s, the limit is stated for 60 s",
    )


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        ("120+", "PAST"),
        ("26+", "REPEAT"),
        ("20+", "CANNOT"),
        ("<15", "WITHIN"),
        ("<30", "CANNOT"),
        (0.0, "CANNOT"),
    ],
)
def test_bounds_against_a_most(flows: Maker, limit: Maker, value: str | float, outcome: str) -> None:
    results = _judge(flows([value], graduation=1.0), limit("most", 25.0, unit="ml/min"))
    assert _outcomes(results) == [outcome]


@pytest.mark.parametrize(
    ("value", "bound", "outcome"),
    [(1600, "at_least", "WITHIN"), (1000, "at_least", "CANNOT"), (800, None, "PAST"), (1080, None, "REPEAT")],
)
def test_bounds_against_a_least(pump: Maker, limit: Maker, value: float, bound: str | None, outcome: str) -> None:
    rule = limit("least", 1100.0, unit="bar", measure="pump_peak")
    assert _outcomes(_judge(pump(value, bound=bound), rule)) == [outcome]


def test_too_little_return_can_fail_and_zero_never_passes(flows: Maker, limit: Maker) -> None:
    rules = (limit("least", 4.0, unit="ml/min"), limit("most", 25.0, unit="ml/min"))
    low, nothing = flows([1.0]), flows(["<0.5"], graduation=1.0)
    assert _outcomes(_judge(low, *rules)) == ["PAST", "WITHIN"]
    assert _outcomes(_judge(nothing, *rules)) == ["PAST", "CANNOT"]


class TestLowest:
    """The lowest valid reading is never a zero, a doubted one, one beyond the scale, or one just fitted."""

    def test_zero_is_not_the_lowest(self, flows: Maker, limit: Maker) -> None:
        results = _judge(flows([0.0, 10.0, 12.0, 45.0]), limit("times lowest", 3.0))
        # an incomplete set fails a rule but never passes it
        assert _outcomes(results) == ["CANNOT", "CANNOT", "CANNOT", "PAST"]
        assert results[3].reading == pytest.approx(4.5)
        assert results[3].compared_with.startswith("lowest valid: cylinder 2")
        assert results[1].reasons == ("set incomplete (cylinder 1 with nothing collected)",)

    def test_half_a_graduation_is_not_the_lowest(self, flows: Maker, limit: Maker) -> None:
        results = _judge(flows(["<0.5", 10.0, 12.0, 14.0], graduation=1.0), limit("times lowest", 3.0))
        assert "PAST" not in _outcomes(results)

    def test_inconclusive_is_not_the_lowest(self, flows: Maker, limit: Maker) -> None:
        test = flows([2.0, 10.0, 12.0, 45.0], quality={"1": "inconclusive"})
        results = _judge(test, limit("times lowest", 3.0))
        assert results[3].compared_with == "lowest valid: cylinder 2"
        assert results[0].reasons == ("the reading is doubtful (inconclusive)",)

    def test_a_tube_that_ran_over_is_not_the_lowest(self, flows: Maker, limit: Maker) -> None:
        results = _judge(flows(["5+", 10.0, 12.0, 45.0]), limit("times lowest", 3.0))
        assert results[3].compared_with == "lowest valid: cylinder 2"
        assert results[3].outcome == Outcome.PAST

    def test_a_part_just_fitted_is_not_the_lowest_but_completes_the_set(self, flows: Maker, limit: Maker) -> None:
        values = [6.0, 12.0, 14.0, 20.0]
        assert _judge(flows(values), limit("times lowest", 3.0))[3].outcome == Outcome.REPEAT
        results = _judge(flows(values, fresh=("1",)), limit("times lowest", 3.0))
        assert results[3].outcome == Outcome.WITHIN
        assert results[3].compared_with == "lowest valid: cylinder 2; cylinder 1 read lower but cannot serve"

    def test_one_valid_reading_is_no_comparison(self, flows: Maker, limit: Maker) -> None:
        (result,) = _judge(flows([12.0, 0.0, 0.0, 0.0]), limit("times lowest", 3.0))[:1]
        assert result.reasons == ("no other cylinder has a valid reading",)


class TestIncompleteSets:
    def test_total_fails_but_never_passes(self, flows: Maker, limit: Maker) -> None:
        rule = limit("set total most", 80.0, unit="ml/min")
        (low,) = _judge(flows([10.0, None, 12.0, 14.0]), rule)
        assert low.outcome == Outcome.CANNOT
        assert "set incomplete (cylinder 2 not measured) (so far at least 36 ml/min" in low.sentence
        assert _outcomes(_judge(flows([50.0, None, 60.0, 14.0]), rule)) == ["PAST"]

    def test_a_zero_makes_the_set_incomplete(self, flows: Maker, limit: Maker) -> None:
        (result,) = _judge(flows([10.0, 0.0, 12.0, 14.0]), limit("set total most", 80.0, unit="ml/min"))
        assert result.reasons == ("set incomplete (cylinder 2 with nothing collected)",)

    def test_unknown_number_of_cylinders_never_passes(self, flows: Maker, limit: Maker) -> None:
        rule = limit("set total most", 80.0, unit="ml/min")
        (result,) = _judge(flows([10.0, 12.0]), rule, family=FamilyFacts())
        assert result.reasons == ("number of cylinders not recorded",)
        assert _outcomes(_judge(flows([70.0, 72.0]), rule, family=FamilyFacts())) == ["PAST"]

    def test_a_reading_of_the_whole_set_stands_for_the_total(self, flows: Maker, limit: Maker) -> None:
        test = replace(flows([]), readings=(SetReading("set", 120.0, "ml"),))
        assert _outcomes(_judge(test, limit("set total most", 80.0, unit="ml/min"))) == ["PAST"]
        assert _judge(test, limit("most", 25.0, unit="ml/min")) == ()

    def test_median_of_an_incomplete_set(self, flows: Maker, limit: Maker) -> None:
        rule = limit("times median", 2.0)
        # whatever cylinder 4 reads, the median of 10, 10, 60 and it lies between 10 and 35: 60 is over 1.7
        # times
        assert set(_outcomes(_judge(flows([10.0, 10.0, 60.0, None]), rule))) == {"CANNOT"}
        # of 10, 10, 10, 60, x it lies at 10, so 60 is six times
        five = FamilyFacts(cylinders=5)
        assert _judge(flows([10.0, 10.0, 10.0, 60.0, None]), rule, family=five)[3].outcome == Outcome.PAST


def test_median_and_mean(flows: Maker, limit: Maker) -> None:
    results = _judge(flows([10.0, 12.0, 14.0, 48.0]), limit("times median", 2.0))
    assert [round(r.reading or 0, 3) for r in results] == [0.769, 0.923, 1.077, 3.692]
    assert _outcomes(results)[3] == "PAST"
    # mean 21: -52 %, -43 %, -33 %, +129 %
    results = _judge(flows([10.0, 12.0, 14.0, 48.0]), limit("percent from mean", 50.0))
    assert [round(r.reading or 0, 1) for r in results] == [52.4, 42.9, 33.3, 128.6]
    assert _outcomes(results) == ["REPEAT", "CLOSE", "WITHIN", "PAST"]
    assert "52.4 % below the mean" in results[0].sentence


def test_the_error_of_a_ratio_is_that_of_both(flows: Maker, limit: Maker) -> None:
    result = _judge(flows([10.0, 12.0, 14.0, 25.0]), limit("times lowest", 3.0))[3]
    # two independent readings of 10 % each: 2.5 times sqrt(2) * 10 %
    assert result.error == pytest.approx(ERROR_REACH * 2.5 * 0.1 * 2**0.5)


class TestPercentFromFirst:
    def test_growth_of_return_flow(self, flows: Maker, limit: Maker) -> None:
        rule = limit("percent from first", 50.0)
        (result,) = _judge(flows([22.0]), rule, baselines=FIRST)
        assert (result.reading, result.outcome) == (pytest.approx(120.0), Outcome.PAST)
        assert result.compared_with == "first reading 10 on 2024-05-01"
        assert _outcomes(_judge(flows([4.0]), rule, baselines=FIRST)) == ["WITHIN"]

    def test_a_pump_gets_worse_by_falling(self, pump: Maker, limit: Maker) -> None:
        rule = limit("percent from first", 20.0, measure="pump_peak")
        first = {("pump_peak", "closed 20 ml", "pump"): Baseline(1500.0, date(2024, 5, 1))}
        (result,) = _judge(pump(900.0), rule, baselines=first)
        assert (result.reading, result.outcome) == (pytest.approx(40.0), Outcome.PAST)
        assert _outcomes(_judge(pump(1700.0), rule, baselines=first)) == ["WITHIN"]

    def test_without_a_first_reading(self, flows: Maker, limit: Maker) -> None:
        (result,) = _judge(flows([22.0]), limit("percent from first", 50.0))
        assert result.reasons == ("no first reading of the part at cylinder 1",)

    def test_cranking_without_pressure_compares_no_levels_between_tests(self, flows: Maker, limit: Maker) -> None:
        """A pump delivers 40, four injectors share it by their leaks (a balance of pump and leaks, computed).

        With one leaking three times as much the others read 6.67; once it is replaced they read 10. They rose
        by half and nothing happened to them.
        """
        leaks = [1.0, 1.0, 3.0, 1.0]
        before = [40.0 * leak / sum(leaks) for leak in leaks]
        first = {("return_flow", "crank", str(n)): Baseline(v, date(2026, 2, 1)) for n, v in enumerate(before, 1)}
        cranked = {"protocol": "crank", "driven": "crank", "rail_bar": None}
        (result,) = _judge(flows([10.0] * 4, **cranked), limit("percent from first", 30.0), baselines=first)
        assert result.outcome == Outcome.CANNOT
        assert "only shares" in result.reasons[0]
        # the total is the pump's delivery both times: it says nothing of the leak
        assert sum(before) == pytest.approx(40.0)


class TestDurations:
    def test_other_durations_are_not_divided_away(self, flows: Maker, limit: Maker) -> None:
        (result,) = _judge(flows([40.0], duration_s=60.0), limit("most", 15.0, **OVER_30_S))
        assert result.reasons == ("duration 60 s, the limit is stated for 30 s",)

    def test_a_second_more_is_scaled(self, flows: Maker, limit: Maker) -> None:
        (result,) = _judge(flows([31.0], duration_s=31.0), limit("most", 15.0, **OVER_30_S))
        assert result.reading == pytest.approx(30.0)

    def test_a_rate_of_the_same_duration_is_compared_as_volume(self, flows: Maker, limit: Maker) -> None:
        (result,) = _judge(flows([62.0], unit="ml/min", duration_s=30.0), limit("most", 15.0, **OVER_30_S))
        assert (result.reading, result.outcome) == (pytest.approx(31.0), Outcome.PAST)

    def test_without_duration(self, flows: Maker, limit: Maker) -> None:
        rules = (limit("most", 15.0, **OVER_30_S), limit("most", 15.0, unit="ml/min", name="rate"))
        results = _judge(flows([40.0, 41.0], duration_s=None), *rules)
        assert [r.reasons for r in results] == [("duration not recorded",)] * 2
        # a ratio inside the set needs no duration
        ratio = _judge(flows([10.0, 41.0, 10.0, 11.0], duration_s=None), limit("times lowest", 3.0))
        assert ratio[1].outcome == Outcome.PAST


class TestWhichRulesSpeak:
    def test_measure_protocol_and_family(self, flows: Maker, limit: Maker) -> None:
        rules = (
            limit("most", 1.0, unit="bar", measure="pump_peak", name="a"),
            limit("most", 1.0, unit="ml/min", protocol="crank", name="b"),
            limit("most", 1.0, unit="ml/min", family="truck", name="c"),
            limit("most", 1.0, unit="ml/min", protocol="warm idle", family="van", name="d"),
        )
        assert {result.rule for result in _judge(flows([20.0]), *rules)} == {"d"}

    def test_unknown_family_is_said(self, flows: Maker, limit: Maker) -> None:
        rule = limit("most", 25.0, unit="ml/min", family="van")
        (result,) = _judge(flows([20.0]), rule, family=FamilyFacts())
        assert result.reasons == ("family of the vehicle not recorded",)

    def test_the_wording_in_force_on_the_day(self, flows: Maker, limit: Maker) -> None:
        rules = (
            limit("most", 10.0, 1, unit="ml/min"),
            limit("most", 25.0, 2, unit="ml/min", valid_from=date(2026, 1, 1)),
            limit("most", 5.0, 3, unit="ml/min", valid_from=date(2026, 6, 1)),
        )
        assert [result.version for result in _judge(flows([20.0]), *rules)] == [2]

    def test_part_number(self, flows: Maker, limit: Maker) -> None:
        rule = limit("most", 25.0, unit="ml/min", part_number="B-7")
        test = flows([40.0, 41.0])
        (unknown,) = _judge(test, rule)
        assert unknown.reasons == ("part number of cylinders 1 and 2 not recorded",)
        parts = (replace(test.readings[0], part_number="B-7"), replace(test.readings[1], part_number="C-1"))
        assert [r.position for r in _judge(replace(test, readings=parts), rule)] == ["1"]
