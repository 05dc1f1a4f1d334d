"""Adjusted chances beside the published example and beside statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from wearlab.errors import InputError
from wearlab.study.false_discovery import adjusted_chances

# Benjamini & Hochberg 1995, J. R. Statist. Soc. B 57, section 4: fifteen end points of a trial
FIFTEEN = np.array(
    [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
     0.7590, 1.0]
)  # fmt: skip


def test_the_published_example_finds_four_of_fifteen() -> None:
    assert (adjusted_chances(FIFTEEN) <= 0.05).tolist() == [True] * 4 + [False] * 11


@pytest.mark.parametrize("size", [1, 2, 7, 60])
def test_beside_statsmodels(size: int) -> None:
    rng = np.random.default_rng(size)
    p = np.where(rng.random(size) < 0.3, rng.random(size) * 0.01, rng.random(size))
    p[: size // 3] = p[0]  # ties
    np.testing.assert_allclose(adjusted_chances(p), multipletests(p, method="fdr_bh")[1], rtol=1e-12)


def test_what_was_not_asked_does_not_count_as_a_question() -> None:
    asked = adjusted_chances([0.01, np.nan, 0.04])
    np.testing.assert_allclose(asked[[0, 2]], [0.02, 0.04])
    assert np.isnan(asked[1])
    assert adjusted_chances([]).size == 0


def test_a_chance_above_one_is_refused() -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        adjusted_chances([0.2, 1.2])
