"""How the forecasts of last month, as they were issued, did since, and what became of the parts they were made of."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from pipelines.steps.failure_facts import KindFailures, RoadEvent, of_unknown_cause, road_events
from pipelines.steps.issued import IssuedScore, issued_scores
from pipelines.steps.month_book import pressing
from wearlab.charts.words import day_words, measure_words, position_words, when_words
from wearlab.forecast.chance_words import chance_words
from wearlab.language import _, _n, number
from wearlab.pack.first_page import IssuedPart, IssuedRow
from wearlab.records import SET, State
from wearlab.store.database import Database

#: the interval of the next reading holds so much of what is read
COVERAGE = 0.9
#: a part taken out so soon after a road failure of its vehicle came out for that (a choice, no source)
_AFTER_FAILURE = timedelta(days=31)
_CALLED = (State.PAST_LIMIT, State.BOOK)


def issued_part(db: Database, as_of: date, failures: Sequence[KindFailures]) -> IssuedPart:
    """Meet the forecasts of the newest run before the month of `as_of`, or before `as_of`, with what came since."""
    told = failure_words(failures, sum(of_unknown_cause(db, as_of).values()))
    scores = issued_scores(db, as_of)
    if not scores:
        return IssuedPart(
            None, _("No forecasts were issued before this month, so that none can be checked."), failures=told
        )
    days = sorted({one.as_of for one in scores}, reverse=True)
    issued_on = next((day for day in days if day < as_of.replace(day=1)), days[0])
    own = [one for one in scores if one.as_of == issued_on]
    run = own[0].run_id
    made: Any = db.value("SELECT made_at FROM run WHERE run_id = ?", [run])
    rows = tuple(issued_row(one) for one in own)
    removed, early = _removals(db, run, issued_on, as_of)
    return IssuedPart(
        issued_on=issued_on,
        sentence=issued_words(rows, issued_on, None if made is None else made.date(), as_of),
        rows=rows,
        removed=removed,
        early_removals=early,
        failures=told,
        earlier=earlier_words([one for one in scores if one.as_of < issued_on]),
    )


def issued_row(score: IssuedScore) -> IssuedRow:
    """Return one group's score with its sentence."""
    checked = score.forecasts - score.not_tested
    hits = score.past - score.early
    told = []
    if score.met:
        told.append(_inside(score.inside, score.met))
    if score.told and score.expected is not None:
        expected = _("under {number}", number=number(0.1, 1)) if score.expected < 0.05 else number(score.expected, 1)
        told.append(_("{n} past the limit where {expected} were expected", n=number(score.past), expected=expected))
    elif score.past:
        told.append(_n("{n} past the limit", "{n} past the limit", score.past))
    told += [
        words
        for count, words in (
            (score.early, _n("{n} sooner than the dates told", "{n} sooner than the dates told", score.early)),
            (
                score.late,
                _n("{n} not past though the dates are over", "{n} not past though the dates are over", score.late),
            ),
            (score.not_tested, _n("{n} not checked yet", "{n} not checked yet", score.not_tested)),
        )
        if count
    ]
    return IssuedRow(
        subject=f"{measure_words(score.measure)}, {score.protocol}",
        forecasts=score.forecasts,
        checked=checked,
        met=score.met,
        inside=score.inside,
        expected=score.expected,
        past=score.past,
        hits=hits,
        early=score.early,
        late=score.late,
        open=score.open,
        not_checked=score.not_tested,
        sentence=f"{', '.join(told)}." if told else _("Nothing to check."),
    )


def issued_words(rows: Sequence[IssuedRow], issued_on: date, made_on: date | None, as_of: date) -> str:
    """Return the sum of all groups as one or two sentences; a run made after the fact is told as such."""
    forecasts, checked = sum(one.forecasts for one in rows), sum(one.checked for one in rows)
    met, inside = sum(one.met for one in rows), sum(one.inside for one in rows)
    told = [
        _(
            "Of {forecasts} forecasts of {issued} {checked} were tested up to {day}",
            forecasts=number(forecasts),
            issued=day_words(issued_on),
            checked=number(checked),
            day=day_words(as_of),
        )
    ]
    if met:
        told.append(
            _(
                "{inside} of {met} next readings lay within their range, told for 9 in 10",
                inside=number(inside),
                met=number(met),
            )
        )
    hits, misses = sum(one.hits for one in rows), sum(one.early + one.late for one in rows)
    if hits or misses:
        told.append(
            _(
                "limits passed as told: {hits}, sooner or later than told: {misses}",
                hits=number(hits),
                misses=number(misses),
            )
        )
    text = f"{'; '.join(told)}."
    if made_on is not None and made_on > as_of:
        text += " " + _("They were made on {day}, looking back, and not issued in advance.", day=day_words(made_on))
    return text


