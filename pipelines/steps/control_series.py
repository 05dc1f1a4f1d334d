"""Plain charts over a vehicle's visits: which series, which chart, what its limits stand for, where it signals.

All charts of a run share one rate of false signals: where nothing else is asked, a chart is drawn so that a series of
its length goes outside by chance as often as one judged, visit by visit, by the limit of the signals would.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipelines.steps.control_visits import GroupVisits, Of, PartVisits
from pipelines.steps.group_rows import Floats, Ints
from wearlab.charts.words import position_words
from wearlab.control.chart import Chart, Scale
from wearlab.control.cusum import cusum
from wearlab.control.ewma import ewma
from wearlab.control.individuals import individuals
from wearlab.control.mewma import mewma
from wearlab.control.rules import Rule, of_last, run
from wearlab.control.run_length import (
    cusum_decision,
    ewma_width,
    individuals_run_length,
    individuals_width,
    mewma_limit,
)
from wearlab.control.run_rules import Cost, cost, run_rules
from wearlab.control.tsquared import SetReference, known_reference, reference_of, t_squared
from wearlab.errors import InputError
from wearlab.language import _, localised, msg
from wearlab.records import NoAnswer

Kind = Literal["individuals", "ewma", "cusum", "tsquared", "mewma"]
CHARTS: tuple[Kind, ...] = ("individuals", "ewma", "cusum", "tsquared", "mewma")
#: charts of all parts of a visit together
SETS: tuple[Kind, ...] = ("tsquared", "mewma")

#: where there is no run with a limit: the usual three sd
USUAL = 3.0
#: with fewer values a mean and sd taken from them are themselves uncertain (a choice: common practice asks for 20)
FEW = 20
#: name of the series of what a visit shares
WHOLE = msg("whole visit")
#: the patterns that textbooks list most
RULES: tuple[Rule, ...] = (of_last(2, 3, 2.0), of_last(4, 5, 1.0), run(8))
#: their names, for those who translate them
RULE_NAMES = (
    msg("2 of 3 beyond 2 sd on one side"),
    msg("4 of 5 beyond 1 sd on one side"),
    msg("8 in a row on one side"),
)


@dataclass(frozen=True, slots=True)
class Asked:
    """Which chart of what: `chance` that a series of its length goes outside without a cause, None as above.

    `weight` of the newest value in EWMA and MEWMA; `step`, in sd, is what a CUSUM should find soonest.
    """

    chart: Kind = "individuals"
    of: Of = "innovations"
    head_start: bool = False
    rules: bool = False
    chance: float | None = None
    weight: float = 0.2
    step: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Charted:
    """A series of T visits with its chart. `values` (T,) in `unit`; `chart` None: `no_answer` says why.

    `below` is the downward side of a CUSUM. `since` (T,) the visit at which a CUSUM last left 0, -1 for none. `beside`
    (T,) are innovations that allow for the rest of the visit. `chance` is that of a false signal in `count` values.
    `ruled` holds, by run rule, the visits at which it signals, `price` what the rules cost. `furthest` (T,) names the
    part of a set that is furthest off. `left_out` counts tests that were read but are not in the wear model.
    """

    name: str
    position: str
    unit: str
    values: Floats
    bound: Ints
    beside: Floats
    renewed: Ints
    chart: Chart | None
    below: Chart | None = None
    since: Ints | None = None
    scale: Scale | None = None
    count: int = 0
    chance: float | None = None
    ruled: tuple[tuple[str, Ints], ...] = ()
    price: Cost | None = None
    furthest: tuple[str, ...] = ()
    no_answer: str | None = None
    left_out: int = 0

    @property
    def signals(self) -> Ints:
        """Visits outside the limits, on either side."""
        found = [one.signals for one in (self.chart, self.below) if one is not None]
        return np.unique(np.concatenate(found)).astype(np.int64) if found else np.zeros(0, dtype=np.int64)

    @property
    def statistic(self) -> Floats:
        """The statistic of every visit, (T,), the downward side of a CUSUM as negative."""
        if self.chart is None:
            return np.full(self.values.size, np.nan)
        if self.below is None:
            return self.chart.statistic
        up, down = self.chart.statistic, self.below.statistic
        return np.where(down > up, -down, up)

    @property
    def limits(self) -> tuple[Floats, Floats]:
        """Lower and upper limit of the statistic, each (T,), infinite where that side cannot signal."""
        none = np.full(self.values.size, np.inf)
        if self.chart is None:
            return -none, none
        return (self.chart.lower if self.below is None else -self.below.upper), self.chart.upper


def charts(visits: GroupVisits, asked: Asked, z_limit: float | None) -> tuple[Charted, ...]:
    """Draw what was asked for: a set as one chart, else each part, of innovations the whole visit before them.

    Raises
    ------
    InputError
        The options do not go together.
    """
    check(asked)
    width = z_limit or USUAL
    if asked.chart in SETS:
        return (_of_set(visits, asked, width),)
    several = len(visits.parts) > 1 and asked.of == "innovations"
    made = [_single(_whole(visits), asked, width)] if several else []
    return (*made, *(_single(_part(one, visits, asked.of), asked, width) for one in visits.parts))


def check(asked: Asked) -> None:
    """Raise InputError where options do not go together."""
    if asked.rules and asked.chart != "individuals":
        raise InputError("--rules belong to the chart of individuals")
    if asked.head_start and asked.chart != "cusum":
        raise InputError("--head-start belongs to the CUSUM chart")
    if asked.chance is not None and not 0 < asked.chance < 1:
        raise InputError(f"the chance of a false signal lies between 0 and 1, not {asked.chance:g}")


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    name: str
    position: str
    unit: str
    values: Floats
    bound: Ints
    beside: Floats
    renewed: Ints
    known: bool
    left_out: int = 0


def _part(one: PartVisits, visits: GroupVisits, of: Of) -> _Series:
    values, renewed = one.values(of), np.flatnonzero(one.renewed).astype(np.int64)
    if of != "innovations" and renewed.size:
        # another part is another level: what was read of the one before belongs to its own chart
        values = np.where(np.arange(values.size) >= renewed[-1], values, np.nan)
    known = of == "innovations"
    return _Series(
        name=position_words(one.position),
        position=one.position,
        unit="sd" if known else visits.unit,
        values=values,
        bound=one.bound,
        beside=one.given_all,
        renewed=renewed,
        known=known,
        left_out=int((np.isfinite(one.readings) & ~np.isfinite(one.given_past)).sum()) if known else 0,
    )


def _whole(visits: GroupVisits) -> _Series:
    none = np.full(len(visits.days), np.nan)
    return _Series(
        WHOLE, "set", "sd", visits.common, np.zeros(none.size, dtype=np.int64), none, np.zeros(0, dtype=np.int64), True
    )


def _single(one: _Series, asked: Asked, width: float) -> Charted:
    count = int(np.isfinite(one.values).sum())
    base = Charted(
        name=one.name,
        position=one.position,
        unit=one.unit,
        values=one.values,
        bound=one.bound,
        beside=one.beside,
        renewed=one.renewed,
        chart=None,
        count=count,
        left_out=one.left_out,
    )
    if not count:
        return _with(base, no_answer=_("there is no value to draw a chart of"))
    mean, sd = (0.0, 1.0) if one.known else (None, None)
    plain = float(individuals_run_length(width=width).chance_within(count))
    chance = asked.chance or plain
    if asked.chart == "individuals":
        reach = width if asked.chance is None else individuals_width(chance=chance, readings=count)
        found = individuals(one.values, mean=mean, sd=sd, width=reach)
        if isinstance(found, NoAnswer):
            return _with(base, no_answer=found.reason)
        ruled: tuple[tuple[str, Ints], ...] = ()
        price = None
        if asked.rules:
            held = run_rules(one.values, RULES, mean=found.scale.mean, sd=found.scale.sd)
            ruled = tuple((each.rule.name, each.signals.astype(np.int64)) for each in held)
            price = cost(RULES, count, width=reach)
        return _with(base, chart=found.readings, scale=found.scale, chance=chance, ruled=ruled, price=price)
    if asked.chart == "ewma":
        reach = ewma_width(weight=asked.weight, chance=chance, readings=count)
        smooth = ewma(one.values, weight=asked.weight, width=reach, mean=mean, sd=sd)
        if isinstance(smooth, NoAnswer):
            return _with(base, no_answer=smooth.reason)
        return _with(base, chart=smooth.average, scale=smooth.scale, chance=chance)
    share = 0.5 if asked.head_start else 0.0
    decision = cusum_decision(reference=asked.step / 2, chance=chance, readings=count, head_start_share=share)
    sums = cusum(one.values, reference=asked.step / 2, decision=decision, mean=mean, sd=sd, head_start=share * decision)
    if isinstance(sums, NoAnswer):
        return _with(base, no_answer=sums.reason)
    since = np.where(sums.downward.statistic > sums.upward.statistic, sums.downward_since, sums.upward_since)
    return _with(
        base, chart=sums.upward, below=sums.downward, since=since.astype(np.int64), scale=sums.scale, chance=chance
    )


def _of_set(visits: GroupVisits, asked: Asked, width: float) -> Charted:
    known = asked.of == "innovations"
    parts = visits.parts
    series = [_part(one, visits, asked.of) for one in parts]
    sets = np.column_stack([one.apart for one in parts] if known else [one.values for one in series])
    read = np.isfinite(sets)
    size, count = len(parts), int(read.any(axis=1).sum())
    none, renewed = np.full(len(sets), np.nan), np.zeros(0, dtype=np.int64)
    off = np.column_stack([one.given_all for one in parts]) if known else none[:, None]
    bound = np.zeros(len(sets), dtype=np.int64)
    base = Charted(
        _("all parts"), "set", "T-squared", read.sum(axis=1).astype(np.float64), bound, none, renewed, None, count=count
    )  # fmt: skip
    if size < 2:
        return _with(base, no_answer=_("a chart of a set needs two parts that are tested together"))
    if not count:
        return _with(base, no_answer=_("there is no value to draw a chart of"))
    chance = asked.chance or float(individuals_run_length(width=width).chance_within(count))
    reference: SetReference | NoAnswer
    reference = known_reference(np.zeros(size), np.eye(size)) if known else reference_of(sets)
    if isinstance(reference, NoAnswer):
        return _with(base, no_answer=reference.reason)
    if asked.chart == "tsquared":
        # visits are independent: each may signal so often that together they do by the chance
        found = t_squared(sets, alpha=1 - (1 - chance) ** (1 / count), reference=reference if known else None)
        if isinstance(found, NoAnswer):
            return _with(base, no_answer=found.reason)
        told = found.distance
        off = off if known else found.given_the_rest
    else:
        height = mewma_limit(positions=size, weight=asked.weight, chance=chance, readings=count)
        average = mewma(sets, weight=asked.weight, limit=height, reference=reference)
        told = average.distance
        off = (average.average - reference.mean) / np.sqrt(np.diag(reference.covariance))
    return _with(base, chart=told, chance=chance, furthest=_furthest(off, [one.position for one in parts]))


def _furthest(off: Floats, names: Sequence[str]) -> tuple[str, ...]:
    size = np.where(np.isfinite(off), np.abs(off), -1.0)
    return tuple(
        f"{position_words(names[k])} {localised(f'{off[t, k]:+.1f}')} sd" if size[t, k] >= 0 else ""
        for t, k in enumerate(size.argmax(1))
    )


def _with(base: Charted, **changed: object) -> Charted:
    return replace(base, **changed)  # type: ignore[arg-type]
