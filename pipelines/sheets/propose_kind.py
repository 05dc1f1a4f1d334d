"""What kind of sheet it is, and what each header can mean once the cells below it are seen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from pipelines.sheets.fields import DATES, QUANTITY
from pipelines.sheets.propose_cells import DATE, Column
from pipelines.sheets.propose_header import Header
from pipelines.sheets.propose_words import plain, word_set
from wearlab.config import Settings

#: Measures that a column without a number can hold by its header.
PUMPS = ("pump_peak", "pump_rise", "pump_hold")
_HALF = 0.5
_NEARLY_ALL = 0.9  # of the cells: what they say makes up for a header that says nothing
_FEW = 0.3
_DATE_CONCEPTS = DATES | {"other_date", "planned"}
#: Concepts and fields whose cells are numbers.
NUMERIC = frozenset(QUANTITY) | word_set(
    "coolant_temp pump_peak pump_hold pump_rise return_flow total mean value correction repeat cylinders "
    "on_hand on_order row_number area calibrate_every"
)
_GENERIC = ("what", "measure", "driven", "protocol", "kind")
_REGISTER = word_set(
    "family cylinders depot duty fuel_supply in_service odometer_start original_parts warranty_until leaves_on alias "
    "plate valid_from"
)
_TESTS_ONLY = word_set("driven measure protocol duration rail speed battery supply return_flow total") | set(PUMPS)
_RIGS = word_set("tube graduation area bore dead limiter gauge calibrated calibrate_every")
_WORKS = word_set("serial_in serial_out position_to part_number meter_before meter_after origin position")


@dataclass(frozen=True, slots=True)
class Candidate:
    """A column with what it can be: concepts of the word tables, best first, that its cells do not contradict."""

    column: Column
    header: Header
    meanings: tuple[tuple[str, float], ...]

    def score(self, concept: str) -> float:
        """Return how well a concept fits, 0 when it does not."""
        return dict(self.meanings).get(concept, 0.0)


def candidate(column: Column, header: Header, settings: Settings, *, workbook: bool) -> Candidate:
    """Sort out what the cells of a column contradict, and let them choose between words such as "test" and "type"."""
    kept = [pair for pair in header.meanings if fits(pair[0], column, workbook=workbook)]
    shares = (column.packed, column.measures, column.drives, column.works)
    if not header.meanings and header.cylinder is None and not column.empty and max(shares) >= _NEARLY_ALL:
        kept = [(chosen, _HALF + 0.1)] if (chosen := _by_cells(column, settings)) is not None else []
    generic = max((score for name, score in header.meanings if name in _GENERIC), default=0.0)
    if generic >= _HALF:
        chosen = _by_cells(column, settings)
        if chosen is not None:
            kept = [(chosen, generic), *(pair for pair in kept if pair[0] not in _GENERIC)]
        elif any(name == "driven" for name, _ in header.meanings) and column.figures < _HALF:
            kept.append(("protocol", generic - 0.05))
    if header.meanings and not kept and column.dates >= 0.8:
        kept = [("date", 0.4)]
    return Candidate(column, header, tuple(sorted(kept, key=lambda pair: -pair[1])))


def _by_cells(column: Column, settings: Settings) -> str | None:
    if column.packed >= _HALF:
        return "what"
    if column.measures >= _HALF:
        return "measure"
    names = {plain(word) for name, one in settings.protocols.items() for word in (name, *one.also_called)}
    if column.share("protocols", lambda text: plain(text) in names) >= _HALF:
        return "protocol"
    if column.drives >= _HALF:
        return "driven"
    if column.works >= _HALF:
        return "kind"
    if max(column.measures, column.drives, column.works) >= _FEW:
        return max(
            ("measure", column.measures), ("driven", column.drives), ("kind", column.works), key=lambda pair: pair[1]
        )[0]
    return None


def fits(concept: str, column: Column, *, workbook: bool) -> bool:
    """Whether the cells of a column can be what a header says; a column without cells contradicts nothing."""
    if column.empty:
        return True
    if concept in _DATE_CONCEPTS:
        serial = workbook and column.share("serials", lambda text: text.isdecimal() and len(text) == 5) >= _HALF
        return column.dates >= _HALF or column.typed > 0 or serial
    if concept in NUMERIC:
        return column.figures >= _HALF and not (column.typed and column.dates >= _HALF)
    if concept == "unit":
        return column.units >= _HALF
    if concept in ("measure", "driven", "what"):
        return {"measure": column.measures, "driven": column.drives, "what": column.packed}[concept] >= _FEW
    if concept in ("position", "position_to"):
        return column.positions >= _HALF
    if concept in ("protocol", "kind", "visit_kind"):
        return column.figures < _HALF and column.dates < _HALF
    if concept in ("vehicle", "number", "plate"):
        return column.dates < _HALF and column.units < 0.9
    return True


def kind_of(candidates: list[Candidate], as_of: date) -> tuple[str | None, str]:
    """Return the kind of sheet with the reason, or None with what was understood.

    A register or log with columns that only tests have would lose them unsaid, so its kind is not clear.
    """
    kind, why = _likely_kind(candidates, as_of)
    strange = [
        one.column.name
        for one in candidates
        if one.meanings and one.meanings[0][0] in _TESTS_ONLY and one.meanings[0][1] >= _HALF and not one.column.empty
    ]
    if kind in ("vehicles", "odometer", "visits", "stock") and strange:
        return None, f"{kind} would be {why}, but only tests have the columns {', '.join(strange[:8])}"
    return kind, why


def _likely_kind(candidates: list[Candidate], as_of: date) -> tuple[str | None, str]:
    scores: dict[str, float] = {}
    for one in candidates:
        for concept, score in one.meanings:
            scores[concept] = max(scores.get(concept, 0.0), score)
    has = {concept for concept, score in scores.items() if score >= _HALF}
    best = {one.meanings[0][0] for one in candidates if one.meanings}
    cylinders = [one.header.cylinder for one in candidates if one.header.cylinder is not None]
    marked = any(one.header.cylinder is not None and one.header.marked for one in candidates)
    readings = marked or len(cylinders) >= 3 or bool({"return_flow", "total", *PUMPS} & best)
    runs = any(one.header.run is not None for one in candidates) and "position" in best
    readings = readings or runs
    beside = {"position", "measure", "unit", "duration", "driven", "protocol"} & best
    # "quantity" is as good a word for what lies on a shelf
    valued = scores.get("value", 0.0) >= 0.8 and ("on_hand" not in has or bool({"position", "measure", "unit"} & best))
    vehicle = bool({"vehicle", "plate", "number"} & has)
    dated = "date" in has or any(one.column.dates >= 0.8 for one in candidates)
    if (
        "part_number" in has
        and {"on_hand", "on_order", "due_on"} & has
        and not readings
        and not {"serial_in", "serial_out"} & has
    ):
        return "stock", "part numbers with what is on hand or on order"
    if "rig" in has and _RIGS & has and not readings and not beside - {"unit"} and "vehicle" not in has:
        return "rigs", "rigs with what they are"
    if (readings or valued or ("position" in beside and len(beside) > 1)) and (vehicle or dated):
        return "tests", "readings of cylinders or of the pump"
    if {"planned", "visit_kind"} & has and vehicle and not {"litres"} & has and "kind" not in best:
        return "visits", "vehicles with planned dates"
    if dated and "kind" in has and (_WORKS & has or any(one.column.works >= _FEW for one in candidates)):
        return "events", "work with its date"
    register = _REGISTER & has
    if vehicle and dated and {"odometer", "engine_hours", "litres"} & has and len(register) < 3:
        return "odometer", "meter readings or fuel with their dates"
    if vehicle and (len(register) >= 2 or (register and not dated)):
        return "vehicles", "vehicles with what they are"
    if vehicle and dated and _later(candidates, as_of):
        return "visits", "vehicles with dates to come"
    if dated and "kind" in has and vehicle:
        return "events", "vehicles, dates and kinds of work"
    understood = sorted({one.column.name for one in candidates if one.meanings})
    return (
        None,
        f"understood are only the columns {', '.join(understood[:8])}" if understood else "no column is understood",
    )


def _later(candidates: list[Candidate], as_of: date) -> bool:
    """Whether most dates of a column with the year first lie after the as-of date."""
    for one in candidates:
        days = [
            text[:10] for text in one.column.told if DATE.fullmatch(text) and text[:4].isdecimal() and text[4:5] == "-"
        ]
        if days and sum(day > (as_of + timedelta(days=1)).isoformat() for day in days) > _HALF * len(days):
            return True
    return False
