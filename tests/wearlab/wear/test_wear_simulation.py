"""The wear model on simulated fleets, where the truth is known.

The wide study of coverage is `studies/coverage.py`, its table `docs/studies/coverage.csv`; here its verdicts are
judged and a few of its rows are made again.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr

from studies.coverage import BY_NAME, CASES, PER, Row, Summary, batch, crps, read, summary
from wearlab.records import NoAnswer
from wearlab.wear import WearFit, fit_group
from wearlab.wear.data import WearData
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import STRAIGHT

ROOT = Path(__file__).parents[3]
#: Half the width of a 90 % interval, in standard deviations.
REACH = 1.6449


@cache
def table() -> dict[str, list[Row]]:
    rows: dict[str, list[Row]] = {}
    for row in read(ROOT / "docs" / "studies" / "coverage.csv"):
        rows.setdefault(row.case, []).append(row)
    return rows


@cache
def verdict(name: str) -> Summary:
    return summary(table()[name])


def fitted(data: WearData, **other: object) -> WearFit:
    fit = fit_group(data, scales=(STRAIGHT,), workers=1, **other)  # type: ignore[arg-type]
    assert not isinstance(fit, NoAnswer)
    return fit


def without_covariates(data: WearData) -> WearData:
    return replace(data, covariates=None, covariate_names=(), covariate_kind=(), prior_mean=None, prior_sd=None)


def test_table_holds_every_case() -> None:
    assert {name: len(rows) for name, rows in table().items()} == {case.name: case.batches for case in CASES}


@pytest.mark.parametrize("name", [case.name for case in CASES])
def test_ninety_percent_intervals_hold(name: str) -> None:
    """.86 to .94; up to .98 where an effect is truly absent, since the penalty keeps its variance off zero.

    Where level and rate of the parts are not correlated, or against each other, intervals of the rate are a little too
    narrow with 20 vehicles: .85 is what they hold, and less would be noticed here.
    """
    most = 0.98 if name.startswith("no ") else 0.94
    least = 0.845 if name in ("correlation -0.5 20 x 4", "correlation 0 20 x 4") else 0.86
    found = verdict(name)
    assert 0.86 <= found.level <= most
    assert least <= found.rate <= most
    assert max(found.level_se, found.rate_se) < 0.02  # there are enough fleets to say so


@pytest.mark.parametrize("name", [case.name for case in CASES])
def test_nearly_as_sharp_as_with_the_true_variances(name: str) -> None:
    """Within 1.10; five vehicles cannot show that their rates do not differ, which the true variances know: 1.12."""
    found = verdict(name)
    assert found.level_ratio < 1.10
    assert found.rate_ratio < (1.13 if name == "no vehicle rate 5 x 3" else 1.10)


@pytest.mark.parametrize(
    ("name", "number"),
    [("all effects 5 x 3", 0), ("all effects 20 x 4", 1), ("all effects 200 x 6", 2), ("no path 5 x 3", 3)],
)
def test_rows_of_the_table_can_be_made_again(name: str, number: int) -> None:
    old, new = asdict(table()[name][number]), asdict(batch(BY_NAME[name], number))
    inside = {"level_inside", "rate_inside"}
    assert {k: v for k, v in new.items() if isinstance(v, (int, str)) and k not in inside} == {
        k: v for k, v in old.items() if isinstance(v, (int, str)) and k not in inside
    }
    for key, value in new.items():
        if key in inside:  # another processor's last digits may move one part over the edge
            assert abs(value - old[key]) <= 1
        elif isinstance(value, float):
            assert value == pytest.approx(old[key], rel=1e-3)


def test_crps_is_the_integral_that_defines_it() -> None:
    weight, mean, sd = np.array([0.3, 0.7]), np.array([[0.0], [2.0]]), np.array([[1.0], [0.5]])
    for true in (-1.0, 1.2, 4.0):

        def squared(x: float, true: float = true) -> float:
            below = float(weight @ ndtr((x - mean[:, 0]) / sd[:, 0]))
            return (below - (x >= true)) ** 2

        known = quad(squared, -12, true)[0] + quad(squared, true, 15)[0]
        assert crps(weight, mean, sd, np.array([true]))[0] == pytest.approx(known, rel=1e-6)


def in_spans(seed: int, **other: object) -> Fleet:
    """A fleet with exposure in units of a life's span: five visits from 0.25 to 1.25, reading errors of 0.1."""
    given: dict[str, object] = {
        "vehicles": 60,
        "visits": 5,
        "repeats": 2,
        "gap": 0.25,
        "level": 2.0,
        "rate": 0.8,
        "vehicle_level": 0.2,
        "vehicle_rate": 0.15,
        "part_level": 0.2,
        "part_rate": 0.2,
        "path": 0.0,
        "visit": 0.05,
        "repeat": 0.1,
        "error": 0.1,
        "exposure_unit": "",
    }
    return simulated_fleet(seed, **(given | other))  # type: ignore[arg-type]


def test_no_path_is_found_where_there_is_none() -> None:
    """What one part's repeats share is not taken for wear that does not run straight.

    Without the penalty, which keeps every effect off zero; half of the estimates should then be zero itself.
    """
    paths = [fitted(in_spans(seed).data, penalty=False).best.variances.path for seed in range(9)]
    assert np.median(paths) < 0.02
    assert max(paths) < 0.15  # about what so few visits can tell


def test_a_true_path_is_found() -> None:
    assert fitted(in_spans(4, path=0.2).data).best.variances.path == pytest.approx(0.2, rel=0.15)


