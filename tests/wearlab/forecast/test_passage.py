"""First passage over the mixture of working scales: quantiles, what is past, limits on either side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri
from scipy.stats import invgauss

from wearlab.errors import InputError
from wearlab.forecast.passage import HORIZON, chance_before, passage
from wearlab.wear.scale import STRAIGHT, WorkingScale

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """One working scale's view of some parts."""

    weight: float
    scale: WorkingScale
    level: Array
    rate: Array
    var_level: Array
    var_rate: Array
    cov: Array
    path_variance: float
    position: Array
    unit_exposure: Array
    gamma: Array


@dataclass(frozen=True)
class Mix:
    """Components handed over as the model hands them over."""

    components: Sequence[Part]


def part(
    level: ArrayLike,
    rate: ArrayLike,
    path: float,
    *,
    sd: ArrayLike = 0.0,
    rate_sd: ArrayLike = 0.0,
    correlation: float = 0.0,
    at: ArrayLike = 0.0,
    unit: float = 1.0,
    weight: float = 1.0,
    scale: WorkingScale = STRAIGHT,
) -> Part:
    """Levels and rates on a working scale; `at` is the exposure of the last reading, in the unit of the data."""
    shape = np.broadcast_shapes(*(np.shape(value) for value in (level, rate, sd, rate_sd, at)), (1,))
    levels, rates, sds, rate_sds, places = (
        np.broadcast_to(np.asarray(value, dtype=float), shape) for value in (level, rate, sd, rate_sd, at)
    )
    return Part(
        weight, scale, levels, rates, sds**2, rate_sds**2, correlation * sds * rate_sds, path,
        scale.exposure(places / unit), np.full(shape, unit), np.full(shape, scale.gamma),
    )  # fmt: skip


LEVELS = (0.05, 0.1, 0.5, 0.9, 0.95)


def test_known_level_and_rate_have_the_quantiles_of_the_inverse_gaussian_law() -> None:
    # limit 10 at drift 0.5 and variance 0.4: median 19.2352790177, 5 % 12.19808546, 95 % 30.41002105
    mix = Mix([part(0.0, 0.5, 0.4)])
    found = passage(mix, [0], [10.0], [1], [0.0], LEVELS)
    assert found.quantiles[:, 0] == pytest.approx(invgauss(20 / 250, scale=250).ppf(LEVELS), rel=3e-4)
    assert found.quantiles[[0, 2, 4], 0] == pytest.approx([12.19808546, 19.2352790177, 30.41002105], rel=3e-4)


def test_quantiles_undo_the_chance() -> None:
    rng = np.random.default_rng(3)
    n = 400
    mix = Mix(
        [
            part(rng.uniform(20, 60, n), rng.normal(10, 6, n), 9.0, sd=3.0, rate_sd=4.0, correlation=0.4, at=1.1e5,
                 unit=2e5, weight=0.7),
            part(np.log(rng.uniform(20, 60, n)), rng.normal(0.3, 0.2, n), 0.02, sd=0.05, rate_sd=0.1, at=1.1e5,
                 unit=2e5, weight=0.3, scale=WorkingScale(0.0)),
        ]
    )  # fmt: skip
    index, limit, side, now = np.arange(n), np.full(n, 70.0), np.ones(n), np.full(n, 1.2e5)
    found = passage(mix, index, limit, side, now, LEVELS)
    for place, level in enumerate(LEVELS):
        value = found.quantiles[place]
        told = np.isfinite(value) & (value > 1.1e5 * (1 + 1e-9))
        back = chance_before(mix, index[told], limit[told], side[told], np.full(told.sum(), 1.1e5), value[told])
        assert told.sum() > 100
        assert np.abs(back - level).max() < 3e-4
    assert (found.quantiles[:-1] <= found.quantiles[1:]).all()


