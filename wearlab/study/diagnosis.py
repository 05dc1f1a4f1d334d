"""From the judged tests of one visit to findings: facts are gathered here, `rules.py` decides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wearlab.language import _, msg
from wearlab.records import PUMP, Bound, Measure
from wearlab.study.facts import (
    BANK,
    FamilyFacts,
    LimitInForce,
    MeasuredSet,
    VisitFacts,
    all_of,
    capital,
    drive_name,
    figure,
    names,
    position_name,
)
from wearlab.study.limit_conditions import in_force, speaks_for
from wearlab.study.limit_results import LimitResult, Outcome
from wearlab.study.one_test import SetComparison, SetRow
from wearlab.study.rules import CYLINDER_ROWS, VEHICLE_ROWS, Row, Verdict
from wearlab.study.supply import NOT_RECORDED, SupplyFacts, supply_facts
from wearlab.study.weakness import cranking_state, open_piezo

#: Rail pressure short of its set point by more than this is low (common practice, no source). It never fails a
#: vehicle; it only chooses the next test.
SHORT_OF_SET_POINT = 0.10
_ON_LEVEL = ("most", "set total most", "bank total most", "line over speed", "percent from first")
_PASSED = (Outcome.WITHIN, Outcome.CLOSE)
_FAILED = (Outcome.PAST, Outcome.REPEAT)
_NOT_TESTED = msg("not tested")
_PUMP_READS = {Measure.PUMP_PEAK: msg("peak {reading}"), Measure.PUMP_RISE: msg("rise {reading}")}


@dataclass(frozen=True, slots=True)
class Finding:
    """One row of the table that spoke, about the whole vehicle (`positions` empty) or about cylinders.

    `evidence` are the sentences it rests on, `next_test` what separates what is left, `source` where the
    row is from.
    """

    rule: str
    positions: tuple[str, ...]
    verdict: Verdict
    sentence: str
    evidence: tuple[str, ...]
    next_test: str
    source: str


@dataclass(frozen=True, slots=True)
class JudgedSet:
    """One test with its comparison and its limit results."""

    test: MeasuredSet
    comparison: SetComparison
    results: tuple[LimitResult, ...]


def diagnose(
    visit: VisitFacts, sets: Sequence[JudgedSet], family: FamilyFacts, limits: Sequence[LimitInForce]
) -> tuple[Finding, ...]:
    """Return the vehicle's finding first, then the cylinders' in order of their rows in the table."""
    valid = in_force(limits, visit.tested_on)
    facts, words, evidence = vehicle_facts(sets, family, valid)
    row = next(row for row in VEHICLE_ROWS if row.holds(facts))
    sentence = capital(_(row.sentence, **words))
    vehicle = Finding(row.name, (), row.verdict, sentence, evidence, row.next_told, _(row.source))
    return (vehicle, *_cylinders(sets, family))


def vehicle_facts(
    sets: Sequence[JudgedSet], family: FamilyFacts, limits: Sequence[LimitInForce]
) -> tuple[dict[str, str], dict[str, str], tuple[str, ...]]:
    """Return the vehicle's facts, the words the table's texts use, and the evidence as sentences."""
    flows = [one for one in sets if one.test.conditions.measure == Measure.RETURN_FLOW]
    pumps = [one for one in sets if one.test.conditions.measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE)]
    evidence: list[str] = []
    returns, returns_text = _returns(flows)
    evidence += [] if returns == "none" else [_("Return flow: {returns}.", returns=returns_text)]
    rail, rail_text = _rail(flows, family, limits)
    evidence += [] if rail == "unknown" and not flows else [_("Rail pressure: {rail}.", rail=rail_text)]
    pump, pump_text = _pump(pumps)
    evidence += [] if pump == "none" else [_("Pump: {pump}.", pump=pump_text)]
    supply = _supply(pumps or flows, limits)
    evidence += [_("Supply: {supply}.", supply=supply.text)] if pumps or supply.state == "bad" else []
    cranking = _worst([cranking_state(one.test.conditions) for one in pumps], ("slow", "unknown", "good"))
    facts = {
        "returns": returns,
        "rail": rail,
        "pump": pump,
        "supply": supply.state,
        "cranking": cranking or "unknown",
    }
    words = {
        "returns": returns_text,
        "rail": rail_text,
        "pump": pump_text,
        "supply": supply.text,
        "supply_open": ", ".join(_(name) for name in supply.unknown),
    }
    return facts, words, tuple(evidence)


def _worst(states: Sequence[str], order: tuple[str, ...]) -> str | None:
    return next((state for state in order if state in states), None)


def _returns(flows: Sequence[JudgedSet]) -> tuple[str, str]:
    """State and words of the return flow over all tests of the visit; the worst test speaks."""
    if not flows:
        return "none", _(_NOT_TESTED)
    order = ("past", "repeat", "outlier", "open", "shares", "within", "even")
    told = [_returns_of(one) for one in flows]
    state = _worst([found for found, text in told], order) or "open"
    # a judged test says more than one that could not be judged or was cranked without pressure
    if state in ("open", "shares") and any(found == "within" for found, text in told):
        state = "within"
    return state, "; ".join(text for found, text in told if found == state)


def _returns_of(one: JudgedSet) -> tuple[str, str]:
    label = one.test.conditions.protocol
    compared, shares = one.comparison, one.test.conditions.shares_only
    for outcome, state in ((Outcome.PAST, "past"), (Outcome.REPEAT, "repeat")):
        hit = [result for result in one.results if result.outcome == outcome]
        if hit and state == "past":
            return state, _("{who} past limit ({protocol})", who=_who(hit), protocol=label)
        if hit:
            return state, _("{who} past limit ({protocol}) within the reading error", who=_who(hit), protocol=label)
    # a low reading of a part fitted after the others explains itself
    stands = [r for r in compared.rows if r.stands == "high" or (r.stands == "low" and _fresh(r) == "no")]
    if stands:
        which = "; ".join(_("{who} {remark}", who=row.name, remark=row.remark) for row in stands)
        return "outlier", f"{which} ({label})"
    cylinders = [row.position for row in compared.rows if row.position.isdigit()]
    # an evenly worn set passes every ratio: only a limit on the level clears it
    passed = {r.position for r in one.results if r.outcome in _PASSED and r.kind in _ON_LEVEL}
    banks = {r.position for r in one.results if r.kind == "bank total most"}
    judged = None in passed or (bool(banks) and passed >= banks) or (bool(cylinders) and passed >= set(cylinders))
    if shares:
        return "shares", _("only shares compare ({protocol}, no rail pressure)", protocol=label)
    if judged and (compared.complete or not cylinders):
        return "within", _("within your limits ({protocol})", protocol=label)
    usable = [row for row in compared.rows if row.stands == "level"]
    if len(usable) > 2 and len(usable) == len(cylinders) and not compared.missing and not judged:
        return "even", _("cylinders agree, no limit on the level judged ({protocol})", protocol=label)
    return "open", _("not judged ({protocol})", protocol=label)


def _who(results: Sequence[LimitResult]) -> str:
    positions = sorted({r.position for r in results if r.position is not None and r.position.isdigit()}, key=int)
    words = [names(positions)] if positions else []
    words += [position_name(PUMP)] if any(result.position == PUMP for result in results) else []
    banks = sorted({r.position for r in results if r.position is not None and r.position.startswith(BANK)})
    words += [position_name(bank) for bank in banks]
    words += [_("the whole set")] if any(result.position is None for result in results) else []
    return all_of(words)


def _rail(flows: Sequence[JudgedSet], family: FamilyFacts, limits: Sequence[LimitInForce]) -> tuple[str, str]:
    """Rail pressure against the user's limits' conditions, else against the protocol's set point."""
    found = []
    for one in flows:
        conditions = one.test.conditions
        rail = conditions.rail_bar
        if rail is None:
            continue
        spans = [
            limit.rule.conditions.rail_bar
            for limit in limits
            if limit.rule.conditions.rail_bar is not None and speaks_for(limit.rule, conditions, family)
        ]
        if spans:
            low = min(span[0] for span in spans)
            reached, asked = rail >= low, _("your limits ask for at least {least}", least=figure(low))
        elif conditions.set_point_bar is not None:
            reached = rail >= conditions.set_point_bar * (1.0 - SHORT_OF_SET_POINT)
            asked = _("set point {bar}", bar=figure(conditions.set_point_bar))
        else:
            found.append(("unknown", _("{bar} bar, no figure of yours to compare with", bar=figure(rail))))
            continue
        found.append(("reached" if reached else "low", f"{figure(rail)} bar, {asked}"))
    state = _worst([one for one, text in found], ("low", "reached", "unknown"))
    if state is None:
        return "unknown", _(NOT_RECORDED)
    return state, next(text for one, text in found if one == state)


