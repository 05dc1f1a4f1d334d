"""Order-up-to levels by hand, by simulation, and the newsvendor's ratio."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy import stats

from wearlab.errors import InputError
from wearlab.plan.poisson_binomial import poisson_binomial
from wearlab.plan.stock_order import Order, critical_ratio, due_by, order_now

TENTHS = [0.1, 0.2, 0.3, 0.4, 0.5]


def order(service: float, on_hand: int = 0, on_order: int = 0, before: int = 0, pack: int = 1) -> Order:
    return order_now(
        poisson_binomial(TENTHS), poisson_binomial(TENTHS[:2]), on_hand=on_hand, on_order=on_order,
        on_order_before=before, service=service, pack=pack,
    )  # fmt: skip


@pytest.mark.parametrize(("service", "level"), [(0.90, 3), (0.95, 3), (0.975, 3), (0.98, 4)])
def test_the_level_is_the_smallest_stock_that_lasts(service: float, level: int) -> None:
    told = order(service)
    assert (told.level, told.order) == (level, level)


def test_stock_and_orders_are_taken_off_and_packs_are_whole() -> None:
    told = order(0.95, on_hand=1, on_order=1, before=1, pack=4)
    assert (told.level, told.position, told.order) == (3, 2, 4)
    assert told.lasts == pytest.approx(0.85)
    assert told.lasts_with == pytest.approx(1.0)
    # two parts in time for the first two events: nothing can be missing
    assert told.short_before == pytest.approx(0.0, abs=1e-15)
    assert order(0.95, on_hand=7).order == 0


def test_what_comes_too_late_does_not_help_before() -> None:
    # by hand: of the first two events one or both happen with 1 - 0.9 x 0.8
    assert order(0.95, on_hand=0, on_order=2, before=0).short_before == pytest.approx(0.28)


def test_the_newsvendors_ratio() -> None:
    # one short costs 7, one left over 3: the 70 % point, for N(100, 20) at 110.488010
    ratio = critical_ratio(7.0, 3.0)
    assert ratio == pytest.approx(0.7)
    assert stats.norm.ppf(ratio, 100.0, 20.0) == pytest.approx(110.488010, abs=5e-7)
    with pytest.raises(InputError):
        critical_ratio(0.0, 3.0)


def test_stocking_by_the_ratio_costs_least() -> None:
    p = np.random.default_rng(8).uniform(size=30)
    law = poisson_binomial(p)
    counts = np.arange(law.pmf.size)

    def expected(stock: int) -> float:
        short, spare = np.maximum(counts - stock, 0), np.maximum(stock - counts, 0)
        return float((law.pmf * (7.0 * short + 3.0 * spare)).sum())

    best = min(range(counts.size), key=expected)
    assert law.quantile(critical_ratio(7.0, 3.0)) == best


def test_the_stock_lasts_as_often_as_was_told() -> None:
    # one review a period and a lead time of two: stock and orders cover three periods
    rng = np.random.default_rng(12)
    p = rng.uniform(0.0, 0.1, size=40)
    protection, lead = poisson_binomial(np.tile(p, 3)), poisson_binomial(np.tile(p, 2))
    shelf, coming, lasted, periods = 0, [0, 0], 0, 10_000
    needed = (rng.uniform(size=(periods + 50, p.size)) < p).sum(axis=1).tolist()
    for at, need in enumerate(needed):
        shelf += coming.pop(0)
        made = order_now(
            protection, lead, on_hand=max(shelf, 0), on_order=sum(coming), on_order_before=sum(coming), service=0.9
        )
        # what is owed is ordered beside
        coming.append(made.order + max(-shelf, 0))
        shelf -= need
        lasted += at >= 50 and shelf >= 0
    told = protection.chance_of_at_most(made.level)
    # three periods share their demand, so that results repeat
    assert lasted / periods == pytest.approx(told, abs=4 * np.sqrt(3 * told * (1 - told) / periods))
    assert told >= 0.9


def test_orders_count_when_they_are_due() -> None:
    orders = [(2, date(2026, 11, 18)), (1, None), (4, date(2027, 1, 5))]
    assert due_by(orders, date(2026, 11, 17)) == 1
    assert due_by(orders, date(2026, 11, 18)) == 3
    assert due_by(orders, date(2027, 1, 5)) == 7


def test_counts_that_cannot_be_are_refused() -> None:
    for wrong in ({"on_hand": -1}, {"on_order": 1, "before": 2}, {"pack": 0}):
        with pytest.raises(InputError):
            order(0.95, **wrong)
