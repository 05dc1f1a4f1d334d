"""Innovations of a small group, averaged over what is not known of its variances."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, norm

from wearlab.control.innovations import innovations
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.averaging import draws
from wearlab.wear.estimate import Options
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit


@pytest.fixture(scope="module")
def fit() -> ScaleFit:
    fleet = simulated_fleet(3, vehicles=6, parts=3, visits=4)
    found = fit_group(fleet.data, scales=(STRAIGHT,), average=False)
    assert not isinstance(found, NoAnswer)
    return found.best


def test_one_draw_at_the_fitted_variances_changes_nothing(fit: ScaleFit) -> None:
    plain, drawn = innovations(fit), innovations(fit, [fit.estimate.theta] * 2)
    for name in ("given_past", "given_all", "common", "t_squared", "surprise", "sd"):
        np.testing.assert_allclose(getattr(drawn, name), getattr(plain, name), rtol=1e-7, atol=1e-9, err_msg=name)


def test_chances_are_averaged_over_the_draws(fit: ScaleFit) -> None:
    thetas = [fit.estimate.theta, 3.0 * fit.estimate.theta]
    each, both = [innovations(fit, [theta]) for theta in thetas], innovations(fit, thetas)
    for name in ("given_past", "given_all", "common"):
        wanted = norm.ppf(np.mean([norm.cdf(getattr(one, name)) for one in each], axis=0))
        np.testing.assert_allclose(getattr(both, name), wanted, rtol=1e-6, atol=1e-8, err_msg=name)
    upper = np.mean([chi2.sf(one.t_squared, one.readings) for one in each], axis=0)
    np.testing.assert_allclose(chi2.sf(both.t_squared, both.readings), upper, rtol=1e-6)


def test_what_is_not_known_of_the_variances_makes_large_surprises_smaller(fit: ScaleFit) -> None:
    found = draws(fit.estimate, Options(), seed=2)
    plain, drawn = innovations(fit), innovations(fit, [one.theta for one in found])
    large = np.abs(plain.given_past) > 2.0
    assert large.any()
    assert (np.abs(drawn.given_past[large]) < np.abs(plain.given_past[large])).all()
