"""Changed states and what the data could not say, by hand."""

from __future__ import annotations

from datetime import date

from month_example import by_vehicle, forecast
from pipelines.steps.month_changes import changes, changes_words, unsaid
from pipelines.steps.signals import SignalBudget
from wearlab.pack.view import Unsaid
from wearlab.records import NoAnswer

SINCE = date(2026, 9, 30)
WATCHED = SignalBudget(2.0, 3.4, 22.0, 0.45, 4)


def test_what_got_worse_comes_first_with_its_cause() -> None:
    rows = by_vehicle(
        forecast(
            state="steady", state_before="watch", changed="steady after watch on 2026-09-30: cleaning on 2026-10-02",
        ),
        forecast(vehicle="V30"),
        forecast(
            vehicle="V20", position="pump", measure="pump_peak", state="book", state_before="watch",
            changed="book after watch on 2026-09-30: a new test on 2026-10-12 and the settings changed",
        ),
        # a second limit of the same part and test says nothing more
        forecast(
            vehicle="V20", position="pump", measure="pump_peak", rule="other", state="watch", state_before="steady",
            changed="watch after steady on 2026-09-30: a new test on 2026-10-12",
        ),
    )  # fmt: skip
    found = changes(rows)
    assert [(one.vehicle, one.state_before, one.state, one.worse) for one in found] == [
        ("V20", "watch", "book", True),
        ("V12", "watch", "steady", False),
    ]
    assert found[0].why == "A new test on 12 October 2026 and the settings changed."
    assert found[0].subject == "pump, pump peak, warm idle"
    assert changes_words(found, SINCE) == (
        "2 states are another than on 30 September 2026: 1 more pressing, 1 less so."
    )
    assert changes_words(found[:1], SINCE).startswith("1 state is another")
    assert changes_words((), SINCE) == "No part is in another state than on 30 September 2026."
    assert changes_words((), None).startswith("No earlier month was learned")


def test_reasons_are_told_once_with_whom_they_concern() -> None:
    rows = by_vehicle(
        forecast(state="no answer", no_answer="no usable odometer (left out: 3 beyond the scale)"),
        forecast(state="no answer", no_answer="no usable odometer (left out: 1 beyond the scale)", position="1"),
        *(forecast(vehicle=f"V{n}", state="no limit", rule=None, protocol="crank 15 s") for n in range(20, 26)),
        forecast(vehicle="V30"),
    )
    told = unsaid(rows, {"V31": NoAnswer("no odometer was recorded")}, [("V32", "it left on 2026-09-01")], WATCHED)
    assert told == (
        Unsaid("return flow, warm idle: V12 injectors 1 and 3", "No usable odometer.", "V12"),
        Unsaid(
            "return flow, crank 15 s: 6 parts of 6 vehicles",
            "No limit is configured: nothing can be booked by this test.",
            None,
        ),
        Unsaid("V31", "No odometer was recorded.", "V31"),
        Unsaid("V32", "Not planned: it left on 1 September 2026.", "V32"),
    )


def test_signals_that_cannot_be_raised_are_told() -> None:
    (none,) = unsaid({}, {}, [], SignalBudget(0.0, None, 0.0, 0.0, 0))
    (tight,) = unsaid({}, {}, [], SignalBudget(0.001, None, 2.0, 0.0, 1))
    assert none.reason == "No group of tests has a wear model yet that a reading could depart from."
    assert tight.reason == "The budget of false signals is too small for any signal to be raised."
