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
            None, "No forecasts were issued before this month, so that none can be checked.", failures=told
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
        told.append(f"{_of(score.inside, score.met, 'next reading')} within the range told for 9 in 10")
    if score.told and score.expected is not None:
        expected = "under 0.1" if score.expected < 0.05 else f"{score.expected:.1f}"
        told.append(f"{score.past} past the limit where {expected} were expected")
    elif score.past:
        told.append(f"{score.past} past the limit")
    told += [
        words
        for number, words in (
            (score.early, f"{score.early} sooner than the dates told"),
            (score.late, f"{score.late} not past though the dates are over"),
            (score.not_tested, f"{score.not_tested} not checked yet"),
        )
        if number
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
        sentence=f"{', '.join(told)}." if told else "Nothing to check.",
    )


def issued_words(rows: Sequence[IssuedRow], issued_on: date, made_on: date | None, as_of: date) -> str:
    """Return the sum of all groups as one or two sentences; a run made after the fact is told as such."""
    forecasts, checked = sum(one.forecasts for one in rows), sum(one.checked for one in rows)
    met, inside = sum(one.met for one in rows), sum(one.inside for one in rows)
    told = f"Of {forecasts:,} forecasts of {day_words(issued_on)} {checked:,} were tested up to {day_words(as_of)}"
    if met:
        told += f"; {inside} of {met} next readings lay within their range, told for 9 in 10"
    hits, misses = sum(one.hits for one in rows), sum(one.early + one.late for one in rows)
    if hits or misses:
        told += f"; limits passed as told: {hits}, sooner or later than told: {misses}"
    if made_on is not None and made_on > as_of:
        told += f". They were made on {day_words(made_on)}, looking back, and not issued in advance"
    return f"{told}."


def earlier_words(scores: Sequence[IssuedScore]) -> str:
    """Return how the forecasts of all days before did, as one sentence; empty where there are none."""
    met, inside = sum(one.met for one in scores), sum(one.inside for one in scores)
    days = len({one.as_of for one in scores})
    if not met:
        return ""
    runs = "the earlier run" if days == 1 else f"{days} earlier runs"
    early, late = sum(one.early for one in scores), sum(one.late for one in scores)
    return (
        f"Of {runs}, each counted: {_of(inside, met, 'next reading')} within the range told for 9 in 10; {early} "
        f"limits passed sooner, {late} later than told."
    )


def failure_words(failures: Sequence[KindFailures], unknown: int) -> tuple[str, ...]:
    """Return whether the recorded road failures had been foretold, as sentences."""
    foretold = [one.foretold for one in failures]
    number = sum(one.failures for one in foretold)
    told = []
    if number:
        seen, missed = sum(one.foretold for one in foretold), sum(one.not_foretold for one in foretold)
        told.append(
            f"Of {number} recorded road failure{'s' * (number != 1)} by parts forecasts had foretold {seen} and missed "
            f"{missed}; {number - seen - missed} came where no forecast had been made."
        )
    if unknown:
        told.append(f"Of {unknown} more road failure{'s' * (unknown != 1)} nobody wrote down the part.")
    return tuple(told)


def _of(number: int, of: int, noun: str) -> str:
    return f"{number} of {of} {noun}{'s' * (of != 1)}"


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
    chance = "" if row["past"] is None else f", then past it with a chance of {chance_words(row['past'])}"
    told = f"; its limit was forecast to be passed {when}{chance}" if when else ""
    return (
        f"{row['vehicle']} {position_words(row['position'])} came out on {day_words(row['to_date'])}; on "
        f"{day_words(issued_on)} its state was {row['state']}{told}."
    )


#: parts of a run that left their place since, and that sit nowhere else
_REMOVED = """
SELECT f.*, s.to_date
FROM forecast f JOIN fitment s ON s.vehicle = f.vehicle AND s.position = f.position AND s.part = f.part
WHERE f.run_id = ? AND s.from_date <= ? AND s.to_date > ? AND s.to_date <= ? AND s.position <> ?
  AND NOT EXISTS (SELECT 1 FROM fitment o WHERE o.part = f.part AND o.from_date <= ?
                  AND (o.to_date IS NULL OR o.to_date > ?))
"""
