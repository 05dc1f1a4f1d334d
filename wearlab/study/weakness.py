"""What makes a test weak: conditions that make its readings smaller, larger or less certain than they look.

None of these figures passes or fails a vehicle. They only say how far a test can be trusted and what to do better.
Each has its source, or says "common practice, no source".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from wearlab.config import Spread
from wearlab.language import _, localised, msg, number
from wearlab.records import Bound, Measure
from wearlab.study.facts import AsTested, FamilyFacts, MeasuredSet, VisitFacts, drive_name, figure, names
from wearlab.study.reading_error import Averaged, average, relative_spread, standard_error
from wearlab.study.supply import SUPPLY_PRESSURE, supply_facts

PRACTICE = msg("common practice, no source")
#: Coolant below this is not "fully warm" (75 to 80 degC in workshop procedures).
WARM_COOLANT_C = 75.0
#: Fuel outside this reads clearly low or high: 1.9 to 2.3 % per K of laminar leakage near 40 degC (computed).
FUEL_COLD_C, FUEL_HOT_C = 25.0, 60.0
#: One second of a hand-held watch is 5 % of this duration (arithmetic).
SHORT_S = 20.0
#: Cranking speed an engine maker states for its return-flow limits while cranking.
SLOW_CRANK_RPM = 150.0
#: Battery while cranking (common practice, no source).
LOW_BATTERY_V = 10.0
#: Return line pressure below which a hydraulic coupler is not filled (an engine maker's fuel-return
#: description).
PIEZO_BACK_BAR = 4.0
#: Half a graduation that is more than this of a reading makes the reading coarse.
COARSE = 0.10
#: Two repeats of one standard deviation differ by less than 2.8 of it in 95 of 100 cases (ISO 5725-6, 4.1.4).
REPEAT_FACTOR = 2.8
#: More than this a day between two visits is no driving (common practice, no source).
ODD_KM_PER_DAY = 2000.0


@dataclass(frozen=True, slots=True)
class Weakness:
    """One weak point: short `code`, its test ("visit" for all), what is weak, what to do, source."""

    code: str
    test: str
    sentence: str
    remedy: str
    source: str


def weaknesses(visit: VisitFacts, family: FamilyFacts, spread: Spread) -> tuple[Weakness, ...]:
    """Return what is weak about the tests of a visit, tests in their order, then the visit itself."""
    found: list[Weakness] = []
    for test in visit.tests:
        found += _test(test, family, spread)
    found += _visit(visit)
    return tuple(found)


def cranking_state(conditions: AsTested) -> str:
    """Return "slow", "good" or "unknown" for how the starter turned the engine during a test."""
    if conditions.driven not in (None, "crank", "bench"):
        return "good"
    speed, battery = conditions.speed_rpm, conditions.battery_v
    if (speed is not None and speed < SLOW_CRANK_RPM) or (battery is not None and battery < LOW_BATTERY_V):
        return "slow"
    return "unknown" if speed is None else "good"


def open_piezo(conditions: AsTested, family: FamilyFacts) -> bool:
    """Whether piezo injectors were measured without a return pressure that is known to be enough."""
    if not (family.injector or "").startswith("piezo"):
        return False
    return conditions.back_pressure_bar is None or conditions.back_pressure_bar < PIEZO_BACK_BAR


#: code, sentence, remedy, source
_Point = tuple[str, str, str, str]


def _test(test: MeasuredSet, family: FamilyFacts, spread: Spread) -> list[Weakness]:
    conditions = test.conditions
    points: list[_Point] = []
    if conditions.driven is None:
        points.append(
            (
                "unknown drive",
                _("How the engine was driven is not recorded."),
                _("Record crank, idle or raised."),
                _(PRACTICE),
            )
        )
    if conditions.measure == Measure.RETURN_FLOW:
        points += _return_flow(conditions, family)
    elif conditions.measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE, Measure.PUMP_HOLD):
        points += _pump(conditions)
    if conditions.driven == "crank" or conditions.measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE):
        points += _cranking(conditions)
    points += _readings(average(test, spread), relative_spread(conditions, spread), conditions)
    label = drive_name(conditions)
    return [Weakness(code, label, sentence, remedy, source) for code, sentence, remedy, source in points]


def _return_flow(conditions: AsTested, family: FamilyFacts) -> Iterator[_Point]:
    warm_running = conditions.driven in ("idle", "raised")
    temperature = conditions.fuel_temp_c
    if temperature is None:
        yield (
            "no temperature",
            _("Fuel temperature not recorded: cold fuel reads low, hot fuel reads high."),
            _("Record the fuel temperature and where it was taken."),
            _("thin-gap flow and fuel viscosity, computed: about 2 % per K near 40 degC"),
        )
    elif conditions.temp_kind == "coolant":
        if warm_running and temperature < WARM_COOLANT_C:
            yield (
                "cold",
                _(
                    "Coolant {degrees} degC: the engine was not fully warm, returns read low.",
                    degrees=figure(temperature),
                ),
                _("Repeat with the engine fully warm."),
                _("workshop procedures quoted in public training pages (75 to 80 degC)"),
            )
    elif temperature < FUEL_COLD_C:
        yield (
            "cold",
            _("Fuel {degrees} degC: cold fuel reads low, a leak can hide.", degrees=figure(temperature)),
            _("Repeat with the engine warm."),
            _("fuel viscosity, computed; the figure of 25 degC is common practice, no source"),
        )
    elif temperature > FUEL_HOT_C:
        yield (
            "hot",
            _("Fuel {degrees} degC: hot, thin fuel reads high on every cylinder.", degrees=figure(temperature)),
            _("Compare only with tests as hot, or repeat nearer to the temperature of your limit."),
            _("fuel viscosity, computed; the figure of 60 degC is common practice, no source"),
        )
    if conditions.rail_bar is None:
        cranked = conditions.driven == "crank"
        yield (
            "no pressure",
            _("Rail pressure not recorded: a low return while cranking proves nothing.")
            if cranked
            else _("Rail pressure not recorded: the readings may belong to another pressure."),
            _("Read the rail pressure during the test and write it down."),
            _(PRACTICE),
        )
    if conditions.duration_s is None:
        yield ("no duration", _("Duration not recorded: volumes are no rates."), _("Time the test."), _(PRACTICE))
    elif conditions.duration_s < SHORT_S:
        yield (
            "short",
            _(
                "Only {seconds} s: one second by hand is {percent} %, and a hose swallows 2 to 10 ml first.",
                seconds=figure(conditions.duration_s),
                percent=figure(100 / conditions.duration_s),
            ),
            _("Measure longer, with hoses filled beforehand."),
            _("arithmetic; hose volume from memory, unverified"),
        )
    if conditions.driven == "crank" and conditions.injectors_connected is None:
        yield (
            "connected?",
            _("Not recorded whether the injectors were electrically connected."),
            _("Record whether injectors are connected: connected ones also return their control flow."),
            _(PRACTICE),
        )
    if open_piezo(conditions, family):
        back = conditions.back_pressure_bar
        yield (
            "piezo without back pressure",
            _("Piezo injectors with return pressure not recorded: an open bottle changes what is measured.")
            if back is None
            else _(
                "Piezo injectors with return pressure only {bar} bar: an open bottle changes what is measured.",
                bar=figure(back),
            ),
            _("Use a rig that holds the return pressure the maker asks for (4 to 11 bar on one engine)."),
            _("an engine maker's fuel-return description"),
        )


def _pump(conditions: AsTested) -> Iterator[_Point]:
    supply = supply_facts(conditions, ())
    open_ = [name for name in supply.unknown if name != SUPPLY_PRESSURE or conditions.supply_bar is None]
    if open_ and conditions.measure != Measure.PUMP_HOLD:
        yield (
            "supply not recorded",
            _(
                "Not recorded: {conditions}. A starved pump looks like a worn one.",
                conditions=", ".join(_(name) for name in open_),
            ),
            _("Measure the supply pressure, look at the filter and for air, and write all three down."),
            _(PRACTICE),
        )
    if conditions.volume_ml is None:
        yield (
            "no volume",
            _("Closed volume not recorded: the time to a pressure grows with it."),
            _("Record the rig or its volume."),
            _("computed from the compressibility of fuel"),
        )
    if conditions.metering_valve is None:
        yield (
            "metering valve?",
            _("Not recorded what was done with the metering valve."),
            _("Record unplugged, dummy or driven: unplugged means full delivery on one kind and none on another."),
            _(PRACTICE),
        )
    if conditions.measure == Measure.PUMP_RISE and conditions.rise_to_bar is None:
        yield (
            "rise to?",
            _("Not recorded to which pressure the rise was timed."),
            _("Record the pressure the time was taken to."),
            _(PRACTICE),
        )


def _cranking(conditions: AsTested) -> Iterator[_Point]:
    if conditions.speed_rpm is None:
        yield (
            "no speed",
            _("Cranking speed not recorded: pressure follows it."),
            _("Record the cranking speed."),
            _(PRACTICE),
        )
    elif conditions.speed_rpm < SLOW_CRANK_RPM:
        yield (
            "slow cranking",
            _("Cranked at only {speed} rpm: pressure and returns read low.", speed=figure(conditions.speed_rpm)),
            _("Charge the battery, check the starter, repeat."),
            _("an engine maker's instruction on return flow refers to 150 rpm"),
        )
    if conditions.battery_v is None:
        yield (
            "no battery",
            _("Battery voltage while cranking not recorded."),
            _("Record the voltage while cranking."),
            _(PRACTICE),
        )
    elif conditions.battery_v < LOW_BATTERY_V:
        yield (
            "low battery",
            _(
                "Battery at {volts} V while cranking: the starter turns too slowly.",
                volts=figure(conditions.battery_v),
            ),
            _("Charge the battery or connect a charger, repeat."),
            _(PRACTICE),
        )


def _readings(reads: Mapping[str, Averaged], relative: float, conditions: AsTested) -> Iterator[_Point]:
    if reads and all(read.repeats == 1 for read in reads.values()):
        yield (
            "single",
            _("Measured once: a fault of hose, tube or watch cannot be told from a fault of the part."),
            _("Measure twice; drop the first run, which fills the hoses."),
            _(PRACTICE),
        )
    apart = [
        read.position
        for read in reads.values()
        if read.spread_found is not None and read.spread_found > REPEAT_FACTOR * _relative_error(read, relative)
    ]
    if apart:
        yield (
            "repeats apart",
            _("The repeats of {who} differ by more than repeatability explains.", who=names(apart)),
            _("Measure a third time and look for the cause (air, hose, watch)."),
            _("repeatability limit of ISO 5725-6, with the spread assumed in wearlab.toml"),
        )
    doubted = [read.position for read in reads.values() if read.doubt is not None]
    if doubted:
        yield (
            "doubtful",
            _("Doubtful reading at {who}: not used.", who=names(doubted)),
            _("Repeat the test."),
            _(PRACTICE),
        )
    coarse = [
        read.position
        for read in reads.values()
        if read.measured and read.resolution is not None and read.resolution / 2 > COARSE * read.value
    ]
    if coarse:
        yield (
            "coarse",
            _(
                "Half a graduation is more than {percent} % of the reading at {who}.",
                percent=localised(f"{100 * COARSE:g}"),
                who=names(coarse),
            ),
            _("Measure longer or use a narrower tube."),
            _("arithmetic"),
        )
    if conditions.measure == Measure.PUMP_PEAK and any(read.bound == Bound.AT_LEAST for read in reads.values()):
        yield (
            "at the limiter",
            _('The peak stands at the limiter or the end of the scale: it is an "at least".'),
            _("Time the rise to a stated pressure; it says more than the peak."),
            _(PRACTICE),
        )


def _relative_error(read: Averaged, relative: float) -> float:
    return standard_error(read.value, relative, read.resolution) / read.value if read.value > 0 else relative


def _visit(visit: VisitFacts) -> Iterator[Weakness]:
    def weak(code: str, sentence: str, remedy: str) -> Weakness:
        return Weakness(code, "visit", sentence, remedy, _(PRACTICE))

    here, before = visit.odometer_km, visit.last_odometer_km
    if here is None:
        if visit.engine_hours is None:
            yield weak(
                "no odometer",
                _("Odometer not recorded: this test has no place in the trend."),
                _("Record the odometer."),
            )
        return
    if before is None or visit.last_tested_on is None:
        return
    days = (visit.tested_on - visit.last_tested_on).days
    driven = here - before
    if driven < 0:
        yield weak(
            "odometer",
            _(
                "Odometer {here} km is {less} km less than on {day}.",
                here=number(here),
                less=number(-driven),
                day=visit.last_tested_on,
            ),
            _("Check the figure; if the meter was replaced, enter it as work."),
        )
    elif driven > ODD_KM_PER_DAY * max(days, 1):
        yield weak(
            "odometer",
            _(
                "Odometer {here} km: {driven} km since {day} is no driving.",
                here=number(here),
                driven=number(driven),
                day=visit.last_tested_on,
            ),
            _("Check the figure for a slipped digit or another unit."),
        )
