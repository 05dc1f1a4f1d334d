"""Survival and summed hazard against published curves, R's survival and statsmodels, with and without late entry."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.duration.survfunc import SurvfuncRight

from reference.life_data import ENDED, WITH_6MP, shock_absorbers
from reference.results import read_results, read_table
from wearlab.errors import InputError
from wearlab.study.kaplan_meier import kaplan_meier
from wearlab.study.life_data import LifeData


def late_lives() -> LifeData:
    table = read_table("late_lives")
    values = ([float(x) for x in table[name]] for name in ("time", "failed", "entry"))
    return LifeData.of(*values)


def test_shock_absorbers_as_published() -> None:
    # O'Connor (1985); Meeker & Escobar (1998), chapter 3; the same by R, lifelines, reliability and surpyval
    told = kaplan_meier(shock_absorbers())
    assert told.time.tolist() == [6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490]
    share = [
        0.973684,
        0.945046,
        0.908698,
        0.870836,
        0.827294,
        0.783752,
        0.718440,
        0.628635,
        0.538830,
        0.431064,
        0.287376,
    ]
    error = [
        0.025967,
        0.037831,
        0.050927,
        0.061285,
        0.072047,
        0.080342,
        0.096613,
        0.119177,
        0.131711,
        0.142806,
        0.151089,
    ]
    assert_allclose(told.survival, share, atol=6e-7)
    assert_allclose(told.se, error, atol=6e-7)
    assert told.hazard[-1] == pytest.approx(1.123011, abs=6e-7)


def test_remission_with_6mp_as_published() -> None:
    told = kaplan_meier(LifeData.of(WITH_6MP, ENDED))
    assert told.time.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert_allclose(told.survival, [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], atol=6e-5)
    assert told.se[0] == pytest.approx(0.0764, abs=6e-5)
    assert told.quantile(0.5)[0] == 23


def test_late_entry_as_r_tells_it() -> None:
    known = read_results("lives")["late"]
    told = kaplan_meier(late_lives(), coverage=0.9)
    pairs = {
        "time": told.time, "n.risk": told.at_risk, "n.event": told.events, "surv": told.survival, "std.err": told.se,
        "lower": told.low, "upper": told.high, "cumhaz": told.hazard, "std.chaz": told.hazard_se,
    }  # fmt: skip
    for name, ours in pairs.items():
        assert_allclose(ours, list(known[name].values()), rtol=1e-12, err_msg=name)


def test_late_entry_as_statsmodels_tells_it() -> None:
    data = late_lives()
    theirs = SurvfuncRight(data.time, data.event.astype(int), entry=data.entry)
    told = kaplan_meier(data)
    assert_allclose(told.survival, theirs.surv_prob, rtol=1e-12)
    assert_allclose(told.at_risk, theirs.n_risk)
    assert_allclose(told.se, theirs.surv_prob_se, rtol=1e-12)


def test_from_a_distance_on_is_the_share_of_those_that_got_there() -> None:
    data = late_lives()
    whole, since = kaplan_meier(data), kaplan_meier(data, since=70.0)
    later = whole.time > 70.0
    assert 0 < later.sum() < later.size
    assert_allclose(since.survival, whole.survival[later] / whole.survival[~later][-1], rtol=1e-12)
    assert np.isnan(since.at(69.0)).all()
    assert since.at(70.0) == (1.0, 1.0, 1.0)


def test_the_curve_begins_where_enough_are_watched() -> None:
    # 1 part from new, then one more at 10, 20, 30: from 20 on three are watched, from 35 on fewer again
    data = LifeData.of([50, 40, 45, 35], [0, 1, 1, 0], [0, 10, 20, 30])
    assert data.told_from(3) == 20.0
    assert data.told_from(1) == 0.0
    assert np.isnan(data.told_from(5))
    # a gap before the most are watched: what lies before it is not told
    assert LifeData.of([5, 50, 50], [1, 1, 0], [0, 10, 12]).told_from(1) == 10.0


def test_without_late_entry_bands_cover() -> None:
    rng = np.random.default_rng(11)
    held = []
    for _ in range(300):
        life, end = rng.exponential(1.0, 60), rng.uniform(0.5, 2.0, 60)
        share, low, high = kaplan_meier(LifeData.of(np.minimum(life, end), life <= end)).at(0.4)
        held.append(low <= np.exp(-0.4) <= high)
        assert low <= share <= high
    # 90 % of 300 within three standard errors
    assert abs(np.mean(held) - 0.9) < 3 * np.sqrt(0.9 * 0.1 / 300)


def test_late_entry_takes_the_lean_of_what_was_never_seen_away() -> None:
    rng = np.random.default_rng(12)
    life, entry = rng.weibull(2.0, 4000), rng.uniform(0.0, 1.2, 4000)
    seen = life > entry
    data = LifeData.of(life[seen], np.ones(seen.sum()), entry[seen])
    right = kaplan_meier(data, since=data.told_from(20))
    truth = np.exp(-(1.2**2) + right.since**2)
    wrong = kaplan_meier(LifeData.of(data.time, data.event))
    assert right.at(1.2)[0] == pytest.approx(truth, abs=0.03)
    assert wrong.at(1.2)[0] > truth + 0.1


def test_ends_and_what_cannot_be_asked() -> None:
    told = kaplan_meier(LifeData.of([3, 3], [1, 1]))
    assert told.survival.tolist() == [0.0]
    assert np.isnan(told.low[0])
    assert told.quantile(0.5)[0] == 3.0
    assert np.isnan(told.at(3.1)).all()
    assert kaplan_meier(LifeData.of([3, 9], [1, 0])).quantile(0.9) == (np.inf, 3.0, np.inf)
    with pytest.raises(InputError, match="between 0 and 1"):
        told.quantile(1.0)
    with pytest.raises(InputError, match="between 0 and 1"):
        kaplan_meier(LifeData.of([3], [1]), coverage=1.0)
    with pytest.raises(InputError, match="no life was watched beyond 5"):
        kaplan_meier(LifeData.of([3], [1]), since=5.0)
    with pytest.raises(InputError, match="ends beyond"):
        LifeData.of([3], [1], [3])
    with pytest.raises(InputError, match="every life needs"):
        LifeData.of([3, 4], [1])
    with pytest.raises(InputError, match="numbers from 0 on"):
        LifeData.of([np.nan], [1])
