"""The law read from a forecast, against the exact first passage that made the forecast."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from wearlab.errors import InputError
from wearlab.forecast.first_passage import passage_chance
from wearlab.plan.crossing_law import CrossingLaw, beyond

AS_OF = date(2026, 3, 1)
SEED = 3


def _exact(gap_cv: float, drift_cv: float, diffusion: float, median: float) -> np.ndarray:
    """Chance by day, 0 to ten years, of a level that lies 1 below its limit."""
    days = np.arange(3653.0)
    one = np.ones_like(days)
    drift = 1.0 / median
    lines = (one, gap_cv**2 * one, drift * one, (drift_cv * drift) ** 2 * one, 0 * one, diffusion**2 * drift * one)
    return passage_chance(*lines, days)


def _row(law: np.ndarray) -> dict[str, Any]:
    row: dict[str, Any] = {"past": law[0]} | {f"within_{day}": law[day] for day in (30, 90, 180, 365)}
    for name, chance in (("p05", 0.05), ("p10", 0.1), ("p50", 0.5), ("p90", 0.9), ("p95", 0.95)):
        day = int(np.searchsorted(law, chance))
        row[f"date_{name}"] = AS_OF + timedelta(days=day) if day < law.size else None
    return row


def test_between_the_points_of_a_forecast_the_law_is_the_exact_first_passage() -> None:
    rng = np.random.default_rng(SEED)
    worst, days = [], []
    for _ in range(60):
        exact = _exact(rng.uniform(0.05, 0.4), rng.uniform(0.05, 0.5), rng.uniform(0, 0.3), rng.uniform(90, 2500))
        law = CrossingLaw.of(_row(exact).get, AS_OF)
        assert law is not None
        table = law.table(365)
        assert (np.diff(table) >= 0).all()
        worst.append(np.abs(table - exact[:366]).max())
        days.append(abs(beyond(table, 30, 365) - float(np.trapezoid(exact[30:366]))))
    assert np.median(worst) < 0.006
    assert max(worst) < 0.04
    assert max(days) < 2.0


def test_kilometres_beyond_are_those_driven_after_the_day_of_passage() -> None:
    exact = _exact(0.2, 0.2, 0.1, 200.0)
    law = CrossingLaw.of(_row(exact).get, AS_OF)
    assert law is not None
    # by days of passage drawn from the exact law
    day = np.searchsorted(exact, np.random.default_rng(SEED).uniform(size=200_000))
    driven = 250.0 * np.maximum(300 - np.maximum(day, 60), 0)
    told = law.km_beyond(AS_OF + timedelta(days=60), AS_OF + timedelta(days=300), 250.0)
    assert told.mean == pytest.approx(driven.mean(), rel=0.02)
    assert told.low == pytest.approx(np.quantile(driven, 0.05), abs=750.0)
    assert told.high == pytest.approx(np.quantile(driven, 0.95), abs=750.0)
    assert law.km_beyond(AS_OF + timedelta(days=60), AS_OF + timedelta(days=60), 250.0).mean == 0.0


def test_a_step_is_read_as_a_step() -> None:
    law = CrossingLaw.through([99, 100], [0.0, 1.0], AS_OF)
    assert law.chances([98, 100, 150]).tolist() == pytest.approx([0.0, 1.0, 1.0], abs=1e-4)
    assert law.quantile(0.5) == AS_OF + timedelta(days=100)
    assert law.chance_between(AS_OF + timedelta(days=90), AS_OF + timedelta(days=110)) == pytest.approx(1.0, abs=1e-4)


def test_what_is_past_today_and_what_lies_after_the_last_point() -> None:
    law = CrossingLaw.through([30, 365], [0.4, 0.8], AS_OF, now=0.3)
    assert law.chance_by(AS_OF) == pytest.approx(0.3)
    assert law.chance_by(AS_OF - timedelta(days=1)) == 0.0
    assert not law.extrapolates(AS_OF + timedelta(days=365))
    assert law.extrapolates(AS_OF + timedelta(days=366))
    assert 0.8 < law.chance_by(AS_OF + timedelta(days=730)) < 1.0
    assert law.quantile(0.2) == AS_OF


def test_no_forecast_has_no_law_and_odd_points_are_refused() -> None:
    assert CrossingLaw.of({}.get, AS_OF) is None
    with pytest.raises(InputError):
        CrossingLaw.through([10, 20], [0.5], AS_OF)
    with pytest.raises(InputError):
        CrossingLaw.through([10], [1.5], AS_OF)
