"""The back-test of crossings: who is scored, by what truth, and that the score is that of the law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import invgauss

from studies.hindsight import TrueLaw, TrueMixture, row
from wearlab.errors import InputError
from wearlab.forecast.backtest import (
    ALREADY,
    FEW,
    NEVER,
    NOTHING,
    BackTest,
    back_test,
    crossing_crps,
    crossing_quantiles,
)
from wearlab.forecast.scores import crps_sample
from wearlab.wear.scale import STRAIGHT


def small(seed: int = 2, units: int = 14) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Units that rise by about 1 every 100, read to 1500 every 100."""
    rng = np.random.default_rng(seed)
    time = np.arange(100.0, 1501, 100)
    level = rng.normal(2, 0.2, (units, 1)) + rng.normal(0.01, 0.001, (units, 1)) * time
    value = level + rng.normal(0, 0.1, level.shape)
    return [f"U{k}" for k in range(units) for _ in time], np.tile(time, units), value.reshape(-1)


def back_tested(*given: object, **options: object) -> BackTest:
    found = back_test(*given, workers=1, **options)  # type: ignore[arg-type]
    assert isinstance(found, BackTest)
    return found


def test_scores_what_crosses_later_and_counts_the_rest() -> None:
    unit, time, value = small()
    value = value.copy()
    value[:15] = 2.0 + 0.001 * time[:15]  # never
    value[15:17] = [12.0, 3.0]  # past at the first reading
    value[30:35] = np.nan  # two of its seven readings are left up to 700
    value[45:52] = np.nan  # nothing known
    found = back_tested(unit, time, value, 11.0, origin=700.0)
    assert found.left_out == {NEVER: 1, ALREADY: 1, FEW: 1, NOTHING: 1}
    assert found.score.n == 10
    assert found.units == tuple(f"U{k}" for k in range(4, 14))
    own = value[60:75]
    k = int(np.flatnonzero(own >= 11)[0])
    assert found.truth[0] == pytest.approx(np.interp(11.0, own[k - 1 : k + 1], time[k - 1 : k + 1]))
    middle = found.quantiles[2]
    assert found.score.mae == pytest.approx(np.abs(middle - found.truth).mean())
    assert found.score.bias == pytest.approx((middle - found.truth).mean())
    inside = (found.quantiles[0] <= found.truth) & (found.truth <= found.quantiles[4])
    assert found.score.covered_90 == inside.sum()
    assert sum(weight for *_, weight in found.scale) == pytest.approx(1.0)


def test_readings_after_the_origin_change_no_forecast() -> None:
    unit, time, value = small()
    one = back_tested(unit, time, value, 10.0, origin=700.0)
    later = np.where(time > 700, value + 0.4, value)
    other = back_tested(unit, time, later, 10.0, origin=700.0)
    assert (one.quantiles == other.quantiles).all()
    assert not np.array_equal(one.truth, other.truth)
    # seven readings up to 700; the rows in any order
    order = np.random.default_rng(1).permutation(len(unit))
    mixed = back_tested([unit[k] for k in order], time[order], value[order], 10.0, origin_reading=7)
    by_name = dict(zip(mixed.units, mixed.quantiles.T.tolist(), strict=True))
    for name, told in zip(one.units, one.quantiles.T, strict=True):
        assert by_name[name] == pytest.approx(told, rel=1e-3)


def test_falling_is_rising_upside_down() -> None:
    unit, time, value = small()
    up = back_tested(unit, time, 20 + value, 30.0, origin=700.0)
    down = back_tested(unit, time, 100 - (20 + value), 70.0, origin=700.0, falling=True)
    assert up.units == down.units
    assert down.truth == pytest.approx(up.truth)
    assert down.quantiles[2] == pytest.approx(up.quantiles[2], rel=0.02)


def test_score_of_a_known_law_is_that_of_its_sample() -> None:
    """A level 4 below its limit, drift 1 and path variance 0.5 known: the inverse Gaussian law of scipy."""
    one = np.ones(3)
    law = TrueLaw(1.0, STRAIGHT, 0 * one, one, 0 * one, 0 * one, 0 * one, 0.5, 0 * one, one, one)
    mixture, index = TrueMixture((law,)), np.arange(3)
    start, cap, truth = 0 * one, 1000 * one, np.array([1.0, 4.2, 11.0])
    shape = 4.0**2 / 0.5
    exact = invgauss(4.0 / shape, scale=shape)
    told = crossing_quantiles(mixture, index, 4.0, 1.0, start, cap, (0.05, 0.5, 0.95))
    assert told[:, 0] == pytest.approx(exact.ppf([0.05, 0.5, 0.95]), rel=1e-3)
    sample = np.tile(exact.ppf((np.arange(20_000) + 0.5) / 20_000), (3, 1))
    assert crossing_crps(mixture, index, 4.0, 1.0, start, cap, truth) == pytest.approx(
        crps_sample(sample, truth), rel=1e-3
    )
    # a level that is drawn away crosses, as told, at the cap: scored by the distance of the truth from it
    away = TrueMixture((TrueLaw(1.0, STRAIGHT, 0 * one, -one, 0 * one, 0 * one, 0 * one, 1e-9, 0 * one, one, one),))
    cap = 50 * one
    assert crossing_crps(away, index, 4.0, 1.0, start, cap, truth) == pytest.approx(50 - truth, rel=1e-6)


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({}, "one of them"),
        ({"origin": 5.0, "origin_reading": 3}, "one of them"),
        ({"origin": -1.0}, "above 0"),
        ({"origin_reading": 0}, "first reading"),
        ({"origin": 0.5}, "no unit has a reading"),
    ],
)
def test_bad_origins_are_refused(options: dict[str, float], word: str) -> None:
    with pytest.raises(InputError, match=word):
        back_tested(["a", "a"], np.array([1.0, 2.0]), np.array([1.0, 2.0]), 5.0, **options)


def test_flags_of_straight_and_of_cubic_wear() -> None:
    # seeds outside the study's table and outside those the thresholds were set on
    straight, cubic = row("own model", 400), row("cubic clearance", 400)
    assert not straight.accelerating
    assert not straight.misfit
    assert 0.9 < straight.crps / straight.crps_true < 1.3
    assert cubic.accelerating
