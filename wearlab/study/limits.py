"""Each limit rule judged on one test: under the rule's own conditions and with the reading's error.

"Past limit" is said only where the reading is past by more than its error: 1.645 standard errors, the one-sided 95
% point of the normal distribution. A reading past by less has to be repeated. This is a guard band in the sense of
JCGM 106:2012; the 95 % are common practice, no source. No limit is built in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from wearlab.config import Spread
from wearlab.language import _
from wearlab.limit_settings import LimitRule
from wearlab.records import LEVEL_UNIT, SET, Bound, Measure
from wearlab.study.facts import (
    BANK,
    AsTested,
    Baseline,
    BaselineKey,
    FamilyFacts,
    LimitInForce,
    MeasuredSet,
    figure,
    names,
    position_name,
)
from wearlab.study.limit_conditions import (
    DURATION,
    ENGINE_SPEED,
    in_force,
    missing,
    missing_facts,
    outside_conditions,
    outside_span,
    speaks_for,
    stated_value,
)
from wearlab.study.limit_figures import (
    CylinderSet,
    Reach,
    percent_from_mean,
    times_lowest,
    times_median,
    total,
)
from wearlab.study.limit_results import LimitResult, Outcome, limit_text, over_seconds, with_sentence
from wearlab.study.reading_error import Averaged, average, doubt_words, relative_spread, standard_error
from wearlab.units import to_base, unit

#: One-sided 95 % point of the normal distribution.
ERROR_REACH = 1.645
#: Room for the rounding of unit factors when a reading stands exactly on its limit.
_ROUNDING = 1e-9
#: Measures that get worse by falling; a change from the first reading counts against them downwards.
FALLS = frozenset({Measure.PUMP_PEAK, Measure.PUMP_HOLD})


def judge_limits(
    test: MeasuredSet,
    limits: Sequence[LimitInForce],
    family: FamilyFacts,
    spread: Spread,
    on: date,
    baselines: Mapping[BaselineKey, Baseline] | None = None,
) -> tuple[LimitResult, ...]:
    """Judge every rule that speaks for this test.

    Parameters
    ----------
    limits : all rules with their versions; those not valid on the date `on` are left out here.
    baselines : first levels of the parts now fitted, for "percent from first".

    Returns
    -------
    One result per rule and position; a rule that cannot be judged for the same reasons anywhere gives one.
    """
    reads = average(test, spread)
    judge = _Judge(test.conditions, reads, family, relative_spread(test.conditions, spread), baselines or {})
    results: list[LimitResult] = []
    for limit in in_force(limits, on):
        if speaks_for(limit.rule, test.conditions, family):
            results += judge.rule(limit)
    return tuple(results)


@dataclass(frozen=True, slots=True)
class _Judge:
    conditions: AsTested
    reads: Mapping[str, Averaged]
    family: FamilyFacts
    relative: float
    baselines: Mapping[BaselineKey, Baseline]

    def rule(self, limit: LimitInForce) -> list[LimitResult]:
        rule = limit.rule
        reasons = missing_facts(rule, self.family) + outside_conditions(rule, self.conditions)
        if reasons:
            return [self._cannot(limit, None, reasons)]
        if rule.kind == "set total most" or (rule.kind == "line over speed" and rule.cylinders is not None):
            return [self._whole(limit)]
        if rule.kind == "bank total most":
            return [self._bank(limit, number, bank) for number, bank in enumerate(self.family.banks, start=1)]
        # a rule for each part looks at the parts; at a reading of the whole set only "set total most" looks
        targets = [at for at in self.reads if at != SET]
        if rule.part_number is not None:
            unknown = [at for at in targets if self.reads[at].part_number is None]
            if unknown:
                return [self._cannot(limit, None, [_("part number of {who} not recorded", who=names(unknown))])]
            targets = [at for at in targets if self.reads[at].part_number == rule.part_number]
        results = [self._one(limit, at) for at in targets]
        told = {result.reasons for result in results}
        if len(results) > 1 and len(told) == 1 and all(r.outcome == Outcome.CANNOT for r in results):
            return [self._cannot(limit, None, list(told.pop()))]
        return results

    def _one(self, limit: LimitInForce, at: str) -> LimitResult:
        rule, read = limit.rule, self.reads[at]
        if read.doubt is not None:
            return self._cannot(limit, at, [_("the reading is doubtful ({why})", why=doubt_words(read.doubt))])
        figure_: Reach | str
        if rule.kind in ("times lowest", "times median", "percent from mean"):
            cylinders = self._ratios()
            if isinstance(cylinders, str):
                return self._cannot(limit, at, [cylinders])
            kinds = {
                "times lowest": times_lowest,
                "times median": times_median,
                "percent from mean": percent_from_mean,
            }
            figure_ = kinds[rule.kind](at, cylinders)
            value = rule.value
        elif rule.kind == "percent from first":
            figure_, value = self._since_first(at), rule.value
        else:
            scale = self._scale(rule, read)
            figure_ = scale if isinstance(scale, str) else _own(read, scale)
            value = self._limit_value(rule)
        if isinstance(figure_, str):
            return self._cannot(limit, at, [figure_])
        if value is None:
            return self._cannot(limit, at, [self._speed_reason(rule)])
        return self._decide(limit, at, figure_, value)

    def _whole(self, limit: LimitInForce) -> LimitResult:
        rule = limit.rule
        value = self._limit_value(rule)
        if value is None:
            return self._cannot(limit, None, [self._speed_reason(rule)])
        cylinders = self._cylinders(rule)
        reach: Reach | str = cylinders if isinstance(cylinders, str) else total(cylinders, self.relative)
        whole = self.reads.get(SET)
        if whole is not None and whole.doubt is None and (isinstance(reach, str) or reach.open):
            scale = self._scale(rule, whole)
            reach = scale if isinstance(scale, str) else _own(whole, scale)
        if isinstance(reach, str):
            return self._cannot(limit, None, [reach])
        return self._decide(limit, None, reach, value)

    def _bank(self, limit: LimitInForce, number: int, bank: tuple[str, ...]) -> LimitResult:
        at = f"{BANK} {number}"
        value = self._limit_value(limit.rule)
        if value is None:
            return self._cannot(limit, at, [_("the rule states no value")])
        cylinders = self._cylinders(limit.rule)
        if isinstance(cylinders, str):
            return self._cannot(limit, at, [cylinders])
        return self._decide(limit, at, total(cylinders.of(bank), self.relative), value)

    def _ratios(self) -> CylinderSet | str:
        cylinders = {at: read for at, read in self.reads.items() if at.isdigit()}
        if not cylinders:
            return _("the rule compares cylinders and none was read")
        if all(read.per_value is not None for read in cylinders.values()):
            return self._set(cylinders, {at: read.per_value or 1.0 for at, read in cylinders.items()})
        if len({read.unit for read in cylinders.values()}) == 1:
            return self._set(cylinders, dict.fromkeys(cylinders, 1.0))
        return _("the readings have different units and no duration")

    def _cylinders(self, rule: LimitRule) -> CylinderSet | str:
        cylinders = {at: read for at, read in self.reads.items() if at.isdigit()}
        if not cylinders:
            return _("no cylinder was read")
        scales = {at: self._scale(rule, read) for at, read in cylinders.items()}
        for scale in scales.values():
            if isinstance(scale, str):
                return scale
        return self._set(cylinders, {at: s for at, s in scales.items() if not isinstance(s, str)})

    def _set(self, cylinders: dict[str, Averaged], factor: dict[str, float]) -> CylinderSet:
        count = self.family.cylinders
        highest = max(int(at) for at in cylinders)
        expected = tuple(str(at) for at in range(1, max(count or 0, highest) + 1))
        return CylinderSet(cylinders, factor, expected, count is not None)

    def _scale(self, rule: LimitRule, read: Averaged) -> float | str:
        """Factor from the unit of a reading to the unit the limit is compared in, or a reason."""
        if rule.over_s is None:
            return read.per_value if read.per_value is not None else missing(DURATION)
        reasons = stated_value(DURATION, self.conditions.duration_s, rule.over_s, "s")
        if reasons or self.conditions.duration_s is None:
            return reasons[0]
        # within the tolerance of one nominal duration a volume grows with time
        share = rule.over_s / self.conditions.duration_s
        if read.unit == "ml":
            return share
        return self.conditions.duration_s / 60.0 * share * (read.per_value or 1.0)

    def _limit_value(self, rule: LimitRule) -> float | None:
        value = rule.value
        if rule.kind == "line over speed":
            speed = self.conditions.speed_rpm
            if speed is None or not rule.speeds[0][0] <= speed <= rule.speeds[-1][0]:
                return None
            for (low, at_low), (high, at_high) in zip(rule.speeds, rule.speeds[1:], strict=False):
                if low <= speed <= high:
                    value = at_low + (at_high - at_low) * (speed - low) / (high - low)
                    break
        if value is None or rule.unit is None:
            return value
        return to_base(value, rule.unit, unit(rule.unit).quantity)

    def _speed_reason(self, rule: LimitRule) -> str:
        speed = self.conditions.speed_rpm
        if speed is None:
            return missing(ENGINE_SPEED)
        return outside_span(ENGINE_SPEED, speed, "rpm", (rule.speeds[0][0], rule.speeds[-1][0]))

    def _since_first(self, at: str) -> Reach | str:
        read = self.reads[at]
        if self.conditions.shares_only:
            return _("cranking without a recorded rail pressure compares only shares of the set between tests")
        first = self.baselines.get((self.conditions.measure, self.conditions.protocol, at))
        if first is None or first.level <= 0.0:
            return _("no first reading of the part at {who}", who=position_name(at))
        if first.bound is not None:
            return _("the first reading was beyond the scale")
        if read.per_value is None:
            return missing(DURATION)
        own = _own(read, read.per_value)
        sign = -1.0 if Measure(self.conditions.measure) in FALLS else 1.0
        ends = sorted(100.0 * sign * (end / first.level - 1.0) for end in (own.low, own.high))
        first_error = standard_error(first.level, self.relative, first.resolution, first.repeats)
        error = 100.0 * math.hypot(own.error, read.value * read.per_value / first.level * first_error) / first.level
        told = _("first reading {level} on {day}", level=figure(first.level), day=first.tested_on.isoformat())
        return Reach(ends[0], ends[1], error, own.open, told)

    def _unit(self, rule: LimitRule) -> str:
        if rule.kind in ("times lowest", "times median"):
            return _("times")
        if rule.kind in ("percent from mean", "percent from first"):
            return "%"
        return LEVEL_UNIT[rule.measure] if rule.over_s is None else over_seconds("ml", rule.over_s)

    def _decide(self, limit: LimitInForce, at: str | None, reach: Reach, value: float) -> LimitResult:
        rule = limit.rule
        below = rule.direction == "below"
        reach_of_error = ERROR_REACH * reach.error
        sign = -1.0 if below else 1.0
        near, far = sorted((sign * reach.low, sign * reach.high))
        edge = sign * value + _ROUNDING * abs(value)
        reasons: list[str] = []
        if near > edge:
            outcome = Outcome.PAST if near - reach_of_error > edge else Outcome.REPEAT
        elif reach.open or far > edge:
            if at is None:
                reasons = list(reach.open) or [_("the total reads beyond the scale")]
            else:
                reasons = list(reach.open) or [_("{who} reads beyond the scale", who=position_name(at))]
            return self._cannot(limit, at, reasons, reach, value)
        else:
            outcome = Outcome.CLOSE if far + reach_of_error > edge else Outcome.WITHIN
        reading = sign * (near if outcome in (Outcome.PAST, Outcome.REPEAT) else far)
        bound = None
        if reach.high > reach.low:
            bound = (Bound.AT_LEAST if reading == reach.low else Bound.AT_MOST).value
        margin = sign * (value - reading)
        return self._result(limit, at, outcome, value, reading, bound, margin, reach_of_error, (), reach)

    def _cannot(
        self,
        limit: LimitInForce,
        at: str | None,
        reasons: list[str],
        reach: Reach | None = None,
        value: float | None = None,
    ) -> LimitResult:
        reading = bound = None
        if reach is not None and reach.low > 0.0:
            reading = reach.low
            bound = Bound.AT_LEAST.value if reach.high > reach.low else None
        value = self._limit_value(limit.rule) if value is None else value
        return self._result(
            limit, at, Outcome.CANNOT, value, reading, bound, None, None, tuple(dict.fromkeys(reasons)), reach
        )

    def _result(
        self,
        limit: LimitInForce,
        at: str | None,
        outcome: Outcome,
        value: float | None,
        reading: float | None,
        bound: str | None,
        margin: float | None,
        error: float | None,
        reasons: tuple[str, ...],
        reach: Reach | None,
    ) -> LimitResult:
        rule = limit.rule
        result = LimitResult(
            rule=rule.name,
            version=limit.version,
            source=rule.source,
            kind=rule.kind,
            measure=rule.measure.value,
            protocol=self.conditions.protocol,
            position=at,
            outcome=outcome,
            limit=value,
            limit_text=limit_text(rule),
            unit=self._unit(rule),
            direction=rule.direction,
            reading=reading,
            bound=bound,
            margin=margin,
            error=error,
            reasons=reasons,
            compared_with="" if reach is None else reach.compared_with,
            sentence="",
        )
        return with_sentence(result, below_mean=reach is not None and reach.below)


def _own(read: Averaged, scale: float) -> Reach:
    """The reading itself in the limit's unit; nothing collected fails a "least" but proves no pass."""
    value = read.value * scale
    low = 0.0 if read.bound == Bound.AT_MOST else value
    high = math.inf if read.bound == Bound.AT_LEAST else value
    open_ = (_("{who}: nothing collected", who=position_name(read.position)),) if read.nothing else ()
    return Reach(low, high, read.error * scale, open_)
