"""Run lengths beside published tables, closed forms, normal probabilities of a few readings, and simulation."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from reference.results import read_table
from wearlab.control.chain import RunLength
from wearlab.control.rules import of_last, run
from wearlab.control.run_length import (
    cusum_decision,
    cusum_run_length,
    ewma_run_length,
    ewma_width,
    individuals_run_length,
    individuals_width,
    limit_for,
    mewma_limit,
    mewma_run_length,
)
from wearlab.errors import InputError

RULES = {
    "rule1": (),
    "rules1+2of3": (of_last(2, 3, 2.0),),
    "rules1+4of5": (of_last(4, 5, 1.0),),
    "rules1+8run": (run(8),),
    "rules1+9run": (run(9),),
    "rules1+2of3+4of5": (of_last(2, 3, 2.0), of_last(4, 5, 1.0)),
    "all four WE (8 run)": (of_last(2, 3, 2.0), of_last(4, 5, 1.0), run(8)),
}


def _rows(charts: str) -> list[dict[str, str]]:
    table = read_table("arl_table")
    rows = [dict(zip(table, row, strict=True)) for row in zip(*table.values(), strict=True)]
    return [row for row in rows if row["chart"].startswith(charts)]


def _mean(row: dict[str, str]) -> float:
    first, limit, shift = (float(row[k] or 0) for k in ("lambda_or_k", "L_or_h", "shift_sigma"))
    if row["chart"] == "ewma":
        return ewma_run_length(weight=first, width=limit, shift=shift, steady=True, horizon=2).mean
    if row["chart"].startswith("cusum"):
        start = float(row["head_start"])
        return cusum_run_length(reference=first, decision=limit, shift=shift, head_start=start, horizon=2).mean
    return individuals_run_length(rules=RULES[row["chart"]], shift=shift, horizon=2).mean


@pytest.mark.parametrize("charts", ["ewma", "cusum", "rule"])
def test_average_run_lengths_of_the_tables(charts: str) -> None:
    rows = _rows(charts)
    assert len(rows) >= 36
    for row in rows:
        found = _mean(row)
        places = len(row["computed"].partition(".")[2])
        # one unit of the last digit that was written down
        assert found == pytest.approx(float(row["computed"]), abs=10.0**-places), row
        if row["printed"]:
            # printed with few digits, and by a coarser chain: 1 %, or the last digit
            digits = len(row["printed"].partition(".")[2])
            assert found == pytest.approx(float(row["printed"]), rel=0.01, abs=0.6 * 10.0**-digits), row


def test_the_four_rules_with_a_run_of_nine() -> None:
    # Champ & Woodall, Technometrics 29 (1987)
    rules = (of_last(2, 3, 2.0), of_last(4, 5, 1.0), run(9))
    assert individuals_run_length(rules=rules, horizon=2).mean == pytest.approx(109.05, abs=0.005)


@pytest.mark.parametrize(("weight", "width", "mean"), [(0.03, 2.437, 499.86), (0.2, 3, 559.87), (0.3, 3, 465.55)])
def test_more_ewma_means(weight: float, width: float, mean: float) -> None:
    # computed with the R package spc
    assert ewma_run_length(weight=weight, width=width, steady=True, horizon=2).mean == pytest.approx(mean, abs=0.006)


@pytest.mark.parametrize(
    ("weight", "width"), [(0.05, 2.4901), (0.1, 2.7015), (0.2, 2.8593), (0.25, 2.8980), (0.3, 2.9250), (0.4, 2.9589)]
)
def test_ewma_widths_for_the_mean_of_three_sigma_limits(weight: float, width: float) -> None:
    # computed with the R package spc for 370.4
    found = limit_for(lambda w: ewma_run_length(weight=weight, width=w, steady=True, horizon=2), 2.0, 3.5, mean=370.4)
    assert found == pytest.approx(width, abs=6e-5)


def test_ewma_of_weight_one_is_the_chart_of_single_readings() -> None:
    for shift, mean in ((0.0, 370.398), (1.0, 43.895)):
        assert ewma_run_length(weight=1.0, width=3.0, shift=shift).mean == pytest.approx(mean, abs=5e-4)
        assert individuals_run_length(shift=shift).mean == pytest.approx(mean, abs=5e-4)


@pytest.mark.parametrize(
    ("k", "h", "mean"),
    [
        (0.25, 8.01, 370.3),
        (0.5, 4.77, 368.6),
        (0.75, 3.34, 370.6),
        (1, 2.52, 372.8),
        (1.25, 1.99, 373.5),
        (1.5, 1.61, 376.3),
    ],
)
def test_cusum_designs_of_hawkins(k: float, h: float, mean: float) -> None:
    # Hawkins (1993), J. Quality Technology 25, designs for 370
    assert cusum_run_length(reference=k, decision=h, horizon=2).mean == pytest.approx(mean, abs=0.06)


def test_one_sided_cusum_beside_siegmund() -> None:
    for h, exact, siegmund in ((4.0, 335.368, 338.09), (5.0, 930.887, 938.2)):
        found = cusum_run_length(reference=0.5, decision=h, two_sided=False, horizon=2).mean
        assert found == pytest.approx(exact, abs=6e-4)
        # Siegmund's approximation, Montgomery eq. 9.6
        assert found == pytest.approx(siegmund, rel=0.01)


@pytest.mark.parametrize(("mean", "h"), [(370.4, 4.7749), (500, 5.0707)])
def test_cusum_decision_for_a_mean(mean: float, h: float) -> None:
    found = limit_for(lambda x: cusum_run_length(reference=0.5, decision=x, horizon=2), 2.0, 8.0, mean=mean)
    assert found == pytest.approx(h, abs=6e-5)


@pytest.mark.parametrize(
    ("weight", "positions", "limit"),
    [(0.1, 2, 8.6336), (0.1, 3, 10.7836), (0.1, 4, 12.7231), (0.2, 2, 9.6476), (0.2, 3, 11.8662), (0.2, 4, 13.8641)],
)
def test_mewma_limits_for_200(weight: float, positions: int, limit: float) -> None:
    # computed with the R package spc
    law = mewma_run_length(positions=positions, weight=weight, limit=limit, steady=True, horizon=2)
    assert law.mean == pytest.approx(200, abs=0.01)


def test_single_readings_signal_by_the_power_of_one_chance() -> None:
    alpha = 2 * norm.sf(2.5)
    law = individuals_run_length(width=2.5)
    n = np.array([0, 1, 7, 60, 3000])
    assert law.chance_within(n) == pytest.approx(1 - (1 - alpha) ** n, rel=1e-9)
    assert law.quantile(0.5) == np.ceil(np.log(0.5) / np.log(1 - alpha))
    # beyond the horizon
    assert law.quantile(1 - 1e-6) == np.ceil(np.log(1e-6) / np.log(1 - alpha)) > 1000


def test_opening_ewma_beside_normal_probabilities() -> None:
    weight, width, shift = 0.2, 1.8, 0.4
    law = ewma_run_length(weight=weight, width=width, shift=shift)
    n = 4
    load = np.array([[weight * (1 - weight) ** (t - s) if s <= t else 0.0 for s in range(n)] for t in range(n)])
    spread = load @ load.T
    reach = width * np.sqrt(np.diag(spread))
    mean = shift * load.sum(axis=1)
    for t in range(1, n + 1):
        stays = multivariate_normal(mean[:t], spread[:t, :t], seed=1).cdf(reach[:t], lower_limit=-reach[:t])
        assert law.chance_within(t) == pytest.approx(1 - stays, abs=2e-5)


def test_first_set_of_an_opening_mewma_has_the_chance_of_chi_square() -> None:
    # upper 1 % of chi-square with 4 degrees of freedom
    law = mewma_run_length(positions=4, weight=0.15, limit=13.2767)
    assert law.chance_within(1) == pytest.approx(0.01, abs=1e-6)


@cache
def _noise() -> np.ndarray:
    return np.random.default_rng(20).normal(size=(20_000, 30))


def _agrees(law: RunLength, signalled: np.ndarray) -> None:
    """Compare P(T <= n) with the share of simulated series that signalled by then, within four standard errors."""
    share = np.maximum.accumulate(signalled, axis=1).mean(axis=0)
    told = law.chance_within(np.arange(1, share.size + 1))
    assert share[-1] > 0.05
    assert (np.abs(share - told) <= 4 * np.sqrt(told * (1 - told) / signalled.shape[0]) + 1e-9).all()


@pytest.mark.parametrize("start", [0.0, 1.5])
def test_two_sided_cusum_within_n_beside_simulation(start: float) -> None:
    x = _noise() + 0.2
    up, down = np.full(len(x), start), np.full(len(x), start)
    out = np.zeros(x.shape, dtype=bool)
    for t in range(x.shape[1]):
        up, down = np.maximum(0, up + x[:, t] - 0.5), np.maximum(0, down - x[:, t] - 0.5)
        out[:, t] = (up > 3) | (down > 3)
    _agrees(cusum_run_length(reference=0.5, decision=3.0, head_start=start, shift=0.2), out)


def test_mewma_within_n_beside_simulation() -> None:
    x = _noise().reshape(10_000, 30, 2)
    z, out = np.zeros((10_000, 2)), np.zeros((10_000, 30), dtype=bool)
    for t in range(30):
        z = 0.2 * x[:, t] + 0.8 * z
        out[:, t] = np.sum(z**2, axis=1) / (0.2 / 1.8 * (1 - 0.8 ** (2 * t + 2))) > 7
    _agrees(mewma_run_length(positions=2, weight=0.2, limit=7.0), out)


def test_a_law_without_a_horizon_is_carried_on() -> None:
    long = ewma_run_length(weight=0.1, width=2.5, horizon=1500)
    short = ewma_run_length(weight=0.1, width=2.5, horizon=200)
    assert short.mean == long.mean
    assert short.chance_within([150, 900, 1500]) == pytest.approx(long.chance_within([150, 900, 1500]), abs=1e-9)
    assert long.survival.sum() + long.survival[-1] * long.decay / (1 - long.decay) == pytest.approx(long.mean, rel=1e-6)


def test_two_sides_mean_is_the_sum_of_their_chances() -> None:
    law = cusum_run_length(reference=0.5, decision=3.0, head_start=1.5)
    assert law.survival.sum() + law.survival[-1] * law.decay / (1 - law.decay) == pytest.approx(law.mean, rel=1e-6)


def test_limits_for_the_visits_that_series_have() -> None:
    visits = np.array([3, 6, 6, 12])
    width = individuals_width(chance=0.01, readings=visits)
    assert np.mean(1 - norm.cdf(width) + norm.cdf(-width) - (1 - (1 - 2 * norm.sf(width)) ** visits)) < 0
    assert np.mean(1 - (1 - 2 * norm.sf(width)) ** visits) == pytest.approx(0.01, rel=1e-4)
    width = ewma_width(weight=0.25, chance=0.02, readings=visits)
    assert ewma_run_length(weight=0.25, width=width).mean_of(visits) == pytest.approx(0.02, rel=1e-4)
    # one visit alone: an opening EWMA is a single reading
    assert ewma_width(weight=0.25, chance=0.02, readings=1) == pytest.approx(norm.isf(0.01), abs=1e-5)
    h = cusum_decision(reference=0.5, chance=0.02, readings=visits, head_start_share=0.5)
    law = cusum_run_length(reference=0.5, decision=h, head_start=h / 2)
    assert law.mean_of(visits) == pytest.approx(0.02, rel=1e-4)
    limit = mewma_limit(positions=4, weight=0.25, chance=0.02, readings=visits)
    assert mewma_run_length(positions=4, weight=0.25, limit=limit).mean_of(visits) == pytest.approx(0.02, rel=1e-4)


def test_a_limit_that_cannot_be_found_is_refused() -> None:
    def law(width: float) -> RunLength:
        return individuals_run_length(width=width)

    with pytest.raises(InputError):
        limit_for(law, 1.0, 2.0, mean=370.0)
    with pytest.raises(InputError):
        limit_for(law, 1.0, 4.0)
    with pytest.raises(InputError):
        limit_for(law, 1.0, 4.0, chance=0.01)
    with pytest.raises(InputError):
        cusum_run_length(reference=0.1, decision=4.0, head_start=3.0)
    with pytest.raises(InputError):
        law(3.0).chance_within(2.5)
