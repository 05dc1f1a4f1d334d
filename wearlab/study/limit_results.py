"""What judging one limit rule gives: the outcome, its figures, and one finished sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from wearlab.language import _, localised, msg
from wearlab.limit_settings import LimitRule
from wearlab.records import SET, Bound
from wearlab.study.facts import bounded, capital, figure, names, position_name


class Outcome(StrEnum):
    """What a rule says of a reading, from best to worst; "cannot" stands beside the order."""

    WITHIN = msg("within limit")
    CLOSE = msg("within limit by less than the reading's error")
    REPEAT = msg("past limit but within the reading's error: repeat")
    PAST = msg("past limit")
    CANNOT = msg("cannot be judged")


@dataclass(frozen=True, slots=True)
class LimitResult:
    """One rule judged on one position (None: on the whole set or on no single one).

    `limit`, `reading`, `margin` and `error` are in `unit`; `margin` is the room left before the limit, negative
    past it; `error` is the reach of the reading's error (95 %, one-sided). `limit_text` is the limit as the user
    wrote it. `reasons` says why it cannot be judged. `compared_with` names what a ratio rests on.
    """

    rule: str
    version: int
    source: str
    kind: str
    measure: str
    protocol: str
    position: str | None
    outcome: Outcome
    limit: float | None
    limit_text: str
    unit: str
    direction: str
    reading: float | None
    bound: str | None
    margin: float | None
    error: float | None
    reasons: tuple[str, ...]
    compared_with: str
    sentence: str


#: From best to worst; `CANNOT` stands beside the order.
ORDER: tuple[Outcome, ...] = (Outcome.WITHIN, Outcome.CLOSE, Outcome.REPEAT, Outcome.PAST)


_LIMITS = {
    "most": msg("at most {amount}"),
    "least": msg("at least {amount}"),
    "times lowest": msg("at most {value} times the lowest"),
    "times median": msg("at most {value} times the median"),
    "percent from mean": msg("at most {value} % from the mean"),
    "set total most": msg("at most {amount} over the whole set"),
    "bank total most": msg("at most {amount} over one bank"),
    "percent from first": msg("at most {value} % from the first reading"),
}


def limit_text(rule: LimitRule) -> str:
    """Return a limit as its user wrote it: "at most 38 ml in 30 s over the whole set"."""
    unit = rule.unit or ""
    if rule.over_s is not None:
        unit = over_seconds(unit, rule.over_s)
    if rule.kind == "line over speed":
        (low, first), (high, last) = ([_shown(one) for one in pair] for pair in (rule.speeds[0], rule.speeds[-1]))
        line = {"first": f"{first} {unit}", "low": low, "last": last, "high": high}
        if rule.cylinders is not None:
            return _("at most {first} at {low} rpm to {last} at {high} rpm over the whole set", **line)
        return _("at most {first} at {low} rpm to {last} at {high} rpm", **line)
    value = _shown(0.0 if rule.value is None else rule.value)
    return _(_LIMITS[rule.kind], value=value, amount=f"{value} {unit}")


def over_seconds(unit: str, seconds: float) -> str:
    """Return the unit of a volume over a time: "ml in 30 s"."""
    return _("{unit} in {seconds} s", unit=unit, seconds=_shown(seconds))


def with_sentence(result: LimitResult, *, below_mean: bool = False) -> LimitResult:
    """Return the result with its sentence: who reads what against which limit, and what follows."""
    return replace(result, sentence=_sentence(result, below_mean))


def _sentence(result: LimitResult, below_mean: bool) -> str:
    one = result.position is not None
    who = capital(position_name(SET if result.position is None else result.position))
    if result.outcome == Outcome.CANNOT:
        told = {"who": who, "limit": result.rule, "reasons": "; ".join(result.reasons)}
        if result.reading is not None:
            bound = Bound.AT_LEAST if result.bound else None
            seen = bounded(amount(result.reading, result.unit), bound)
            seen = _("so far {reading} against {limit}", reading=seen, limit=result.limit_text)
            told["reasons"] += f" ({seen})"
        if one:
            return _('{who}: limit "{limit}" cannot be judged: {reasons}.', **told)
        return _('Limit "{limit}" cannot be judged: {reasons}.', **told)
    if result.reading is None or result.margin is None or result.error is None or result.limit is None:
        return f"{who}: {_(result.outcome.value)}."
    told = {
        "against": _against(result, who, below_mean),
        "error": amount(result.error, result.unit),
        "gap": amount(abs(result.margin), result.unit),
    }
    if result.outcome == Outcome.WITHIN:
        return _("{against}: within limit.", **told)
    if result.outcome == Outcome.CLOSE:
        return _("{against}: within limit, but by less than the reading's error of {error}; test again early.", **told)
    if result.outcome == Outcome.REPEAT:
        return _("{against}: past limit by {gap}, within the reading's error of {error}; repeat the test.", **told)
    return _("{against}: past limit by {gap}.", **told)


def _against(result: LimitResult, who: str, below_mean: bool) -> str:
    """Who reads what against which limit, with what a ratio rests on."""
    value = 0.0 if result.reading is None else result.reading
    told = {
        "who": who,
        "reading": bounded(amount(value, result.unit), result.bound),
        "basis": f" ({result.compared_with})" if result.compared_with else "",
        "limit": _limit_here(result),
    }
    if result.kind == "percent from mean" and below_mean:
        return _("{who} reads {reading} below the mean{basis} against {limit}", **told)
    if result.kind == "percent from mean":
        return _("{who} reads {reading} from the mean{basis} against {limit}", **told)
    if result.kind == "percent from first" and value < 0:
        told["reading"] = amount(-value, "%")
        return _("{who} reads better than at first by {reading}{basis} against {limit}", **told)
    if result.kind == "percent from first":
        return _("{who} got worse by {reading}{basis} against {limit}", **told)
    return _("{who} reads {reading}{basis} against {limit}", **told)


def short(results: Sequence[LimitResult]) -> tuple[LimitResult, ...]:
    """Return the results with the cylinders that lie within one rule's limit joined into one, after the rest."""
    told: list[LimitResult] = []
    within: dict[tuple[str, int, str], list[LimitResult]] = {}
    for result in results:
        if result.outcome == Outcome.WITHIN and result.position is not None and result.position.isdigit():
            within.setdefault((result.rule, result.version, result.protocol), []).append(result)
        else:
            told.append(result)
    for group in within.values():
        who = capital(names([result.position or "" for result in group]))
        sentence = _("{who}: within limit, {limit}.", who=who, limit=group[0].limit_text)
        told.append(group[0] if len(group) == 1 else replace(group[0], position=None, reading=None, sentence=sentence))
    return tuple(told)


def amount(value: float, unit: str) -> str:
    """Return a figure with its unit; counts of times and percents read as words do."""
    return f"{figure(value)} {unit}"


def _shown(value: float) -> str:
    return localised(f"{value:g}")


def _limit_here(result: LimitResult) -> str:
    if result.kind == "line over speed" and result.limit is not None:
        return _("at most {amount} at this speed", amount=amount(result.limit, result.unit))
    return result.limit_text
