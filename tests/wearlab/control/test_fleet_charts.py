"""Charts of all series at once beside the charts of one series at a time, and their chances beside the normal law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, norm

from wearlab.control.cusum import Cusum, cusum
from wearlab.control.ewma import Ewma, ewma
from wearlab.control.fleet_charts import ChartRules, FleetChart, fleet_charts
from wearlab.control.individuals import Individuals, individuals
from wearlab.control.innovations import Innovations
from wearlab.errors import InputError

RULES = ChartRules(
    width=2.5, weight=0.2, ewma_width=2.0, reference=0.5, decision=2.0, alpha=0.02, head_start=1.0
)  # fmt: skip


def shown(values: np.ndarray, t_squared: np.ndarray, readings: np.ndarray) -> Innovations:
    """Innovations of which only what the charts draw is filled in."""
    none = np.full(values.size, np.nan)
    return Innovations(values, none, none, none, none, t_squared, readings)


def drawn(values: np.ndarray, series: np.ndarray, turn: np.ndarray) -> dict[str, FleetChart]:
    found = shown(values, values**2, np.where(np.isnan(values), 0, 1))
    return {one.name: one for one in fleet_charts(found, series, turn, RULES)}


def test_every_series_is_charted_as_it_is_alone() -> None:
    rng = np.random.default_rng(5)
    values = 1.3 * rng.standard_normal(400)
    values[rng.random(400) < 0.1] = np.nan
    series, turn = rng.integers(0, 40, 400), rng.permutation(400)
    charts = drawn(values, series, turn)
    signals = 0
    for code in np.unique(series):
        rows = np.flatnonzero(series == code)
        rows = rows[np.argsort(turn[rows])]
        x = values[rows]
        one = individuals(x, mean=0.0, sd=1.0, width=RULES.width)
        two = ewma(x, weight=RULES.weight, width=RULES.ewma_width, mean=0.0, sd=1.0)
        three = cusum(
            x, reference=RULES.reference, decision=RULES.decision, mean=0.0, sd=1.0, head_start=RULES.head_start
        )
        if not isinstance(one, Individuals):  # all of it missing: no chart alone, no statistic here
            assert np.isnan(x).all()
            assert np.isnan(charts["EWMA"].statistic[rows]).all()
            continue
        assert isinstance(two, Ewma)
        assert isinstance(three, Cusum)
        for name, alone in {
            "individuals": one.readings,
            "EWMA": two.average,
            "CUSUM upward": three.upward,
            "CUSUM downward": three.downward,
        }.items():
            together = charts[name]
            np.testing.assert_array_equal(together.statistic[rows], alone.statistic, err_msg=name)
            np.testing.assert_array_equal(together.upper[rows], alone.upper, err_msg=name)
            np.testing.assert_array_equal(together.lower[rows], alone.lower, err_msg=name)
            np.testing.assert_array_equal(np.flatnonzero(together.signal[rows]), alone.signals, err_msg=name)
            signals += alone.signals.size
    assert signals > 30


def test_readings_of_nothing_but_noise_pass_as_often_as_the_laws_say() -> None:
    rng = np.random.default_rng(6)
    vehicles, parts, visits = 4000, 4, 5
    z = rng.standard_normal((vehicles, visits, parts))
    sets = np.repeat((z**2).sum(axis=2), parts)
    series = np.broadcast_to(parts * np.arange(vehicles)[:, None, None] + np.arange(parts), z.shape).ravel()
    turn = np.broadcast_to(np.arange(visits)[None, :, None], z.shape).ravel()
    found = shown(z.ravel(), sets, np.full(z.size, parts))
    charts = {one.name: one for one in fleet_charts(found, series, turn, RULES)}

    def near(count: int, trials: int, chance: float) -> bool:
        return bool(abs(count - trials * chance) < 4 * np.sqrt(trials * chance * (1 - chance)))

    assert near(charts["individuals"].signal.sum(), z.size, 2 * norm.sf(2.5))
    for visit in range(visits):  # limits that open with the readings hold their chance at every visit
        assert near(charts["EWMA"].signal[turn == visit].sum(), vehicles * parts, 2 * norm.sf(2.0))
    assert near(charts["T-squared"].signal.sum() // parts, vehicles * visits, 0.02)
    assert charts["T-squared"].upper[0] == pytest.approx(chi2.isf(0.02, parts))
    # the first sum starts at its head start: it passes 2 where z - 0.5 + 1 does
    assert near(charts["CUSUM upward"].signal[turn == 0].sum(), vehicles * parts, norm.sf(1.5))


def test_no_readings_make_empty_charts() -> None:
    nothing = np.zeros(0)
    for one in drawn(nothing, nothing.astype(np.int64), nothing.astype(np.int64)).values():
        assert one.statistic.size == one.signal.size == 0


@pytest.mark.parametrize("wrong", [{"width": 0.0}, {"alpha": 1.0}, {"weight": 1.5}, {"head_start": 2.0}])
def test_rules_out_of_range_are_refused(wrong: dict[str, float]) -> None:
    usual = {"width": 3.0, "weight": 0.2, "ewma_width": 2.7, "reference": 0.5, "decision": 2.0, "alpha": 0.01}
    with pytest.raises(InputError):
        ChartRules(**(usual | wrong))