def test_zero_diffusion_against_the_ratio_of_normals() -> None:
    # gap 40 sd 3, rate 10 sd 2, correlated: P(crossed by t) = Phi((10 t - 40) / sd(t)); Fieller's set by its roots
    mix = Mix([part(30.0, 10.0, 0.0, sd=3.0, rate_sd=2.0, correlation=0.3)])
    found = passage(mix, [0], [70.0], [1], [0.0], (0.1, 0.5, 0.9)).quantiles[:, 0]
    for value, level in zip(found, (0.1, 0.5, 0.9), strict=True):
        sd = np.sqrt(9 + 4 * value**2 + 2 * value * 0.3 * 6)
        assert (10 * value - 40) / sd == pytest.approx(ndtri(level), abs=1e-3)


def test_a_lower_limit_is_the_mirror_of_an_upper_one() -> None:
    rng = np.random.default_rng(5)
    n = 50
    level, rate = rng.uniform(20, 60, n), rng.normal(5, 6, n)
    up = Mix([part(level, rate, 4.0, sd=2.0, rate_sd=3.0, correlation=0.5)])
    down = Mix([part(-level, -rate, 4.0, sd=2.0, rate_sd=3.0, correlation=0.5)])
    here = np.zeros(n)
    above = passage(up, np.arange(n), np.full(n, 65.0), np.ones(n), here + 0.2)
    below = passage(down, np.arange(n), np.full(n, -65.0), -np.ones(n), here + 0.2)
    assert np.array_equal(above.quantiles, below.quantiles)
    assert np.array_equal(above.past, below.past)


def test_a_limit_that_wear_leaves_behind_is_perhaps_never_passed() -> None:
    # exp(-2 * 1 * 0.05 / 0.1) = 0.3679 ever pass it
    mix = Mix([part(0.0, -0.05, 0.1)])
    found = passage(mix, [0], [1.0], [1], [0.0], (0.3, 0.4))
    assert np.isfinite(found.quantiles[0, 0])
    assert np.isinf(found.quantiles[1, 0])


def test_beyond_the_horizon_is_never() -> None:
    found = passage(Mix([part(0.0, 1.0, 1e-6, unit=1000.0)]), [0, 0], [99.0, 101.0], [1, 1], [0.0, 0.0], (0.5,))
    assert HORIZON == 100.0
    assert found.quantiles[0] == pytest.approx([99_000.0, np.inf], rel=1e-3)


def test_past_counts_from_the_last_reading_to_today() -> None:
    mix = Mix([part(50.0, 1.0, 0.5, sd=1.0, at=10.0)])
    at_reading, today = passage(mix, [0, 0], [50.0, 50.0], [1, 1], [10.0, 14.0]).past
    assert at_reading == pytest.approx(0.5, abs=1e-6)
    assert today > 0.97
    # half the chance lies behind at the reading: the early quantile is told as at the reading, never before it
    found = passage(mix, [0], [50.0], [1], [14.0]).quantiles[:, 0]
    assert found[0] == 10.0
    assert found[2] > 10.0
    # what is asked about the time before today is answered as of today
    assert chance_before(mix, [0], [50.0], [1], [14.0], [11.0])[0] == pytest.approx(today, abs=1e-9)


def test_without_an_exposure_of_today_the_last_reading_speaks() -> None:
    mix = Mix([part(50.0, 1.0, 0.5, sd=1.0, at=10.0)])
    assert passage(mix, [0], [50.0], [1], [np.nan]).past[0] == pytest.approx(0.5, abs=1e-6)


def test_components_are_mixed_by_weight() -> None:
    first, second = part(0.0, 0.5, 0.4, weight=0.25), part(0.0, 1.5, 0.4, weight=0.75)
    alone = [chance_before(Mix([part(0.0, rate, 0.4)]), [0], [10.0], [1], [0.0], [9.0])[0] for rate in (0.5, 1.5)]
    both = chance_before(Mix([first, second]), [0], [10.0], [1], [0.0], [9.0])[0]
    assert both == pytest.approx(0.25 * alone[0] + 0.75 * alone[1], abs=1e-12)


