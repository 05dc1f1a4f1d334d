"""One value a part and visit: beside the innovations of single readings, and as noise without correlation."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.control.innovations import innovations
from wearlab.control.visit_cells import visit_cells
from wearlab.records import NoAnswer
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit


def fitted(seed: int, **size: object) -> ScaleFit:
    found = fit_group(simulated_fleet(seed, **size).data, scales=(STRAIGHT,), average=False, workers=1)  # type: ignore[arg-type]
    assert not isinstance(found, NoAnswer)
    return found.best


def test_without_repeats_a_cell_is_the_innovation_of_its_reading() -> None:
    fit = fitted(5, vehicles=12, parts=3, visits=5, missing=0.1)
    plain = innovations(fit)
    for vehicle in range(12):
        cells = visit_cells(fit, vehicle)
        mine = np.flatnonzero(fit.design.data.vehicle == vehicle)
        assert np.array_equal(np.sort(cells.row), mine)
        assert cells.given_past == pytest.approx(plain.given_past[cells.row])
        assert cells.given_all == pytest.approx(plain.given_all[cells.row])
        assert cells.common == pytest.approx(plain.common[cells.row])
        squares = np.bincount(cells.visit, cells.apart**2)[cells.visit]
        assert squares == pytest.approx(plain.t_squared[cells.row], abs=1e-8)


def test_badly_known_variances_are_averaged_over_as_for_all_innovations() -> None:
    fit = fitted(5, vehicles=8, parts=3, visits=4)
    thetas = [fit.estimate.theta * factor for factor in (0.5, 1.0, 2.0)]
    told, plain = visit_cells(fit, 2, thetas), innovations(fit, thetas)
    assert told.given_past == pytest.approx(plain.given_past[told.row], abs=1e-6)
    assert told.given_all == pytest.approx(plain.given_all[told.row], abs=1e-6)
    squares = np.bincount(told.visit, told.apart**2)[told.visit]
    assert squares == pytest.approx(plain.t_squared[told.row], abs=1e-5)
    # with the fitted variances twice it is the plain answer again
    same = visit_cells(fit, 2, [fit.estimate.theta] * 2)
    assert same.apart == pytest.approx(visit_cells(fit, 2).apart, abs=1e-6)


def test_repeats_are_averaged_and_all_values_are_noise_of_sd_one() -> None:
    fit = fitted(6, vehicles=80, parts=3, visits=5, repeats=2)
    sets = []
    past = []
    for vehicle in range(80):
        cells = visit_cells(fit, vehicle)
        assert cells.row.size == np.unique(np.stack([cells.visit, cells.life]), axis=1).shape[1]
        for visit in np.unique(cells.visit):
            at = np.flatnonzero(cells.visit == visit)
            if at.size == 3:
                sets.append(cells.apart[at[np.argsort(cells.life[at])]])
        past.append(cells.given_past)
    noise = np.array(sets)
    assert len(noise) == 400
    # four standard errors of a covariance and of a variance of so many independent values
    wide = 4 * np.sqrt(2 / len(noise))
    assert np.cov(noise, rowvar=False) == pytest.approx(np.eye(3), abs=wide)
    assert np.concatenate(past).std() == pytest.approx(1.0, abs=0.1)


def test_a_vehicle_whose_readings_all_lie_beyond_the_scale_has_no_cell() -> None:
    fit = fitted(5, vehicles=8, parts=3, visits=5, beyond=0.2)
    told = visit_cells(fit, 1)
    beyond = np.flatnonzero(fit.design.data.bound != 0)
    assert not np.isin(told.row, beyond).any()
    assert visit_cells(fit, 999).row.size == 0
