"""How a sheet numbers its cylinders, where a person said so of its layout."""

from __future__ import annotations

from dataclasses import replace

from pipelines.sheets.known import Known
from pipelines.sheets.layout import Numbering
from pipelines.sheets.match import Match
from pipelines.sheets.replies import NO


def numbered(match: Match, known: Known) -> Match:
    """Return a match whose layout numbers cylinders as was answered: "1-3-4-2", "from 4", or "no" for as written."""
    said = known.reply("numbering", match.layout.name)
    if said is None or said == NO:
        return match
    if said.startswith("from "):
        positions = Numbering(from_other_end=int(said.removeprefix("from ")))
    else:
        positions = Numbering(firing_order=tuple(int(part) for part in said.split("-")))
    return replace(match, layout=match.layout.model_copy(update={"positions": positions}))
