"""What judging one limit rule gives: the outcome, its figures, and one finished sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from wearlab.config import LimitRule
from wearlab.study.facts import capital, figure, names, position_name


class Outcome(StrEnum):
    """What a rule says of a reading, from best to worst; "cannot" stands beside the order."""

    WITHIN = "within limit"
    CLOSE = "within limit by less than the reading's error"
    REPEAT = "past limit but within the reading's error: repeat"
    PAST = "past limit"
    CANNOT = "cannot be judged"


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


def limit_text(rule: LimitRule) -> str:
    """Return a limit as its user wrote it: "at most 38 ml in 30 s over the whole set"."""
    value = 0.0 if rule.value is None else rule.value
    over = "" if rule.over_s is None else f" in {rule.over_s:g} s"
    if rule.kind == "line over speed":
        first, last = rule.speeds[0], rule.speeds[-1]
        scope = " over the whole set" if rule.cylinders is not None else ""
        ends = f"at {first[0]:g} rpm to {last[1]:g} at {last[0]:g} rpm"
        return f"at most {first[1]:g} {rule.unit}{over} {ends}{scope}"
    return {
        "most": f"at most {value:g} {rule.unit}{over}",
        "least": f"at least {value:g} {rule.unit}{over}",
        "times lowest": f"at most {value:g} times the lowest",
        "times median": f"at most {value:g} times the median",
        "percent from mean": f"at most {value:g} % from the mean",
        "set total most": f"at most {value:g} {rule.unit}{over} over the whole set",
        "bank total most": f"at most {value:g} {rule.unit}{over} over one bank",
        "percent from first": f"at most {value:g} % from the first reading",
    }[rule.kind]


def with_sentence(result: LimitResult, *, below_mean: bool = False) -> LimitResult:
    """Return the result with its sentence: who reads what against which limit, and what follows."""
    return replace(result, sentence=_sentence(result, below_mean))


def _sentence(result: LimitResult, below_mean: bool) -> str:
    one = result.position is not None
    who = capital(position_name(result.position)) if result.position is not None else "Whole set"
    if result.outcome == Outcome.CANNOT:
        start = f'{who}: limit "{result.rule}"' if one else f'Limit "{result.rule}"'
        seen = ""
        if result.reading is not None:
            least = "at least " if result.bound else ""
            seen = f" (so far {least}{amount(result.reading, result.unit)} against {result.limit_text})"
        return f"{start} cannot be judged: {'; '.join(result.reasons)}{seen}."
    if result.reading is None or result.margin is None or result.error is None or result.limit is None:
        return f"{who}: {result.outcome}."
    bound = "" if result.bound is None else result.bound.replace("_", " ") + " "
    reads = f"{who} reads {bound}{amount(result.reading, result.unit)}"
    if result.kind == "percent from mean":
        reads += " below the mean" if below_mean else " from the mean"
    if result.kind == "percent from first":
        reads = f"{who} got worse by {bound}{amount(result.reading, '%')}"
        if result.reading < 0:
            reads = f"{who} reads better than at first by {amount(-result.reading, '%')}"
    basis = f" ({result.compared_with})" if result.compared_with else ""
    against = f"{reads}{basis} against {_limit_here(result)}"
    error = amount(result.error, result.unit)
    gap = amount(abs(result.margin), result.unit)
    if result.outcome == Outcome.WITHIN:
        return f"{against}: within limit."
    if result.outcome == Outcome.CLOSE:
        return f"{against}: within limit, but by less than the reading's error of {error}; test again early."
    if result.outcome == Outcome.REPEAT:
        return f"{against}: past limit by {gap}, within the reading's error of {error}; repeat the test."
    return f"{against}: past limit by {gap}."


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
        sentence = f"{who}: within limit, {group[0].limit_text}."
        told.append(group[0] if len(group) == 1 else replace(group[0], position=None, reading=None, sentence=sentence))
    return tuple(told)


def amount(value: float, unit: str) -> str:
    """Return a figure with its unit; counts of times and percents read as words do."""
    return f"{figure(value)} {unit}"


def _limit_here(result: LimitResult) -> str:
    if result.kind == "line over speed" and result.limit is not None:
        return f"at most {amount(result.limit, result.unit)} at this speed"
    return result.limit_text
