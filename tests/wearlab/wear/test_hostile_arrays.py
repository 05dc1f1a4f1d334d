"""Arrays nobody should hand to the wear model: it says what is wrong, has no answer, or answers in numbers.

Whatever comes in, what comes out is an `InputError` of one sentence, a `NoAnswer` with its reason, or a fit in which
every level and rate is a number or has a reason beside it. Warnings are errors here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.wear import WearFit, fit_group
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale

Scales = tuple[WorkingScale, ...] | None
Change = Callable[[WearData], WearData]
LOG, RECIPROCAL, CUBE = WorkingScale(0.0), WorkingScale(-1.0), WorkingScale(1.0, 3.0)
BASE = simulated_fleet(1, vehicles=3, parts=2, visits=4).data
N = len(BASE)
EVERY = np.arange(N)


def outcome(data: WearData, scales: Scales = (STRAIGHT,), **other: Any) -> WearFit | NoAnswer | InputError:
    """What comes out, with the contract looked after."""
    found: WearFit | NoAnswer | InputError
    try:
        found = fit_group(data, scales=scales, **other)
    except InputError as error:
        found = error
    if isinstance(found, InputError):
        assert str(found).strip()
        assert "\n" not in str(found)
        return found
    if isinstance(found, NoAnswer):
        assert found.reason.strip()
        return found
    parts = found.parts
    assert parts.part.size > 0
    for k in range(parts.part.size):
        level = (parts.level, parts.level_low, parts.level_high, parts.next_low, parts.next_high, parts.new_low)
        assert parts.no_answer[k] is not None or not np.isnan([values[k] for values in (*level, parts.new_high)]).any()
        rate = (parts.rate, parts.rate_low, parts.rate_high)
        assert parts.rate_no_answer[k] is not None or not np.isnan([values[k] for values in rate]).any()
        assert parts.no_answer[k] is not None or np.isfinite(parts.level[k])
        assert not parts.level_low[k] > parts.level[k]
        assert not parts.level_high[k] < parts.level[k]
    for table in (found.part_table, found.variance_table, found.fixed_table, found.family_table, found.vehicle_table):
        assert len(table()) > 0
    assert np.isfinite(found.levels_at_readings()[0]).all() or found.best.scale != STRAIGHT
    return found


def put(values: NDArray[Any], at: int, value: float) -> NDArray[np.float64]:
    out = np.array(values, dtype=np.float64)
    out[at] = value
    return out


def of(**changed: Any) -> Change:
    return lambda base: replace(base, **changed)


def column(values: Any, **other: Any) -> Change:
    return of(covariates=np.asarray(values, dtype=float).reshape(N, -1), **other)


WRONG: dict[str, tuple[Change, str]] = {
    "reading NaN": (of(y=put(BASE.y, 3, np.nan)), "y must be finite numbers.*reading 3 is nan"),
    "reading infinite": (of(y=put(BASE.y, 3, -np.inf)), "y must be finite numbers.*reading 3 is -inf"),
    "reading beyond all numbers": (of(y=put(BASE.y, 3, 1e200)), "y must be finite numbers.*reading 3 is 1e"),
    "reading below all numbers": (of(y=put(BASE.y, 3, 1e-300)), "y must be finite numbers.*reading 3 is 1e-300"),
    "reading None": (of(y=np.array([None, *BASE.y[1:]], dtype=object)), "y must be finite numbers.*reading 0"),
    "reading text": (of(y=np.full(N, "30 ml")), "y must be numbers, not"),
    "reading a word among numbers": (of(y=np.array(["none", *BASE.y[1:]], dtype=object)), "y must be numbers"),
    "reading complex": (of(y=BASE.y + 1j), "y must be numbers, not complex"),
    "reading a date": (of(y=np.full(N, np.datetime64("2020-01-01"))), "y must be numbers, not datetime"),
    "reading masked": (of(y=np.ma.masked_array(BASE.y, mask=EVERY == 2)), "y has masked places"),
    "readings of two dimensions": (of(y=BASE.y[:, None]), "y must be a list"),
    "reading without a list": (of(y=np.float64(3.0)), "y must be a list"),
    "exposure NaN": (of(exposure=put(BASE.exposure, 5, np.nan)), "exposure must be finite.*reading 5"),
    "exposure infinite": (of(exposure=put(BASE.exposure, 5, np.inf)), "exposure must be finite.*reading 5"),
    "exposure below 0": (of(exposure=put(BASE.exposure, 5, -1.0)), "an exposure below 0 needs the path left out"),
    "exposure masked": (of(exposure=np.ma.masked_array(BASE.exposure, mask=EVERY == 2)), "exposure has masked"),
    "gathered NaN": (of(gathered=put(BASE.exposure, 5, np.nan)), "gathered must be finite"),
    "too few exposures": (of(exposure=BASE.exposure[:-1]), r"exposure must have one value a reading, shape \(24,\)"),
    "too few vehicles": (of(vehicle=BASE.vehicle[:-1]), "vehicle must have one value a reading"),
    "too many parts": (of(part=np.r_[BASE.part, 0]), "part must have one value a reading"),
    "visit not a list": (of(visit=np.array(3)), "visit must have one value a reading"),
    "too few bounds": (of(bound=np.zeros(3)), "bound must have one value a reading"),
    "visit NaN": (
        of(visit=put(BASE.visit, 2, np.nan)),
        "visit must be known for every reading; that of reading 2 is not",
    ),
    "visit not a date": (
        of(visit=np.where(EVERY == 4, np.datetime64("NaT"), np.datetime64("2020-01-01") + BASE.visit)),
        "visit must be known for every reading; that of reading 4 is not",
    ),
    "part None": (of(part=np.where(EVERY == 1, None, BASE.part)), "part must be known.* 1"),
    "vehicle masked": (of(vehicle=np.ma.masked_array(BASE.vehicle, mask=EVERY == 2)), "vehicle has masked"),
    "family None": (of(family=np.full(N, None, dtype=object)), "family must be known"),
    "period None": (of(period=np.full(N, None, dtype=object)), "period must be known"),
    "labels of two kinds": (
        of(part=np.array([str(p) if p % 2 else int(p) for p in BASE.part], dtype=object)),
        "part labels must be all text, all numbers or all dates",
    ),
    "labels of records": (of(part=np.zeros(N, dtype=[("a", int), ("b", int)])), "part labels must be all"),
    "bound NaN": (of(bound=put(np.zeros(N), 2, np.nan)), "a bound is 0"),
    "bound of another number": (of(bound=np.full(N, 2)), "a bound is 0"),
    "bound that wraps to 1": (of(bound=np.full(N, 257)), "a bound is 0"),
    "bound in words": (of(bound=np.full(N, "at least")), "bound must be numbers"),
    "unknown start NaN": (of(unknown_start=np.full(N, np.nan)), "unknown_start must be finite"),
    "unknown start 2": (of(unknown_start=np.full(N, 2.0)), "unknown_start is true or false"),
    "resolution below 0": (of(resolution=np.full(N, -1.0)), "resolution must be 0 or more"),
    "resolution infinite": (of(resolution=np.full(N, np.inf)), "resolution must be 0 or more"),
    "visit sd below 0": (of(visit_sd=np.full(N, -1.0)), "visit_sd must be 0 or more"),
    "visit sd without end": (of(visit_sd=np.full(N, 1e9)), "visit_sd must be 0 or more"),
    "period sd 0": (of(period=np.where(EVERY % 2, "a", ""), period_sd=0.0), "period_sd must be more than 0"),
    "period sd NaN": (of(period=np.where(EVERY % 2, "a", ""), period_sd=float("nan")), "period_sd must be more"),
    "stated error 0": (of(relative_error=0.0), "relative_error must be more than 0"),
    "stated error NaN": (of(relative_error=float("nan")), "relative_error must be more than 0"),
    "stated error infinite": (of(relative_error=float("inf")), "relative_error must be at most"),
    "covariate NaN": (column(np.full(N, np.nan)), "covariates must be finite.*reading 0"),
    "covariate a list": (of(covariates=np.ones(N)), r"covariates must have shape \(24, c\)"),
    "covariate of other length": (of(covariates=np.ones((N - 1, 1))), r"covariates must have shape \(24, c\)"),
    "prior sd 0": (column(np.ones(N), prior_sd=np.zeros(1)), "a prior sd is more than 0"),
    "prior sd below 0": (column(np.ones(N), prior_sd=-np.ones(1)), "a prior sd is more than 0"),
    "prior sd NaN": (column(np.ones(N), prior_sd=np.full(1, np.nan)), "a prior sd is more than 0"),
    "prior sd of two dimensions": (column(np.ones(N), prior_sd=np.ones((1, 1))), "1 covariates need 1 names"),
    "prior sd without a list": (column(np.ones(N), prior_sd=np.float64(1)), "1 covariates need 1 names"),
    "prior mean NaN": (column(np.ones(N), prior_mean=np.full(1, np.nan)), "a prior mean is a finite number"),
    "a name too many": (column(np.ones(N), covariate_names=("a", "b")), "1 covariates need 1 names"),
    "a name of the model": (column(np.ones(N), covariate_names=("rate",)), "names of the model's own"),
    "kind unknown": (column(np.ones(N), covariate_kind=("multiplied",)), "the kind of a covariate"),
    "role unknown": (column(np.ones(N), covariate_role=("noise",)), "the role of a covariate"),
    "factor beyond all numbers": (
        column(EVERY, covariate_kind=("factor",), prior_mean=np.full(1, 1e4), prior_sd=np.ones(1)),
        "a factor's column times its prior mean",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_said(name: str) -> None:
    change, words = WRONG[name]
    with pytest.raises(InputError, match=words) as told:
        fit_group(change(BASE))
    assert "\n" not in str(told.value)


def test_empty_arrays() -> None:
    nothing = np.array([])
    with pytest.raises(InputError, match="at least one reading"):
        fit_group(WearData(nothing, nothing, nothing, nothing, nothing))


@pytest.mark.parametrize("options", [{"method": "bayes"}, {"without": ("wear",)}, {"without": "path"}])
def test_options_that_are_none(options: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        fit_group(BASE, scales=(STRAIGHT,), **options)


@pytest.mark.parametrize("scale", [LOG, RECIPROCAL])
@pytest.mark.parametrize("low", [0.0, -3.0])
def test_readings_of_zero_or_less_on_a_curved_scale(scale: WorkingScale, low: float) -> None:
    data = replace(BASE, y=put(BASE.y, 3, low))
    with pytest.raises(InputError, match="have no value on the scale"):
        fit_group(data, scales=(scale,))
    fit = outcome(data, None)  # left to itself it does without them
    assert isinstance(fit, WearFit)
    assert fit.best.scale.power == 1


SILENT: dict[str, Change] = {
    "all readings beyond the scale": of(bound=np.ones(N, dtype=np.int8)),
    "bounds that contradict each other": of(y=np.where(EVERY % 2, 1e-3, 1e6), bound=np.where(EVERY % 2, -1, 1)),
    "all readings 0": of(y=np.zeros(N)),
}


@pytest.mark.parametrize("name", SILENT)
def test_nothing_to_answer_from(name: str) -> None:
    assert isinstance(outcome(SILENT[name](BASE)), NoAnswer)


def rows(chosen: Any) -> Change:
    return lambda base: base.take(np.asarray(chosen))


HARD: dict[str, Change] = {
    "one reading": rows([0]),
    "two readings of one part": rows([0, N - 2]),
    "one part": rows(BASE.part == 0),
    "one vehicle": rows(BASE.vehicle == 0),
    "first visits only": rows(BASE.visit == 0),
    "all readings equal": of(y=np.full(N, 5.0)),
    "all exposures equal": of(exposure=np.full(N, 1e4)),
    "all exposures 0": of(exposure=np.zeros(N)),
    "readings and exposures equal": of(y=np.full(N, 5.0), exposure=np.full(N, 5.0)),
    "exposures of a millionth": of(exposure=1e-6 * BASE.exposure / BASE.exposure.max()),
    "exposures of a thousand million": of(exposure=1e9 * BASE.exposure / BASE.exposure.max()),
    "one exposure far out": of(exposure=put(BASE.exposure, 3, 1e9)),
    "exposures far from 0": of(exposure=BASE.exposure + 1e9),
    "readings of 1e-9": of(y=BASE.y * 1e-9 / 30),
    "readings of 1e9": of(y=BASE.y * 1e9 / 30),
    "one reading of 1e9": of(y=put(BASE.y, 3, 1e9)),
    "one reading of 1e-9": of(y=put(BASE.y, 3, 1e-9)),
    "a straight line without error": of(y=1 + 1e-4 * BASE.exposure),
    "two values by turns": of(y=np.where(EVERY % 2, 1.0, 2.0)),
    "every row twice": rows(np.repeat(EVERY, 2)),
    "a stated graduation larger than all readings": of(resolution=np.full(N, 1e3)),
    "half the readings at most their value": of(bound=np.where(BASE.visit % 2, -1, 0)),
    "text with odd characters": of(
        vehicle=np.array([f"Wagen\0{v} \u202e\U0001f69a" for v in BASE.vehicle], dtype=object),
        part=np.array([f"Düse {p} " + "x" * 5000 for p in BASE.part]),
        visit=np.array([f"第{v}回" for v in BASE.visit]),
    ),
    "all labels different": of(vehicle=EVERY, part=EVERY, visit=EVERY),
    "all labels equal": of(vehicle=np.zeros(N), part=np.zeros(N), visit=np.zeros(N)),
    "parts on several vehicles at one visit": of(part=BASE.visit),
    "a family a part": of(family=BASE.part),
    "every start unknown": of(unknown_start=np.ones(N, dtype=bool)),
    "a covariate that never changes": column(np.ones(N)),
    "a covariate of zeros": column(np.zeros(N)),
    "covariates in proportion": column(np.stack([BASE.visit, 2 * BASE.visit], axis=1)),
    "covariates all but in proportion": column(np.stack([BASE.visit, BASE.visit * (1 + 1e-9)], axis=1)),
    "exposure as a covariate": column(BASE.exposure),
    "two covariates of one name": column(np.stack([EVERY % 2, EVERY % 3], axis=1), covariate_names=("a", "a")),
    "more covariates than readings": column(np.random.default_rng(1).standard_normal((N, 2 * N))),
    "a prior that leaves no choice": column(EVERY % 2, prior_sd=np.full(1, 1e-9)),
    "one rig period for all": of(period=np.full(N, "rig 1")),
}
#: On these the other scales are tried as well.
CURVED = ("one reading", "all readings equal", "one part", "every row twice", "readings of 1e-9", "one reading of 1e9")


@pytest.mark.parametrize("name", HARD)
def test_hard_but_answered(name: str) -> None:
    assert isinstance(outcome(HARD[name](BASE), average=False), WearFit)


@pytest.mark.parametrize("scale", [LOG, RECIPROCAL, CUBE])
@pytest.mark.parametrize("name", CURVED)
def test_hard_on_other_scales(name: str, scale: WorkingScale) -> None:
    outcome(HARD[name](BASE), (scale,), average=False)


@pytest.mark.parametrize("name", ["one reading", "one part", "every row twice", "two readings of one part"])
def test_hard_with_scales_weighed_and_variances_averaged(name: str) -> None:
    assert isinstance(outcome(HARD[name](BASE), None), WearFit)


def test_one_reading_is_its_own_level() -> None:
    """With the stated error of a tenth either side: +-1.645 sd, and no rate."""
    fit = outcome(BASE.take(np.array([0])))
    assert isinstance(fit, WearFit)
    y = float(BASE.y[0])
    assert fit.parts.level[0] == pytest.approx(y)
    assert fit.parts.level_high[0] - y == pytest.approx(1.6449 * 0.1 * y, rel=1e-3)
    assert fit.parts.rate_no_answer[0] is not None
    assert any("a reading error of 10%" in note for note in fit.notes)


def test_fifty_repeats_at_one_visit() -> None:
    """All alike: the visit's level is told, and it is said that readings do not agree like this."""
    fit = outcome(BASE.take(np.r_[EVERY, np.full(50, 3)]), average=False)
    assert isinstance(fit, WearFit)
    assert any("agree to the last digit" in note for note in fit.notes)
    assert fit.levels_at_readings()[0][3] == pytest.approx(BASE.y[3], abs=2.0)