def earlier_words(scores: Sequence[IssuedScore]) -> str:
    """Return how the forecasts of all days before did, as one sentence; empty where there are none."""
    met, inside = sum(one.met for one in scores), sum(one.inside for one in scores)
    days = len({one.as_of for one in scores})
    if not met:
        return ""
    early, late = sum(one.early for one in scores), sum(one.late for one in scores)
    return _n(
        "Of the earlier run, each counted: {readings}; {early} limits passed sooner, {late} later than told.",
        "Of {n} earlier runs, each counted: {readings}; {early} limits passed sooner, {late} later than told.",
        days,
        readings=_inside(inside, met),
        early=number(early),
        late=number(late),
    )


def failure_words(failures: Sequence[KindFailures], unknown: int) -> tuple[str, ...]:
    """Return whether the recorded road failures had been foretold, as sentences."""
    foretold = [one.foretold for one in failures]
    count = sum(one.failures for one in foretold)
    told = []
    if count:
        seen, missed = sum(one.foretold for one in foretold), sum(one.not_foretold for one in foretold)
        told.append(
            _n(
                "Of {n} recorded road failure by parts forecasts had foretold {seen} and missed {missed}; {blind} came "
                "where no forecast had been made.",
                "Of {n} recorded road failures by parts forecasts had foretold {seen} and missed {missed}; {blind} "
                "came where no forecast had been made.",
                count,
                seen=number(seen),
                missed=number(missed),
                blind=number(count - seen - missed),
            )
        )
    if unknown:
        told.append(
            _n(
                "Of {n} more road failure nobody wrote down the part.",
                "Of {n} more road failures nobody wrote down the part.",
                unknown,
            )
        )
    return tuple(told)


def _inside(inside: int, met: int) -> str:
    return _n(
        "{inside} of {n} next reading within the range told for 9 in 10",
        "{inside} of {n} next readings within the range told for 9 in 10",
        met,
        inside=number(inside),
    )


def _removals(db: Database, run: int, issued_on: date, as_of: date) -> tuple[int, tuple[str, ...]]:
    """How many parts of a run came out since, and a sentence for each that nothing had called for."""
    failed = road_events(db, as_of)
    left = pressing(db.records(_REMOVED, [run, issued_on, issued_on, as_of, SET, as_of, as_of]))
    early = [
        row for row in left if row["state"] not in _CALLED and not any(_for_failure(row, event) for event in failed)
    ]
    return len(left), tuple(_early_words(row, issued_on) for row in sorted(early, key=lambda row: row["to_date"]))


def _for_failure(row: Any, event: RoadEvent) -> bool:
    soon = event.day <= row["to_date"] <= event.day + _AFTER_FAILURE
    return event.vehicle == row["vehicle"] and soon and event.position in (None, SET, row["position"])


def _early_words(row: Any, issued_on: date) -> str:
    when = when_words(row["date_p10"], row["date_p50"], row["date_p90"])
    state = str(row["state"])
    places = {
        "part": f"{row['vehicle']} {position_words(row['position'])}",
        "day": day_words(row["to_date"]),
        "issued": day_words(issued_on),
        "state": _(state),
    }
    if not when:
        return _("{part} came out on {day}; on {issued} its state was {state}.", **places)
    if row["past"] is None:
        return _(
            "{part} came out on {day}; on {issued} its state was {state}; its limit was forecast to be passed {when}.",
            when=when,
            **places,
        )
    return _(
        "{part} came out on {day}; on {issued} its state was {state}; its limit was forecast to be passed {when}, "
        "then past it with a chance of {chance}.",
        when=when,
        chance=chance_words(row["past"]),
        **places,
    )


#: parts of a run that left their place since, and that sit nowhere else
_REMOVED = """
SELECT f.*, s.to_date
FROM forecast f JOIN fitment s ON s.vehicle = f.vehicle AND s.position = f.position AND s.part = f.part
WHERE f.run_id = ? AND s.from_date <= ? AND s.to_date > ? AND s.to_date <= ? AND s.position <> ?
  AND NOT EXISTS (SELECT 1 FROM fitment o WHERE o.part = f.part AND o.from_date <= ?
                  AND (o.to_date IS NULL OR o.to_date > ?))
"""
