"""The first page of the pack: everything that decides, gathered from plan, parts, signals and forecasts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from pipelines.steps.month_book import book_months, not_booked, pressing
from pipelines.steps.month_changes import changes, changes_since, changes_words, unsaid
from pipelines.steps.month_issued import issued_part
from pipelines.steps.month_tests import due_tests, weak_tests
from pipelines.steps.parts import NumberAhead, PartsTold
from pipelines.steps.plan_told import PlanTold
from pipelines.steps.plan_words import no_plan_words
from pipelines.steps.signal_words import first_check, heading, note_hint, what_words
from pipelines.steps.signals import RECENT, SignalsTold, chosen
from pipelines.steps.vehicle_view import FleetFacts
from pipelines.workspace import Workspace
from wearlab.charts.words import dated, day_words, month_words
from wearlab.config import Settings
from wearlab.forecast.chance_words import chance_words
from wearlab.language import _, _n, localised, number
from wearlab.pack.first_page import BookMonth, FirstPage, OrderRow, SignalRow, TestRow, WeakTest
from wearlab.pack.order import count_states
from wearlab.plan.stock_order import Order
from wearlab.records import PUMP
from wearlab.store.database import Database
from wearlab.store.queries import vehicles
from wearlab.study.cautions import PLANS_ONLY, cautions


def first_page(
    db: Database, place: Workspace, fleet: FleetFacts, plan: PlanTold, parts: PartsTold, signals: SignalsTold
) -> FirstPage:
    """Return the first page as of the day of `fleet`, which plan, parts and signals have to share."""
    settings, as_of = place.settings, fleet.as_of
    register = vehicles(db, as_of)
    depots = {row["vehicle"]: row["depot"] or "" for row in register}
    book = book_months(plan, fleet.forecasts)
    tests = due_tests(plan, fleet.forecasts, depots, settings.horizons.watch_chance)
    weak = weak_tests(register, fleet.forecasts, fleet.series, fleet.wear, settings.horizons, as_of)
    since = changes_since(db, fleet.run, as_of)
    changed = changes(fleet.forecasts)
    listed = tuple(_signal(one) for one in chosen(signals, only_open=True))
    orders = tuple(_order(one) for one in parts.numbers if one.order is not None and one.order.order)
    issued = issued_part(db, as_of, plan.failures)
    states = [row["state"] for row in pressing(row for rows in fleet.forecasts.values() for row in rows)]
    changes_told, signals_told = changes_words(changed, since), signals_words(signals, len(listed))
    order_told = order_words(parts, orders, plan.currency)
    return FirstPage(
        title=month_words(as_of),
        as_of=as_of,
        workspace=settings.name,
        currency=plan.currency,
        summary=(
            book_words(book, no_plan_words(plan)),
            tests_words(tests, weak),
            order_told,
            signals_told,
            changes_told,
            issued.sentence,
        ),
        counts=count_states(states),
        no_plan=no_plan_words(plan),
        book=book,
        not_booked=not_booked(plan, fleet.forecasts),
        tests=tests,
        changes_since=since,
        changes_sentence=changes_told,
        changes=changed,
        signals_sentence=signals_told,
        signals=listed,
        weak_tests=weak,
        order_sentence=order_told,
        orders=orders,
        issued=issued,
        unsaid=unsaid(fleet.forecasts, fleet.usage, plan.left_out, signals.budget),
        missing=tuple(dict.fromkeys((*plan.missing, *parts.missing))),
        cautions=_cautions(settings, book, tests, signals, bool(listed)),
    )


def book_words(book: Sequence[BookMonth], no_plan: Sequence[str]) -> str:
    """Return what there is to book in all months, as a sentence."""
    if no_plan:
        return no_plan[0]
    rows = [row for month in book for row in month.rows]
    span = {"first_month": book[0].title, "last_month": book[-1].title}
    if not rows:
        return _("Nothing is to be replaced from {first_month} to {last_month}.", **span)
    first = min(rows, key=lambda row: row.day)
    cars = len({row.vehicle for row in rows})
    return _(
        "{visits} of {vehicles} to book from {first_month} to {last_month}; the first is {vehicle} on {day}: {work}.",
        visits=_n("{n} visit", "{n} visits", len(rows)),
        vehicles=_n("{n} vehicle", "{n} vehicles", cars),
        vehicle=first.vehicle,
        day=day_words(first.day),
        work=first.work,
        **span,
    )


def tests_words(tests: Sequence[TestRow], weak: Sequence[WeakTest]) -> str:
    """Return how many vehicles to test, and what is late, as a sentence."""
    overdue = sum(one.kind == "overdue" for one in weak)
    stale, never = sum(one.kind == "stale" for one in weak), sum(one.kind == "never tested" for one in weak)
    cars, soon = len({one.vehicle for one in tests}), len({one.vehicle for one in tests if one.pressing})
    late = [
        told
        for count, told in (
            (overdue, _n("{n} overdue", "{n} overdue", overdue)),
            (stale, _n("{n} with a test too old to go by", "{n} with a test too old to go by", stale)),
            (never, _n("{n} never tested", "{n} never tested", never)),
        )
        if count
    ]
    told = _n(
        "{n} vehicle to test, {pressing} of them pressing",
        "{n} vehicles to test, {pressing} of them pressing",
        cars,
        pressing=number(soon),
    )
    return f"{told}; {', '.join(late)}." if late else f"{told}."


def signals_words(told: SignalsTold, listed: int) -> str:
    """Return how many signals are open, and how many chance alone would have raised of late."""
    count = _n("{n} signal open", "{n} signals open", listed)
    if not told.budget.groups:
        why = _("no group of tests has a wear model yet that a reading could depart from")
        return f"{count}: {why}."
    return _(
        "{open}; {recent} raised in the last {days} days, where chance alone would raise about {by_chance}.",
        open=count,
        recent=number(told.recent),
        days=number(RECENT),
        by_chance=localised(f"{told.by_chance:.2g}"),
    )


def order_words(parts: PartsTold, orders: Sequence[OrderRow], currency: str) -> str:
    """Return what to order in all, and of which numbers that cannot be told."""
    untold = [f"{one.name} ({one.no_order})" for one in parts.numbers if one.order is None]
    silent = " " + _("Not told of {parts}.", parts=", ".join(untold)) if untold else ""
    if not orders:
        known = len(parts.numbers) - len(untold)
        nothing = _n(
            "Nothing is to be ordered now of {n} part number.",
            "Nothing is to be ordered now of {n} part numbers.",
            known,
        )
        return f"{nothing}{silent}"
    parts_told = _n("{n} part", "{n} parts", sum(one.order for one in orders))
    numbers = _n("of {n} number", "of {n} numbers", len(orders))
    priced = [one.cost for one in orders if one.cost is not None]
    money = f"{number(sum(priced))} {currency}".rstrip()
    lacking = len(orders) - len(priced)
    if not priced:
        told = _("Order {parts} {of_numbers}.", parts=parts_told, of_numbers=numbers)
    elif not lacking:
        told = _("Order {parts} {of_numbers} for {money}.", parts=parts_told, of_numbers=numbers, money=money)
    else:
        told = _(
            "Order {parts} {of_numbers} for {money} ({n} without a price).",
            parts=parts_told,
            of_numbers=numbers,
            money=money,
            n=number(lacking),
        )
    return f"{told}{silent}"


def _order(one: NumberAhead) -> OrderRow:
    order = one.order
    assert order is not None  # only what is to be ordered has a row
    return OrderRow(
        name=one.name,
        number=one.number,
        order=order.order,
        needed=one.whole.mean,
        enough=one.whole.p90,
        in_time=order.position,
        lead_days=one.lead_days,
        price=one.price,
        cost=None if one.price is None else one.price * order.order,
        sentence=_order_sentence(one, order),
    )


def _order_sentence(one: NumberAhead, order: Order) -> str:
    places = {
        "in_time": number(order.position),
        "service": chance_words(one.service),
        "enough": number(order.level),
        "lasts_with": chance_words(order.lasts_with),
        "lasts": chance_words(order.lasts),
    }
    if one.covered_until is None:
        return _(
            "In stock or due in time: {in_time}; enough with a chance of {service}: {enough}. The stock lasts with a "
            "chance of {lasts_with} with the order, {lasts} without it.",
            **places,
        )
    return _(
        "In stock or due in time: {in_time}; enough until {day} with a chance of {service}: {enough}. The stock lasts "
        "with a chance of {lasts_with} with the order, {lasts} without it.",
        day=day_words(one.covered_until),
        **places,
    )


def _signal(one: dict[str, object]) -> SignalRow:
    others = one["alternatives"]
    assert isinstance(others, list)
    raised = one["detected_on"]
    assert isinstance(raised, date)
    return SignalRow(
        key=str(one["key"]),
        vehicle=_text(one["vehicle"]),
        position=_text(one["position"]),
        heading=heading(one),
        raised_on=raised,
        sentence=_sentence(what_words(one)),
        others=tuple(_sentence(what_words(other)) for other in others),
        telling=_sentence(str(one["telling"] or "")),
        check_first=first_check(one),
        question=_sentence(str(one["question"] or ""), end="?"),
        answer_by=note_hint(one) if one["question"] else "",
    )


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def _sentence(text: str, end: str = ".") -> str:
    told = dated(text).rstrip(".?")
    return f"{told[:1].upper()}{told[1:]}{end}" if told else ""


def _cautions(
    settings: Settings, book: Sequence[BookMonth], tests: Sequence[TestRow], signals: SignalsTold, listed: bool
) -> tuple[str, ...]:
    """Those for the work and the tests that the page sends somebody to."""
    replaced = [part.position for month in book for row in month.rows for part in row.parts]
    if not (replaced or tests or listed):
        return (_(PLANS_ONLY),)
    kinds = {family.injector for family in settings.families.values()}
    # how a test is to be driven is not known before it is made
    drives: list[str | None] = [None] if tests else []
    drives += [one["driven"] for one in chosen(signals, only_open=True)]
    return cautions(
        drives=drives,
        injector=next(iter(kinds)) if len(kinds) == 1 else None,
        pump_test=PUMP in replaced or any(PUMP in row.parts_words for row in tests),
        injector_named=any(position != PUMP for position in replaced) or listed,
    )