def test_the_power_of_exposure_bends_the_way_to_the_limit() -> None:
    # level 20 + 10 xi with xi = (x / 1000)^2: 60 is reached at xi = 4, x = 2000
    bent = part(22.5, 10.0, 0.0, at=500.0, unit=1000.0, scale=WorkingScale(1.0, 2.0))
    assert passage(Mix([bent]), [0], [60.0], [1], [500.0], (0.5,)).quantiles[0, 0] == pytest.approx(2000.0, rel=1e-3)


def test_a_limit_the_scale_cannot_hold() -> None:
    mix = Mix([part(np.log(20.0), 0.1, 0.01, scale=WorkingScale(0.0))])
    found = passage(mix, [0, 0, 0], [0.0, -5.0, np.nan], [-1, 1, 1], [0.0, 0.0, 0.0], (0.5,))
    # no positive level is below 0, every one is above -5; without a limit there is nothing to tell
    assert np.isinf(found.quantiles[0, 0])
    assert found.past[:2].tolist() == [0.0, 1.0]
    assert np.isnan(found.quantiles[0, 2])
    assert np.isnan(found.past[2])


def test_many_parts_at_once_are_the_same_as_one_by_one() -> None:
    rng = np.random.default_rng(8)
    n = 4200
    mix = Mix([part(rng.uniform(20, 60, n), rng.normal(10, 6, n), 9.0, sd=3.0, rate_sd=4.0)])
    index, limit, side, now = np.arange(n), np.full(n, 70.0), np.ones(n), np.zeros(n)
    together = passage(mix, index, limit, side, now)
    for one in (0, 4095, 4096, 4199):
        alone = passage(mix, [one], [70.0], [1], [0.0])
        assert np.array_equal(alone.quantiles[:, 0], together.quantiles[:, one])


@settings(max_examples=60, deadline=None)
@given(
    level=st.floats(0, 60), rate=st.floats(-5, 20), sd=st.floats(0.1, 5), rate_sd=st.floats(0.1, 5),
    correlation=st.floats(-0.95, 0.95), path=st.floats(0, 20), more=st.floats(0, 10), factor=st.floats(0.001, 1000),
)  # fmt: skip
def test_more_wear_and_another_unit(
    level: float, rate: float, sd: float, rate_sd: float, correlation: float, path: float, more: float, factor: float
) -> None:
    def told(level: float, rate: float, unit: float) -> tuple[float, float, Array]:
        mix = Mix([part(level, rate, path, sd=sd, rate_sd=rate_sd, correlation=correlation, at=unit, unit=unit)])
        found = passage(mix, [0], [70.0], [1], [1.5 * unit])
        later = chance_before(mix, [0], [70.0], [1], [1.5 * unit], [4.0 * unit])[0]
        return float(found.past[0]), float(later), found.quantiles[:, 0] / unit

    past, later, dates = told(level, rate, 1.0)
    assert 0 <= past <= later <= 1
    assert (dates[:-1] <= dates[1:]).all()
    worn = told(level + more, rate + more / 10, 1.0)
    assert worn[0] >= past - 2e-4
    assert worn[1] >= later - 2e-4
    other = told(level, rate, factor)
    assert other[:2] == pytest.approx((past, later), abs=1e-9)
    assert other[2] == pytest.approx(dates, rel=1e-6)


def test_what_is_refused() -> None:
    mix = Mix([part(0.0, 0.5, 0.4)])
    with pytest.raises(InputError, match="quantile"):
        passage(mix, [0], [10.0], [1], [0.0], (0.5, 1.0))
    with pytest.raises(InputError, match="direction"):
        passage(mix, [0], [10.0], [0], [0.0])
    with pytest.raises(InputError, match="one length"):
        passage(mix, [0], [10.0, 11.0], [1, 1], [0.0, 0.0])
    with pytest.raises(InputError, match="exposure"):
        chance_before(mix, [0], [10.0], [1], [0.0], [1.0, 2.0])
