"""The fleet page of a month: wear, states, crossings, rigs and data quality, from the store and a run."""

from __future__ import annotations

from pipelines.steps.month_quality import data_quality
from pipelines.steps.month_rigs import rig_section
from pipelines.steps.month_states import crossings_ahead, states_over_time
from pipelines.steps.month_wear import wear_notes, wear_sections
from pipelines.steps.vehicle_view import FleetFacts
from wearlab.pack.fleet_page import FleetPage
from wearlab.store.database import Database


def fleet_page(db: Database, fleet: FleetFacts) -> FleetPage:
    """Return the fleet page as of the fleet's day; `fleet` holds all vehicles."""
    wear, unsaid = wear_sections(db, fleet)
    return FleetPage(
        as_of=fleet.as_of,
        wear=wear,
        states=states_over_time(db, fleet),
        crossings=crossings_ahead(fleet),
        rigs=rig_section(db, fleet),
        quality=data_quality(db, fleet),
        unsaid=unsaid,
        wear_notes=wear_notes(fleet.settings) if wear else (),
    )
