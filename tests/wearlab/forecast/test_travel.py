"""The wear model's law by days: against outside values, simulated wear and usage, and the exact search on exposure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import ndtr, ndtri
from scipy.stats import invgauss, norm

from wearlab.errors import InputError
from wearlab.forecast.exposure_law import chance_by, exposures_at
from wearlab.forecast.grid_law import passage_law
from wearlab.forecast.next_reading import reading_chance
from wearlab.forecast.passage import chance_before, passage
from wearlab.forecast.travel import DayLaw, Travel
from wearlab.lives.outlook import Outlook
from wearlab.wear.scale import STRAIGHT, WorkingScale

Array = NDArray[np.float64]
LEVELS = (0.05, 0.1, 0.5, 0.9, 0.95)


@dataclass(frozen=True)
class Part:
    """One working scale's view of some parts; arrays of one shape."""

    level: Array
    rate: Array
    path_variance: float = 0.0
    sd: float = 0.0
    rate_sd: float = 0.0
    correlation: float = 0.0
    at: float = 0.0
    unit: float = 1.0
    weight: float = 1.0
    read: float = 0.0
    scale: WorkingScale = STRAIGHT
    var_level: Array = field(init=False)
    var_rate: Array = field(init=False)
    cov: Array = field(init=False)
    position: Array = field(init=False)
    unit_exposure: Array = field(init=False)
    gamma: Array = field(init=False)
    noise: Array = field(init=False)

    def __post_init__(self) -> None:
        shape = self.level.shape
        made = {
            "var_level": self.sd**2,
            "var_rate": self.rate_sd**2,
            "cov": self.correlation * self.sd * self.rate_sd,
            "position": float(self.scale.exposure(self.at / self.unit)),
            "unit_exposure": self.unit,
            "gamma": self.scale.gamma,
            "noise": self.read,
        }
        for name, value in made.items():
            object.__setattr__(self, name, np.full(shape, value))


@dataclass(frozen=True)
class Mix:
    """Components as the model hands them over."""

    components: tuple[Part, ...]


def one(value: float) -> Array:
    return np.array([value])


def outlook(size: int = 1, **values: float) -> Outlook:
    told = {"steady": 100.0, "slow": 0.0, "slow_days": 365.0} | values
    names = Outlook.__slots__
    return Outlook(*(np.full(size, told.get(name, 0.0)) for name in names))


def straight(law: object, at_last: float, gap: float = 0.0, **values: float) -> DayLaw:
    size = law.start.size  # type: ignore[attr-defined]
    told = outlook(size, **values)
    return DayLaw(law, Travel(np.full(size, at_last), np.full(size, gap), told, told.steady + told.slow))  # type: ignore[arg-type]


def test_the_inverse_gaussian_law_by_days() -> None:
    # drift 0.5, variance 0.4, limit 10: F(10) 0.00850726366, F(15) 0.186272648653, F(20) 0.555352318867,
    # F(30) 0.944693992510; median 19.2352790177, 5 % 12.19808546, 95 % 30.41002105 (Chhikara & Folks 1989)
    law = passage_law(Mix((Part(one(0.0), one(0.5), 0.4),)), [0], [10.0], [1])
    by_day = straight(law, 0.0, steady=0.01)
    told = [float(by_day.chance(day)[0]) for day in (1000.0, 1500.0, 2000.0, 3000.0)]
    assert told == pytest.approx([0.00850726366, 0.186272648653, 0.555352318867, 0.944693992510], abs=3e-4)
    days = by_day.days((0.05, 0.5, 0.95))[:, 0]
    assert days == pytest.approx([1219.808546, 1923.52790177, 3041.002105], rel=1e-3)


def test_zero_diffusion_is_the_ratio_of_normals() -> None:
    # gap 40 sd 3, rate 10 sd 2, correlated: P(crossed by t) = Phi((10 t - 40) / sd(t)), Fieller's set by its roots
    law = passage_law(Mix((Part(one(30.0), one(10.0), 0.0, 3.0, 2.0, 0.3),)), [0], [70.0], [1])
    by_day = straight(law, 0.0, steady=0.01)
    for day in (250.0, 350.0, 400.0, 500.0, 700.0):
        t = day / 100
        sd = np.sqrt(9 + 4 * t**2 + 2 * t * 0.3 * 6)
        assert float(by_day.chance(day)[0]) == pytest.approx(float(ndtr((10 * t - 40) / sd)), abs=5e-4)


