"""Vehicles joined by moved parts, rings cut where they grow too large, and no reading lost on the way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlab.wear.blocks import CHUNK, MOST_READINGS, Blocks, blocks
from wearlab.wear.data import Coded, WearData, coded
from wearlab.wear.fleet import simulated_fleet


def readings(rows: list[tuple[str, str, int, float, float]]) -> Coded:
    """Vehicle, part, visit, exposure and what of it was gathered on the present vehicle."""
    vehicle, part, visit, exposure, gathered = zip(*rows, strict=True)
    return coded(
        WearData(
            y=np.arange(len(rows), dtype=float),
            exposure=np.array(exposure),
            vehicle=np.array(vehicle),
            part=np.array(part),
            visit=np.array(visit),
            gathered=np.array(gathered),
        )
    )


def places(made: Blocks) -> list[list[int]]:
    """The readings of every block, padding left out."""
    n = made.exposure.size
    return [[int(k) for k in row if k < n] for chunk in made.chunks for row in chunk.rows]


def vehicles_joined(made: Blocks) -> set[frozenset[int]]:
    return {frozenset(int(k) for k in row if k >= 0) for chunk in made.chunks for row in chunk.vehicle}


def test_every_reading_stands_once_whatever_the_sizes() -> None:
    """Vehicles of 1 to 120 readings, so that padding to few sizes has something to do."""
    size = np.r_[np.arange(1, 121), np.full(30, 7)]
    vehicle = np.repeat(np.arange(size.size), size)
    n = vehicle.size
    rng = np.random.default_rng(1)
    data = coded(WearData(rng.random(n), rng.random(n), vehicle, vehicle * 3 + rng.integers(0, 3, n), np.arange(n)))
    made = blocks(data)
    found = places(made)
    assert sorted(k for block in found for k in block) == list(range(n))
    assert made.count == len(found) == size.size
    assert sorted(len(block) for block in found) == sorted(size.tolist())
    assert all(len(set(data.vehicle[block].tolist())) == 1 for block in found)
    for chunk in made.chunks:
        m, width = chunk.rows.shape
        assert m == 1 or m * width * width <= CHUNK
        inside = chunk.rows < n
        assert (inside[:, :-1] >= inside[:, 1:]).all()  # padding comes last
        assert (np.diff(np.where(inside, data.turn[np.minimum(chunk.rows, n - 1)], n), axis=1) >= 0).all()
    assert len(made.chunks) < 60  # far fewer sizes than vehicles


def test_the_last_reading_of_every_life_is_found() -> None:
    data = coded(simulated_fleet(2, vehicles=12, parts=3, visits=(1, 5), replaced=0.3).data)
    made = blocks(data)
    seen = set()
    for chunk in made.chunks:
        for b, slot in zip(*np.nonzero(chunk.life >= 0), strict=True):
            life = int(chunk.life[b, slot])
            row = chunk.rows[b, chunk.last[b, slot]]
            assert made.life[row] == life
            assert data.turn[row] == data.turn[made.life == life].max()
            seen.add(life)
    assert seen == set(range(made.lives))


def test_parts_that_never_moved_leave_vehicles_apart() -> None:
    made = blocks(readings([("v1", "p1", 1, 10, 10), ("v2", "p2", 1, 10, 10), ("v1", "p1", 2, 20, 20)]))
    assert vehicles_joined(made) == {frozenset({0}), frozenset({1})}
    assert all(chunk.share is None and chunk.here is None for chunk in made.chunks)


def test_a_moved_part_joins_two_vehicles_and_shares_its_exposure() -> None:
    """p1 gathers 20 on v1, then 10 and 20 on v2, tested at 30 and 40; v3 has no part in it."""
    data = readings(
        [
            ("v1", "p1", 1, 20, 20),
            ("v2", "p1", 2, 30, 10),
            ("v2", "p1", 3, 40, 20),
            ("v2", "p2", 2, 15, 15),
            ("v3", "p3", 1, 5, 5),
        ]
    )
    made = blocks(data)
    assert vehicles_joined(made) == {frozenset({0, 1}), frozenset({2})}
    assert (made.cut, made.count, made.lives) == (0, 2, 3)
    assert made.life_vehicle[made.life[0]] == 1  # where it is now
    chunk = next(chunk for chunk in made.chunks if chunk.share is not None)
    assert chunk.share is not None
    assert chunk.here is not None
    at = {int(row): place for place, row in enumerate(chunk.rows[0]) if row < 5}
    slot = [int(np.flatnonzero(chunk.vehicle[0] == code)[0]) for code in (0, 1)]
    share = {row: chunk.share[0, place, slot] for row, place in at.items()}
    np.testing.assert_allclose(share[0], [1, 0])
    np.testing.assert_allclose(share[1], [20 / 30, 10 / 30])
    np.testing.assert_allclose(share[2], [20 / 40, 20 / 40])
    np.testing.assert_allclose(share[3], [0, 1])
    np.testing.assert_array_equal(chunk.here[0, [at[0], at[2]]][:, slot], [[1, 0], [0, 1]])


def ring(vehicles: int, visits: int = 4) -> Coded:
    """Each vehicle has three parts; one of them goes on to the next vehicle half-way, and the last closes the ring."""
    rows = []
    for v in range(vehicles):
        for turn in range(1, visits + 1):
            for p in range(3):
                moved = p == 0 and turn > visits // 2
                home = (v + 1) % vehicles if moved else v
                gathered = 10.0 * (turn - visits // 2) if moved else 10.0 * turn
                rows.append((f"v{home:03}", f"v{v:03} p{p}", turn, 10.0 * turn, gathered))
    return readings(rows)


def test_a_ring_up_to_the_limit_stays_whole() -> None:
    data = ring(MOST_READINGS // 12)
    made = blocks(data)
    assert data.y.size <= MOST_READINGS
    assert (made.count, made.cut) == (1, 0)
    assert sorted(places(made)[0]) == list(range(data.y.size))


def test_a_larger_ring_is_cut_and_counted() -> None:
    vehicles = MOST_READINGS // 12 + 1
    data = ring(vehicles)
    assert data.y.size > MOST_READINGS
    before = [values.copy() for values in (data.part, data.exposure, data.gathered, data.unknown_start)]
    made = blocks(data)
    assert made.cut == vehicles  # every moved part begins afresh where it went
    assert made.count == vehicles
    assert made.lives == 3 * vehicles + vehicles
    assert sorted(k for block in places(made) for k in block) == list(range(data.y.size))
    assert all(len(one) == 1 for one in vehicles_joined(made))
    moved = data.exposure != data.gathered
    assert made.unknown_start[moved].all()
    assert not made.unknown_start[~moved].any()
    # the first two tests on the new vehicle: nothing, then what was gathered between them
    np.testing.assert_allclose(np.unique(made.exposure[moved]), [0.0, 10.0])
    np.testing.assert_array_equal(made.exposure[moved], made.gathered[moved])
    np.testing.assert_array_equal(made.exposure[~moved], data.exposure[~moved])
    np.testing.assert_array_equal(made.life_part[made.life], data.part)
    for old, new in zip(before, (data.part, data.exposure, data.gathered, data.unknown_start), strict=True):
        np.testing.assert_array_equal(old, new)


def test_only_the_ring_that_is_too_large_is_cut() -> None:
    large, small = ring(MOST_READINGS // 12 + 1).source, ring(3).source
    both = replace(
        large,
        **{
            name: np.concatenate([getattr(large, name), extra])
            for name, extra in {
                "y": small.y,
                "exposure": small.exposure,
                "gathered": small.gathered,
                "visit": small.visit,
                "vehicle": np.char.add("w", small.vehicle),
                "part": np.char.add("w", small.part),
            }.items()
        },
    )
    made = blocks(coded(both))
    assert made.cut == MOST_READINGS // 12 + 1
    assert sum(len(one) == 3 for one in vehicles_joined(made)) == 1


def test_one_vehicle_is_never_cut() -> None:
    n = MOST_READINGS + 100
    turn = np.arange(n)
    made = blocks(coded(WearData(np.ones(n), turn.astype(float), np.zeros(n, dtype=int), turn % 5, turn)))
    assert (made.count, made.cut) == (1, 0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shares_sum_to_one(seed: int) -> None:
    """All the exposure of a part was gathered somewhere."""
    data = coded(simulated_fleet(seed, vehicles=8, parts=2, visits=5, moved=1.0).data)
    made = blocks(data)
    joined = [chunk for chunk in made.chunks if chunk.share is not None]
    assert joined
    for chunk in joined:
        assert chunk.share is not None
        inside = chunk.rows < data.y.size
        np.testing.assert_allclose(chunk.share.sum(axis=2)[inside], 1.0)
        assert (chunk.share >= 0).all()
        assert not chunk.share[~inside].any()