def _pump(pumps: Sequence[JudgedSet]) -> tuple[str, str]:
    """State and words of the pump over its peak and rise tests."""
    if not pumps:
        return "none", _(_NOT_TESTED)
    texts = [_pump_text(one) for one in pumps]
    results = [result for one in pumps for result in one.results]
    text = ", ".join(texts)
    if any(result.outcome == Outcome.PAST for result in results):
        return "weak", text
    if any(result.outcome == Outcome.REPEAT for result in results):
        return "repeat", text
    if any(row.doubt for one in pumps for row in one.comparison.rows):
        return "open", text
    passed = {result.measure for result in results if result.outcome in _PASSED}
    at_limiter = any(
        row.bound == Bound.AT_LEAST
        for one in pumps
        if one.test.conditions.measure == Measure.PUMP_PEAK
        for row in one.comparison.rows
    )
    # a limiter below the limit proves nothing: that rule came back as cannot be judged
    short = any(r.measure == Measure.PUMP_PEAK and r.outcome == Outcome.CANNOT for r in results)
    if Measure.PUMP_RISE in passed and (Measure.PUMP_PEAK in passed or at_limiter):
        return "strong", text
    if at_limiter and not short:
        return "limiter", text
    if Measure.PUMP_PEAK in passed:
        return "strong", text
    return "open", text