def normal_law(level_sd: float, rate_sd: float) -> Callable[[float], float]:
    return lambda t: float(ndtr((0.5 * t - 10) / np.hypot(level_sd, rate_sd * t)))


#: Drift 0.5 towards a limit 10 away, by a law of one's own: what is unsure of the level (its sd), of the rate, and the
#: path.
DISTANCES = {
    "level": (Part(one(0.0), one(0.5), sd=2.0), normal_law(2.0, 0.0)),
    "rate": (Part(one(0.0), one(0.5), sd=0.05, rate_sd=0.1), normal_law(0.05, 0.1)),
    "both": (Part(one(0.0), one(0.5), sd=2.0, rate_sd=0.1), normal_law(2.0, 0.1)),
    "hardly": (Part(one(0.0), one(0.5), sd=0.2), normal_law(0.2, 0.0)),
    "hardly the rate": (Part(one(0.0), one(0.5), sd=0.05, rate_sd=0.02), normal_law(0.05, 0.02)),
    "path": (Part(one(0.0), one(0.5), 0.4), invgauss(mu=20.0 / 250.0, scale=250.0).cdf),
}


@pytest.mark.parametrize("unsure", DISTANCES)
def test_the_average_over_a_log_normal_distance_by_quadrature(unsure: str) -> None:
    """A law in closed form averaged over the distance by scipy's adaptive integration."""
    part, law_of = DISTANCES[unsure]
    law = passage_law(Mix((part,)), [0], [10.0], [1])
    for log_sd in (0.1, 0.3, 0.6):
        steady = 0.01 * np.exp(0.5 * log_sd**2)  # its middle, over a day
        by_day = straight(law, 0.0, steady=steady, var_steady=steady**2 * np.expm1(log_sd**2))
        for middle in (10.0, 15.0, 20.0, 30.0):
            grid = np.array([-8.0, *np.linspace(-5, 5, 21), 8.0])
            known = sum(
                quad(lambda z: law_of(middle * np.exp(log_sd * z)) * norm.pdf(z), *ends)[0]  # noqa: B023
                for ends in pairwise(grid)
            )
            assert float(by_day.chance(100 * middle)[0]) == pytest.approx(known, abs=1e-3)


def test_wear_and_usage_by_simulation() -> None:
    """60,000 paths of level and distance drawn from what the model says, stepped in days; a late odometer reading."""
    rng = np.random.default_rng(11)
    n, gap, horizon, step = 60_000, 40, 760, 4
    limit, noise = 70.0, 4.0
    part = Part(one(55.0), one(18.0), 9.0, 2.0, 4.0, 0.3, at=1.0e5, unit=1e5, read=noise)
    pace, slow_days = 150.0, 200.0
    values = {
        "steady": pace, "slow": 20.0, "var_steady": 12.0**2, "cov": -60.0, "var_slow": 15.0**2,
        "slow_variance": 25.0**2, "slow_days": slow_days, "daily": 120.0**2,
    }  # fmt: skip
    law = passage_law(Mix((part,)), [0], [limit], [1])
    told = outlook(**values)
    at_last = 1.1e5
    by_day = DayLaw(law, Travel(one(at_last), one(gap), told, one(100.0)))

    steady, slow = rng.multivariate_normal([pace, 20.0], [[144.0, -60.0], [-60.0, 225.0]], n).T
    level, rate = rng.multivariate_normal([55.0, 18.0], [[4.0, 2.4], [2.4, 16.0]], n).T
    exposure, seen = np.full(n, at_last), np.full(n, 1.0e5)
    past = level >= limit
    kept, turn = np.exp(-step / slow_days), 25.0 * np.sqrt(1 - np.exp(-2 * step / slow_days))
    shares = {}
    for day in range(-gap, horizon + 1, step):
        ahead = np.maximum(exposure - seen, 0.0) / 1e5
        move = rate * ahead + 3.0 * np.sqrt(ahead) * rng.normal(size=n)
        # passed between the ends of the step: the chance of a bridge above the limit
        with np.errstate(divide="ignore", over="ignore"):
            bridge = np.exp(-2 * (limit - level) * (limit - level - move) / (9.0 * np.maximum(ahead, 1e-12)))
        past |= (level + move >= limit) | (rng.random(n) < np.where(level + move < limit, bridge, 0.0))
        level, seen = level + move, np.maximum(exposure, seen)
        shares[day] = (past.mean(), float(np.mean(level + np.sqrt(noise) * rng.normal(size=n) > limit)))
        driven = np.maximum((steady + slow) * step + 120.0 * np.sqrt(step) * rng.normal(size=n), 0.0)
        slow = kept * slow + turn * rng.normal(size=n)
        exposure = exposure + driven
    error = 4 * np.sqrt(0.25 / n)
    for day in (0, 60, 180, 360, 760):
        assert float(by_day.chance(float(day))[0]) == pytest.approx(shares[day][0], abs=error + 3e-3)
        driven, spread = by_day.travel.driven(one(day), np.array([0]))
        read = reading_chance(Mix((part,)), [0], [limit], [1], one(at_last), driven=driven, spread=spread)
        assert float(read[0]) == pytest.approx(shares[day][1], abs=error + 3e-3)


