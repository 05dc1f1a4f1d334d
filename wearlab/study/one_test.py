"""One return-flow test side by side, and what stands out beyond measuring error.

A cylinder is compared with the median of the *other* cylinders, so that it cannot hide behind its own
reading. It stands out when

    |q - m| > z * sqrt(u(m)^2 + c^2)

with m that median, u(m) the standard error of one reading at that level, c = u(m) sqrt(pi / (2 k)) the standard
error of a median of k readings (large-sample value, on the safe side for three or more), and z the two-sided normal
point of 5 % shared over the n cylinders compared (Bonferroni's inequality), so that an even set shows a false
stand-out in at most one test of twenty. The 5 % are common practice, no source. Standing out is a real difference,
not yet a fault: healthy sets differ as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from statistics import NormalDist, median

from wearlab.config import Spread
from wearlab.language import _, localised, number
from wearlab.records import LEVEL_UNIT, SET, Bound, Measure
from wearlab.study.facts import AsTested, FamilyFacts, MeasuredSet, bounded, capital, figure, names, position_name
from wearlab.study.reading_error import Averaged, average, doubt_words, relative_spread, standard_error

#: Chance of at least one false stand-out in a test of an even set.
FALSE_STAND_OUT = 0.05


@dataclass(frozen=True, slots=True)
class SetRow:
    """One position of a test.

    `level`, `error` (standard) and `resolution` are in `unit`; `text` is the reading as it should be shown
    (">= 50 ml/min"). `share`, `of_median`, `of_lowest` are None where not told. `stands` is "high", "low",
    "level" or "unknown"; `remark` says it in words.
    """

    position: str
    name: str
    part: str | None
    channel: str | None
    level: float
    unit: str
    text: str
    bound: str | None
    resolution: float | None
    error: float
    repeats: int
    doubt: str | None
    nothing: bool
    just_replaced: bool
    younger_since: date | None
    share: float | None
    of_median: float | None
    of_lowest: float | None
    stands: str
    remark: str


@dataclass(frozen=True, slots=True)
class SetComparison:
    """A test side by side. `median`, `lowest` and `total` are in `unit`; None where they cannot be told.

    `threshold` is z of the module's formula, `threshold_text` says it in words. `missing` are cylinders of the
    engine without a reading. `sentences` are what a reader must know of the comparison as a whole.
    """

    rows: tuple[SetRow, ...]
    unit: str
    median: float | None
    lowest: float | None
    lowest_position: str | None
    total: float | None
    total_bound: str | None
    complete: bool
    missing: tuple[str, ...]
    shares_only: bool
    threshold: float | None
    threshold_text: str
    sentences: tuple[str, ...]


def compare_set(test: MeasuredSet, family: FamilyFacts, spread: Spread) -> SetComparison:
    """Lay one test side by side; works for a pump test as well, which then has nothing to compare."""
    reads = average(test, spread)
    unit, factors = _common_unit(test, reads)
    cylinders = [at for at in reads if at.isdigit()]
    measured = [at for at in cylinders if reads[at].measured]
    usable = [at for at in cylinders if reads[at].doubt is None and not reads[at].nothing]
    levels = {at: reads[at].value * factors[at] for at in reads}
    count = family.cylinders
    missing = tuple(str(at) for at in range(1, (count or 0) + 1) if cylinders and str(at) not in reads)
    complete = count is not None and not missing and len(usable) == len(cylinders) == count
    middle = median(levels[at] for at in measured) if len(measured) > 1 else None
    fair = [at for at in measured if not reads[at].just_replaced]
    lowest_at = min(fair, key=lambda at: levels[at]) if len(measured) > 1 and fair else None
    lowest = None if lowest_at is None else levels[lowest_at]
    bounds = {reads[at].bound for at in cylinders} - {None}
    total = math.fsum(levels[at] for at in cylinders) if complete else None
    z = NormalDist().inv_cdf(1.0 - FALSE_STAND_OUT / (2 * len(usable))) if len(usable) > 2 else None
    relative = relative_spread(test.conditions, spread)
    rows = []
    for at, read in reads.items():
        stands = "unknown"
        if z is not None and at in usable:
            stands = _stands(at, usable, reads, factors, relative, z)
        rows.append(
            SetRow(
                position=at,
                name=position_name(at),
                part=read.part,
                channel=read.channel,
                level=levels[at],
                unit=unit if at != SET or factors[at] != 1.0 else read.unit,
                text=reading_text(levels[at], unit, read.bound),
                bound=read.bound,
                resolution=None if read.resolution is None else read.resolution * factors[at],
                error=read.error * factors[at],
                repeats=read.repeats,
                doubt=read.doubt,
                nothing=read.nothing,
                just_replaced=read.just_replaced,
                younger_since=read.younger_since,
                share=levels[at] / total if total and not bounds and at in cylinders else None,
                of_median=levels[at] / middle if middle and at in usable else None,
                of_lowest=levels[at] / lowest if lowest and at in usable else None,
                stands=stands,
                remark=_remark(at, read, stands, middle, levels[at], test.conditions),
            )
        )
    comparison_rows = tuple(rows)
    return SetComparison(
        rows=comparison_rows,
        unit=unit,
        median=middle,
        lowest=lowest,
        lowest_position=lowest_at,
        total=total,
        total_bound=Bound.AT_LEAST.value if Bound.AT_LEAST in bounds and total is not None else None,
        complete=complete,
        missing=missing,
        shares_only=test.conditions.shares_only,
        threshold=z,
        threshold_text=_threshold_text(z, len(usable), relative) if cylinders else "",
        sentences=_sentences(test, comparison_rows, missing, count, len(usable)),
    )


def reading_text(value: float, unit: str, bound: str | None) -> str:
    """Return a reading as it is shown: "12.5 ml/min", ">= 50 ml/min", "<= 0.5 ml/min"."""
    mark = {None: "", Bound.AT_LEAST.value: ">= ", Bound.AT_MOST.value: "<= "}[bound]
    return f"{mark}{figure(value)} {unit}"


def _common_unit(test: MeasuredSet, reads: Mapping[str, Averaged]) -> tuple[str, dict[str, float]]:
    """Level unit where every reading has a level; else the readings' own unit, if they share one."""
    level = LEVEL_UNIT[Measure(test.conditions.measure)]
    factors = {at: read.per_value for at, read in reads.items()}
    if all(factor is not None for factor in factors.values()) or len({r.unit for r in reads.values()}) > 1:
        return level, {at: factor if factor is not None else 1.0 for at, factor in factors.items()}
    return next((read.unit for read in reads.values()), level), dict.fromkeys(reads, 1.0)


