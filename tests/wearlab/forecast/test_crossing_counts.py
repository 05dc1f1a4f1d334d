"""Numbers of parts that pass a limit: against the law counted out by hand, and against another program's."""

from __future__ import annotations

from itertools import product
from math import prod

import numpy as np
import pytest
from scipy.stats import binom

from wearlab.errors import InputError
from wearlab.forecast.crossing_counts import count_law, crossing_counts


def counted(chances: list[float]) -> list[float]:
    """The law of the number by going through every outcome."""
    law = [0.0] * (len(chances) + 1)
    for outcome in product((0, 1), repeat=len(chances)):
        law[sum(outcome)] += prod(p if hit else 1 - p for p, hit in zip(chances, outcome, strict=True))
    return law


def test_unlike_chances_as_counted_outcome_by_outcome() -> None:
    chances = [0.02, 0.4, 0.9, 0.0, 1.0, 0.33, 0.61, 0.07]
    law = count_law(np.array(chances)[:, None])
    assert law.shape == (1, 9)
    assert law[0] == pytest.approx(counted(chances), abs=1e-14)


@pytest.mark.parametrize(("parts", "chance"), [(1, 0.3), (40, 0.05), (500, 0.02), (3000, 0.4)])
def test_like_chances_are_binomial(parts: int, chance: float) -> None:
    found = crossing_counts(np.full((parts, 2), chance))
    assert found.expected == pytest.approx([parts * chance] * 2)
    assert found.low.tolist() == [int(binom.ppf(0.05, parts, chance))] * 2
    assert found.high.tolist() == [int(binom.ppf(0.95, parts, chance))] * 2


def test_the_interval_leaves_at_most_a_twentieth_on_either_side_and_no_end_is_too_far() -> None:
    rng = np.random.default_rng(4)
    table = rng.beta(0.4, 6.0, size=(60, 7))
    found = crossing_counts(table)
    for month in range(7):
        law = np.cumsum(count_law(table[:, month : month + 1])[0])
        low, high = int(found.low[month]), int(found.high[month])
        assert (law[low - 1] if low else 0.0) <= 0.05 < law[low]
        assert 1 - law[high] <= 0.05 + 1e-9
        assert high == 0 or 1 - law[high - 1] > 0.05


def test_drawn_fleets_lie_inside_nine_times_in_ten_at_least() -> None:
    rng = np.random.default_rng(9)
    chances = rng.beta(1.0, 12.0, size=200)
    found = crossing_counts(chances[:, None])
    numbers = (rng.random((4000, 200)) < chances).sum(axis=1)
    inside = np.mean((numbers >= found.low[0]) & (numbers <= found.high[0]))
    assert 0.9 - 0.02 < inside < 0.97
    assert abs(numbers.mean() - found.expected[0]) < 5 * numbers.std() / np.sqrt(4000)


def test_no_parts_and_sure_parts() -> None:
    none = crossing_counts(np.zeros((0, 3)))
    assert (none.expected.tolist(), none.low.tolist(), none.high.tolist()) == ([0.0] * 3, [0] * 3, [0] * 3)
    sure = crossing_counts(np.ones((300, 1)))
    assert (sure.low[0], sure.high[0]) == (300, 300)


@pytest.mark.parametrize("wrong", [[[1.2]], [[-0.1]], [[float("nan")]], [0.5]])
def test_what_is_no_table_of_chances_is_refused(wrong: list[object]) -> None:
    with pytest.raises(InputError):
        crossing_counts(wrong)
