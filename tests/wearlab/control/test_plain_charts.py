"""Individuals, EWMA and CUSUM charts beside the worked examples of the NIST/SEMATECH e-Handbook."""

from __future__ import annotations

import numpy as np
import pytest

from reference.results import read_table
from wearlab.control.cusum import Cusum, cusum
from wearlab.control.ewma import Ewma, ewma
from wearlab.control.individuals import Individuals, individuals
from wearlab.errors import InputError
from wearlab.records import NoAnswer

# section 6.3.2.4, 20 readings, printed to two decimals
PRINTED_EWMA = (
    "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94"
    " 51.99"
)


def _readings(series: str) -> np.ndarray:
    table = read_table("nist_control_charts")
    return np.array([float(v) for s, v in zip(table["series"], table["value"], strict=True) if s == series])


def _individuals(values: np.ndarray, **more: float) -> Individuals:
    found = individuals(values, **more)
    assert isinstance(found, Individuals)
    return found


def _ewma(values: np.ndarray, **more: float) -> Ewma:
    found = ewma(values, **more)
    assert isinstance(found, Ewma)
    return found


def _cusum(values: np.ndarray, **more: float) -> Cusum:
    found = cusum(values, **more)
    assert isinstance(found, Cusum)
    return found


def test_individuals_of_the_handbook() -> None:
    found = _individuals(_readings("individuals_6_3_2_2"))
    assert found.scale.mean == pytest.approx(50.81, abs=1e-9)
    assert found.ranges.statistic[1:].mean() == pytest.approx(1.8778, abs=5e-5)
    # printed with d2 rounded to 1.128
    assert found.readings.upper[0] == pytest.approx(55.8041, abs=0.002)
    assert found.readings.lower[0] == pytest.approx(45.8159, abs=0.002)
    assert found.readings.upper[0] == pytest.approx(55.80241, abs=5e-6)
    assert found.ranges.upper[0] == pytest.approx(6.1347, abs=0.001)
    assert found.ranges.lower[0] == 0
    assert found.readings.signals.size == found.ranges.signals.size == 0


def test_individuals_signal_where_a_reading_is_out() -> None:
    values = _readings("individuals_6_3_2_2")
    values[6] = 57.0
    found = _individuals(values, mean=50.81, sd=1.8778 / 1.128)
    assert found.readings.signals.tolist() == [6]
    # 57 after 51.2 and before 52.4
    assert found.ranges.statistic[[6, 7]] == pytest.approx([5.8, 4.6])


def test_a_gap_has_no_moving_range_to_either_side() -> None:
    values = np.array([1.0, 2.0, np.nan, 9.0, 10.0])
    found = _individuals(values)
    assert np.isnan(found.ranges.statistic).tolist() == [True, False, True, True, False]
    assert found.scale.sd == pytest.approx(1 / (2 / np.sqrt(np.pi)))
    assert isinstance(individuals([1.0, np.nan, 3.0]), NoAnswer)
    assert isinstance(individuals([np.nan]), NoAnswer)
    assert isinstance(individuals([2.0, 2.0]), NoAnswer)
    assert isinstance(individuals([3.0], mean=0.0, sd=0.9), Individuals)


def test_the_median_range_withstands_a_wild_reading() -> None:
    values = np.random.default_rng(5).normal(20, 2, 400)
    values[100] = 900
    found = individuals(values, spread="median")
    assert isinstance(found, Individuals)
    assert found.scale.sd == pytest.approx(2, rel=0.12)
    assert _individuals(values).scale.sd > 4


