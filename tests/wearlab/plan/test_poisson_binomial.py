"""The law of the number of events against published values, enumeration and other laws."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats

from wearlab.errors import InputError
from wearlab.plan.poisson_binomial import poisson_binomial

# exact: products of tenths, five events
TENTHS = [0.1, 0.2, 0.3, 0.4, 0.5]
TENTHS_PMF = [0.1512, 0.3714, 0.3274, 0.1274, 0.0214, 0.0012]


def test_five_events_have_the_exact_law() -> None:
    law = poisson_binomial(TENTHS)
    np.testing.assert_allclose(law.pmf, TENTHS_PMF, rtol=1e-12)
    assert law.mean == pytest.approx(1.5, rel=1e-14)
    assert law.variance == pytest.approx(0.95, rel=1e-14)
    assert law.chance_of_at_most(2) == pytest.approx(0.8500, rel=1e-12)
    assert law.chance_of_at_most(3) == pytest.approx(0.9774, rel=1e-12)
    assert [law.quantile(q) for q in (0.90, 0.95, 0.975, 0.98)] == [3, 3, 3, 4]


def test_a_chance_reached_exactly_is_reached() -> None:
    assert poisson_binomial(TENTHS).quantile(0.85) == 2
    assert poisson_binomial([0.5, 0.5]).quantile(0.25) == 0


def test_every_outcome_counted_out_gives_the_same() -> None:
    rng = np.random.default_rng(5)
    p = rng.uniform(size=11)
    counted = np.zeros(p.size + 1)
    for outcome in product((0, 1), repeat=p.size):
        happened = np.array(outcome, dtype=bool)
        counted[happened.sum()] += np.prod(np.where(happened, p, 1.0 - p))
    np.testing.assert_allclose(poisson_binomial(p).pmf, counted, rtol=1e-11)


@pytest.mark.parametrize(("events", "chance"), [(7, 0.3), (500, 0.02), (3_000, 0.4)])
def test_equal_chances_are_the_binomial_law(events: int, chance: float) -> None:
    law = poisson_binomial(np.full(events, chance))
    known = stats.binom(events, chance)
    np.testing.assert_allclose(law.pmf, known.pmf(np.arange(law.pmf.size)), rtol=1e-9, atol=1e-35)
    assert [law.quantile(q) for q in (0.5, 0.9, 0.99)] == [known.ppf(q) for q in (0.5, 0.9, 0.99)]


def test_many_small_chances_come_near_poisson() -> None:
    # Poisson law of mean 4: at most 6, 7, 8 events
    law = poisson_binomial(np.full(100_000, 4e-5))
    for count, chance in ((6, 0.889326), (7, 0.948866), (8, 0.978637)):
        assert law.chance_of_at_most(count) == pytest.approx(chance, abs=1e-5)
    assert (law.quantile(0.90), law.quantile(0.95)) == (7, 8)


def test_small_chances_keep_their_accuracy() -> None:
    # n events in n, each of chance p: p ** n, where a transform would leave rounding of 1e-17
    assert poisson_binomial(np.full(5, 1e-6)).pmf[5] == pytest.approx(1e-30, rel=1e-12)


def test_nothing_sure_and_certain_events() -> None:
    assert poisson_binomial([]).quantile(0.95) == 0
    law = poisson_binomial([1.0, 0.0, 1.0, 0.25])
    np.testing.assert_allclose(law.pmf, [0.0, 0.0, 0.75, 0.25])
    assert law.chance_of_at_most(1) == 0.0
    assert law.chance_of_at_most(-1) == 0.0
    assert law.chance_of_at_most(99) == 1.0


@pytest.mark.parametrize("chances", [[1.1], [-0.1], [float("nan")], [[0.5]]])
def test_what_is_no_chance_is_refused(chances: list[float]) -> None:
    with pytest.raises(InputError):
        poisson_binomial(chances)


@pytest.mark.parametrize("chance", [0.0, 1.0, 1.5])
def test_a_quantile_needs_a_chance(chance: float) -> None:
    with pytest.raises(InputError):
        poisson_binomial([0.5]).quantile(chance)
