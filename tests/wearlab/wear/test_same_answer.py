"""The answer belongs to the readings, not to their order, labels, units, or the arrays they came in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from wearlab.wear import WearFit, fit_group
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT

BASE = simulated_fleet(1, vehicles=3, parts=2, visits=4).data

AGAIN: dict[str, Callable[[NDArray[Any]], Any]] = {
    "objects": lambda values: values.astype(object),
    "read-only": lambda values: _locked(values),
    "every second place": lambda values: np.repeat(values, 2)[::2],
    "backwards in memory": lambda values: values[::-1].copy()[::-1],
    "masked nowhere": lambda values: np.ma.masked_array(values, mask=False),
    "lists": lambda values: values.tolist(),
    "longer floats": lambda values: values.astype(np.longdouble) if values.dtype.kind == "f" else values,
    "other byte order": lambda values: values.astype(values.dtype.newbyteorder()),
}


def _locked(values: NDArray[Any]) -> NDArray[Any]:
    out = values.copy()
    out.flags.writeable = False
    return out


def told(data: WearData, **other: Any) -> dict[Any, tuple[float, ...]]:
    """Level and rate with their intervals, by part."""
    found = fit_group(data, scales=(STRAIGHT,), **other)
    assert isinstance(found, WearFit)
    p = found.parts
    table = np.stack([p.level, p.level_low, p.level_high, p.rate, p.rate_low, p.rate_high], axis=1)
    return {label: tuple(row.tolist()) for label, row in zip(p.part.tolist(), table, strict=True)}


@pytest.mark.parametrize("how", AGAIN)
def test_the_same_numbers_in_another_array(how: str) -> None:
    names = ("y", "exposure", "vehicle", "part", "visit")
    changed = replace(BASE, **{name: AGAIN[how](getattr(BASE, name)) for name in names})
    assert told(changed, average=False) == told(BASE, average=False)


def test_whole_numbers() -> None:
    whole = replace(BASE, y=np.round(BASE.y), exposure=np.round(BASE.exposure))
    for kind in (np.int64, np.int32, np.uint64):
        assert told(replace(whole, y=whole.y.astype(kind), exposure=whole.exposure.astype(kind))) == told(whole)


FULL = simulated_fleet(
    3, vehicles=6, parts=2, visits=4, repeats=2, families=2, conditions=True, viscosity_missing=0.3, periods=1,
    unknown=0.3, moved=0.4, resolution=0.5,
).data  # fmt: skip


def test_nothing_is_written_into_the_arrays() -> None:
    before = {field.name: getattr(FULL, field.name) for field in fields(FULL)}
    before = {name: value.copy() for name, value in before.items() if isinstance(value, np.ndarray)}
    locked = replace(FULL, **{name: _locked(value) for name, value in before.items()})
    assert isinstance(fit_group(locked), WearFit)
    assert isinstance(fit_group(FULL, scales=(STRAIGHT,), average=False), WearFit)
    for name, value in before.items():
        np.testing.assert_array_equal(getattr(FULL, name), value)


def alike(found: dict[Any, tuple[float, ...]], known: dict[Any, tuple[float, ...]]) -> None:
    assert found.keys() == known.keys()
    for label, row in known.items():
        width = row[2] - row[1], row[5] - row[4]
        np.testing.assert_allclose(found[label][:3], row[:3], atol=1e-4 * width[0])
        np.testing.assert_allclose(found[label][3:], row[3:], atol=1e-4 * width[1])


@pytest.mark.parametrize("average", [True, False])
def test_order_of_the_readings_does_not_matter(average: bool) -> None:
    shuffled = FULL.take(np.random.default_rng(2).permutation(len(FULL)))
    alike(told(shuffled, average=average), told(FULL, average=average))


def test_kind_of_labels_does_not_matter() -> None:
    """Numbers, text that sorts otherwise (but for visits), and dates."""
    known = told(FULL)
    text = replace(
        FULL,
        vehicle=np.array([f"v{-v}" for v in FULL.vehicle]),
        part=np.array([f"p{97 * p % 101}" for p in FULL.part]),
        visit=np.datetime64("2021-05-01") + 40 * np.asarray(FULL.visit),
    )
    found = told(text)
    alike({p: found[f"p{97 * p % 101}"] for p in known}, known)


@pytest.mark.parametrize("factor", [1e3, 1e-6])
def test_unit_of_exposure_does_not_matter(factor: float) -> None:
    assert FULL.gathered is not None
    one = replace(FULL, exposure_unit="")
    other = replace(one, exposure=one.exposure * factor, gathered=FULL.gathered * factor)
    found = {label: (*row[:3], *(value * factor for value in row[3:])) for label, row in told(other).items()}
    alike(found, told(one))


@pytest.mark.parametrize("factor", [1e3, 1e-6])
def test_unit_of_the_reading_does_not_matter(factor: float) -> None:
    assert FULL.resolution is not None
    other = replace(FULL, y=FULL.y * factor, resolution=FULL.resolution * factor)
    found = {label: tuple(value / factor for value in row) for label, row in told(other).items()}
    alike(found, told(FULL))
