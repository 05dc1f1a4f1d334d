"""All that a monthly pack shows, as plain values: built once from the store, read by every way of showing it.

Nothing here computes a result. Dates are `datetime.date`, distances are km, levels are in the level unit that
stands beside them, and None means "not recorded" or "not told". Sentences are finished text for a reader.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from wearlab.charts.series import VehicleHistory
from wearlab.pack.wear import WearGroup
from wearlab.study.cautions import every_caution


@dataclass(frozen=True, slots=True)
class Attention:
    """One part that needs somebody's attention."""

    vehicle: str
    position: str
    part: str
    #: word of `wearlab.records.State`
    state: str
    measure: str
    protocol: str
    #: why, as one sentence
    reason: str
    #: early, middle and late date of the crossing (10, 50, 90 %)
    date_p10: date | None = None
    date_p50: date | None = None
    date_p90: date | None = None
    odometer_p50_km: float | None = None
    #: level now with its interval, in `unit`, under the conditions `reference`
    level: float | None = None
    level_low: float | None = None
    level_high: float | None = None
    unit: str = ""
    reference: str = ""
    limit: float | None = None
    #: "above" or "below": the side of the limit that is wrong
    direction: str | None = None
    rule: str | None = None
    limit_version: int | None = None
    limit_source: str = ""
    last_test: date | None = None
    retest_by: date | None = None
    #: why there is no date, one sentence
    no_answer: str | None = None
    #: when to book and how sure that is; why the state is another than in the run before; why to test by then
    booking: str = ""
    changed: str = ""
    retest_why: str = ""


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One vehicle in the fleet table."""

    vehicle: str
    family: str
    depot: str
    last_test: date | None
    #: the most pressing state of its parts; None for a vehicle without any test
    worst_state: str | None
    #: the part behind the worst state, for example "injector 3"
    worst_part: str = ""
    #: the soonest forecast crossing
    next_p10: date | None = None
    next_p50: date | None = None
    next_p90: date | None = None
    retest_by: date | None = None


@dataclass(frozen=True, slots=True)
class SetReading:
    """One position of a test, side by side with the others."""

    position: str
    level: float | None
    part: str = ""
    bound: str | None = None
    resolution: float | None = None
    #: level divided by the median of the set
    of_median: float | None = None
    #: what stands out, a few words ("high: 2.1 times the median"); empty when nothing does
    stands_out: str = ""
    quality: str = "good"


@dataclass(frozen=True, slots=True)
class JudgedSet:
    """The readings of one measure and protocol of a test."""

    measure: str
    protocol: str
    unit: str
    readings: tuple[SetReading, ...]
    median: float | None = None
    #: rail pressure, speed, temperature, duration, rig as recorded: ("rail pressure", "310 bar") pairs
    conditions: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Verdict:
    """One limit rule judged on a test."""

    rule: str
    #: "within limit", "past limit", "past limit, repeat", "cannot be judged", ...
    outcome: str
    sentence: str
    position: str | None = None
    limit_version: int | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class JudgedTest:
    """The last test of a vehicle, judged without a model."""

    tested_on: date
    odometer_km: float | None = None
    sets: tuple[JudgedSet, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    #: what makes this test weak, one sentence each
    weaknesses: tuple[str, ...] = ()
    #: injectors, pump, supply, limiter or regulator, or cannot tell: one sentence
    diagnosis: str = ""
    evidence: tuple[str, ...] = ()
    #: the next test that would separate what is still open
    next_test: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PartRow:
    """A part fitted to the vehicle, now or before, with what is known of its wear."""

    position: str
    part: str
    from_date: date
    to_date: date | None = None
    #: new, rebuilt, used, first test
    start: str = ""
    serial: str | None = None
    part_number: str | None = None


@dataclass(frozen=True, slots=True)
class PartState:
    """Level, rate and forecast of one part in one measure and protocol.

    Three intervals are kept apart: `level_low` to `level_high` holds the true level now, `next_low` to
    `next_high` what one more reading would show, `new_low` to `new_high` the true level of a part
    newly fitted to this vehicle.
    """

    position: str
    part: str
    measure: str
    protocol: str
    unit: str
    state: str
    readings: int
    level: float | None = None
    level_low: float | None = None
    level_high: float | None = None
    next_low: float | None = None
    next_high: float | None = None
    new_low: float | None = None
    new_high: float | None = None
    #: the conditions that levels are told under; empty: as measured
    reference: str = ""
    #: "wear model", or the simple line where the model has no answer
    method: str = ""
    rate: float | None = None
    rate_low: float | None = None
    rate_high: float | None = None
    #: for example "ml/min per 10,000 km"
    rate_unit: str = ""
    limit: float | None = None
    direction: str | None = None
    rule: str | None = None
    limit_version: int | None = None
    limit_source: str = ""
    date_p10: date | None = None
    date_p50: date | None = None
    date_p90: date | None = None
    odometer_p50_km: float | None = None
    retest_by: date | None = None
    no_answer: str | None = None
    #: readings outside the range of correction, shown and kept out of the fit; readings beyond the scale
    outside: int = 0
    beyond: int = 0
    #: why there is no rate of its own
    rate_no_answer: str | None = None
    last_test: date | None = None
    #: why it is in its state; the state of the run before, and why it is another now (None: it is the same)
    cause: str = ""
    state_before: str | None = None
    changed: str | None = None
    retest_why: str = ""
    #: why there is no middle date, or that the vehicle leaves before it
    note: str = ""
    date_p05: date | None = None
    date_p95: date | None = None
    odometer_p05_km: float | None = None
    odometer_p10_km: float | None = None
    odometer_p90_km: float | None = None
    odometer_p95_km: float | None = None
    #: chance of being past the limit: by now, within so many days, before the next planned visit; at the next test
    past: float | None = None
    within_30: float | None = None
    within_90: float | None = None
    within_180: float | None = None
    within_365: float | None = None
    next_visit: date | None = None
    before_visit: float | None = None
    next_reading_past: float | None = None


@dataclass(frozen=True, slots=True)
class VisitRow:
    """One visit in the vehicle's story."""

    day: date
    odometer_km: float | None = None
    reason: str = ""
    complaint: str = ""
    fault_codes: str = ""
    #: the tests made, for example ("return flow, warm idle", "pump rise, bench 20 ml")
    tests: tuple[str, ...] = ()
    #: work done that day, one sentence each
    work: tuple[str, ...] = ()
    note: str = ""
    #: file and row the visit came from
    source: str = ""
    #: of each of `tests` what it was ("return flow, warm idle") and its conditions as recorded, (name, value) pairs
    conditions: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class VehicleView:
    """One vehicle's section of the pack."""

    vehicle: str
    family: str = ""
    depot: str = ""
    cylinders: int | None = None
    duty: str = ""
    fuel_supply: str = ""
    in_service: date | None = None
    warranty_until: date | None = None
    leaves_on: date | None = None
    aliases: tuple[str, ...] = ()
    #: distance a day with its interval, and the odometer expected on the as-of date
    km_per_day: float | None = None
    km_per_day_low: float | None = None
    km_per_day_high: float | None = None
    odometer_now_km: float | None = None
    #: why usage is not known, or what is odd about the meter, one sentence each
    usage_notes: tuple[str, ...] = ()
    worst_state: str | None = None
    last_test: JudgedTest | None = None
    states: tuple[PartState, ...] = ()
    #: readings that have little or no part in the levels, one sentence each
    doubts: tuple[str, ...] = ()
    parts: tuple[PartRow, ...] = ()
    visits: tuple[VisitRow, ...] = ()
    #: what the charts draw; None for a vehicle without readings
    history: VehicleHistory | None = None
    #: what the data could not say about this vehicle, one sentence each
    unsaid: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FileRow:
    """The account of one loaded file: rows read = accepted + flagged + set aside + structure."""

    file: str
    rows_read: int
    accepted: int
    flagged: int
    set_aside: int
    structure: int
    cells_set_aside: int
    readings: int
    questions: int = 0
    layout: str = ""
    loaded_on: date | None = None


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """A question about the sheets that is not answered yet."""

    sentence: str
    #: readings that wait for the answer
    readings: int
    file: str = ""


@dataclass(frozen=True, slots=True)
class Unsaid:
    """Something that the data could not say."""

    #: what it is about, for example "V017 injector 3, return flow, warm idle"
    subject: str
    reason: str
    #: key of the vehicle, when it is about one; becomes a link
    vehicle: str | None = None


@dataclass(frozen=True, slots=True)
class MonthView:
    """What a pack shows of the vehicles one by one, and of the wear model; its first and fleet page stand beside it."""

    #: "October 2026"
    title: str
    as_of: date
    workspace: str
    version: str
    attention: tuple[Attention, ...] = ()
    fleet: tuple[FleetRow, ...] = ()
    vehicles: tuple[VehicleView, ...] = ()
    wear: tuple[WearGroup, ...] = ()
    cautions: tuple[str, ...] = field(default_factory=every_caution)
    #: name and value of every setting the numbers rest on
    settings: tuple[tuple[str, str], ...] = ()