def fleet(n: int, seed: int = 3) -> Mix:
    rng = np.random.default_rng(seed)
    level, rate = rng.uniform(20, 68, n), rng.normal(10, 6, n)
    common = {"at": 1.1e5, "unit": 2e5}
    return Mix(
        (
            Part(level, rate, 9.0, 3.0, 4.0, 0.4, weight=0.7, read=4.0, **common),  # type: ignore[arg-type]
            Part(
                np.log(level), rate / level, 0.02, 0.06, 0.1, 0.2, weight=0.3, read=0.01,
                scale=WorkingScale(0.0, 1.5), **common,  # type: ignore[arg-type]
            ),
        )
    )  # fmt: skip


def test_the_table_agrees_with_the_exact_search() -> None:
    n = 600
    mix, index, limit, side = fleet(n), np.arange(n), np.full(n, 70.0), np.ones(n)
    law = passage_law(mix, index, limit, side)
    rng = np.random.default_rng(1)
    errors = []
    for _ in range(20):
        exposure = 1.1e5 + 2e5 * np.exp(rng.uniform(-6, 4, n))
        exact = chance_before(mix, index, limit, side, np.full(n, 1.1e5), exposure)
        errors.append(np.abs(chance_by(law, exposure) - exact))
    assert np.max(errors) < 0.01
    assert np.sqrt(np.mean(np.square(errors))) < 1e-3
    exact = passage(mix, index, limit, side, np.full(n, 1.1e5), LEVELS).quantiles
    told = exposures_at(law, LEVELS)
    near = np.isfinite(exact) & np.isfinite(told) & (exact > 1.1e5 + 1)
    assert (np.isfinite(exact) != np.isfinite(told)).mean() < 0.005
    back = [chance_by(law, np.where(near[k], exact[k], 2e5))[near[k]] - LEVELS[k] for k in range(5)]
    assert max(np.abs(one).max() for one in back) < 0.01


def test_a_lower_limit_is_the_mirror_of_an_upper_one() -> None:
    level, rate = np.array([30.0, 50.0]), np.array([8.0, -4.0])
    up = passage_law(Mix((Part(level, rate, 4.0, 2.0, 3.0, 0.5),)), [0, 1], [65.0, 65.0], [1, 1])
    down = passage_law(Mix((Part(-level, -rate, 4.0, 2.0, 3.0, 0.5),)), [0, 1], [-65.0, -65.0], [-1, -1])
    assert np.array_equal(straight(up, 0.2, steady=0.01).days(LEVELS), straight(down, 0.2, steady=0.01).days(LEVELS))
    above, below = (Mix((Part(sign * level, sign * rate, 4.0, 2.0, 3.0, 0.5, read=1.0),)) for sign in (1, -1))
    told = reading_chance(above, [0, 1], [65.0, 65.0], [1, 1], [4.0, 4.0])
    assert told == pytest.approx(reading_chance(below, [0, 1], [-65.0, -65.0], [-1, -1], [4.0, 4.0]))
    # 30 + 4 * 8 = 62 with sd sqrt(4 + 2 * 4 * 3 + 16 * 9 + 4 * 4 + 1) = 13.748 against 65
    assert told[0] == pytest.approx(float(ndtr(-3 / np.sqrt(189.0))), abs=1e-9)