def _stands(
    at: str,
    usable: list[str],
    reads: Mapping[str, Averaged],
    factors: Mapping[str, float],
    relative: float,
    z: float,
) -> str:
    others = [other for other in usable if other != at]

    def end(where: str, low: bool) -> float:
        value = reads[where].value * factors[where]
        if reads[where].bound == Bound.AT_LEAST:
            return value if low else math.inf
        if reads[where].bound == Bound.AT_MOST:
            return 0.0 if low else value
        return value

    def reach(middle: float) -> float:
        def error(where: str) -> float:
            marks = reads[where].resolution
            step = None if marks is None else marks * factors[where]
            return standard_error(middle, relative, step, reads[where].repeats)

        of_median = math.sqrt(sum(error(other) ** 2 for other in others) / len(others))
        return z * math.hypot(error(at), of_median * math.sqrt(math.pi / (2 * len(others))))

    upper = median(end(other, False) for other in others)
    lower = median(end(other, True) for other in others)
    if math.isfinite(upper) and end(at, True) - upper > reach(upper):
        return "high"
    if lower - end(at, False) > reach(lower):
        return "low"
    return "level"


def _remark(at: str, read: Averaged, stands: str, middle: float | None, level: float, conditions: AsTested) -> str:
    if read.doubt is not None:
        return _("doubtful: {why}", why=doubt_words(read.doubt))
    if read.nothing:
        return _("nothing collected: not a good result, an unproven one")
    if stands in ("high", "low") and middle:
        times = bounded(localised(f"{level / middle:.2g}"), read.bound)
        if stands == "high":
            told = _("stands out high: {times} times the median", times=times)
        else:
            told = _("stands out low: {times} times the median", times=times)
        if read.younger_since is None:
            return told
        fitted = _("fitted {day}, after the others", day=read.younger_since.isoformat())
        return f"{told}; {fitted}"
    if read.bound == Bound.AT_LEAST:
        if conditions.measure != Measure.RETURN_FLOW:
            return _("at the limiter or the end of the scale: the true value is larger")
        return _("ran over: the true flow is larger")
    return _("fitted since the last test") if read.just_replaced else ""


def _threshold_text(z: float | None, usable: int, relative: float) -> str:
    if z is None:
        return _("Fewer than three usable cylinders: which one differs cannot be told from this test.")
    return _(
        "A cylinder stands out when it differs from the median of the others by more than {z} standard errors: 5 % "
        "over all {n} cylinders (Bonferroni; the 5 % are common practice, no source), with {percent} % assumed for "
        "one reading and its graduation.",
        z=number(z, 2),
        n=usable,
        percent=localised(f"{100 * relative:g}"),
    )


def _sentences(
    test: MeasuredSet, rows: tuple[SetRow, ...], missing: tuple[str, ...], count: int | None, usable: int
) -> tuple[str, ...]:
    if test.conditions.measure != Measure.RETURN_FLOW:
        return ()
    if not any(row.position.isdigit() for row in rows):
        return (_("Only the whole set was read: its cylinders cannot be compared."),)
    out = []
    if missing:
        out.append(_("{who} not measured: the set is incomplete.", who=capital(names(missing))))
    if count is None and usable:
        out.append(_("The number of cylinders is not recorded: whether the set is complete is not known."))
    extra = [row.position for row in rows if row.position.isdigit() and count and int(row.position) > count]
    if extra:
        out.append(
            _(
                "{who} read on an engine registered with {n} cylinders: check which.",
                who=capital(names(extra)),
                n=count,
            )
        )
    if test.conditions.shares_only and usable:
        out.append(
            _(
                "Cranked without a recorded rail pressure: the returns add up to what the pump delivers, so only "
                "the shares inside this test compare. One leaking injector makes the others read low; a low "
                "reading proves nothing, and the others will rise once it is replaced."
            )
        )
    high = [row.position for row in rows if row.stands == "high"]
    low = [row.position for row in rows if row.stands == "low"]
    if high or low:
        words = [_("{who} high", who=names(high))] if high else []
        words += [_("{who} low", who=names(low))] if low else []
        out.append(_("Stands out beyond graduation and repeatability: {which}.", which=", ".join(words)))
    elif usable > 2:
        out.append(_("Nothing stands out beyond graduation and repeatability. An evenly worn set looks the same."))
    return tuple(out)
