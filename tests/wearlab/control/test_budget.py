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
        u, x = (white.inverse[b] @ d[b])[seen], white.wx[b][seen]
        plain = np.diag(u.T @ u)
        left = plain - np.diag(u.T @ x @ white.covariance[b] @ x.T @ u)
        told = left > LEAST_TOLD * np.maximum(plain, 1e-300)
        out[b, visit] = np.abs((u.T @ w[b][seen])[told] / np.sqrt(left[told])).max(initial=0.0)
    return out


def test_causes_score_as_the_plain_sums_do() -> None:
    rng = np.random.default_rng(3)
    for white in whitened(fitted()):
        d = signatures(white).d
        series = rng.standard_normal((white.visit.shape[0], 3, white.visit.shape[1])) * white.real[:, None, :]
        found = CauseScores.of(white, d).largest(series)
        for k in range(3):
            np.testing.assert_allclose(found[:, k], largest(white, d, series[:, k]), rtol=1e-9, atol=1e-9)


def test_the_chance_is_that_of_new_signals_counted_one_by_one() -> None:
    fit = fitted()
    found = false_signals(fit)
    rng = np.random.default_rng(11)
    limits = (2.0, 2.5, 3.0)
    begun, seen = dict.fromkeys(limits, 0), 0
    for white in whitened(fit):
        d = signatures(white).d
        own = white.wx.swapaxes(1, 2)
        for _ in range(250):
            w = rng.standard_normal(white.visit.shape) * white.real
            # the coefficients fitted to this noise and to the other vehicles': drawn given what the noise pulls
            pull = white.covariance @ own @ w[:, :, None]
            rest = white.covariance - white.covariance @ own @ white.wx @ white.covariance
            off = np.stack([rng.multivariate_normal(p[:, 0], r) for p, r in zip(pull, rest, strict=True)])
            highest = largest(white, d, w - (white.wx @ off[:, :, None])[:, :, 0])
            for b, last in enumerate(white.visit.max(axis=1).tolist()):
                seen += last + 1
                for limit in limits:
                    over = [bool(one >= limit) for one in highest[b, : last + 1]]
                    begun[limit] += sum(now and not before for before, now in zip([False, *over], over, strict=False))
    for limit in limits:
        chance = begun[limit] / seen
        sd = np.sqrt(chance * (1 - chance) * (1 / seen + 1 / VISITS))
        assert found.at(limit) == pytest.approx(chance, abs=4 * sd)


def test_the_chance_falls_and_variances_drawn_wide_raise_it() -> None:
    fit = fitted()
    known = false_signals(fit)
    assert np.all(np.diff(known.chance) <= 0)
    wide = false_signals(fit, [fit.estimate.theta * 2.0] * 4)
    assert wide.at(3.5) > 2 * known.at(3.5)
