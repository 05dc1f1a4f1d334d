"""What the lives of parts say: a heading, the rows of the tables, and the sentences that go with them."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

from pipelines.cli.common import about, number
from wearlab.records import NoAnswer

if TYPE_CHECKING:
    from pipelines.steps.life_curves import GroupCurve, KindLives
    from pipelines.steps.wear_lives import WearAnswer
    from wearlab.study.weibull_life import Weibull

HEADS = ("", "parts", "taken out", "furthest, km", "still fitted there", "90 %", "Weibull shape", "1 in 10 out by, km")
WEAR_HEADS = (
    "new parts of",
    "limit",
    "1 in 10 past by, km",
    "half",
    "9 in 10",
    "average part (90 %)",
    "tested up to, km",
)


#: below so many removals the law of chi-squared is a poor guide (common practice, no source)
_ROUGH = 20


def heading(found: KindLives, by: str | None) -> str:
    """The one sentence about a kind of parts."""
    parts = sum(one.lives for one in found.curves)
    failed, spared = sum(one.failed for one in found.curves), sum(one.spared for one in found.curves)
    head = f"{found.kind.capitalize()}s{f' by {by}' if by else ''}: {parts} lives of known age"
    return f"{head}, {failed} taken out for cause{f', {spared} for other reasons' if spared else ''}."


def rows(found: KindLives) -> list[list[str]]:
    """One row a group."""
    return [_row(one) for one in found.curves]


def _row(one: GroupCurve) -> list[str]:
    head = [one.group or "all", number(one.lives, 0), number(one.failed + one.spared, 0), number(one.furthest_km, 0)]
    if isinstance(one.survival, NoAnswer):
        return [*head, "no curve", "-", "-", "-"]
    share, low, high = one.survival.at(one.survival.until)
    told = [f"{100 * share:.0f} %", f"{100 * low:.0f} to {100 * high:.0f} %" if isfinite(low) else "-"]
    if isinstance(one.weibull, NoAnswer):
        return [*head, *told, "-", "-"]
    law = one.weibull
    ends = law.beta_interval
    return [*head, *told, f"{law.beta:.1f} ({ends[0]:.1f} to {ends[1]:.1f})", _early(law, one.furthest_km)]


def _early(law: Weibull, furthest: float) -> str:
    """The distance by which one in ten is out, with its interval; none beyond what any part went."""
    told = law.quantile(0.1)
    if told.low > furthest:
        return f"beyond {about(furthest)}"
    high = f"beyond {about(furthest)}" if told.high > furthest else about(told.high)
    middle = f"beyond {about(furthest)}" if told.point > furthest else about(told.point)
    return f"{middle} ({about(told.low)} to {high})"


def sentences(found: KindLives, by: str | None) -> list[str]:
    """What has to be said with the table."""
    told = []
    for one in found.curves:
        name = f"{one.group}: " if one.group else ""
        if one.why:
            told.append(f"{name}taken out: {', '.join(f'{why} {count}' for why, count in one.why.items())}.")
        if isinstance(one.survival, NoAnswer):
            told.append(f"{name}no curve: {one.survival.reason}.")
        elif one.survival.since > 0:
            told.append(
                f"{name}told from {number(one.survival.since, 0)} km on, of parts that got there: before, fewer than "
                "10 were watched at once."
            )
        told += _shape(one, name)
    late = sum(one.late for one in found.curves)
    if late:
        told.append(
            f"{late} parts had already gone some way when their vehicle's records begin; they count only from there "
            "on, because parts that were taken out before left no record."
        )
    told += [f"{count} lives stay out: {why}." for why, count in found.left_out.items()]
    return told + _compared(found, by)


def _shape(one: GroupCurve, name: str) -> list[str]:
    """Whether old parts are shown to fail more than young ones."""
    if isinstance(one.weibull, NoAnswer):
        return [] if isinstance(one.survival, NoAnswer) else [f"{name}no Weibull law: {one.weibull.reason}."]
    low, high = one.weibull.beta_interval
    if low > 1:
        return [f"{name}the chance of removal per km rises with distance (shape above 1)."]
    if high < 1:
        return [f"{name}the chance of removal per km falls with distance (shape below 1): age is no reason to replace."]
    return [
        f"{name}whether the chance of removal per km rises with distance cannot be told (shape {low:.1f} to "
        f"{high:.1f}): no fixed age for replacement follows from it."
    ]


def _compared(found: KindLives, by: str | None) -> list[str]:
    if by is None or found.test is None:
        return []
    if isinstance(found.test, NoAnswer):
        return [f"No comparison by {by}: {found.test.reason}."]
    test = found.test
    had = "; ".join(
        f"{name} {had} ({expected:.1f} if all lived alike)"
        for name, had, expected in zip(test.groups, test.observed, test.expected, strict=True)
    )
    told = [f"Taken out for cause by {by}: {had}. Log-rank test: p = {test.p:.2g}, all parts taken as independent"]
    if test.p_together is not None:
        told[0] += f"; p = {test.p_together:.2g} with the parts of a vehicle taken together"
    told[0] += "; with so few removals either is rough." if int(test.observed.sum()) < _ROUGH else "."
    if found.ratio is not None and not isinstance(found.ratio, NoAnswer):
        for name in found.ratio.groups[1:]:
            ratio = found.ratio.ratio(name)
            told.append(
                f"{name} live {ratio.point:.2f} times as long as {found.ratio.groups[0]} ({ratio.low:.2f} to "
                f"{ratio.high:.2f}; Weibull of one shape)."
            )
    return told


def wear_rows(wear: Sequence[WearAnswer]) -> list[list[str]]:
    """One row a family and limit that has an answer."""
    return [
        [one.family or "-", one.rule, *(_wear_km(km) for km in one.km), _average(one), number(one.seen_to_km, 0)]
        for one in wear
        if one.no_answer is None
    ]


def wear_sentences(wear: Sequence[WearAnswer]) -> list[str]:
    """What has to be said with the life by wear."""
    told = []
    beyond = sorted(
        {
            one.family
            for one in wear
            if one.no_answer is None
            and one.seen_to_km is not None
            and (one.km[1] is None or one.km[1] > one.seen_to_km)
        }
    )
    if beyond:
        told.append(
            f"Beyond the furthest test of a part of known age, so carried on by the model: {', '.join(beyond)}."
        )
    silent: dict[str, list[str]] = {}
    for one in wear:
        if one.no_answer is not None:
            silent.setdefault(one.no_answer, []).append(one.rule)
    return told + [f"No life by wear for {', '.join(rules)}: {why}." for why, rules in silent.items()]


def _wear_km(km: float | None) -> str:
    return "never" if km is None else about(km)


def _average(one: WearAnswer) -> str:
    low, middle, high = (_wear_km(km) for km in one.average_km)
    return f"{middle} ({low} to {high})"


def caution(found: Sequence[KindLives]) -> str:
    """That removals are no wear, in one sentence."""
    limit = sum(count for one in found for curve in one.curves for why, count in curve.why.items() if "limit" in why)
    removed = sum(curve.failed for one in found for curve in one.curves)
    return (
        "How long parts stay fitted depends on when somebody tests and decides, not on wear alone: a part that a test "
        "condemns would have gone on, and one that was never tested stays in. "
        f"Of {removed} taken out for cause, {limit} had read past a limit at the last test. "
        "The life by wear does not rest on removals."
    )


def reason_rows(found: KindLives) -> list[list[str]]:
    """Chances of removal at the furthest distance told, one row a group and reason, where there are several."""
    made = []
    for one in found.curves:
        if isinstance(one.removals, NoAnswer) or len(one.removals.reasons) < 2:
            continue
        end = one.furthest_km
        for why in one.removals.reasons:
            share, low, high = one.removals.at(why, end)
            made.append([one.group or "all", why, f"{100 * share:.1f} %", f"{100 * low:.1f} to {100 * high:.1f} %"])
    return made
