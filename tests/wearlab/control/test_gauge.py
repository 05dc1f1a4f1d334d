"""Gauge studies: the worked example of the AIAG manual, Dyestuff, uneven data, and what tests can show."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
import statsmodels.formula.api as smf
from pandas import DataFrame
from scipy.stats import norm
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.power import ttest_power

from reference.results import read_table
from wearlab.control.components import ComponentFit, variance_components
from wearlab.control.gauge import GaugeStudy, RangeStudy, average_and_range, crossed_study
from wearlab.control.smallest_change import Precision, level_sd, repeats_needed, shown_at, smallest_change
from wearlab.errors import InputError
from wearlab.records import NoAnswer


def _study() -> tuple[np.ndarray, list[str], list[str]]:
    table = read_table("gauge_rr")
    return np.array(table["value"], dtype=float), table["part"], table["appraiser"]


def _crossed(**more: float) -> GaugeStudy:
    found = crossed_study(*_study(), **more)
    assert isinstance(found, GaugeStudy)
    return found


def _fit(*args: object, **more: object) -> ComponentFit:
    found = variance_components(*args, **more)  # type: ignore[arg-type]
    assert isinstance(found, ComponentFit)
    return found


def test_table_of_the_manual() -> None:
    found = _crossed(pool_above=1.0)
    printed = {
        "appraiser": (3.1673, 2, 1.58363),
        "part": (88.3619, 9, 9.81799),
        "interaction": (0.3590, 18, 0.01994),
        "repeatability": (2.7589, 60, 0.04598),
    }
    for source, (ss, df, ms) in printed.items():
        row = found.row(source)
        assert (row.ss, row.df, row.ms) == (pytest.approx(ss, abs=6e-5), df, pytest.approx(ms, abs=6e-6))
    assert found.row("total").ss == pytest.approx(94.6471, abs=6e-5)
    assert (found.row("interaction").f, found.row("interaction").chance) == pytest.approx((0.434, 0.974), abs=6e-4)
    assert (found.row("appraiser").f, found.row("part").f) == pytest.approx((79.406, 492.291), abs=6e-4)
    repeat = found.row("repeatability").ms
    assert (found.row("appraiser").ms / repeat, found.row("part").ms / repeat) == pytest.approx(
        (34.44, 213.52), abs=6e-3
    )
    # by another program; the interaction's own estimate is negative
    assert found.component("interaction").estimate == pytest.approx(-0.00868, abs=6e-6)
    assert found.component("interaction").variance == 0
    assert found.component("appraiser").variance == pytest.approx(0.052123, abs=6e-7)
    assert found.component("part").variance == pytest.approx(1.088672, abs=6e-7)


def test_pooled_components_of_the_manual() -> None:
    found = _crossed()
    assert found.pooled
    assert (found.row("repeatability").df, found.row("repeatability").ms) == (78, pytest.approx(0.0399733, abs=6e-8))
    printed = {  # variance, sd, % of study variation, % contribution
        "repeatability": (0.03997, 0.199933, 18.42, 3.39),
        "reproducibility": (0.05146, 0.226838, 20.90, 4.37),
        "gauge": (0.09143, 0.302373, 27.86, 7.76),
        "part": (1.08645, 1.042327, 96.04, 92.24),
        "total": (1.17788, 1.085300, 100, 100),
    }
    for source, (variance, sd, study, share) in printed.items():
        told = found.component(source)
        assert told.variance == pytest.approx(variance, abs=6e-6)
        assert told.sd == pytest.approx(sd, abs=2e-6)
        assert (told.study_variation, told.contribution) == pytest.approx((study, share), abs=6e-3)
    assert found.categories == 4


def test_a_study_with_an_interaction_beside_statsmodels() -> None:
    """The manual's readings, every appraiser off by an amount of his own on every part: the interaction stays."""
    y, part, person = _study()
    off = dict(
        zip(sorted(set(zip(part, person, strict=True))), np.random.default_rng(5).normal(0, 0.6, 30), strict=True)
    )
    y = y + np.array([off[cell] for cell in zip(part, person, strict=True)])
    found = crossed_study(y, part, person)
    assert isinstance(found, GaugeStudy)
    assert not found.pooled
    frame = DataFrame({"y": y, "part": part, "person": person})
    table = anova_lm(smf.ols("y ~ C(part) * C(person)", frame).fit())
    square = (table["sum_sq"] / table["df"]).to_dict()
    error, mixed = square["Residual"], square["C(part):C(person)"]
    # expected mean squares of 10 parts, 3 appraisers and 3 trials
    known = {
        "repeatability": error,
        "interaction": (mixed - error) / 3,
        "appraiser": (square["C(person)"] - mixed) / 30,
        "part": (square["C(part)"] - mixed) / 9,
    }
    for source, value in known.items():
        assert found.component(source).estimate == pytest.approx(value, rel=1e-9)
    assert known["interaction"] > 0.1
    own = max(known["appraiser"], 0.0) + known["interaction"]
    assert found.component("reproducibility").variance == pytest.approx(own)
    assert found.component("gauge").variance == pytest.approx(own + error)
    tested = square["C(person)"] / mixed
    assert found.row("appraiser").f == pytest.approx(tested)


