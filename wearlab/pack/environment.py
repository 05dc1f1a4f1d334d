"""The one Jinja environment of all pages: text is shown as text, an unknown name in a template is an error."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from wearlab.charts import words
from wearlab.language import _, _h, _n, listed, localised, msg, number
from wearlab.pack import page_words, wear_words
from wearlab.pack.answers import booking_answers, next_tests
from wearlab.pack.booking import about_day
from wearlab.pack.inline_svg import inline_svg
from wearlab.pack.links import anchor
from wearlab.pack.order import mark, urgency
from wearlab.pack.pictures import position_order
from wearlab.records import STATE_MARK

#: words of closed sets that a page translates where it shows them, and that are marked nowhere else
SHOWN = (msg("never tested"), msg("overdue"), msg("stale"), msg("left out"), msg("doubted"))


@cache
def inline(*names: str) -> tuple[Markup, str]:
    """Return style sheets or scripts of the templates' folder as one, and its digest for the content policy."""
    folder = resources.files("wearlab.pack").joinpath("templates")
    text = "".join(folder.joinpath(name).read_text(encoding="utf-8") for name in names)
    return Markup(text), base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def slug(state: str | None) -> str:
    """Return a state's word as a class name."""
    return (state or "none").replace(" ", "-") if state in STATE_MARK else "none"


def _showable(value: Any) -> Any:
    """Take control signs and broken characters, which no page may hold, out of text that is not markup."""
    return words.cell(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _marked(message: str, /, **places: object) -> Markup:
    """As `_h`, and what fills a place is showable as well."""
    return _h(message, **{name: _showable(value) for name, value in places.items()})


@cache
def environment() -> Environment:
    """Return the environment with the filters and functions that templates use."""
    made = Environment(
        loader=PackageLoader("wearlab.pack", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_showable,
    )
    filters: dict[str, Callable[..., Any]] = {
        "day": words.day_words,
        "month": words.month_words,
        "km": words.km_words,
        "level": words.level_words,
        "limit": words.limit_words,
        "measure": words.measure_words,
        "position": words.position_words,
        "mark": mark,
        "urgency": urgency,
        "anchor": anchor,
        "slug": slug,
        "identity": page_words.identity,
        "dated": words.dated,
        "first_up": lambda text: text[:1].upper() + text[1:],
        "listed": listed,
        "inline": lambda chart, names: Markup(inline_svg(chart, f"c{next(names)}")),
    }
    made.filters.update(filters)
    # they look the language up whenever they are called: the environment outlives a language
    made.globals.update(_=_, _n=_n, _h=_marked, number=number, localised=localised)
    made.globals.update(
        when=words.when_words,
        about=about_day,
        booking_answers=booking_answers,
        next_tests=next_tests,
        bound=words.bound_words,
        between=page_words.between,
        span=page_words.span,
        grounds=page_words.grounds,
        always=page_words.always,
        varying=page_words.varying,
        table_summary=page_words.table_summary,
        scale_words=wear_words.scale_words,
        effect_tables=wear_words.effect_tables,
        gross_heading=wear_words.gross_heading,
        gross_sentence=wear_words.gross_sentence,
        notes_of=wear_words.notes_of,
        by_position=lambda rows: sorted(rows, key=lambda row: position_order(row.position)),
        by_urgency=lambda rows: sorted(rows, key=lambda row: (urgency(row.worst_state), row.vehicle)),
    )
    return made
