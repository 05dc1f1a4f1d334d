"""One visit judged without a model: all that terminal and page show, as plain values and sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from wearlab.conditions.reference import temperature_name
from wearlab.config import Spread
from wearlab.language import _, _n, msg
from wearlab.limit_settings import Conditions
from wearlab.records import PUMP, Measure
from wearlab.study.cautions import cautions
from wearlab.study.diagnosis import Finding, JudgedSet, diagnose
from wearlab.study.facts import (
    AsTested,
    FamilyFacts,
    LimitInForce,
    MeasuredSet,
    VisitFacts,
    capital,
    drive_name,
    figure,
    going_on,
    measure_name,
    names,
)
from wearlab.study.limit_conditions import in_force, speaks_for
from wearlab.study.limit_results import LimitResult, Outcome
from wearlab.study.limits import judge_limits
from wearlab.study.one_test import SetComparison, compare_set
from wearlab.study.rules import ON_CLOSED_VOLUME, Verdict
from wearlab.study.weakness import Weakness, weaknesses

#: Words of the sheets for the metering valve that a reader knows in the own language; others stay as written.
_VALVES = (msg("unplugged"), msg("dummy"))


@dataclass(frozen=True, slots=True)
class ShownTest:
    """One test as it is shown: title, the conditions as (name, value) pairs, comparison, limit results.

    `unjudged` says why no limit spoke, when none did; `notes` go with the limit results.
    """

    test_id: str
    measure: str
    protocol: str
    title: str
    conditions: tuple[tuple[str, str], ...]
    comparison: SetComparison
    limits: tuple[LimitResult, ...]
    unjudged: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Judgement:
    """One visit, judged.

    `headline` is one sentence; `verdict` where it points; `findings` hold the vehicle's finding first, then the
    cylinders'; `next_steps` are what to do, most useful first; `cautions` go with every printed judgement.
    """

    vehicle: str
    tested_on: date
    odometer_km: float | None
    family: str | None
    cylinders: int | None
    reason: str | None
    complaint: str | None
    fault_codes: str | None
    verdict: Verdict
    headline: str
    tests: tuple[ShownTest, ...]
    findings: tuple[Finding, ...]
    weaknesses: tuple[Weakness, ...]
    next_steps: tuple[str, ...]
    cautions: tuple[str, ...]


def judge(visit: VisitFacts, limits: Sequence[LimitInForce], family: FamilyFacts, spread: Spread) -> Judgement:
    """Judge one visit.

    Parameters
    ----------
    limits : all limit rules with their versions; only those valid on the day of the visit are used.
    family : what is known of the engine; nothing need be.
    spread : assumed repeatability (`[spread]` of wearlab.toml).
    """
    sets = [
        JudgedSet(
            test,
            compare_set(test, family, spread),
            judge_limits(test, limits, family, spread, visit.tested_on, visit.baselines),
        )
        for test in visit.tests
    ]
    findings = diagnose(visit, sets, family, limits)
    weak = weaknesses(visit, family, spread)
    pump = any(one.test.conditions.measure != Measure.RETURN_FLOW for one in sets)
    return Judgement(
        vehicle=visit.vehicle,
        tested_on=visit.tested_on,
        odometer_km=visit.odometer_km,
        family=family.family,
        cylinders=family.cylinders,
        reason=visit.reason,
        complaint=visit.complaint,
        fault_codes=visit.fault_codes,
        verdict=findings[0].verdict,
        headline=_headline(sets, findings),
        tests=tuple(_view(one, limits, family, visit.tested_on) for one in sets),
        findings=findings,
        weaknesses=weak,
        next_steps=_next_steps(findings, weak),
        cautions=cautions(
            drives=[one.test.conditions.driven for one in sets],
            injector=family.injector,
            pump_test=pump or any(finding.rule in ON_CLOSED_VOLUME for finding in findings),
            injector_named=any(
                finding.verdict in (Verdict.INJECTORS, Verdict.INJECTORS_AND_PUMP) for finding in findings
            ),
        ),
    )


def _headline(sets: Sequence[JudgedSet], findings: Sequence[Finding]) -> str:
    """The verdict and the sentence behind it; a named cylinder comes before a general remark."""
    vehicle = findings[0]
    past = [
        result for one in sets for result in one.results if result.outcome == Outcome.PAST and result.position != PUMP
    ]
    start = capital(_(vehicle.verdict.value))
    if vehicle.verdict == Verdict.INJECTORS and past:
        worst = max(past, key=lambda r: -(r.margin or 0.0) / r.limit if r.limit else 0.0)
        more = len({result.position for result in past}) - 1
        tail = " " + _n("{n} more past a limit.", "{n} more past a limit.", more) if more else ""
        return f"{start}: {going_on(worst.sentence)}{tail}"
    named = [f for f in findings[1:] if f.positions and f.verdict != Verdict.NOTHING]
    if vehicle.verdict in (Verdict.NOTHING, Verdict.CANNOT_TELL) and named:
        return f"{start}: {going_on(named[0].sentence)}"
    return f"{start}: {going_on(vehicle.sentence)}"


def _next_steps(findings: Sequence[Finding], weak: Sequence[Weakness]) -> tuple[str, ...]:
    """What to do: the vehicle's separating test, the cylinders', then what would make the test strong."""
    vehicle, named = findings[0], findings[1:]
    # where the returns alone speak, the named cylinders already say what to do
    told_by_cylinders = vehicle.rule in ("returns past", "returns within error", "one cylinder differs")
    steps = [] if named and told_by_cylinders else [vehicle.next_test]
    steps += [f"{capital(names(finding.positions))}: {going_on(finding.next_test)}" for finding in named]
    # what a repeat should record comes once, however many tests lacked it
    steps += [
        _("Next time: {remedy}", remedy=point.remedy) for point in weak if point.code not in ("single", "doubtful")
    ]
    return tuple(dict.fromkeys(steps))


def _view(one: JudgedSet, limits: Sequence[LimitInForce], family: FamilyFacts, on: date) -> ShownTest:
    conditions = one.test.conditions
    return ShownTest(
        test_id=one.test.test_id,
        measure=conditions.measure,
        protocol=conditions.protocol,
        title=capital(drive_name(conditions)),
        conditions=condition_pairs(conditions),
        comparison=one.comparison,
        limits=one.results,
        unjudged="" if one.results else _unjudged(one.test, limits, family, on),
        notes=_notes(one, in_force(limits, on)),
    )


def _notes(one: JudgedSet, limits: Sequence[LimitInForce]) -> tuple[str, ...]:
    """Say which limits were judged as measured, and where passing one proves nothing."""
    judged = {result.rule for result in one.results if result.outcome != Outcome.CANNOT}
    absolute = [limit.rule for limit in limits if limit.rule.name in judged and limit.rule.unit is not None]
    out = [
        _('Limit "{limit}" states no test conditions: readings are judged as measured.', limit=rule.name)
        for rule in absolute
        if rule.conditions == Conditions() and rule.over_s is None
    ]
    passed = any(result.outcome in (Outcome.WITHIN, Outcome.CLOSE) for result in one.results)
    if absolute and passed and one.test.conditions.shares_only:
        out.append(_("Within limit while cranking without rail pressure proves little: a weak pump returns little."))
    return tuple(out)


def _unjudged(test: MeasuredSet, limits: Sequence[LimitInForce], family: FamilyFacts, on: date) -> str:
    what = drive_name(test.conditions)
    same = [one.rule for one in in_force(limits, on) if one.rule.measure == test.conditions.measure]
    if not same:
        measure = measure_name(test.conditions.measure)
        return _("No limit of yours for {test}: compared, not judged.", test=measure)
    other = [rule for rule in same if rule.protocol not in (None, test.conditions.protocol)]
    if other and not any(speaks_for(rule, test.conditions, family) for rule in same):
        told = ", ".join(sorted({str(rule.protocol) for rule in other}))
        return _(
            "No limit of yours for {test} (there are some for {others}): compared, not judged.", test=what, others=told
        )
    return _("No limit of yours fits {test} on this engine: compared, not judged.", test=what)


def condition_pairs(conditions: AsTested) -> tuple[tuple[str, str], ...]:
    """Return the recorded conditions as (name, value with unit) pairs; what is open is left out."""

    def number(value: float | None, unit: str) -> str | None:
        return None if value is None else f"{figure(value)} {unit}"

    def yes(value: bool | None) -> str | None:
        return None if value is None else (_("yes") if value else _("no"))

    valve = conditions.metering_valve
    pairs: list[tuple[str, str | None]] = [
        (_("driven"), _(conditions.driven) if conditions.driven else None),
        (_("duration"), number(conditions.duration_s, "s")),
        (_("rail pressure"), number(conditions.rail_bar, "bar")),
        (_("engine speed"), number(conditions.speed_rpm, "rpm")),
        (temperature_name(conditions.temp_kind), number(conditions.fuel_temp_c, "degC")),
        (_("battery"), number(conditions.battery_v, "V")),
        (_("injectors connected"), yes(conditions.injectors_connected)),
        (_("return pressure"), number(conditions.back_pressure_bar, "bar")),
        (_("metering valve"), _(valve) if valve in _VALVES else valve),
        (_("closed volume"), number(conditions.volume_ml, "ml")),
        (_("rise to"), number(conditions.rise_to_bar, "bar")),
        (_("supply pressure"), number(conditions.supply_bar, "bar")),
        (_("supply"), conditions.supply_note),
        (_("rig"), conditions.rig),
        (_("technician"), conditions.technician),
        (_("note"), conditions.note),
    ]
    return tuple((name, value) for name, value in pairs if value)
