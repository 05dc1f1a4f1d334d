"""The four kinds of page of a pack as text: the one that decides, the fleet, one vehicle, and what it rests on.

Every page needs nothing else: no network, no other file but the pages it links to; its one script sorts and filters
tables and may be missing. All text of a view is shown as text.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import count
from typing import Any

from wearlab.language import speaking
from wearlab.pack.environment import environment, inline
from wearlab.pack.fleet_pictures import fleet_pictures
from wearlab.pack.pack_view import Head, PackView, VehicleSheet
from wearlab.pack.pictures import vehicle_pictures
from wearlab.pack.state_columns import CALM, shown_table
from wearlab.pack.state_tables import state_tables
from wearlab.pack.view import JudgedTest

FIRST, FLEET, ABOUT = "index.html", "fleet.html", "about.html"

#: signals that the first page tells in full, the newest; more are folded away
SIGNALS = 6

#: how much of what is on screen is printed at most, the most pressing of it: two sides decide, a vehicle has one
PAPER = {"tests": 8, "changes": 8, "signals": 3, "vehicles": 80}
PAPER_VEHICLE = {"sentences": 6, "signals": 2, "pictures": 2}
#: visits that are told at once and printed: of a vehicle with more to tell, fewer
VISITS, VISITS_BESIDE = 3, 2

_COUNTED = (
    "rows_read", "accepted", "flagged", "set_aside", "structure", "cells_set_aside", "readings", "questions",
)  # fmt: skip


def first_html(view: PackView, names: Mapping[str, str]) -> str:
    """Return the first page; `names` holds the path of each vehicle's page below the pack's folder."""
    page = view.first
    # what can wait for its day is folded away: the page is to decide
    now = [row.overdue or (row.retest_by is not None and row.retest_by <= page.as_of) for row in page.tests]
    return _page(
        "first.html", view.head, FIRST, names, page=page, most=SIGNALS, paper=PAPER,
        soon=[row for row, pressing in zip(page.tests, now, strict=True) if pressing],
        later=[row for row, pressing in zip(page.tests, now, strict=True) if not pressing],
    )  # fmt: skip


def fleet_html(view: PackView, names: Mapping[str, str]) -> str:
    """Return the fleet page."""
    return _page(
        "fleet.html", view.head, FLEET, names, script=True, paper=PAPER,
        page=view.fleet, month=view.month, drawn=fleet_pictures(view.fleet),
        shared=view.signals(None), totals=_totals(view), left_out=len(view.month.vehicles) - len(view.shown),
    )  # fmt: skip


def about_html(view: PackView, names: Mapping[str, str]) -> str:
    """Return the page of what the pack rests on."""
    return _page("about.html", view.head, ABOUT, names, page=view.about, month=view.month)


def vehicle_html(sheet: VehicleSheet) -> str:
    """Return one vehicle's page, drawn here, in the language of the sheet."""
    vehicle = sheet.vehicle
    with speaking(sheet.head.language, sheet.head.locale):
        tables = state_tables(vehicle.states)
        asks = [row for row in vehicle.states if row.state not in CALM]
        return _page(
            "vehicle_page.html", sheet.head, "", {}, root="../",
            sheet=sheet, vehicle=vehicle, paper=PAPER_VEHICLE, quiet=CALM, asks=asks,
            recent=VISITS_BESIDE if asks or sheet.signals else VISITS,
            calm=[row for row in vehicle.states if row.state in CALM],
            shared=_shared(vehicle.last_test),
            drawn=vehicle_pictures(vehicle.history, sheet.signalled),
            tables=[shown_table(table, sheet.head.as_of) for table in tables],
        )  # fmt: skip


def _shared(test: JudgedTest | None) -> list[tuple[str, str]]:
    """The conditions that every set of a test has alike, said once; none where there is one set."""
    told = [one.conditions for one in test.sets] if test else []
    return [pair for pair in told[0] if all(pair in other for other in told[1:])] if len(told) > 1 else []


def _totals(view: PackView) -> dict[str, int]:
    return {name: sum(getattr(file, name) for file in view.fleet.quality.files) for name in _COUNTED}


def _page(
    template: str, head: Head, here: str, names: Mapping[str, str], *, root: str = "", script: bool = False, **told: Any
) -> str:
    # a vehicle's page has no lists of vehicles, and there are many of it
    css, css_hash = inline("pack.css", "lists.css") if here else inline("pack.css")
    js, js_hash = inline("tables.js")
    return (
        environment()
        .get_template(template)
        .render(
            head=head,
            here=here,
            root=root,
            names=names,
            css=css,
            css_hash=css_hash,
            charts=count(1),
            js=js if script else "",
            js_hash=js_hash if script else "",
            **told,
        )
    )
