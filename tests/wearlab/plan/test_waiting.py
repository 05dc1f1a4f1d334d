"""What becomes of a part that is left, replaced or tested, against drawing it many times."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from wearlab.plan.crossing_law import CrossingLaw
from wearlab.plan.fleet import PlanPart
from wearlab.plan.waiting import Waiting, reading_agreement

AS_OF = date(2026, 3, 1)
LAW = CrossingLaw.through([30, 90, 180, 270, 365], [0.15, 0.35, 0.6, 0.75, 0.85], AS_OF, now=0.05)
VISITS = np.array([40.0, 160.0, 280.0])
END = 365.0
SEED = 8


def _part(**more: object) -> PlanPart:
    return PlanPart("1", "injector", LAW, **more)  # type: ignore[arg-type]


def _days(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Days of passage and the normal values that order them, by inverting a fine table."""
    u = rng.standard_normal(size)
    fine = np.linspace(0.0, 400.0, 40_001)
    place = np.searchsorted(LAW.chances(fine), ndtr(u))
    return u, np.where(place == fine.size, np.inf, fine[np.minimum(place, fine.size - 1)])


def test_left_or_replaced_it_drives_past_the_limit_until_it_comes_out() -> None:
    waiting = Waiting.of(_part(), LAW, VISITS, END)
    _, cross = _days(np.random.default_rng(SEED), 200_000)
    for visit, out in ((None, END), (0, 40.0), (1, 160.0)):
        course = waiting.replaced_at(visit)
        assert course.beyond == pytest.approx(np.maximum(out - cross, 0).mean(), abs=0.6)
        assert course.unused == pytest.approx(np.maximum(np.minimum(cross, END) - out, 0).mean(), abs=0.8)
    left = waiting.replaced_at(1).left_past
    assert left.tolist() == pytest.approx([float(LAW.chances(40.0)), 0.0, 0.0], abs=1e-3)


def test_tested_it_comes_out_where_it_reads_past() -> None:
    rho = 0.8
    waiting = Waiting.of(_part(agreement=rho), LAW, VISITS, END)
    course = waiting.tested_at([0, 1, 2])
    rng = np.random.default_rng(SEED)
    u, cross = _days(rng, 400_000)
    out = np.full(u.size, END)
    still = np.ones(u.size, dtype=bool)
    replaced = []
    for day in VISITS:
        reads = rho * u + np.sqrt(1 - rho**2) * rng.standard_normal(u.size)
        fails = still & (reads < rho * ndtri(LAW.chances(day)))
        replaced.append(fails.mean())
        out[fails] = day
        still &= ~fails
    assert course.replaced.tolist() == pytest.approx(replaced, abs=0.004)
    assert course.beyond == pytest.approx(np.maximum(out - cross, 0).mean(), abs=0.8)
    assert course.unused == pytest.approx(np.maximum(np.minimum(cross, END) - out, 0).mean(), abs=0.8)
    # the first test reads past as often as its own chance says
    assert course.replaced[0] == pytest.approx(ndtr(rho * ndtri(LAW.chances(40.0))), abs=0.004)


def test_a_test_that_cannot_err_finds_every_part_that_is_past() -> None:
    course = Waiting.of(_part(), LAW, VISITS, END).tested_at([0, 1, 2])
    assert course.replaced[0] == pytest.approx(LAW.chances(40.0), abs=0.01)
    assert course.left_past.max() < 0.01


def test_the_agreement_of_level_and_reading_is_told_by_the_two_chances() -> None:
    day = AS_OF + timedelta(days=60)
    level = float(ndtri(LAW.chance_by(day)))
    part = _part(next_reading_past=float(ndtr(0.7 * level)), reading_day=day)
    assert reading_agreement(part, LAW) == pytest.approx(0.7)
    # near one half the chances tell nothing, and what was given counts
    even = CrossingLaw.through([60, 120], [0.5, 0.6], AS_OF, now=0.4)
    assert reading_agreement(_part(next_reading_past=0.49, reading_day=day, agreement=0.6), even) == 0.6
