"""The pack as one HTML page that needs nothing else: no network, no script, no other file."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from wearlab.charts import words
from wearlab.charts.fleet import crossings_chart, states_chart
from wearlab.pack import wear_words
from wearlab.pack.answers import booking_answers, next_tests
from wearlab.pack.booking import about_day
from wearlab.pack.order import mark, urgency
from wearlab.pack.pictures import position_order, vehicle_pictures
from wearlab.pack.state_tables import state_tables
from wearlab.pack.view import Attention, MonthView, VehicleView
from wearlab.records import STATE_MARK

#: Told on the attention list in this order, with the word for one or many parts.
_LEAD = (
    ("past limit", "past their limit"),
    ("book", "to book"),
    ("test again", "to test again"),
    ("watch", "to watch"),
)


def render_page(view: MonthView) -> str:
    """Return the whole page as text.

    All text of the view is shown as text: markup in names, notes or ids has no effect.
    """
    pictures = {vehicle.vehicle: vehicle_pictures(vehicle.history) for vehicle in view.vehicles}
    css = resources.files("wearlab.pack").joinpath("templates", "page.css").read_text(encoding="utf-8")
    return _environment().get_template("page.html").render(
        view=view,
        lead=lead(view.attention),
        pictures=pictures,
        states_chart=states_chart(view.counts),
        crossings_chart=crossings_chart(view.crossings),
        css=Markup(css),
        css_hash=base64.b64encode(hashlib.sha256(css.encode()).digest()).decode(),
        shown={vehicle.vehicle for vehicle in view.vehicles},
        totals={
            name: sum(getattr(file, name) for file in view.files)
            for name in (
                "rows_read", "accepted", "flagged", "set_aside", "structure", "cells_set_aside", "readings",
                "questions",
            )
        },
    )  # fmt: skip


def write_page(view: MonthView, path: Path) -> Path:
    """Write the page to `path` (its folder is made when missing) and return the path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(render_page(view), encoding="utf-8", newline="\n")
    return path


def lead(items: tuple[Attention, ...]) -> str:
    """Return the page's first sentence: how many parts need attention, by state."""
    if not items:
        return "Nothing needs attention this month."
    counts = [(sum(1 for item in items if item.state == state), text) for state, text in _LEAD]
    told = [f"{number} {text}" for number, text in counts if number]
    other = len(items) - sum(number for number, _ in counts)
    if other:
        told.append(f"{other} without an answer")
    total = "1 part needs attention" if len(items) == 1 else f"{len(items)} parts need attention"
    return f"{total}: {', '.join(told)}."


def grounds(items: tuple[Attention, ...]) -> tuple[str, ...]:
    """Return, each once, which limits and which conditions the levels of these parts are told by."""
    told: dict[str, None] = {}
    for item in items:
        what = f"{words.measure_words(item.measure)}, {item.protocol}"
        if item.limit is not None:
            side = "at most" if item.direction == "above" else "at least"
            rule = [item.rule or "", "" if item.limit_version is None else f"version {item.limit_version}"]
            source = f"; {item.limit_source}" if item.limit_source else ""
            named = ", ".join(text for text in rule if text)
            told[f"{what}, {side} {words.limit_words(item.limit, item.unit)}: {named}{source}"] = None
        if item.level is not None:
            under = f"under {item.reference}" if item.reference else "as measured"
            told[f"{what}: levels are told {under}"] = None
    return tuple(told)


def anchor(vehicle: str) -> str:
    """Return the id of a vehicle's section, of plain letters and digits, different for different keys."""
    plain = "".join(sign if sign.isascii() and sign.isalnum() else f"-{ord(sign):x}-" for sign in vehicle)
    return f"v-{plain}"


def _identity(vehicle: VehicleView) -> list[tuple[str, str]]:
    """Return what is known of a vehicle as (name, text) pairs, unknown ones left out."""
    pairs: list[tuple[str, str | None]] = [
        ("family", vehicle.family),
        ("cylinders", str(vehicle.cylinders) if vehicle.cylinders else None),
        ("depot", vehicle.depot),
        ("duty", vehicle.duty),
        ("fuel supply", vehicle.fuel_supply),
        ("in service since", words.day_words(vehicle.in_service) if vehicle.in_service else None),
        ("warranty until", words.day_words(vehicle.warranty_until) if vehicle.warranty_until else None),
        ("leaves on", words.day_words(vehicle.leaves_on) if vehicle.leaves_on else None),
        ("also called", ", ".join(vehicle.aliases)),
        ("usage", _usage(vehicle)),
    ]
    return [(name, text) for name, text in pairs if text]


def _usage(vehicle: VehicleView) -> str:
    if vehicle.km_per_day is None:
        return ""
    text = f"{vehicle.km_per_day:,.0f} km a day"
    if vehicle.km_per_day_low is not None and vehicle.km_per_day_high is not None:
        text += f" ({vehicle.km_per_day_low:,.0f} to {vehicle.km_per_day_high:,.0f})"
    if vehicle.odometer_now_km is not None:
        text += f", odometer now about {words.km_words(vehicle.odometer_now_km, about=True)}"
    return text


def _between(low: float | None, high: float | None) -> str:
    """Return "(41.0 to 52.3)", or nothing when an end is missing."""
    if low is None or high is None:
        return ""
    return f"({_span(low, high)})"


def _span(low: float | None, high: float | None) -> str:
    """Return "41.0 to 52.3", or a dash when an end is missing."""
    if low is None or high is None:
        return "–"
    return " to ".join(words.levels_words(low, high))


def _showable(value: Any) -> Any:
    """Take control signs and broken characters, which no page may hold, out of text that is not markup."""
    return words.cell(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("wearlab.pack", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_showable,
    )
    filters: dict[str, Callable[..., Any]] = {
        "day": words.day_words,
        "km": words.km_words,
        "level": words.level_words,
        "limit": words.limit_words,
        "measure": words.measure_words,
        "position": words.position_words,
        "mark": mark,
        "anchor": anchor,
        "slug": lambda state: (state or "none").replace(" ", "-") if state in STATE_MARK else "none",
        "identity": _identity,
        "dated": words.dated,
        "svg": lambda chart: Markup(chart.svg),
    }
    environment.filters.update(filters)
    environment.globals.update(
        when=words.when_words,
        about=about_day,
        booking_answers=booking_answers,
        next_tests=next_tests,
        bound=words.bound_words,
        between=_between,
        span=_span,
        rate=wear_words.rate_words,
        grounds=grounds,
        state_tables=state_tables,
        scale_words=wear_words.scale_words,
        effect_tables=wear_words.effect_tables,
        gross_heading=wear_words.gross_heading,
        gross_sentence=wear_words.gross_sentence,
        notes_of=wear_words.notes_of,
        by_position=lambda rows: sorted(rows, key=lambda row: position_order(row.position)),
        by_urgency=lambda rows: sorted(rows, key=lambda row: (urgency(row.worst_state), row.vehicle)),
    )
    return environment