def test_averages_and_ranges_of_the_manual() -> None:
    found = average_and_range(*_study())
    assert isinstance(found, RangeStudy)
    told = (found.repeatability, found.reproducibility, found.gauge, found.part, found.total)
    # printed and, from unrounded means, by another program; both with factors of four digits
    assert told == pytest.approx((0.20188, 0.22963, 0.30575, 1.10456, 1.14610), abs=1.1e-4)
    assert told == pytest.approx((0.201857, 0.229667, 0.305766, 1.104596, 1.146135), abs=2e-4)
    assert found.categories == 5


def test_an_uneven_study_has_no_table() -> None:
    y, part, person = _study()
    assert isinstance(crossed_study(y[1:], part[1:], person[1:]), NoAnswer)
    assert isinstance(crossed_study(y[:30:3], part[:30:3], person[:30:3]), NoAnswer)
    assert isinstance(crossed_study(np.r_[np.nan, y[1:]], part, person), NoAnswer)
    with pytest.raises(InputError):
        crossed_study(y, part[1:], person)


def test_reml_of_the_balanced_study_is_its_table() -> None:
    y, part, person = _study()
    cell = [p + a for p, a in zip(part, person, strict=True)]
    found = _fit(y, {"part": part, "appraiser": person, "cell": cell}, coverage=None)
    # lme4 gives the pooled components too, the interaction at 0
    sds = [each.sd for each in found.components]
    assert sds == pytest.approx([1.042327, 0.226838, 0, 0.199933], abs=2e-6)
    assert [each.factor for each in found.components] == ["part", "appraiser", "cell", "repeatability"]


def test_dyestuff() -> None:
    table = read_table("dyestuff")
    found = _fit(np.array(table["Yield"], dtype=float), {"batch": table["Batch"]}, coverage=0.95)
    batch, repeat = found.components
    # lme4 1.1.31; reproducibility as in ISO 5725-2: both together
    assert (batch.sd, repeat.sd) == pytest.approx((42.001, 49.510), abs=6e-4)
    assert sqrt(batch.sd**2 + repeat.sd**2) == pytest.approx(64.925, abs=1e-3)
    assert (found.fixed[0], found.fixed_sd[0]) == pytest.approx((1527.5, 19.3834), abs=6e-5)
    assert found.criterion == pytest.approx(319.6543, abs=6e-5)
    assert batch.levels == tuple("ABCDEF")
    assert batch.effect == pytest.approx([-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529], abs=1e-4)
    assert 0 < batch.low < batch.sd < batch.high


def test_uneven_data_beside_statsmodels() -> None:
    rng = np.random.default_rng(12)
    n = 90
    rig, person = rng.integers(0, 5, n), rng.integers(0, 7, n)
    x = rng.normal(size=n)
    y = 2 + 0.5 * x + rng.normal(0, 0.6, 5)[rig] + rng.normal(0, 0.4, 7)[person] + rng.normal(0, 0.3, n)
    found = _fit(y, {"rig": rig, "person": person}, columns=x[:, None], coverage=None)
    frame = DataFrame({"y": y, "x": x, "rig": rig, "person": person, "all": 1})
    parts = {"rig": "0 + C(rig)", "person": "0 + C(person)"}
    other = smf.mixedlm("y ~ x", frame, groups="all", re_formula="0", vc_formula=parts).fit(method="lbfgs")
    assert found.criterion == pytest.approx(-2 * other.llf, abs=1e-5)
    variances = dict(zip(other.model.exog_vc.names, other.vcomp, strict=True))
    for name in parts:
        assert found.component(name).sd ** 2 == pytest.approx(variances[name], rel=2e-3)
    assert found.fixed == pytest.approx(other.fe_params.to_numpy(), abs=1e-4)
    assert found.fixed_sd == pytest.approx(other.bse_fe.to_numpy(), rel=1e-2)