def test_ewma_of_the_handbook() -> None:
    values = _readings("ewma_6_3_2_4")
    found = _ewma(values, weight=0.3, width=3.0, mean=50.0, sd=2.0539)
    assert found.average.statistic == pytest.approx([float(v) for v in PRINTED_EWMA.split()], abs=0.0051)
    # the page cuts its factor to 0.4201
    assert found.average.upper[-1] == pytest.approx(52.5884, abs=3e-4)
    assert found.average.lower[-1] == pytest.approx(47.4115, abs=3e-4)
    assert found.average.upper[:5] == pytest.approx([51.8485, 52.2564, 52.4314, 52.5127, 52.5516], abs=5e-5)
    assert found.average.signals.size == 0
    steady = ewma(values, weight=0.3, width=3.0, mean=50.0, sd=2.0539, steady=True)
    assert isinstance(steady, Ewma)
    assert steady.average.upper[[0, 19]] == pytest.approx([52.588432, 52.588432], abs=5e-7)


def test_ewma_passes_over_a_missing_reading() -> None:
    values = _readings("ewma_6_3_2_4")
    whole = _ewma(values, weight=0.3, width=1.2, mean=50.0, sd=2.0539)
    gap = _ewma(np.insert(values, 4, np.nan), weight=0.3, width=1.2, mean=50.0, sd=2.0539)
    assert np.isnan(gap.average.statistic[4])
    assert np.delete(gap.average.statistic, 4) == pytest.approx(whole.average.statistic)
    assert np.delete(gap.average.upper, 4) == pytest.approx(whole.average.upper)
    assert whole.average.signals.size
    assert gap.average.signals.tolist() == [k + (k >= 4) for k in whole.average.signals]


def test_cusum_of_the_handbook() -> None:
    values = _readings("cusum_6_3_2_3")
    found = _cusum(values, reference=0.3175, decision=4.1959, mean=325.0, sd=1.0)
    up = {13: 3.0075, 14: 4.94, 15: 7.4475, 16: 10.63, 17: 11.9875, 18: 14.445, 19: 16.0025, 20: 19.035}
    for group, value in up.items():
        assert found.upward.statistic[group - 1] == pytest.approx(value, abs=1e-9)
    down = {2: 0.0075, 4: 0.3325, 7: 0.5575, 8: 0.7150, 9: 0.1725, 10: 0.2550, 11: 0.3125}
    for group in range(1, 21):
        assert found.downward.statistic[group - 1] == pytest.approx(down.get(group, 0.0), abs=1e-9)
    assert np.sum(values - 325) == pytest.approx(19.075)
    assert found.signals.tolist() == found.upward.signals.tolist() == list(range(13, 20))
    # the sum has not been 0 since group 13
    assert (found.upward_since[12:] == 12).all()
    assert found.downward_since[6:11].tolist() == [6] * 5
    assert found.downward_since[11] == -1


def test_a_head_start_halves_the_way() -> None:
    found = _cusum(np.array([0.5, np.nan, 3.0]), reference=0.5, decision=4.0, mean=0.0, sd=1.0, head_start=2.0)
    assert found.upward.statistic[[0, 2]] == pytest.approx([2.0, 4.5])
    assert found.downward.statistic[[0, 2]] == pytest.approx([1.0, 0.0])
    assert found.signals.tolist() == [2]
    assert found.upward_since.tolist() == [0, -1, 0]


@pytest.mark.parametrize(
    "wrong",
    [
        lambda x: individuals(x, width=0.0),
        lambda x: individuals(x, sd=-1.0),
        lambda x: individuals(x, mean=np.nan),
        lambda x: individuals(np.append(x, np.inf)),
        lambda x: individuals(x[None]),
        lambda x: ewma(x, weight=0.0, width=3.0),
        lambda x: ewma(x, weight=0.2, width=-1.0),
        lambda x: cusum(x, reference=-0.5, decision=4.0),
        lambda x: cusum(x, reference=0.5, decision=0.0),
        lambda x: cusum(x, reference=0.5, decision=4.0, head_start=4.0),
    ],
)
def test_what_makes_no_chart_is_refused(wrong: object) -> None:
    with pytest.raises(InputError):
        wrong(np.arange(5.0))  # type: ignore[operator]
