"""Which first day a shared cause is given, and how often one that never was would signal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from wearlab.control.shared import DRAWS, Running, chance_of_signal


def running(z: list[float], information: list[float], vehicles: list[int]) -> Running:
    size = np.array(z) / np.sqrt(information)
    return Running(
        group=1, day=100 * np.arange(1, len(z) + 1), z=np.array(z), size=size, sd=1 / np.sqrt(information),
        information=np.array(information), vehicles=np.array(vehicles), left=0.0,
    )  # fmt: skip


def test_a_change_seen_on_few_vehicles_is_theirs() -> None:
    told = running([2.0, 3.0, 9.0], [9.0, 4.0, 1.0], [8, 3, 2])
    assert told.best == 1
    assert running([9.0], [1.0], [2]).best == -1
    assert running([np.nan, -2.0], [1.0, 1.0], [9, 9]).best == 1


def test_the_first_day_lies_where_z_is_nearly_as_large() -> None:
    # squared z within 2.706, the 90 % point of chi-squared with 1 degree, and of the same sign
    told = running([3.9, 4.1, 4.4, 4.2, -4.4], [5.0, 4.0, 3.0, 2.0, 1.0], [9] * 5)
    assert told.onset() == (200, 400)


def quiet_chances(first: float, second: float, limit: float) -> tuple[float, float]:
    """Chances of no signal on the first day, and on neither day, by quadrature over the first day's own z."""
    root = np.sqrt(first + second)

    def still(z: float) -> float:
        # the second day's own z, and that of both together, stay within the limit
        reach = (np.array([-limit, limit]) * root - np.sqrt(first) * z) / np.sqrt(second)
        low, high = max(reach[0], -limit), min(reach[1], limit)
        return float(norm.pdf(z) * max(norm.cdf(high) - norm.cdf(low), 0.0))

    return float(norm.cdf(limit) - norm.cdf(-limit)), quad(still, -limit, limit, limit=200)[0]


@pytest.mark.parametrize(("first", "second", "limit"), [(3.0, 5.0, 2.5), (8.0, 0.5, 1.5), (0.5, 8.0, 1.5)])
def test_the_chance_of_a_signal_that_never_was(first: float, second: float, limit: float) -> None:
    """Two days that add information: z of the first, of the second and of both together."""
    told = running([0.0, 0.0], [first + second, second], [9, 9])
    one, both = quiet_chances(first, second, limit)
    # what the first day signalled already does not begin on the second
    for since, chance in ((0, 1 - both), (150, one - both), (200, 0.0)):
        error = 4 * np.sqrt(chance * (1 - chance) / DRAWS)
        assert chance_of_signal(told, since, limit) == pytest.approx(chance, abs=error)
    assert 0.015 < one - both < 1 - both < 0.3


def test_one_day_alone_tells_no_change_from_the_rest() -> None:
    assert chance_of_signal(running([1.0], [2.0], [9]), 0, 1.5) == 0.0