def test_effects_of_every_factor_beside_the_whole_covariance() -> None:
    rng = np.random.default_rng(3)
    n = 60
    visit, rig = np.arange(n) // 3, rng.integers(0, 4, n)
    y = rng.normal(0, 0.5, 20)[visit] + rng.normal(0, 0.4, 4)[rig] + rng.normal(0, 0.3, n)
    found = _fit(y, {"visit": visit, "rig": rig}, coverage=None)
    marks = {"visit": np.eye(20)[visit], "rig": np.eye(4)[rig]}
    covariance = found.components[-1].sd ** 2 * np.eye(n)
    for name, mark in marks.items():
        covariance += found.component(name).sd ** 2 * mark @ mark.T
    inverse = np.linalg.inv(covariance)
    one = np.ones(n)
    mean = (one @ inverse @ y) / (one @ inverse @ one)
    project = inverse - np.outer(inverse @ one, one @ inverse) / (one @ inverse @ one)
    assert found.fixed[0] == pytest.approx(mean, abs=1e-9)
    assert found.fixed_sd[0] == pytest.approx(1 / sqrt(one @ inverse @ one), abs=1e-9)
    for name, mark in marks.items():
        told = found.component(name)
        assert told.effect == pytest.approx(told.sd**2 * mark.T @ inverse @ (y - mean), abs=1e-9)
        left = told.sd**2 * np.eye(mark.shape[1]) - told.sd**4 * mark.T @ project @ mark
        assert told.effect_sd == pytest.approx(np.sqrt(np.diag(left)), abs=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng, held = np.random.default_rng(7), []
    rig = np.arange(72) % 12
    for _ in range(40):
        y = rng.normal(0, 1.0, 12)[rig] + rng.normal(0, 0.5, 72)
        rigs, repeat = _fit(y, {"rig": rig}).components
        held.append((rigs.low <= 1.0 <= rigs.high, repeat.low <= 0.5 <= repeat.high))
    # 90 %: 36 of 40, three standard errors are 6
    assert (np.sum(held, axis=0) >= 30).all()


def test_factors_that_cannot_be_told_say_why() -> None:
    rng = np.random.default_rng(1)
    rig = np.repeat([0, 1, 2], 6)
    y = rng.normal(0, 1, 3)[rig] + rng.normal(0, 0.1, 18)
    factors = {"rig": rig, "site": rig + 10, "reading": np.arange(18), "shop": np.zeros(18)}
    found = _fit(np.r_[y, np.nan], {name: np.r_[level, 0] for name, level in factors.items()})
    assert [each.factor for each in found.components] == ["rig", "repeatability"]
    assert [text.split(":")[0] for text in found.untold] == ["site", "reading", "shop"]
    assert found.readings == 18
    assert isinstance(variance_components([1.0, 2.0], {"rig": [0, 1]}), NoAnswer)
    assert isinstance(variance_components(np.ones(9), {"rig": np.arange(9) // 3}), NoAnswer)
    assert isinstance(variance_components(rig * 1.0, {"rig": rig}), NoAnswer)


def test_the_smallest_change_of_one_two_and_three_tests() -> None:
    precision = Precision(0.10, 0.05)
    # significant at 90 % two-sided and seen 9 times in 10
    factor = norm.isf(0.05) + norm.isf(0.1)
    for tests in (1, 2, 3):
        sd = sqrt(2 * (0.05**2 + 0.10**2 / 2) / tests)
        assert smallest_change(precision, tests=tests, repeats=2) == pytest.approx(factor * sd, rel=1e-3)
    known = smallest_change(precision, before_sd=0.0)
    assert known == pytest.approx(smallest_change(precision) / sqrt(2))
    assert level_sd(precision, 2, 4) == pytest.approx(sqrt((0.05**2 + 0.1**2 / 4) / 2))


@pytest.mark.parametrize("dof", [3, 12, 60])
def test_few_degrees_of_freedom_beside_statsmodels(dof: int) -> None:
    difference = shown_at(dof, 0.9, 0.9)
    assert ttest_power(difference, nobs=1, alpha=0.1, df=dof) == pytest.approx(0.9, abs=1e-6)
    assert difference > shown_at(float("inf"), 0.9, 0.9)


def test_repeats_needed() -> None:
    precision = Precision(0.10, 0.02)
    count = repeats_needed(precision, 0.15)
    assert isinstance(count, int)
    assert smallest_change(precision, repeats=count) <= 0.15 < smallest_change(precision, repeats=count - 1)
    # what the whole test shares bounds it: two tests do what no number of repeats does
    never = repeats_needed(precision, 0.08)
    assert isinstance(never, NoAnswer)
    assert "more tests" in never.reason
    assert isinstance(repeats_needed(precision, 0.08, tests=2), int)
    with pytest.raises(InputError):
        repeats_needed(precision, 0.0)
    with pytest.raises(InputError):
        Precision(-0.1)
