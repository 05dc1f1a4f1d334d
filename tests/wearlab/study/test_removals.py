"""Competing reasons of removal against R's survival and statsmodels, and the sum rule."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.duration.survfunc import CumIncidenceRight

from reference.life_data import shock_absorbers
from reference.results import read_results, read_table
from wearlab.errors import InputError
from wearlab.study.kaplan_meier import kaplan_meier
from wearlab.study.life_data import LifeData
from wearlab.study.removals import cumulative_incidence


def test_late_entry_as_r_tells_it() -> None:
    table, known = read_table("late_lives"), read_results("lives")["late"]
    data = LifeData.of(*([float(x) for x in table[name]] for name in ("time", "failed", "entry")))
    told = cumulative_incidence(data, table["reason"])
    assert told.reasons == ("broken", "worn")
    for reason, ours in zip(told.reasons, told.chance, strict=True):
        assert_allclose(ours, list(known[reason].values()), rtol=1e-12)


def test_modes_of_shock_absorbers_as_statsmodels_tells_them() -> None:
    data, mode = shock_absorbers(), read_table("shock_absorber")["mode"]
    told = cumulative_incidence(data, [one if one != "Censored" else "" for one in mode])
    code = np.array([{"Mode1": 1, "Mode2": 2}.get(one, 0) for one in mode])
    theirs = CumIncidenceRight(data.time, code)
    at = np.isin(theirs.times, told.time)
    for k in range(2):
        assert_allclose(told.chance[k], theirs.cinc[k][at], rtol=1e-12)
        assert_allclose(told.se[k], theirs.cinc_se[k][at], rtol=1e-9, atol=1e-15)
    assert told.counts.tolist() == [(code == 1).sum(), (code == 2).sum()]


def test_chances_and_what_is_still_fitted_add_up_to_one() -> None:
    table = read_table("late_lives")
    data = LifeData.of(*([float(x) for x in table[name]] for name in ("time", "failed", "entry")))
    told = cumulative_incidence(data, table["reason"], since=40.0)
    assert_allclose(told.chance.sum(axis=0) + told.remaining, 1.0, rtol=1e-12)
    assert told.time[0] > 40.0
    assert (told.low <= told.chance).all()
    assert (told.chance <= told.high).all()
    assert told.at("worn", told.time[0] - 1) == (0.0, 0.0, 0.0)
    assert told.at("worn", 1e6)[0] == told.chance[1, -1]


def test_one_reason_is_one_less_the_survival() -> None:
    data = shock_absorbers()
    told = cumulative_incidence(data, np.where(data.event, "failed", ""))
    curve = kaplan_meier(data)
    assert_allclose(told.chance[0], 1 - curve.survival, rtol=1e-12)
    assert_allclose(told.se[0], curve.se, rtol=1e-9)


def test_what_cannot_be_asked() -> None:
    data = LifeData.of([3, 4], [1, 0])
    with pytest.raises(InputError, match=r"nothing was taken out$"):
        cumulative_incidence(data, ["", ""])
    with pytest.raises(InputError, match="its reason"):
        cumulative_incidence(data, ["worn"])
    with pytest.raises(InputError, match='for "broken"'):
        cumulative_incidence(data, ["worn", ""]).at("broken", 3)
