"""Chances in words."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlab.forecast.chance_words import chance_words


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.0, "under 1 in 100"),
        (0.01, "1 in 100"),
        (0.02, "1 in 50"),
        (0.05, "1 in 20"),
        (0.1, "1 in 10"),
        (0.34, "3 in 10"),
        (0.5, "5 in 10"),
        (0.9, "9 in 10"),
        (0.95, "19 in 20"),
        (0.98, "49 in 50"),
        (0.99, "99 in 100"),
        (1.0, "over 99 in 100"),
    ],
)
def test_words(chance: float, words: str) -> None:
    assert chance_words(chance) == words


@given(st.floats(0, 1), st.floats(0, 1))
def test_a_larger_chance_never_gets_smaller_words(one: float, other: float) -> None:
    def size(words: str) -> float:
        found = re.search(r"(\d+) in (\d+)", words)
        assert found is not None
        value = int(found[1]) / int(found[2])
        return value + (0.001 if "over" in words else -0.001 if "under" in words else 0.0)

    low, high = sorted((one, other))
    assert size(chance_words(low)) <= size(chance_words(high))
    # and no word is off by more than half a step
    assert abs(size(chance_words(low)) - low) <= 0.051
