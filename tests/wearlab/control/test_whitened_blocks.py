"""Whitening some of the blocks gives what whitening all of them and taking those gives."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.control.innovations import whitened
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT


@pytest.mark.parametrize("other_variances", [False, True])
def test_picked_blocks_are_those_of_the_whole(other_variances: bool) -> None:
    fleet = simulated_fleet(3, vehicles=30, visits=(3, 7), moved=0.2, missing=0.1, periods=3)
    found = fit_group(fleet.data, scales=(STRAIGHT,), average=False)
    assert not isinstance(found, NoAnswer)
    fit = found.best
    theta = 1.3 * fit.estimate.theta if other_variances else None
    sizes = [chunk.rows.shape[0] for chunk in fit.design.blocks.chunks]
    assert len(sizes) > 1
    picked = [np.flatnonzero(np.random.default_rng(k).random(size) < 0.4) for k, size in enumerate(sizes)]
    picked[1] = np.zeros(0, dtype=np.intp)
    whole = [white.take(some) for white, some in zip(whitened(fit, theta), picked, strict=True) if some.size]
    parts = list(whitened(fit, theta, picked=picked))
    assert len(parts) == len(whole) == sum(some.size > 0 for some in picked)
    for part, known in zip(parts, whole, strict=True):
        for name in known.__slots__:
            if name != "chunk":
                np.testing.assert_allclose(
                    getattr(part, name), getattr(known, name), rtol=1e-9, atol=1e-12, err_msg=name
                )
        np.testing.assert_array_equal(part.chunk.life, known.chunk.life)
        np.testing.assert_array_equal(part.chunk.rows, known.chunk.rows)
