"""Demand by months from chances by days."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from wearlab.errors import InputError
from wearlab.forecast.date_law import DateLaw
from wearlab.plan.demand import Planned, Seat, chances_by, demand, month_ends

TODAY = date(2026, 10, 31)


def law(**told: float) -> DateLaw:
    found = DateLaw.of({"past": 0.0, **told}.get, TODAY)
    assert found is not None
    return found


def test_months_are_calendar_months_and_the_first_may_be_short() -> None:
    assert month_ends(TODAY, 3) == [date(2026, 11, 30), date(2026, 12, 31), date(2027, 1, 31)]
    assert month_ends(date(2026, 10, 30), 2) == [date(2026, 10, 31), date(2026, 11, 30)]
    assert month_ends(date(2027, 12, 31), 2) == [date(2028, 1, 31), date(2028, 2, 29)]
    with pytest.raises(InputError):
        month_ends(TODAY, 0)


def test_what_is_past_already_is_needed_in_the_first_month() -> None:
    told = demand([[0.6, 0.7, 0.7], [0.1, 0.1, 0.4]])
    assert [span.mean for span in told.spans] == pytest.approx([0.7, 0.1, 0.3])
    assert told.whole.mean == pytest.approx(1.1)
    # by hand: both parts in the first month 0.6 x 0.1, none 0.4 x 0.9
    np.testing.assert_allclose(told.spans[0].pmf, [0.36, 0.58, 0.06])


def test_a_part_is_needed_once_over_all_months() -> None:
    told = demand([[0.5, 1.0]])
    np.testing.assert_allclose(told.whole.pmf, [0.0, 1.0])


def test_simulated_replacements_agree() -> None:
    rng = np.random.default_rng(3)
    chances = np.cumsum(rng.dirichlet([1, 1, 1, 4], size=20)[:, :3], axis=1)
    drawn = rng.uniform(size=(40_000, 20, 1)) > chances
    month = drawn.sum(axis=2)
    told = demand(chances)
    for span in range(3):
        counts = (month == span).sum(axis=1)
        seen = np.bincount(counts, minlength=21)[: told.spans[span].pmf.size] / counts.size
        np.testing.assert_allclose(seen, told.spans[span].pmf, atol=0.01)


def test_chances_that_fall_are_refused() -> None:
    for wrong in ([[0.5, 0.4]], [[-0.1, 0.2]], [0.5, 0.6], [[0.5, 1.5]]):
        with pytest.raises(InputError):
            demand(wrong)


def test_the_most_pressing_law_of_a_part_counts() -> None:
    slow, fast = law(within_30=0.1, within_180=0.2), law(within_30=0.05, within_180=0.6)
    days = [date(2026, 11, 30), date(2027, 4, 29)]
    table = chances_by([Seat((slow, fast)), Seat((slow,)), Seat(())], days)
    np.testing.assert_allclose(table, [[0.1, 0.6], [0.1, 0.2], [0.0, 0.0]])


def test_nothing_is_needed_once_the_vehicle_left() -> None:
    leaving = Seat((law(within_30=0.2, within_180=0.6),), leaves_on=date(2026, 12, 1))
    assert leaving.chance_by(date(2026, 11, 30)) == pytest.approx(0.2)
    assert leaving.chance_by(date(2027, 4, 29)) == pytest.approx(0.2)


def test_a_plan_replaces_on_its_days() -> None:
    plan = Planned((date(2026, 12, 5), date(2027, 2, 1)), (0.7, 0.3))
    days = [date(2026, 12, 4), date(2026, 12, 5), date(2027, 2, 1)]
    np.testing.assert_allclose(chances_by([Seat((plan,))], days), [[0.0, 0.7, 1.0]])
    with pytest.raises(InputError):
        Planned((date(2027, 2, 1), date(2026, 12, 5)), (0.5, 0.5))
    with pytest.raises(InputError):
        Planned((TODAY,), (1.2,))
