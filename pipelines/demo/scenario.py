"""What the demo invents: families, rigs, dates, limits, the size of every effect, and how much is planted.

Nothing here describes a real engine. Levels are of the size that the trade sees (8 to 30 ml/min at warm idle,
1000 to 1600 bar on a closed volume); every limit is made up for the demo but the engine totals while cranking.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

SEED = 20261031
START = date(2020, 11, 1)
AS_OF = date(2026, 10, 31)
#: the truth is followed further, so that forecasts made on AS_OF can be scored
HORIZON = date(2036, 10, 31)
DEPOTS = ("North", "Lake", "Mill")
#: kilometres relative to the duty's usual ones
DEPOT_USE = {"North": 1.0, "Lake": 0.92, "Mill": 1.08}
TECHNICIANS = {"North": ("N1", "N2"), "Lake": ("L1", "L2", "L3"), "Mill": ("M1", "M2")}


@dataclass(frozen=True, slots=True)
class EngineFamily:
    """One engine family. Rates are log units per 10,000 km on the parts' own distance since new."""

    name: str
    letter: str
    cylinders: int
    per_depot: int
    idle_new_ml: float  # ml in 60 s at the reference conditions
    idle_rate: float
    idle_limit_ml: float
    crank_leak_ml: float  # ml in 30 s of one new injector at the reference pressure
    crank_delivery_ml: float  # ml in 30 s of a new pump at the usual cranking speed
    crank_rpm: float
    peak_new_bar: float
    pump_rate: float
    peak_limit_bar: float
    rise_new_s: float
    rise_limit_s: float
    start_km: tuple[float, float]
    duties: dict[str, float]  # km a year


VAN = EngineFamily(
    name="four-cylinder van",
    letter="V",
    cylinders=4,
    per_depot=12,
    idle_new_ml=8.0,
    idle_rate=0.030,
    idle_limit_ml=28.0,
    crank_leak_ml=2.4,
    crank_delivery_ml=18.0,
    crank_rpm=212.0,
    peak_new_bar=1900.0,
    pump_rate=0.008,
    peak_limit_bar=1200.0,
    rise_new_s=0.90,
    rise_limit_s=1.6,
    start_km=(30_000.0, 65_000.0),
    duties={"farm rounds": 27_000.0, "sample runs": 31_000.0},
)
TRUCK = EngineFamily(
    name="six-cylinder truck",
    letter="T",
    cylinders=6,
    per_depot=8,
    idle_new_ml=9.0,
    idle_rate=0.018,
    idle_limit_ml=36.0,
    crank_leak_ml=2.6,
    crank_delivery_ml=27.0,
    crank_rpm=196.0,
    peak_new_bar=2050.0,
    pump_rate=0.005,
    peak_limit_bar=1250.0,
    rise_new_s=1.10,
    rise_limit_s=2.1,
    start_km=(70_000.0, 130_000.0),
    duties={"farm rounds": 45_000.0, "trunk to dairy": 56_000.0},
)
FAMILIES = (VAN, TRUCK)


@dataclass(frozen=True, slots=True)
class DemoRig:
    """The rig of one workshop; the closed volume is 20 ml everywhere."""

    name: str
    depot: str
    tube_ml: float
    graduation_ml: float
    crank_s: float
    limiter_bar: float
    gauge_bar: float


RIGS = {
    "North": DemoRig("R-north", "North", 40.0, 0.5, 30.0, 1600.0, 10.0),
    "Lake": DemoRig("R-lake", "Lake", 40.0, 1.0, 15.0, 1600.0, 10.0),
    "Mill": DemoRig("R-mill", "Mill", 40.0, 0.5, 15.0, 1500.0, 10.0),
}

