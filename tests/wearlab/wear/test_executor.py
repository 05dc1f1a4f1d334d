"""Whoever goes over the chunks, and in whatever pieces: the answer is the same to the last digit."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from wearlab.wear import WearFit, fit_group
from wearlab.wear import blocks as blocks_module
from wearlab.wear.blocks import RUN, blocks, places_of
from wearlab.wear.data import WearData, coded
from wearlab.wear.executor import Task, Threads
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.likelihood import Work, passed
from wearlab.wear.local import Local
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.share import Moving, Share, fit_of, share_of, summary_of
from wearlab.wear.variances import INDEX

ROOT_SCALE = WorkingScale(1 / 3)


def fleet(**said: Any) -> WearData:
    """A fleet with everything that a share has to carry."""
    given: dict[str, Any] = {
        "vehicles": 40, "parts": 2, "visits": (3, 6), "families": 2, "moved": 0.1, "unknown": 0.3, "replaced": 0.2,
        "resolution": 0.5, "conditions": True, "viscosity_missing": 0.1, "periods": 3, "gross": 8, "repeats": (1, 2),
    }  # fmt: skip
    return simulated_fleet(5, **given | said).data


@pytest.fixture(autouse=True)
def small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A block each, so that a small fleet has several runs of chunks."""
    monkeypatch.setattr(blocks_module, "CHUNK", 1)


class Pieces:
    """Every share made anew from its own readings, and everything that travels packed and unpacked."""

    def __init__(self, runs: int) -> None:
        self.runs, self.asked = runs, 0

    def over(self, task: Task[Any], work: Work, local: tuple[Local, ...]) -> Iterator[Any]:
        """Go over the shares as if each were elsewhere."""
        self.asked += 1
        for rows, chunks in cut(work, self.runs):
            moving = Moving.of(work, rows, chunks)
            away, told = pickle.loads(pickle.dumps((task, moving)))  # noqa: S301
            share = pickle.loads(pickle.dumps(made(work, rows, chunks)))  # noqa: S301
            yield from Threads(1).over(away, told.on(share), share.local)


def cut(work: Work, runs: int) -> list[tuple[np.ndarray[Any, Any], range]]:
    """Readings and chunks of shares of so many runs."""
    at = places_of(work.design.blocks)
    count = len(work.design.blocks.chunks)
    shares = [range(first, min(first + runs * RUN, count)) for first in range(0, count, runs * RUN)]
    return [(np.flatnonzero((at.chunk >= one.start) & (at.chunk < one.stop)), one) for one in shares]


def made(work: Work, rows: np.ndarray[Any, Any], chunks: range) -> Share:
    """A share from nothing but its own readings, the frame and its places."""
    data, at = work.design.data, places_of(work.design.blocks)
    known = coded(data.source.take(rows))
    known = replace(
        known, family=data.family[rows], family_label=data.family_label,
        period=data.period[rows], period_label=data.period_label,
    )  # fmt: skip
    own = {
        field.name: getattr(at, field.name)[rows]
        for field in fields(at)
        if field.name not in ("widths", "cut", "chunk", "life")
    }
    life = np.unique(at.life[rows], return_inverse=True)[1].astype(np.int64)
    widths = at.widths[chunks.start : chunks.stop]
    places = replace(at, chunk=at.chunk[rows] - chunks.start, life=life, widths=widths, **own)
    return share_of(known, places, work.design.frame, work.design.left_out)


def fit(data: WearData, **said: Any) -> WearFit:
    found = fit_group(data, scales=(ROOT_SCALE,), average=False, **said)
    assert isinstance(found, WearFit)
    return found


