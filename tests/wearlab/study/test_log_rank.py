"""The log-rank test against a published value, statsmodels and R's robust form, and how often it finds what is not."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.duration.survfunc import survdiff

from reference.life_data import REMISSION, TREATED
from reference.results import read_results, read_table
from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.study.life_data import LifeData
from wearlab.study.log_rank import LogRank, log_rank


def told(data: LifeData, group: object, cluster: object = None) -> LogRank:
    found = log_rank(data, group, cluster)  # type: ignore[arg-type]
    assert isinstance(found, LogRank)
    return found


def test_remission_as_published() -> None:
    # Cox & Oakes (1984) and Kalbfleisch & Prentice (1980) print 16.79
    found = told(REMISSION, TREATED)
    assert found.chi2 == pytest.approx(16.79, abs=6e-3)
    assert found.observed.tolist() == [21, 9]
    assert found.expected.sum() == pytest.approx(30.0)
    assert found.chi2_together is None


def test_late_entry_as_statsmodels_and_r_tell_it() -> None:
    table, known = read_table("late_lives"), read_results("lives")["late"]
    data = LifeData.of(*([float(x) for x in table[name]] for name in ("time", "failed", "entry")))
    found = told(data, table["group"], table["vehicle"])
    chi2, p = survdiff(data.time, data.event.astype(int), np.array(table["group"]), entry=data.entry)
    assert (found.chi2, found.p) == pytest.approx((chi2, p), rel=1e-9)
    assert found.clusters == 20
    assert found.chi2_together == pytest.approx(known["score"]["robust"], rel=1e-9)


def test_three_groups_as_statsmodels_tells_them() -> None:
    rng = np.random.default_rng(31)
    life, end, group = rng.weibull(1.5, 90), rng.uniform(0.3, 2.0, 90), np.repeat(["x", "y", "z"], 30)
    data = LifeData.of(np.minimum(life, end).round(2) + 0.01, life <= end)
    chi2, p = survdiff(data.time, data.event.astype(int), group)
    found = told(data, group)
    assert (found.chi2, found.p) == pytest.approx((chi2, p), rel=1e-9)


def test_parts_of_one_vehicle_that_share_their_fate_deceive_only_the_plain_test() -> None:
    rng = np.random.default_rng(32)
    plain, together = [], []
    for _ in range(300):
        shared = np.repeat(np.exp(0.8 * rng.standard_normal(40)), 5)
        life, vehicle = shared * rng.weibull(3.0, 200), np.repeat(np.arange(40), 5)
        found = told(LifeData.of(np.minimum(life, 1.5), life <= 1.5), np.where(vehicle % 2, "a", "b"), vehicle)
        assert found.p_together is not None
        plain.append(found.p < 0.05)
        together.append(found.p_together < 0.05)
    assert np.mean(plain) > 0.2
    # 5 % within three standard errors
    assert abs(np.mean(together) - 0.05) < 3 * np.sqrt(0.05 * 0.95 / 300)


def test_what_cannot_be_told_or_asked() -> None:
    data = LifeData.of([3, 4, 5], [1, 0, 1])
    assert isinstance(log_rank(data, ["a"] * 3), NoAnswer)
    assert isinstance(log_rank(LifeData.of([3, 4], [0, 0]), ["a", "b"]), NoAnswer)
    # never watched at the same distance
    apart = log_rank(LifeData.of([2, 9], [1, 1], [0, 5]), ["a", "b"])
    assert isinstance(apart, NoAnswer)
    assert "same distance" in apart.reason
    with pytest.raises(InputError):
        log_rank(data, ["a"])
    with pytest.raises(InputError):
        log_rank(data, ["a", "b", "a"], ["v"])
