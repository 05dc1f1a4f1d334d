"""Chance of a signal, drawn many series at a time, beside the plain way of scoring one block and visit at a time."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from wearlab.control.budget import VISITS, false_signals
from wearlab.control.cause_scores import LEAST_TOLD, CauseScores
from wearlab.control.innovations import Whitened, whitened
from wearlab.control.signatures import signatures
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit


@cache
def fitted() -> ScaleFit:
    fleet = simulated_fleet(7, vehicles=10, parts=3, visits=5)
    keep = np.random.default_rng(1).random(len(fleet.data)) > 0.1
    found = fit_group(fleet.data.take(keep), scales=(STRAIGHT,), average=False)
    assert not isinstance(found, NoAnswer)
    return found.best


def largest(white: Whitened, d: NDArray[np.float64], w: NDArray[np.float64]) -> NDArray[np.float64]:
    """Largest |z| over causes d (m, n, c) in a series w (m, n) after every visit, (m, T), each from its own sums."""
    out = np.zeros((white.visit.shape[0], int(white.visit.max()) + 1))
    for b, visit in np.ndindex(*out.shape):
        seen = (white.visit[b] >= 0) & (white.visit[b] <= visit)
        whole = white.inverse[b] @ d[b]
        u, x = whole[seen], white.wx[b][seen]
        plain = np.diag(u.T @ u)
        left = plain - np.diag(u.T @ x @ white.covariance[b] @ x.T @ u)
        told = left > LEAST_TOLD * np.maximum(np.diag(whole.T @ whole), 1e-300)
        out[b, visit] = np.abs((u.T @ w[b][seen])[told] / np.sqrt(left[told])).max(initial=0.0)
    return out


def test_causes_score_as_the_plain_sums_do() -> None:
    rng = np.random.default_rng(3)
    for white in whitened(fitted()):
        d = signatures(white).d
        series = rng.standard_normal((white.visit.shape[0], 3, white.visit.shape[1])) * white.real[:, None, :]
        scores = CauseScores.of(white, d)
        found, newest = scores.largest(series), scores.newest(series)
        last = white.visit.max(axis=1)
        for k in range(3):
            known = largest(white, d, series[:, k])
            np.testing.assert_allclose(found[:, k], known, rtol=1e-9, atol=1e-9)
            for b, at in enumerate(last.tolist()):
                assert newest[0][b, k] == pytest.approx(known[b, at - 1] if at else 0.0, rel=1e-9, abs=1e-9)
                assert newest[1][b, k] == pytest.approx(known[b, at], rel=1e-9, abs=1e-9)


def test_the_chance_is_that_of_new_signals_at_newest_visits_counted_one_by_one() -> None:
    fit = fitted()
    found = false_signals(fit)
    rng = np.random.default_rng(11)
    limits = (2.0, 2.5, 3.0)
    begun, seen = dict.fromkeys(limits, 0), 0
    for white in whitened(fit):
        d = signatures(white).d
        own = white.wx.swapaxes(1, 2)
        for _ in range(600):
            w = rng.standard_normal(white.visit.shape) * white.real
            # the coefficients fitted to this noise and to the other vehicles': drawn given what the noise pulls
            pull = white.covariance @ own @ w[:, :, None]
            rest = white.covariance - white.covariance @ own @ white.wx @ white.covariance
            off = np.stack([rng.multivariate_normal(p[:, 0], r) for p, r in zip(pull, rest, strict=True)])
            highest = largest(white, d, w - (white.wx @ off[:, :, None])[:, :, 0])
            for b, last in enumerate(white.visit.max(axis=1).tolist()):
                seen += 1
                for limit in limits:
                    begun[limit] += int(highest[b, last] >= limit and not (last and highest[b, last - 1] >= limit))
    for limit in limits:
        chance = begun[limit] / seen
        sd = np.sqrt(chance * (1 - chance) * (1 / seen + 1 / VISITS))
        assert found.at(limit) == pytest.approx(chance, abs=4 * sd)


def test_the_chance_falls_with_the_limit() -> None:
    fit = fitted()
    assert np.all(np.diff(false_signals(fit).chance) <= 0)
    assert np.all(np.diff(false_signals(fit, spread(fit, 0.4)).chance) <= 0)


def spread(fit: ScaleFit, size: float) -> list[NDArray[np.float64]]:
    """Variances that differ by a common factor, of mean 1 and this sd."""
    return [fit.estimate.theta * (1.0 + sign * size) for sign in (-1.0, 1.0)] * 4


def test_variances_that_gave_way_to_the_readings_lower_the_chance() -> None:
    """Noise with v times the variance passes a limit h as often as plain noise passes h / sqrt(v): as far as the mean
    over v is above the chance of the fitted variances, so far below it is the chance.
    """
    fit = fitted()
    known = false_signals(fit)
    assert false_signals(fit, [fit.estimate.theta] * 3).at(3.0) == pytest.approx(known.at(3.0), rel=0.1)
    for size, limit in ((0.3, 3.2), (0.4, 3.0), (0.4, 3.3)):
        drawn = float(np.mean([known.at(limit / np.sqrt(1 + sign * size)) for sign in (-1, 1)]))
        assert drawn > 1.05 * known.at(limit)
        assert false_signals(fit, spread(fit, size)).at(limit) == pytest.approx(known.at(limit) ** 2 / drawn, rel=0.12)
    # what is hardly known at all is beyond the second order
    assert false_signals(fit, spread(fit, 0.9)).at(3.5) == pytest.approx(0.5 * known.at(3.5), rel=0.1)