def test_without_a_repeat_effect_a_path_would_be_invented() -> None:
    """The same readings with the repeats of a visit passed off as visits of their own."""
    for seed in range(3):
        data = in_spans(seed).data
        repeat = np.arange(len(data)) % 2
        apart = replace(data, visit=2 * data.visit + repeat, exposure=data.exposure + 1e-6 * repeat)
        assert fitted(apart, penalty=False).best.variances.path > 0.15


def test_few_tests_of_many_families_in_two_protocols() -> None:
    """25 vehicles of 15 families, one to three tests of two protocols, half the temperatures not recorded."""
    fleet = simulated_fleet(
        5, vehicles=25, visits=(1, 3), families=15, conditions=True, viscosity_missing=0.5, resolution=1.0
    )
    key = fleet.data.vehicle * 10 + fleet.data.visit
    crank = np.random.default_rng(5).random(key.max() + 1)[key] < 0.4
    answered = 0
    for rows, factor in ((~crank, 1.0), (crank, 0.3)):  # cranking collects less
        data = fleet.data.take(np.flatnonzero(rows))
        data = replace(data, y=data.y * factor)
        found = fit_group(data, workers=1)
        assert isinstance(found, WearFit)
        parts = found.parts
        at = fleet.of_parts(parts.part)
        assert parts.part.size == np.unique(data.part).size
        assert all(reason is None for reason in parts.no_answer)
        assert all(reason is None for reason in parts.rate_no_answer)
        for low, middle, high in (
            (parts.level_low, parts.level, parts.level_high),
            (parts.rate_low, parts.rate, parts.rate_high),
        ):
            assert np.isfinite([low, middle, high]).all()
            assert (low < middle).all()
            assert (middle < high).all()
        for part in parts.part:  # at one exposure a reading can only be less certain than the level
            level_now, reading_now = found.level(part), found.next_reading(part)
            assert not isinstance(level_now, NoAnswer)
            assert not isinstance(reading_now, NoAnswer)
            assert reading_now.high - reading_now.low > level_now.high - level_now.low
        level, rate = factor * fleet.last_level[at], factor * PER * fleet.rate[at]
        # sensible: the truth is mostly inside, and no interval is so wide that it says nothing
        assert np.mean((parts.level_low <= level) & (level <= parts.level_high)) > 0.8
        assert np.mean((parts.rate_low <= rate) & (rate <= parts.rate_high)) > 0.8
        assert np.median(parts.level_high - parts.level_low) < 20 * factor
        assert (parts.level_high - parts.level_low < 60 * factor).all()
        assert np.median(parts.rate_high - parts.rate_low) < 12 * factor
        answered += parts.part.size
    assert answered >= fleet.part.size


def family_rate(data: WearData) -> float:
    rate = fitted(data).family_rate("" if data.family is None else data.family[0])
    assert not isinstance(rate, NoAnswer)
    return rate.point


def test_a_third_beyond_the_scale_leaves_the_mean_rate_right() -> None:
    fleet = simulated_fleet(6, vehicles=250, beyond=0.3)
    data, true = fleet.data, PER * float(fleet.rate.mean())
    assert data.bound is not None
    off = abs(family_rate(data) / true - 1)
    as_read = abs(family_rate(replace(data, bound=None)) / true - 1)
    dropped = abs(family_rate(data.take(np.flatnonzero(data.bound == 0))) / true - 1)
    assert off < 0.05
    assert as_read > 0.2
    assert dropped > 0.2


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
def test_one_gross_error_moves_no_rate_much(seed: int) -> None:
    given = {"vehicles": 5, "parts": 2, "visits": 5}  # 50 readings
    clean, spoiled = (simulated_fleet(seed, **given, gross=count) for count in (0, 1))
    assert len(clean.data) == 50
    assert (clean.data.y != spoiled.data.y).sum() == 1
    before, after = fitted(clean.data), fitted(spoiled.data)
    error = (before.parts.rate_high - before.parts.rate_low) / (2 * REACH)
    assert (np.abs(after.parts.rate - before.parts.rate) < 0.5 * error).all()
    named = {found.index: abs(found.z) for found in after.gross}
    assert max(named, key=lambda k: named[k]) == spoiled.gross[0]
    assert len(named) <= 2  # among fifty, an honest reading may look doubtful too
    # taken at its word it would have moved some
    trusting = fitted(spoiled.data, robust=False)
    assert (np.abs(trusting.parts.rate - before.parts.rate) > 0.5 * error).any()


def test_a_season_of_warm_fuel_is_not_taken_for_wear() -> None:
    """Every vehicle's last visit falls in the warm season, with temperatures not recorded."""
    fleet = simulated_fleet(7, vehicles=120, visits=5, season=0.12, last_in_season=True)
    true = PER * float(fleet.rate.mean())
    with_season = fitted(fleet.data)
    rate = with_season.family_rate("")
    assert not isinstance(rate, NoAnswer)
    assert rate.low <= true <= rate.high
    assert abs(rate.point / true - 1) < 0.1
    assert family_rate(without_covariates(fleet.data)) / true - 1 > 0.2
    cosine = with_season.best.fixed.names.index("season cosine")
    assert with_season.best.fixed.estimate[cosine] == pytest.approx(-0.12, abs=0.02)
    parts = with_season.parts
    level = fleet.last_level[fleet.of_parts(parts.part)]
    assert 0.85 < np.mean((parts.level_low <= level) & (level <= parts.level_high)) < 0.95
