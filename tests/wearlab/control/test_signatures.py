"""Innovations and signatures beside generalised least squares (statsmodels) with the covariance written out."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray

from wearlab.control.cause_scores import CauseScores
from wearlab.control.innovations import innovations, whitened
from wearlab.control.shared import lasting, passing
from wearlab.control.signatures import KINDS, signatures
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit

Floats = NDArray[np.float64]


@cache
def fitted() -> ScaleFit:
    """Six vehicles of three parts and five visits, unequal, without penalty and weights."""
    fleet = simulated_fleet(7, vehicles=6, parts=3, visits=5)
    keep = np.random.default_rng(1).random(len(fleet.data)) > 0.1
    found = fit_group(fleet.data.take(keep), scales=(STRAIGHT,), robust=False, average=False)
    assert not isinstance(found, NoAnswer)
    return found.best


@cache
def written_out() -> tuple[Floats, Floats, Floats]:
    """Covariance (n, n) of all readings, columns (n, p) and readings (n,) on the working scale, from the equation."""
    fit = fitted()
    design, v = fit.design, fit.variances.per(fit.unit)
    data, x = design.data, design.x
    n = design.n
    k = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            same_vehicle, same_part = data.vehicle[i] == data.vehicle[j], data.part[i] == data.part[j]
            same_visit = same_vehicle and data.visit[i] == data.visit[j]
            if same_vehicle:
                k[i, j] += v.vehicle_level**2 + v.vehicle_rate**2 * x[i] * x[j]
            if same_part:
                lean = v.correlation * v.part_level * v.part_rate
                k[i, j] += v.part_level**2 + lean * (x[i] + x[j]) + v.part_rate**2 * x[i] * x[j]
                k[i, j] += v.path**2 * min(x[i], x[j])
            if same_visit:
                k[i, j] += v.visit**2 + (v.repeat**2 if same_part else 0.0)
            if i == j:
                k[i, i] += v.error**2 + design.known[i]
    columns = np.stack([np.ones(n), x], axis=1)
    return k, columns, design.y


def test_the_covariance_written_out_is_that_of_the_fit() -> None:
    k, _, _ = written_out()
    fit = fitted()
    for white in whitened(fit):
        for b in range(white.rows.shape[0]):
            rows = white.rows[b][white.visit[b] >= 0]
            lower = white.lower[b][: rows.size, : rows.size]
            np.testing.assert_allclose(lower @ lower.T, k[np.ix_(rows, rows)], rtol=1e-9, atol=1e-9)


def test_a_cause_is_one_more_column_of_generalised_least_squares() -> None:
    k, columns, y = written_out()
    fit = fitted()
    compared = set()
    for white in whitened(fit):
        made = signatures(white)
        found = CauseScores.of(white, made.d)
        z_of = [z[:, 0] for z in found.by_visit(white.w[:, None])]
        for b in (0, white.rows.shape[0] - 1):
            real = white.visit[b] >= 0
            rows, last = white.rows[b][real], int(white.visit[b].max())
            for c in range(0, made.kind.size, 3):
                z, sd = z_of[last][b, c], found.sd[b, last, c]
                if not sd:
                    continue
                d = np.zeros(y.size)
                d[rows] = made.d[b][real][:, c]
                gls = sm.GLS(y, np.column_stack([columns, d]), sigma=k).fit()
                se = np.sqrt(gls.normalized_cov_params[2, 2])
                assert z == pytest.approx(gls.params[2] / se, rel=1e-6, abs=1e-8)
                assert z * sd == pytest.approx(gls.params[2], rel=1e-6, abs=1e-8)
                assert sd == pytest.approx(se, rel=1e-6)
                compared.add(KINDS[made.kind[c]])
    assert compared == set(KINDS)


def test_innovations_are_what_earlier_visits_do_not_foretell() -> None:
    k, columns, y = written_out()
    fit = fitted()
    found = innovations(fit)
    precision = np.linalg.inv(k)
    spread = np.linalg.inv(columns.T @ precision @ columns)
    beta = spread @ columns.T @ precision @ y
    e = y - columns @ beta
    data = fit.design.data
    for vehicle in range(3):
        of = np.flatnonzero(data.vehicle == vehicle)
        for visit in np.unique(data.visit[of])[1:]:
            now = of[data.visit[of] == visit]
            past = of[data.turn[of] < data.turn[now[0]]]
            lean = k[np.ix_(now, past)] @ np.linalg.inv(k[np.ix_(past, past)])
            surprise = e[now] - lean @ e[past]
            rest = columns[now] - lean @ columns[past]
            told = k[np.ix_(now, now)] - lean @ k[np.ix_(past, now)] - rest @ spread @ rest.T
            sd = np.sqrt(np.diag(told))
            np.testing.assert_allclose(found.surprise[now], surprise, rtol=1e-6, atol=1e-8)
            np.testing.assert_allclose(found.given_past[now], surprise / sd, rtol=1e-4)
            pulled = np.linalg.solve(told, surprise)
            np.testing.assert_allclose(found.t_squared[now], surprise @ pulled, rtol=1e-4)
            alone = pulled / np.sqrt(np.diag(np.linalg.inv(told)))
            np.testing.assert_allclose(found.given_all[now], alone, rtol=1e-4, atol=1e-6)
            ones = np.ones(now.size)
            common = ones @ pulled / np.sqrt(ones @ np.linalg.solve(told, ones))
            np.testing.assert_allclose(found.common[now], common, rtol=1e-4, atol=1e-6)


def test_a_shared_cause_is_one_more_column_over_all_vehicles() -> None:
    k, columns, y = written_out()
    fit = fitted()
    data = fit.design.data
    rng = np.random.default_rng(3)
    cells = np.unique(np.stack([data.vehicle, data.visit]), axis=1, return_inverse=True)[1].ravel()
    rig = rng.integers(0, 2, cells.max() + 1)[cells]
    day = (100 * data.turn + 7 * data.vehicle).astype(np.int64)
    # a share of what the fixed effects foretell, within the range of the readings
    foretold = columns @ sm.GLS(y, columns, sigma=k).fit().params
    usual = np.clip(foretold, *np.quantile(data.y, (0.01, 0.99)))
    for found in lasting(fit, rig.astype(np.int64), day):
        for at in range(0, found.day.size, 4):
            d = usual * ((rig == found.group) & (day >= found.day[at]))
            gls = sm.GLS(y, np.column_stack([columns, d]), sigma=k).fit()
            assert found.size[at] == pytest.approx(gls.params[2], rel=1e-6)
            assert found.z[at] == pytest.approx(gls.params[2] / np.sqrt(gls.normalized_cov_params[2, 2]), rel=1e-6)
    for found in passing(fit, rig.astype(np.int64), day):
        d = usual * (rig == found.group)
        gls = sm.GLS(y, np.column_stack([columns, d]), sigma=k).fit()
        assert found.size[0] == pytest.approx(gls.params[2], rel=1e-6)
