"""What a cause adds to the readings, beside its definition written out reading by reading."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from wearlab.control.innovations import whitened
from wearlab.control.signatures import KINDS, signatures
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit


@cache
def fitted(seed: int, replaced: float, moved: float, repeats: int) -> ScaleFit:
    fleet = simulated_fleet(seed, vehicles=8, parts=3, visits=5, replaced=replaced, moved=moved, repeats=repeats)
    keep = np.random.default_rng(1).random(len(fleet.data)) > 0.1
    found = fit_group(fleet.data.take(keep), scales=(STRAIGHT,), average=False)
    assert not isinstance(found, NoAnswer)
    return found.best


@pytest.mark.parametrize(
    ("seed", "replaced", "moved", "repeats"), [(7, 0.0, 0.0, 1), (8, 0.4, 0.0, 1), (9, 0.2, 1.0, 1), (10, 0.0, 0.0, 2)]
)
def test_columns_of_causes_are_those_of_their_definition(
    seed: int, replaced: float, moved: float, repeats: int
) -> None:
    fit = fitted(seed, replaced, moved, repeats)
    data, x, life = fit.design.data, fit.design.x, fit.design.blocks.life
    told = dict.fromkeys(KINDS, 0)
    for white in whitened(fit):
        made = signatures(white)
        for b in range(white.rows.shape[0]):
            real = white.visit[b] >= 0
            rows, visit = white.rows[b][real], white.visit[b][real]
            for c, code in enumerate(made.kind.tolist()):
                kind, at = KINDS[code], int(made.onset[b, c])
                now, since = visit == at, visit >= at
                slot = int(made.life[b, c])
                own = np.zeros(rows.size, dtype=bool)
                if slot >= 0 and white.chunk.life[b, slot] >= 0:
                    own = life[rows] == white.chunk.life[b, slot]
                earlier = own & ~since
                if kind == "reading":
                    expected = 1.0 * (own & now)
                    if made.place[b, c] >= 0:  # one of several repeats
                        expected = 1.0 * ((own & now).sum() > 1) * (rows == white.rows[b, made.place[b, c]])
                elif kind == "visit":
                    expected = 1.0 * now
                elif kind == "step":
                    expected = 1.0 * (own & since) * earlier.any()
                elif kind == "wear":
                    # faster from the reading of that visit on, or from the last one before it
                    begun = x[rows[own & (visit <= at)]].max(initial=0.0)
                    expected = np.where(own & since, x[rows] - begun, 0.0) * earlier.any()
                else:
                    here = np.isin(data.vehicle[rows], data.vehicle[rows[now]])
                    # a vehicle's first visit is its level
                    expected = 1.0 * (here & since) * (here & ~since).any()
                assert made.d[b][real][:, c] == pytest.approx(expected, abs=1e-12), (kind, at)
                told[kind] += bool(expected.any())
    assert min(told.values()) > 10, told
