"""The words every module shares: measures, bounds, ways of use, states, and "no answer".

Nothing here computes. A word that is stored in the database or printed with `--json` is spelled here once.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from wearlab.language import msg


class Measure(StrEnum):
    """What a reading measures. Corrections in mm3 per stroke are none of these and never return flow."""

    RETURN_FLOW = "return_flow"
    PUMP_PEAK = "pump_peak"
    PUMP_RISE = "pump_rise"
    PUMP_HOLD = "pump_hold"
    RIG_CHECK = "rig_check"


#: Unit in which levels, rates and limits of a measure are told.
LEVEL_UNIT: dict[Measure, str] = {
    Measure.RETURN_FLOW: "ml/min",
    Measure.PUMP_PEAK: "bar",
    Measure.PUMP_RISE: "s",
    Measure.PUMP_HOLD: "bar",
    Measure.RIG_CHECK: "bar/s",
}


class Driven(StrEnum):
    """How the engine or pump was driven during a test; tests driven differently are never one series."""

    CRANK = "crank"
    IDLE = "idle"
    RAISED = "raised"
    BENCH = "bench"


class Bound(StrEnum):
    """A reading beyond the scale is a bound, not a number. A measured reading has no bound (null)."""

    AT_LEAST = "at_least"
    AT_MOST = "at_most"


class Use(StrEnum):
    """What a stored reading may serve for."""

    TREND = "trend"
    SHARE = "share"
    SHOW = "show"


class Bucket(StrEnum):
    """Where a row of a file went: rows read = accepted + flagged + set aside + structure."""

    STRUCTURE = "structure"
    ACCEPTED = "accepted"
    FLAGGED = "flagged"
    SET_ASIDE = "set_aside"


class WorkKind(StrEnum):
    """Kinds of work and events; each has its effect on lives, meters or the wear model."""

    REPLACEMENT = "replacement"
    SWAP = "swap"
    REBUILD = "rebuild"
    CLEANING = "cleaning"
    ENGINE_SWAP = "engine_swap"
    METER_CHANGE = "meter_change"
    FUEL_DELIVERY = "fuel_delivery"
    CONTAMINATION = "contamination"
    SOFTWARE_UPDATE = "software_update"
    CALIBRATION = "calibration"
    OIL_CHANGE = "oil_change"
    FILTER_CHANGE = "filter_change"
    ROAD_FAILURE = "road_failure"
    OTHER = "other"


class Start(StrEnum):
    """How a part's life began. With an unknown start only its own tests speak for it."""

    NEW = msg("new")
    REBUILT = msg("rebuilt")
    USED = msg("used")
    FIRST_TEST = msg("first test")


class State(StrEnum):
    """The state of a part, from the mildest answer to none; a reader is told it in the spoken language."""

    STEADY = msg("steady")
    WATCH = msg("watch")
    BOOK = msg("book")
    PAST_LIMIT = msg("past limit")
    TEST_AGAIN = msg("test again")
    NO_LIMIT = msg("no limit")
    NO_ANSWER = msg("no answer")


#: A mark beside each state, so that no state is told by colour alone.
STATE_MARK: dict[State, str] = {
    State.STEADY: "=",
    State.WATCH: "~",
    State.BOOK: ">",
    State.PAST_LIMIT: "!",
    State.TEST_AGAIN: "?",
    State.NO_LIMIT: "-",
    State.NO_ANSWER: "x",
}

#: Positions that are not a cylinder number.
PUMP = "pump"
SET = "set"


@dataclass(frozen=True, slots=True)
class NoAnswer:
    """An answer that cannot be given, with the reason as one sentence."""

    reason: str

    def __bool__(self) -> bool:
        return False


def vehicle_key(text: str) -> str:
    """Return the key of a vehicle as written: capital letters and digits only ("v 017" and "V-017" are V017)."""
    return "".join(sign for sign in text.upper() if sign.isalnum())


def protocol_label(
    driven: str | None,
    *,
    duration_s: float | None = None,
    raised_bar: float | None = None,
    volume_ml: float | None = None,
) -> str:
    """Return the name of a protocol that a sheet gave only by its parts, for example "idle 60 s".

    `raised_bar` is the commanded pressure of a raised test, `volume_ml` the closed volume of a pump test.
    What the sheet did not say is not guessed: an unknown drive is named "unknown".
    """
    parts = [driven or "unknown"]
    if raised_bar is not None:
        parts.append(f"{raised_bar:g} bar")
    if volume_ml is not None:
        parts.append(f"{volume_ml:g} ml")
    if duration_s is not None:
        parts.append(f"{duration_s:g} s")
    return " ".join(parts)
