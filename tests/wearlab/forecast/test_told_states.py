"""States, their changes and the next test in another language."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from loud_language import loud, quiet_words
from wearlab.config import Horizons, Visits
from wearlab.forecast.calendar import CalendarForecast, on_calendar
from wearlab.forecast.chance_words import chance_words
from wearlab.forecast.misfit import signs
from wearlab.forecast.recalibration import Recalibration, factor_of
from wearlab.forecast.retest import retest
from wearlab.forecast.state_changes import StateBefore, change_sentence
from wearlab.forecast.states import PartEvidence, part_state, with_left_out, without_left_out
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer, State
from wearlab.wear.line import Crossing, Interval

NOW = date(2026, 10, 1)
HORIZONS = Horizons()


def after(days: int) -> date:
    return NOW + timedelta(days=days)


GOOD = PartEvidence(
    limit=40.0,
    direction="above",
    readings=5,
    last_test=after(-100),
    last_level=25.0,
    last_bound=None,
    level=Interval(24.0, 22.0, 26.0, 0.9),
    forecast=CalendarForecast(after(800), after(1200), after(2500)),
    protocol="IDLE",
)
PAST = Interval(45.0, 42.0, 48.0, 0.9)
SOON = CalendarForecast(date_p10=after(20), date_p50=after(60), date_p90=after(100), leaves_first=True)


@pytest.mark.parametrize(
    "evidence",
    [
        GOOD,
        replace(GOOD, readings=0),
        replace(GOOD, limit=None),
        replace(GOOD, last_level=44.0, level=PAST),
        replace(GOOD, last_level=44.0, level=PAST, forecast=replace(GOOD.forecast, past=0.97)),
        replace(GOOD, last_level=44.0, forecast=replace(GOOD.forecast, past=0.4)),
        replace(GOOD, last_level=38.0, level=PAST),
        replace(GOOD, last_level=44.0, level=None, readings=1),
        replace(GOOD, last_level=44.0, level=None),
        replace(GOOD, last_bound="at_least"),
        replace(GOOD, last_level=24.0, last_bound="at_most", level=None, forecast=CalendarForecast(no_answer="WHY")),
        replace(GOOD, forecast=SOON),
        replace(GOOD, forecast=replace(SOON, past=0.8)),
        replace(GOOD, last_test=after(-900)),
        replace(GOOD, level=Interval(39.0, 36.0, 42.0, 0.9), forecast=CalendarForecast(no_answer="WHY")),
        replace(GOOD, forecast=CalendarForecast(no_answer="WHY")),
        replace(GOOD, forecast=CalendarForecast(no_dates="WHY")),
    ],
)
def test_the_cause_of_a_state_and_the_next_test_are_told(evidence: PartEvidence) -> None:
    with loud():
        told = part_state(evidence, HORIZONS, NOW)
        assert quiet_words(told.cause) == []
        for visit in (None, after(40)):
            for state in (told.state, State.WATCH, State.TEST_AGAIN):
                ahead = replace(evidence.forecast, next_visit=visit)
                assert quiet_words(retest(after(-100), NOW, Visits(), HORIZONS, state=state, forecast=ahead).why) == []
    # what programs read stays
    assert told.state in set(State)


def test_every_chance_is_told_and_an_english_one_as_ever() -> None:
    chances = np.linspace(0.0, 1.0, 400).tolist()
    with loud():
        assert all(not quiet_words(chance_words(one)) for one in chances)
    assert chance_words(0.04) == "1 in 20"


def test_why_a_state_changed_is_told() -> None:
    before = StateBefore(State.WATCH, after(-30), after(-200), 4, "A", 1)
    with loud():
        for one in (
            before,
            replace(before, same_part=False),
            replace(before, same_part=False, repair="WORK"),
            replace(before, repair="WORK", recalibrated=True, readings=3),
            replace(before, rule=None, limit_version=None),
            replace(before, limit_version=2, readings=9, last_test=after(-100)),
            replace(before, last_test=after(-100), readings=5, settings=True, program=True, facts=True),
            replace(before, last_test=after(-100), readings=5),
        ):
            for rule in ("A", None):
                told = change_sentence(
                    one, State.BOOK, last_test=after(-100), readings=5, rule=rule, limit_version=1 if rule else None
                )
                assert told is not None
                assert quiet_words(told) == [], told
    told = change_sentence(
        replace(before, repair="cleaning on 2026-09-20", recalibrated=True),
        State.BOOK, last_test=after(-100), readings=5, rule="A", limit_version=1,
    )  # fmt: skip
    assert told == (
        "book after watch on 2026-09-01: cleaning on 2026-09-20 and a new test on 2026-06-23 and the forecasts of the "
        "group were recalibrated"
    )


def test_what_was_left_out_of_one_part_can_be_taken_off_again() -> None:
    assert with_left_out("why", []) == "why"
    assert with_left_out("why", ["3 beyond the scale"]) == "why (left out: 3 beyond the scale)"
    assert without_left_out("why (left out: 3 beyond the scale)") == "why"
    assert without_left_out("why (so far)") == "why (so far)"
    with loud():
        assert without_left_out(with_left_out("WHY", ["3"])) == "WHY"


def test_notes_of_a_forecast_are_told() -> None:
    parked = Usage(NOW, 0.0, 0.0, 0.0, 50_000.0, NOW, 50_000.0, True, 5, "BASIS")
    driven = replace(parked, km_per_day=100.0, km_per_day_low=80.0, km_per_day_high=120.0, parked=False)
    with loud():
        for usage in (parked, driven, NoAnswer("WHY")):
            for crossing in (
                Crossing(60_000.0, 55_000.0, 70_000.0, 0.8),
                Crossing(9e9, 8e9, float("inf"), 0.8),
                Crossing(float("inf"), 55_000.0, float("inf"), 0.8),
                NoAnswer("WHY"),
            ):
                told = on_calendar(crossing, 50_000.0, 50_000.0, usage, NOW, leaves_on=after(10))
                assert quiet_words(f"{told.note} {told.no_answer or ''} {told.no_dates or ''}") == []
        assert quiet_words(on_calendar(crossing, float("nan"), 0.0, driven, NOW).no_answer or "") == []


def test_what_looking_back_taught_is_told() -> None:
    rng = np.random.default_rng(3)
    vehicle = np.arange(400)
    with loud():
        for pit in (rng.uniform(size=400), rng.beta(0.3, 0.3, size=400), rng.beta(4.0, 4.0, size=400)):
            told = factor_of(pit, vehicle)
            assert isinstance(told, Recalibration)
            assert quiet_words(told.sentence) == []
        few = factor_of(np.array([0.3]), np.array([1]))
        assert isinstance(few, NoAnswer)
        assert quiet_words(few.reason) == []
        silent = signs(None, NoAnswer("WHY"))  # type: ignore[arg-type]
        assert [word for text in silent.sentences for word in quiet_words(text)] == []
