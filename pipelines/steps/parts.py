"""Demand for parts month by month, what to order now, and earlier forecasts of demand beside what was used."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from pipelines.steps.learn import current_forecasts
from pipelines.steps.part_seats import Kind, Schedule, Seated, seated_on, used_parts
from pipelines.steps.parts_asked import AskedUsed, asked_and_used, months_before
from pipelines.steps.stock_count import Stock, stock_on
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.language import _, number
from wearlab.part_settings import PartNumber
from wearlab.plan.demand import chances_by, demand, month_ends
from wearlab.plan.poisson_binomial import PoissonBinomial, poisson_binomial
from wearlab.plan.stock_order import Order, critical_ratio, order_now
from wearlab.records import NoAnswer
from wearlab.store.queries import vehicles

#: days until the next order at the latest: this is asked once a month
REVIEW_DAYS = 31


@dataclass(frozen=True, slots=True)
class Quantities:
    """Parts of one number in one span: expected, and the numbers not exceeded with 5, 9 and 9.5 chances in 10."""

    mean: float
    p50: int
    p90: int
    p95: int

    @classmethod
    def of(cls, law: PoissonBinomial) -> Quantities:
        """The figures of a law."""
        return cls(law.mean, law.quantile(0.5), law.quantile(0.9), law.quantile(0.95))


@dataclass(frozen=True, slots=True)
class NumberAhead:
    """One part number, or the parts of a family without one, as they are seated, asked for and in stock.

    `seated`: parts in vehicles; `untold`: those of them without a forecast, which count as none. `order` is None
    where it cannot be told, `no_order` says why. `service` is the chance that the stock lasts `covered_until`.
    """

    name: str
    number: str | None
    part: str
    families: tuple[str, ...]
    seated: int
    untold: int
    months: tuple[Quantities, ...]
    whole: Quantities
    stock: Stock | None
    lead_days: int | None
    pack: int
    price: float | None
    service: float
    covered_until: date | None
    order: Order | None
    no_order: str


@dataclass(frozen=True, slots=True)
class PartsTold:
    """All of it as of a day; `ends` and `past_ends`: last days of the months ahead and of those gone by."""

    as_of: date
    ends: tuple[date, ...]
    past_ends: tuple[date, ...]
    planned: bool
    numbers: tuple[NumberAhead, ...]
    asked: tuple[AskedUsed, ...]
    missing: tuple[str, ...]


def parts_told(
    place: Workspace,
    as_of: date,
    *,
    months: int = 6,
    service: float = 0.95,
    schedule: Schedule | None = None,
    say: Callable[[str], None] | None = None,
) -> PartsTold:
    """Tell demand, orders and what became of earlier forecasts.

    A part counts in the month in which its forecast passes the limit, in the first where it is past already; places
    in the `schedule` count when the plan replaces them. `service` holds where a number states none of its own.
    """
    ends = month_ends(as_of, months)
    forecasts = current_forecasts(place, as_of, say=say)
    settings = place.settings
    with place.open(read_only=True) as db:
        register = vehicles(db, as_of)
        seated = seated_on(db, settings, as_of, register, forecasts, schedule)
        used = used_parts(db, settings, date.min, as_of, register)
        stocks = stock_on(db, settings, as_of, [(day, kind.number) for day, kind in used])
        asked = asked_and_used(db, settings, as_of, months, register, used)
    by_kind: dict[Kind, list[Seated]] = {}
    for one in seated:
        by_kind.setdefault(one.kind, []).append(one)
    numbers = tuple(
        _number(settings, kind, by_kind[kind], stocks.get(kind.number or ""), ends, as_of, service)
        for kind in sorted(by_kind, key=lambda kind: (kind.number is None, kind.part, kind.words))
    )
    past = tuple(last for _, last in months_before(as_of, months))
    return PartsTold(as_of, tuple(ends), past, bool(schedule), numbers, asked, _missing(numbers))


def _number(
    settings: Settings,
    kind: Kind,
    seated: Sequence[Seated],
    stock: Stock | None,
    ends: Sequence[date],
    as_of: date,
    service: float,
) -> NumberAhead:
    told = demand(chances_by([one.seat for one in seated], ends))
    stated = settings.parts.numbers.get(kind.number or "", PartNumber())
    wanted = _service(stated, service)
    families = tuple(sorted({one.family for one in seated if one.family is not None}))
    lead = lead_days(settings, kind.number)
    order = _order(kind, lead, stated.pack, stock, seated, as_of, wanted)
    return NumberAhead(
        name=kind.words,
        number=kind.number,
        part=kind.part,
        families=families,
        seated=len(seated),
        untold=sum(not one.foretold for one in seated),
        months=tuple(Quantities.of(law) for law in told.spans),
        whole=Quantities.of(told.whole),
        stock=stock,
        lead_days=lead,
        pack=stated.pack,
        price=_price(settings, stated, families, kind.part),
        service=wanted,
        covered_until=None if lead is None else as_of + timedelta(days=lead + REVIEW_DAYS),
        order=None if isinstance(order, NoAnswer) else order,
        no_order=order.reason if isinstance(order, NoAnswer) else "",
    )


def lead_days(settings: Settings, number: str | None) -> int | None:
    """Days from ordering a part until it is there; None where they are not stated."""
    stated = settings.plan.lead_days
    if isinstance(stated, dict):
        return None if number is None else stated.get(number)
    return stated


def _price(settings: Settings, stated: PartNumber, families: Sequence[str], part: str) -> float | None:
    """The price of one part: of the number itself, else that of all families it sits in, where they agree."""
    if stated.price is not None:
        return stated.price
    told = {getattr(settings.costs.parts[name], part).part_price for name in families if name in settings.costs.parts}
    return told.pop() if len(told) == 1 else None


def _service(stated: PartNumber, service: float) -> float:
    if stated.short_cost is not None and stated.spare_cost is not None:
        return critical_ratio(stated.short_cost, stated.spare_cost)
    return service if stated.service_percent is None else stated.service_percent / 100.0


def _order(
    kind: Kind,
    lead: int | None,
    pack: int,
    stock: Stock | None,
    seated: Sequence[Seated],
    as_of: date,
    service: float,
) -> Order | NoAnswer:
    if kind.number is None:
        return NoAnswer(_("no part number is known"))
    if lead is None:
        return NoAnswer(_("no lead time is stated"))
    if stock is None:
        return NoAnswer(_("the stock was never counted"))
    comes = as_of + timedelta(days=lead)
    until = comes + timedelta(days=REVIEW_DAYS)
    chances = chances_by([one.seat for one in seated], [comes, until])
    return order_now(
        poisson_binomial(chances[:, 1]),
        poisson_binomial(chances[:, 0]),
        on_hand=stock.on_hand,
        on_order=stock.due_by(until),
        on_order_before=stock.due_by(comes),
        service=service,
        pack=pack,
    )


def _missing(numbers: Sequence[NumberAhead]) -> tuple[str, ...]:
    """What to state so that more can be told, each once."""
    told: dict[str, list[str]] = {}
    for one in numbers:
        if one.number is None and one.families:
            sentence = _(
                'with [parts."NUMBER"] fits = ["{family}"] and part = "{part}" in wearlab.toml they count under the '
                "number that is ordered",
                family=one.families[0],
                part=one.part,
            )
        elif one.number is None:
            sentence = _("the family of their vehicles is not known: enter it in the register")
        elif one.lead_days is None:
            sentence = _("state lead_days in [plan] of wearlab.toml to learn what to order now")
        elif one.stock is None:
            sentence = _("load a stock sheet with a count to learn what to order now")
        else:
            continue
        told.setdefault(sentence, []).append(one.name)
    silent = [
        _(
            "{parts}: of {seated} parts {untold} without a forecast count as none (no limit, or no answer: "
            "wearlab due)",
            parts=one.name,
            seated=number(one.seated),
            untold=number(one.untold),
        )
        for one in numbers
        if one.untold
    ]
    return tuple(f"{', '.join(names)}: {sentence}" for sentence, names in told.items()) + tuple(silent)
