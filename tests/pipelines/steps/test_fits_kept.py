"""Fits that are kept for the next that asks: found again by what they were made of, and not for ever."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest

from pipelines.steps import fits_kept
from pipelines.steps.fits_kept import kept_fit
from wearlab.language import speaking
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale

DATA = simulated_fleet(1, vehicles=3, parts=2, visits=3).data


@pytest.fixture(autouse=True)
def nothing_kept() -> Iterator[None]:
    fits_kept._kept.clear()
    yield
    fits_kept._kept.clear()


@pytest.fixture
def ask() -> Callable[..., str]:
    made: list[NoAnswer] = []

    def fit() -> NoAnswer:
        made.append(NoAnswer(f"fit {len(made) + 1}"))
        return made[-1]

    def asked(data: WearData, *scales: WorkingScale) -> str:
        found = kept_fit(data, scales or (STRAIGHT,), fit)
        assert isinstance(found, NoAnswer)
        return found.reason

    return asked


def test_equal_readings_on_equal_scales_share_a_fit(ask: Callable[..., str]) -> None:
    assert ask(DATA) == ask(replace(DATA, y=DATA.y.copy())) == "fit 1"
    named = replace(DATA, part=np.array([f"part {code}" for code in DATA.part], dtype=object))
    assert ask(named) == ask(replace(named, part=named.part.copy())) == "fit 2"


def test_whatever_a_fit_depends_on_makes_another(ask: Callable[..., str]) -> None:
    moved = DATA.y.copy()
    moved[0] += 1e-9
    others = [DATA, replace(DATA, y=moved), replace(DATA, relative_error=0.2), replace(DATA, covariate_names=("a",))]
    found = [ask(one) for one in others] + [ask(DATA, WorkingScale(0.0))]
    with speaking("de"):
        found.append(ask(DATA))
    assert len(set(found)) == len(found)


def test_the_one_asked_for_longest_ago_goes_first(ask: Callable[..., str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fits_kept, "MOST_READINGS", 2 * DATA.y.size)
    second, third = replace(DATA, relative_error=0.2), replace(DATA, relative_error=0.3)
    assert [ask(one) for one in (DATA, second, DATA, third)] == ["fit 1", "fit 2", "fit 1", "fit 3"]
    assert [ask(one) for one in (DATA, second)] == ["fit 1", "fit 4"]