def _pump_text(one: JudgedSet) -> str:
    seen = ", ".join(row.text for row in one.comparison.rows)
    limit = next((result.limit_text for result in one.results if result.outcome in _FAILED), None)
    if limit is None:
        limit = next((result.limit_text for result in one.results if result.outcome in _PASSED), None)
    told = _(_PUMP_READS[Measure(one.test.conditions.measure)], reading=seen)
    return _("{reading} against {limit}", reading=told, limit=limit) if limit else told


def _supply(tests: Sequence[JudgedSet], limits: Sequence[LimitInForce]) -> SupplyFacts:
    """The supply of the visit: what any of its tests recorded counts, the bad before the good."""
    told = [supply_facts(one.test.conditions, limits) for one in tests]
    order = ("bad", "good", "unknown")
    texts = dict.fromkeys(one.text for one in told if one.text != _(NOT_RECORDED))
    return SupplyFacts(
        pressure=_worst([one.pressure for one in told], order) or "unknown",
        filter=_worst([one.filter for one in told], order) or "unknown",
        air=_worst([one.air for one in told], order) or "unknown",
        text="; ".join(texts) or _(NOT_RECORDED),
    )


def _cylinders(sets: Sequence[JudgedSet], family: FamilyFacts) -> list[Finding]:
    spoken: dict[str, tuple[Row, list[str], list[str]]] = {}
    for one in sets:
        if one.test.conditions.measure != Measure.RETURN_FLOW:
            continue
        rows = {row.position: row for row in one.comparison.rows if row.position.isdigit()}
        if not rows:
            continue
        for at in sorted({*rows, *one.comparison.missing}, key=int):
            facts = cylinder_facts(at, rows.get(at), one, family)
            row = next((row for row in CYLINDER_ROWS if row.holds(facts)), None)
            if row is None:
                continue
            positions, evidence = spoken.setdefault(row.name, (row, [], []))[1:]
            if at not in positions:
                positions.append(at)
            evidence += _evidence(at, rows.get(at), one)
    order = [row.name for row in CYLINDER_ROWS]
    findings = []
    for name in sorted(spoken, key=order.index):
        row, positions, evidence = spoken[name]
        positions.sort(key=int)
        sentence = capital(_(row.sentence, who=names(positions)))
        findings.append(
            Finding(
                name,
                tuple(positions),
                row.verdict,
                sentence,
                tuple(dict.fromkeys(evidence)),
                row.next_told,
                _(row.source),
            )
        )
    return findings


def cylinder_facts(at: str, row: SetRow | None, one: JudgedSet, family: FamilyFacts) -> dict[str, str]:
    """Return the facts of one cylinder in one return-flow test."""
    results = [result for result in one.results if result.position == at]
    above = [result for result in results if not (result.direction == "below" and result.outcome in _FAILED)]
    limit = "open"
    if any(result.outcome in _PASSED for result in results):
        limit = "judged"
    if any(result.outcome == Outcome.REPEAT for result in results):
        limit = "repeat"
    if len(above) < len(results) and any(r.outcome == Outcome.PAST and r.direction == "below" for r in results):
        limit = "too little"
    if any(result.outcome == Outcome.PAST for result in above):
        limit = "past"
    reading = "missing"
    if row is not None:
        reading = "over" if row.bound == Bound.AT_LEAST else "measured"
        reading = "nothing" if row.nothing else reading
        reading = "doubtful" if row.doubt is not None else reading
    return {
        "reading": reading,
        "limit": limit,
        "stands": "unknown" if row is None else row.stands,
        "returns": "open" if open_piezo(one.test.conditions, family) else "held",
        "fresh": _fresh(row),
    }


def _fresh(row: SetRow | None) -> str:
    if row is not None and row.just_replaced:
        return "yes"
    return "younger" if row is not None and row.younger_since is not None else "no"


def _evidence(at: str, row: SetRow | None, one: JudgedSet) -> list[str]:
    told = [r.sentence for r in one.results if r.position == at and r.outcome in _FAILED]
    if row is None:
        return [_("{test}: no reading.", test=capital(drive_name(one.test.conditions)))]
    if row.remark:
        told.append(f"{capital(row.name)} {row.text}: {row.remark} ({one.test.conditions.protocol}).")
    return told
