"""Road failures: how often they come past the limit and short of it, what waiting costs, and what tests foretold.

Failures are counted events over a distance, so their rate has the exact Poisson interval (Garwood 1936): with n
failures in k times 10,000 km, chi2(alpha / 2; 2 n) / (2 k) to chi2(1 - alpha / 2; 2 n + 2) / (2 k).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import gammaincinv

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.plan.crossing_law import Spread
from wearlab.plan_settings import RoadFailure
from wearlab.records import NoAnswer, State

#: Kilometres that a rate is told for.
PER_KM = 10_000.0


@dataclass(frozen=True, slots=True)
class FailureRate:
    """Road failures per 10,000 km with an interval; `failures` and `km` are None for a rate that was entered.

    An entered rate has no interval: its ends are the rate.
    """

    per_10000: float
    low: float
    high: float
    failures: int | None = None
    km: float | None = None


@dataclass(frozen=True, slots=True)
class FailureRates:
    """Rates of one family and kind of part.

    `background` is that of parts short of their limit. `beyond` is that of parts past it, all their failures counted;
    `added` what it lies above the background, never below 0: what replacing would save. `unknown` failures could not
    be put on either side and are in neither.
    """

    beyond: FailureRate | NoAnswer
    background: FailureRate | NoAnswer
    added: FailureRate | NoAnswer
    unknown: int


@dataclass(frozen=True, slots=True)
class UsedRates:
    """The rates a plan counts with, and where each is from."""

    beyond: FailureRate | None
    beyond_source: Literal["entered", "learned", "missing"]
    background: FailureRate | None
    background_source: Literal["entered", "learned", "missing"]


@dataclass(frozen=True, slots=True)
class Foretold:
    """Recorded road failures by what the state of the part said before.

    `foretold`: it was `book` or `past limit`; `not_foretold`: it was another state that a test gave; `not_tested`:
    there was no state, or none that tells anything.
    """

    failures: int
    foretold: int
    not_foretold: int
    not_tested: int


def poisson_rate(failures: int, km: float, coverage: float = 0.9) -> FailureRate | NoAnswer:
    """Return the rate of `failures` in `km` kilometres with its exact interval.

    Raises
    ------
    InputError
        A count below 0, or a coverage outside 0 to 1.
    """
    if failures < 0 or not 0 < coverage < 1:
        raise InputError("a rate needs a count of 0 or more and a coverage between 0 and 1")
    if not km > 0:
        return NoAnswer(_("no kilometres were driven there, so that no rate can be told"))
    tail, stretch = (1.0 - coverage) / 2, km / PER_KM
    low = float(gammaincinv(failures, tail)) if failures else 0.0
    high = float(gammaincinv(failures + 1, 1.0 - tail))
    return FailureRate(failures / stretch, low / stretch, high / stretch, failures, km)


def failure_rates(
    past: Sequence[bool | None], km_below: float, km_beyond: float, coverage: float = 0.9
) -> FailureRates:
    """Return the rates of one family and kind of part.

    Parameters
    ----------
    past
        For every recorded road failure whether its part was past the limit then; None where nobody can say.
    km_below, km_beyond
        Kilometres driven by all vehicles short of the limit and past it (expected ones, by the chances of the time).

    The interval of `added` takes each rate at the other end of the other's interval, so that it is rather too wide.
    """
    beyond = poisson_rate(sum(one is True for one in past), km_beyond, coverage)
    background = poisson_rate(sum(one is False for one in past), km_below, coverage)
    added: FailureRate | NoAnswer = beyond
    if isinstance(beyond, FailureRate) and isinstance(background, FailureRate):
        added = FailureRate(
            max(beyond.per_10000 - background.per_10000, 0.0),
            max(beyond.low - background.high, 0.0),
            max(beyond.high - background.low, 0.0),
            beyond.failures,
            beyond.km,
        )
    return FailureRates(beyond, background, added, sum(one is None for one in past))


def stated_or_learned(entered: RoadFailure, learned: FailureRates | None, least: int = 1) -> UsedRates:
    """Return the rates to count with: what was entered, else what was learned, else none.

    A learned rate counts from `least` recorded failures on: none recorded may only mean that nobody wrote them down.
    """
    found: list[tuple[FailureRate | None, Literal["entered", "learned", "missing"]]] = []
    own = (None, None) if learned is None else (learned.added, learned.background)
    for value, rate in zip((entered.per_10000_km_beyond, entered.background_per_10000_km), own, strict=True):
        if value is not None:
            found.append((FailureRate(value, value, value), "entered"))
        elif isinstance(rate, FailureRate) and (rate.failures or 0) >= least:
            found.append((rate, "learned"))
        else:
            found.append((None, "missing"))
    (beyond, beyond_from), (background, background_from) = found
    return UsedRates(beyond, beyond_from, background, background_from)


def cost_of_waiting(km: float, rate: FailureRate, cost: float) -> Spread:
    """Return the expected cost of road failures over `km` kilometres past the limit; the interval is the rate's."""
    each = km / PER_KM * cost
    return Spread(each * rate.per_10000, each * rate.low, each * rate.high)


def foretold(states: Sequence[State | None]) -> Foretold:
    """Count recorded road failures by the state that the part had before; None: it had none."""
    said = sum(one in (State.BOOK, State.PAST_LIMIT) for one in states)
    silent = sum(one in (None, State.NO_ANSWER, State.NO_LIMIT) for one in states)
    return Foretold(len(states), said, len(states) - said - silent, silent)