def same(one: WearFit, two: WearFit) -> None:
    """All that a fit says, digit by digit."""
    for a, b in zip(one.candidates, two.candidates, strict=True):
        assert a.criterion == b.criterion
        assert a.variances == b.variances
        assert np.array_equal(a.fixed.estimate, b.fixed.estimate)
        assert np.array_equal(a.fixed.covariance, b.fixed.covariance)
    for name in one.parts.__slots__:
        a, b = getattr(one.parts, name), getattr(two.parts, name)
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), name
    assert [np.array_equal(a, b) for a, b in zip(one.smoothed, two.smoothed, strict=True)] == [True, True]
    assert one.gross == two.gross


def test_places_lead_back_to_the_same_blocks() -> None:
    data = coded(fleet())
    made = blocks(data)
    again = blocks_module.arranged(data, places_of(made))
    assert made.runs[-1].stop == len(made.chunks) > 2 * RUN
    for a, b in zip(made.chunks, again.chunks, strict=True):
        for name in ("rows", "life", "last", "vehicle"):
            assert np.array_equal(getattr(a, name), getattr(b, name)), name
        assert a.visits == b.visits
        assert (a.share is None) == (b.share is None)
        assert a.share is None or b.share is None or np.array_equal(a.share, b.share)
    assert any(chunk.share is not None for chunk in made.chunks)


def test_every_chunk_is_in_one_run_and_every_reading_in_one_chunk() -> None:
    data = coded(fleet())
    made = blocks(data)
    assert [k for run in made.runs for k in run] == list(range(len(made.chunks)))
    rows = np.concatenate([chunk.rows[chunk.rows < data.y.size] for chunk in made.chunks])
    assert np.array_equal(np.sort(rows), np.arange(data.y.size))


def test_threads_do_not_change_a_sum() -> None:
    found = fit(fleet(), workers=1).best.estimate
    active = np.ones(len(INDEX), dtype=np.bool_)
    sums = [
        passed(found.work, found.local, found.theta, found.evaluated.beta, active, executor=Threads(workers), look=True)
        for workers in (1, 3)
    ]
    for name in sums[0][0].__slots__:
        assert np.array_equal(getattr(sums[0][0], name), getattr(sums[1][0], name)), name
    assert sums[0][1] is not None
    assert sums[1][1] is not None
    for name in ("z", "variance", "told", "y"):
        assert np.array_equal(getattr(sums[0][1], name), getattr(sums[1][1], name)), name


@pytest.mark.parametrize(
    ("said", "scale"),
    [
        ({}, "curved"),
        ({"beyond": 0.05, "vehicles": 22, "repeats": 1, "conditions": False, "gross": 0, "periods": 0}, "beyond"),
    ],
    ids=["moved parts, factors and gross errors", "readings beyond the scale"],
)
def test_shares_made_elsewhere_give_the_same_fit(said: dict[str, Any], scale: str) -> None:
    data = fleet(**said)
    away = Pieces(1)
    whole = fit(data)
    assert len(cut(whole.best.estimate.work, 1)) > 1
    same(whole, fit(data, executor=away))
    assert away.asked > len(whole.best.trace)  # not only the passes: levels and rates too
    assert bool(whole.data.bound.any()) == (scale == "beyond")


def test_a_share_tells_of_its_parts_what_the_fit_tells() -> None:
    data = fleet()
    found = fit_group(data, scales=(STRAIGHT, ROOT_SCALE), average=False)
    assert isinstance(found, WearFit)
    whole = found.part_table()
    seen = 0
    for rows, chunks in cut(found.best.estimate.work, 1):
        told = pickle.loads(pickle.dumps(summary_of(found, rows, chunks)))  # noqa: S301
        shares = tuple(made(one.estimate.work, rows, chunks) for one in found.candidates)
        own = fit_of(told, shares)
        table = own.part_table()
        for name in table.columns:
            a, b = table[name].to_numpy(), whole.loc[table.index, name].to_numpy()
            assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), name
        assert own.usual_gap == found.usual_gap
        assert [data.y[rows[one.index]] for one in own.gross] == [
            data.y[one.index] for one in found.gross if one.index in set(rows.tolist())
        ]
        seen += len(table)
    assert seen == len(whole)
    assert found.gross