# reference conditions of the idle test, and how a reading leaves them
IDLE_S = 60.0
IDLE_RAIL_BAR = 280.0
IDLE_TEMP_C = 45.0
PRESSURE_EXPONENT = 0.95
VISCOSITY_EXPONENT = 0.65
CRANK_RAIL_MOST_BAR = 900.0
#: most that a whole engine may return in 30 s while cranking, by its cylinders: figures that were published for
#: cranking at 150 rpm (an engine maker's special instruction); above them that pump cannot keep up
CRANK_TOTAL_MOST_ML = {4: 25.0, 6: 38.0}
PUMP_TEMP_C = 15.0
PUMP_VISCOSITY_EXPONENT = 0.10
#: a pump that has lost one log unit of peak takes this many log units longer to reach the stated pressure
RISE_PER_PEAK = 1.25
RISE_TO_BAR = 1000.0

# spreads, log units unless said otherwise
VEHICLE_LEVEL_SD = 0.05
PART_LEVEL_SD = 0.09
VEHICLE_RATE_SD = 0.08  # shares of the family's rate
PART_RATE_SD = 0.12
LEVEL_RATE_CORRELATION = 0.3
RATE_SHARE = (0.7, 1.3)  # an ordinary part's rate over the family's
PATH_SD = 0.014  # Wiener path, per square root of 10,000 km
VISIT_SD = 0.035
PART_VISIT_SD = 0.035
#: share of idle tests that ran for two minutes instead of one
FORGOTTEN_WATCH = 0.008
READING_SD = {"idle": 0.05, "crank": 0.08, "peak": 0.02, "rise": 0.04}
PUMP_LEVEL_SD = 0.05
PUMP_PATH_SD = 0.008

# planted
FAST_INJECTORS = {"V": 5, "T": 3}
FAST_FACTOR = 2.0
WEAK_PUMPS = {"V": 1, "T": 1}
WEAK_FACTOR = 3.0
REPLACED_INJECTORS = 11
REPLACED_PUMPS = 1
CONTAMINATED_DEPOT = "Lake"
CONTAMINATED_ABOUT = date(2023, 6, 7)
CONTAMINATED_DAYS = 10
CONTAMINATION_STEP = 0.20
DRIFTING_DEPOT = "Lake"
DRIFT_FROM = date(2022, 9, 1)
DRIFT_UNTIL = date(2024, 3, 15)  # the calibration
DRIFT_SHARE = 0.08

#: road failures per 10,000 km that a part runs beyond its limit, and per 10,000 km of a vehicle for other reasons
ROAD_BEYOND = 0.25
ROAD_BACKGROUND = 0.003

#: part numbers by the family's letter and whether it is the pump
PART_NUMBERS = {("V", False): "IV-20", ("T", False): "IT-30", ("V", True): "PV-20", ("T", True): "PT-30"}
#: an older number and the one that is ordered in its place
SUPERSEDED = {"IV-19": "IV-20"}
#: the shelf: number, parts on it, on order, days until they are due, remark
SHELF = (
    ("IV-19", 1, 0, 0, "still fits"),
    ("IV-20", 1, 2, 18, ""),
    ("IT-30", 2, 0, 0, ""),
    ("PV-20", 0, 1, 12, ""),
    ("PT-30", 1, 0, 0, ""),
)


def viscosity(celsius: float) -> float:
    """Kinematic viscosity (mm2/s) of the demo's fuel: ASTM D341 through 2.8 at 40 C and 1.15 at 100 C.

    The generator has its own copy, so that the truth does not lean on the code that it is there to check.
    """
    from math import log10

    def height(nu: float) -> float:
        return log10(log10(nu + 0.7))

    low, high = log10(313.15), log10(373.15)
    slope = (height(1.15) - height(2.8)) / (high - low)
    return float(10 ** (10 ** (height(2.8) + slope * (log10(celsius + 273.15) - low))) - 0.7)


def drift(depot: str, day: date) -> float:
    """Factor by which a workshop's tubes read high on a day: 1 unless its rig drifts."""
    if depot != DRIFTING_DEPOT or not DRIFT_FROM <= day < DRIFT_UNTIL:
        return 1.0
    return 1.0 + DRIFT_SHARE * (day - DRIFT_FROM).days / (DRIFT_UNTIL - DRIFT_FROM).days