def test_chances_rise_quantiles_are_ordered_and_more_wear_never_lowers_a_chance() -> None:
    n = 400
    mix = fleet(n, 5)
    worn = Mix(
        tuple(
            Part(
                one.level + (3.0 if k == 0 else 0.05), one.rate + (0.5 if k == 0 else 0.01), one.path_variance,
                one.sd, one.rate_sd, one.correlation, one.at, one.unit, one.weight, one.read, one.scale,
            )
            for k, one in enumerate(mix.components)
        )
    )  # fmt: skip
    index, limit, side = np.arange(n), np.full(n, 70.0), np.ones(n)
    values = {"steady": 120.0, "var_steady": 15.0**2, "slow_variance": 20.0**2, "daily": 90.0**2}
    by_day, more = (straight(passage_law(one, index, limit, side), 1.2e5, 30.0, **values) for one in (mix, worn))
    days = (0.0, 30.0, 90.0, 180.0, 365.0, 1000.0, 3000.0)
    told = np.array([by_day.chance(day) for day in days])
    assert (told >= 0).all()
    assert (told <= 1).all()
    assert (np.diff(told, axis=0) > -1e-4).all()
    assert (np.array([more.chance(day) for day in days]) - told > -5e-3).all()
    found = by_day.days(LEVELS)
    assert (found[:-1] <= found[1:]).all()
    for level, row in zip(LEVELS, found, strict=True):
        ahead = np.isfinite(row) & (row > 0)
        assert ahead.sum() > 50
        assert by_day.chance(np.where(ahead, row, 0.0))[ahead] == pytest.approx(level, abs=2e-3)
        # what is passed by today is behind, what is not is ahead
        assert ((row <= 0.5) == (told[0] >= level - 1e-3))[np.abs(told[0] - level) > 2e-3].all()


def test_the_unit_of_distance_changes_nothing() -> None:
    factor = 1 / 1.609344
    level, rate = np.array([40.0, 60.0]), np.array([9.0, 12.0])
    found = []
    for unit in (1.0, factor):
        mix = Mix((Part(level, rate, 9.0, 3.0, 4.0, 0.4, at=1.1e5 * unit, unit=2e5 * unit),))
        law = passage_law(mix, [0, 1], [70.0, 70.0], [1, 1])
        values = {"steady": 100.0 * unit, "var_steady": (12.0 * unit) ** 2, "daily": (80.0 * unit) ** 2}
        found.append(straight(law, 1.2e5 * unit, 10.0, **values).days(LEVELS))
    assert found[0] == pytest.approx(found[1], abs=0.5)


def test_a_law_like_a_step_takes_the_law_of_the_distance() -> None:
    """Straight wear known to a thousandth crosses at 10,000 km; the pace is log-normal with log sd 0.2."""
    law = passage_law(Mix((Part(one(0.0), one(10.0), 0.0, 0.001, 0.001, unit=1e5),)), [0], [1.0], [1])
    mean = 100 * np.exp(0.02)
    by_day = straight(law, 0.0, steady=mean, var_steady=mean**2 * np.expm1(0.04))
    expected = 100 * np.exp(-0.2 * ndtri(1 - np.array(LEVELS)))
    assert by_day.days(LEVELS)[:, 0] == pytest.approx(expected, rel=0.01)


def test_what_is_not_known_and_what_is_refused() -> None:
    law = passage_law(
        Mix((Part(np.array([40.0, np.nan]), np.array([9.0, 9.0]), 4.0, 1.0),)), [0, 1], [70.0] * 2, [1, 1]
    )
    by_day = straight(law, 0.5, steady=0.01)
    assert np.isnan(by_day.chance(30.0)).tolist() == [False, True]
    assert np.isnan(by_day.days((0.5,))[0]).tolist() == [False, True]
    assert np.isnan(by_day.chance(np.array([np.nan, 1.0]))).all()
    with pytest.raises(InputError, match="quantile"):
        by_day.days((0.5, 1.0))
    with pytest.raises(InputError, match="one length"):
        reading_chance(Mix((Part(one(1.0), one(1.0)),)), [0], [1.0, 2.0], [1], [0.0])
