"""A reading beyond the scale is no number on a chart: the others are judged as if it had not been read."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.control.innovations import innovations, whitened
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT


def test_readings_beyond_the_scale_take_no_part() -> None:
    data = simulated_fleet(5, vehicles=8, parts=3, visits=5, beyond=0.15).data
    found = fit_group(data, scales=(STRAIGHT,), robust=False, average=False)
    assert not isinstance(found, NoAnswer)
    fit = found.best
    design, told = fit.design, innovations(fit)
    data, x, v = design.data, design.x, fit.variances.per(fit.unit)
    measured = data.bound == 0
    assert 5 < (~measured).sum() < len(measured) / 2
    for values in (told.given_past, told.given_all, told.surprise, told.common, told.t_squared):
        assert (np.isnan(values) == ~measured).all()
    # the conditional normal law, from the model's equation, of the measured readings alone
    beta, spread = fit.estimate.evaluated.beta, fit.estimate.evaluated.covariance
    columns = np.stack([np.ones(len(x)), x], axis=1)
    e = design.y - columns @ beta
    compared = 0
    for vehicle in np.unique(data.vehicle):
        of = np.flatnonzero((data.vehicle == vehicle) & measured)
        same = data.part[of][:, None] == data.part[of]
        a, b = x[of][:, None], x[of]
        k = v.vehicle_level**2 + v.vehicle_rate**2 * a * b
        lean = v.correlation * v.part_level * v.part_rate
        k = k + same * (v.part_level**2 + lean * (a + b) + v.part_rate**2 * a * b + v.path**2 * np.minimum(a, b))
        visit = data.visit[of][:, None] == data.visit[of]
        k = k + visit * (v.visit**2 + same * v.repeat**2) + np.diag(v.error**2 + design.known[of])
        for turn in np.unique(data.turn[of])[1:]:
            now, past = data.turn[of] == turn, data.turn[of] < turn
            pull = k[np.ix_(now, past)] @ np.linalg.inv(k[np.ix_(past, past)])
            surprise = e[of][now] - pull @ e[of][past]
            rest = columns[of][now] - pull @ columns[of][past]
            law = k[np.ix_(now, now)] - pull @ k[np.ix_(past, now)] - rest @ spread @ rest.T
            assert told.surprise[of[now]] == pytest.approx(surprise, rel=1e-6, abs=1e-8)
            assert told.given_past[of[now]] == pytest.approx(surprise / np.sqrt(np.diag(law)), rel=1e-4, abs=1e-6)
            assert told.t_squared[of[now]] == pytest.approx(surprise @ np.linalg.solve(law, surprise), rel=1e-4)
            assert (told.readings[of[now]] == now.sum()).all()
            compared += int(now.sum())
    assert compared > 60
    # nor do they in what causes are scored on
    for white in whitened(fit):
        assert measured[white.rows[white.visit >= 0]].all()