def test_bounds_on_both_sides() -> None:
    bound = np.zeros(N, dtype=np.int8)
    bound[[1, 8]], bound[[4, 15]] = 1, -1
    assert isinstance(outcome(replace(BASE, bound=bound), average=False), WearFit)


def test_without_penalty_readings_that_agree_have_no_answer() -> None:
    """Nothing is assumed there, and the likelihood has no maximum."""
    found = outcome(BASE.take(np.repeat(EVERY, 2)), penalty=False, average=False)
    assert isinstance(found, NoAnswer)


SIZES = st.sampled_from([1e-9, 1e-3, 1.0, 30.0, 1e4, 1e9])
READINGS = st.one_of(st.integers(-1, 4).map(float), st.floats(-1.0, 1.0, allow_nan=False, width=16))


@st.composite
def tables(draw: st.DrawFn, *, bounded: bool = False) -> WearData:
    """Up to seven readings of anything; half the tables above 0, so that curved scales have a say."""
    n = draw(st.integers(1, 7))

    def each(values: st.SearchStrategy[Any]) -> NDArray[Any]:
        return np.array(draw(st.lists(values, min_size=n, max_size=n)))

    def maybe(values: st.SearchStrategy[Any]) -> NDArray[Any] | None:
        return each(values) if draw(st.integers(0, 3)) == 0 else None

    covariate = maybe(READINGS)
    y = each(READINGS)
    return WearData(
        y=(np.abs(y) + 0.01 if draw(st.booleans()) else y) * draw(SIZES),
        exposure=np.abs(each(READINGS)) * draw(SIZES),
        vehicle=each(st.integers(0, 2)),
        part=each(st.sampled_from(["", "a", "b", "ü\u202e"])),
        visit=each(st.integers(0, 3)),
        bound=each(st.sampled_from([0, 0, 0, 0, 1, -1])) if bounded else None,
        resolution=maybe(st.sampled_from([0.0, 0.5, float("nan")])),
        covariates=None if covariate is None else covariate[:, None],
        covariate_kind=() if covariate is None else (draw(st.sampled_from(["added", "factor"])),),
        family=maybe(st.integers(0, 1)),
        unknown_start=maybe(st.booleans()),
        gathered=maybe(st.sampled_from([0.0, 1.0])),
        period=maybe(st.sampled_from(["", "rig 2"])),
    )


@settings(max_examples=40, deadline=None, derandomize=True, database=None, phases=(Phase.generate,))
@given(tables(), st.sampled_from([STRAIGHT, STRAIGHT, LOG, RECIPROCAL, CUBE]), st.booleans())
def test_any_small_table(data: WearData, scale: WorkingScale, average: bool) -> None:
    outcome(data, (scale,), average=average)


@settings(max_examples=4, deadline=None, derandomize=True, database=None, phases=(Phase.generate,))
@given(tables(bounded=True))
def test_any_small_table_with_readings_beyond_the_scale(data: WearData) -> None:
    """Few, since such a search goes on for long where it finds no end."""
    outcome(data, average=False)
