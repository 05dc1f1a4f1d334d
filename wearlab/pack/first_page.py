"""The page that decides: what to book, test, order and look at, and how far the forecasts have earned that.

Plain values and finished sentences, most pressing first. Nothing here computes a result. Dates are `datetime.date`,
costs are in `FirstPage.currency`; None means "not known", an empty sentence "nothing to say".
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from wearlab.charts.series import StateCount
from wearlab.pack.view import Unsaid

#: why a test is on the list of those that tell less than they should
WeakKind = Literal["never tested", "overdue", "stale", "left out", "doubted"]


@dataclass(frozen=True, slots=True)
class BookPart:
    """One part of a visit. `state` is a word of `wearlab.records.State`, None for a part that nothing is told of.

    `p10`, `p50`, `p90` are the dates by which it passes its limit with these chances, `when` the same in words;
    `rule` names the limit that they are told for, with its version, `level` the level now with its 90 % interval.
    `waiting`: what leaving it until the next visit means.
    """

    position: str
    part: str
    words: str
    state: str | None
    p10: date | None
    p50: date | None
    p90: date | None
    when: str
    rule: str
    reason: str
    waiting: str
    level: str = ""


@dataclass(frozen=True, slots=True)
class BookRow:
    """One visit with work to do, of `month` (its first day). `visit`: "in the diary" or "call it in".

    `parts` are those that are replaced or, by a test, decided on; the row tells state, dates and reason of the most
    pressing one, and what waiting means for all of them. `cost` and `hours` are expected, `cost_words` tells the cost
    with its currency, "not known" where there is none.
    """

    vehicle: str
    depot: str
    month: date
    day: date
    in_diary: bool
    visit: str
    work: str
    parts_words: str
    state: str | None
    p10: date | None
    p50: date | None
    p90: date | None
    when: str
    reason: str
    waiting: str
    cost: float | None
    cost_words: str
    hours: float | None
    parts: tuple[BookPart, ...]


@dataclass(frozen=True, slots=True)
class BookMonth:
    """What is booked in one calendar month: `title` ("November 2026"), a sentence of its sum, and its visits by day."""

    first: date
    title: str
    sentence: str
    rows: tuple[BookRow, ...]


@dataclass(frozen=True, slots=True)
class NotBooked:
    """A part past its limit or to be booked that no visit of these months deals with; `why` says what stands against
    it."""

    vehicle: str
    position: str
    words: str
    state: str
    when: str
    why: str


@dataclass(frozen=True, slots=True)
class TestRow:
    """A vehicle to test. `day` is its visit, None where no visit is known; `retest_by` the day that its forecast asks.

    `why` says why it is tested, `decides` what the result would change; `overdue`: `retest_by` has gone by. `pressing`
    ones decide something, are due now, or may well read past; the others are routine.
    """

    __test__ = False

    vehicle: str
    depot: str
    parts_words: str
    day: date | None
    in_diary: bool
    visit: str
    retest_by: date | None
    overdue: bool
    last_test: date | None
    why: str
    decides: str
    pressing: bool = False


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """A part whose state is another than last time. `worse`: the new state is more pressing; `why` is a sentence."""

    vehicle: str
    position: str
    subject: str
    state_before: str
    state: str
    worse: bool
    why: str


@dataclass(frozen=True, slots=True)
class SignalRow:
    """An open signal. `key` names it and its chart; `vehicle` is None where several vehicles share it.

    `sentence` is the likely cause, `others` what it may also be, `telling` what would tell them apart; `question` with
    the command `answer_by` that records a yes.
    """

    key: str
    vehicle: str | None
    position: str | None
    heading: str
    raised_on: date
    sentence: str
    others: tuple[str, ...]
    telling: str
    check_first: str
    question: str
    answer_by: str


@dataclass(frozen=True, slots=True)
class WeakTest:
    """A test that is missing, too old, or of which readings are doubted or left out. `since`: day of the test, or by
    when there should have been one."""

    vehicle: str
    kind: WeakKind
    since: date | None
    sentence: str


@dataclass(frozen=True, slots=True)
class OrderRow:
    """A part number to order. `needed` and `enough` are the number expected over the plan and the one that is enough
    in 9 of 10 cases; `in_time` counts stock and what is on order and due; `price` is that of one part."""

    name: str
    number: str | None
    order: int
    needed: float
    enough: int
    in_time: int
    lead_days: int | None
    price: float | None
    cost: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class IssuedRow:
    """How the forecasts of one earlier day did in one measure and protocol.

    Of `forecasts` parts `checked` were tested since; `inside` of their `met` readings lay in the 90 % interval.
    `hits` read past their limit within the interval of dates that was told, `early` before it began, and `late` had
    not passed when it was over; `open` are tested and not decided, `not_checked` not tested since. `expected` is the
    number forecast to read past, None where it was not told, against `past`.
    """

    subject: str
    forecasts: int
    checked: int
    met: int
    inside: int
    expected: float | None
    past: int
    hits: int
    early: int
    late: int
    open: int
    not_checked: int
    sentence: str


@dataclass(frozen=True, slots=True)
class IssuedPart:
    """How forecasts as issued on a day did: one row a group, then sentences on removals and road failures.

    `issued_on` is None where no earlier forecast exists. `removed` names parts taken out since then, `early_removals`
    those of them that were neither past their limit nor to be booked.
    """

    issued_on: date | None
    sentence: str
    rows: tuple[IssuedRow, ...] = ()
    removed: int = 0
    early_removals: tuple[str, ...] = ()
    failures: tuple[str, ...] = ()
    earlier: str = ""


@dataclass(frozen=True, slots=True)
class FirstPage:
    """The first page as of a day. Empty tuples come with a sentence that says why where that is not plain.

    `summary`: what matters, in a few sentences. `no_plan`: why nothing is booked; `missing`: figures that are not
    stated, and what they would change. `changes_sentence`, `signals_sentence` and `order_sentence` stand above their
    lists. `cautions` apply wherever somebody is sent to the high-pressure side; the last says what the pack is not.
    """

    title: str
    as_of: date
    workspace: str
    currency: str
    summary: tuple[str, ...]
    counts: tuple[StateCount, ...]
    no_plan: tuple[str, ...]
    book: tuple[BookMonth, ...]
    not_booked: tuple[NotBooked, ...]
    tests: tuple[TestRow, ...]
    changes_since: date | None
    changes_sentence: str
    changes: tuple[ChangeRow, ...]
    signals_sentence: str
    signals: tuple[SignalRow, ...]
    weak_tests: tuple[WeakTest, ...]
    order_sentence: str
    orders: tuple[OrderRow, ...]
    issued: IssuedPart
    unsaid: tuple[Unsaid, ...]
    missing: tuple[str, ...]
    cautions: tuple[str, ...]
