"""Shared causes sized together equal generalised least squares with all of them as columns; taken off, none is left."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray

from wearlab.control.cause_effect import without
from wearlab.control.innovations import whitened
from wearlab.control.joint_sizes import joint_sizes
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit


@cache
def fitted() -> ScaleFit:
    fleet = simulated_fleet(5, vehicles=14, parts=3, visits=5)
    found = fit_group(fleet.data, scales=(STRAIGHT,), average=False, robust=False)
    assert not isinstance(found, NoAnswer)
    return found.best


def members() -> list[NDArray[np.bool_]]:
    """A cause of every other vehicle from its third visit on, and one of the first part of two vehicles in three."""
    data, made = fitted().design.data, fitted().design.blocks
    late = data.turn >= np.median(data.turn)
    first = made.life_slot == 0
    return [late & (data.vehicle % 2 == 0), late & first & (data.vehicle % 3 > 0)]


def whole() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """All blocks as noise of sd 1 at theta: response, fixed columns and the two causes."""
    fit = fitted()
    touched = np.append(np.stack(members(), axis=1).astype(float), np.zeros((1, 2)), axis=0)
    ys, xs, ds = [], [], []
    for white in whitened(fit):
        real = white.visit >= 0
        x = np.zeros((*white.rows.shape, fit.design.p + 1))
        at = white.columns % (fit.design.p + 1)
        np.put_along_axis(x, np.broadcast_to(at[:, None, :], white.wx.shape), white.wx, axis=2)
        u = white.inverse @ (touched[white.rows] * white.slope[:, :, None])
        xs.append(x[real][:, :-1])
        ds.append(u[real])
        # what the fixed effects explain is added back
        beta = fit.estimate.evaluated.beta
        ys.append(white.w[real] + x[real][:, :-1] @ beta)
    return np.concatenate(ys), np.concatenate(xs), np.concatenate(ds)


def test_sizes_are_those_of_least_squares_with_all_causes_as_columns() -> None:
    y, x, d = whole()
    found = joint_sizes(fitted(), members())
    # flat priors here, so that ordinary least squares on the whitened readings is the reference
    assert not fitted().design.precision.any()
    fit = sm.OLS(y, np.column_stack([d, x])).fit()
    np.testing.assert_allclose(found.size, fit.params[:2], rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(found.sd, fit.bse[:2] / np.sqrt(fit.scale), rtol=1e-5)


def test_taken_off_nothing_of_them_is_left() -> None:
    fit = fitted()
    found = joint_sizes(fit, members())
    left = joint_sizes(without(fit, found.offset(members())), members())
    # the share is one of what the fixed effects foretell, which moves a little without the causes
    assert np.abs(left.z).max() < 0.02 < np.abs(found.z).max()
    np.testing.assert_allclose(left.sd, found.sd, rtol=0.05)


def test_a_cause_that_says_the_same_is_not_told_beside() -> None:
    one = members()[0]
    found = joint_sizes(fitted(), [one, one])
    assert np.isfinite(found.size[0])
    assert np.isnan(found.size[1])
    assert found.size[0] == pytest.approx(joint_sizes(fitted(), [one]).size[0])
