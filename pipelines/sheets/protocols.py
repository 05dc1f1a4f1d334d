"""The protocol of a reading: named by the sheet, or found or made from its parts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from pipelines.sheets.vocabulary import driven_word
from pipelines.sheets.words import fold
from wearlab.config import Settings
from wearlab.limit_settings import Protocol
from wearlab.records import Driven, Measure, protocol_label

#: A duration, set point or volume agrees with the configured one within this share of it.
DURATION_SHARE = 0.10
VOLUME_SHARE = 0.05
RAIL_SHARE = 0.15


@dataclass(frozen=True, slots=True)
class Parts:
    """What a sheet says about how a reading was taken; NaN and blank where it is silent."""

    measure: Measure
    protocol: str = ""
    driven: str = ""
    duration_s: float = math.nan
    rail_bar: float = math.nan
    volume_ml: float = math.nan
    rise_to_bar: float = math.nan
    connected: bool | None = None
    rate: bool = False


@dataclass(frozen=True, slots=True)
class Resolved:
    """The protocol's name, the drive (None: unknown), and what its definition adds (NaN: nothing)."""

    name: str
    driven: Driven | None
    duration_s: float
    volume_ml: float = math.nan
    rise_to_bar: float = math.nan


def resolve(parts: Parts, settings: Settings) -> Resolved:
    """Name the protocol of a reading.

    A duration that differs by more than 10 % from the named protocol's makes a series of its own. What the
    sheet does not say is not guessed: an unknown drive stays unknown.
    """
    timed = parts.measure in (Measure.RETURN_FLOW, Measure.PUMP_HOLD) and not parts.rate
    duration = parts.duration_s if timed else math.nan
    known = {name: one for name, one in settings.protocols.items() if one.measure == parts.measure}
    if _named(parts.protocol, known) is None and _named(parts.protocol, dict(settings.protocols)) is not None:
        parts = replace(parts, protocol="")  # it names the protocol of another measure in the same row
    said = driven_word(parts.driven) or driven_word(parts.protocol)
    named = _named(parts.protocol, known) or _named(parts.driven, known)
    if named is not None and (said is None or driven_word(parts.driven) in (None, known[named].driven)):
        nominal = known[named].duration_s
        if timed and nominal is not None and not math.isnan(duration):
            if abs(duration - nominal) > DURATION_SHARE * nominal:
                return _defined(f"{named} {duration:g} s", known[named], duration)
        elif timed and nominal is not None:
            duration = nominal
        return _defined(named, known[named], duration)
    own_name = bool(parts.protocol) and driven_word(parts.protocol) is None
    if not own_name:
        agreeing = [name for name, one in known.items() if _agrees(one, said, parts, duration)]
        if len(agreeing) == 1:
            only = known[agreeing[0]]
            nominal = only.duration_s if timed and math.isnan(duration) else None
            return _defined(agreeing[0], only, duration if nominal is None else nominal)
    return Resolved(_label(parts, said, duration, own_name), said, duration)


def _defined(name: str, protocol: Protocol, duration: float) -> Resolved:
    volume, rise_to = protocol.volume_ml, protocol.rise_to_bar
    return Resolved(
        name,
        protocol.driven,
        duration,
        math.nan if volume is None else volume,
        math.nan if rise_to is None else rise_to,
    )


def _label(parts: Parts, said: Driven | None, duration: float, own_name: bool) -> str:
    seconds = None if math.isnan(duration) else duration
    if own_name:
        return parts.protocol if seconds is None else f"{parts.protocol} {seconds:g} s"
    pump = parts.measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE, Measure.PUMP_HOLD)
    raised = said == Driven.RAISED and not math.isnan(parts.rail_bar)
    return protocol_label(
        None if said is None else said.value,
        duration_s=seconds,
        raised_bar=round(parts.rail_bar / 50.0) * 50.0 if raised else None,
        volume_ml=parts.volume_ml if pump and not math.isnan(parts.volume_ml) else None,
    )


def _named(text: str, known: dict[str, Protocol]) -> str | None:
    word = fold(text)
    if not word:
        return None
    for name in known:
        if fold(name) == word:
            return name
    found = [name for name, one in known.items() if word in {fold(other) for other in one.also_called}]
    return found[0] if len(found) == 1 else None


def _agrees(protocol: Protocol, said: Driven | None, parts: Parts, duration: float) -> bool:
    return (
        (said is None or protocol.driven == said)
        and _near(duration, protocol.duration_s, DURATION_SHARE)
        and _near(parts.volume_ml, protocol.volume_ml, VOLUME_SHARE)
        and _near(parts.rise_to_bar, protocol.rise_to_bar, VOLUME_SHARE)
        and (protocol.driven != Driven.RAISED or _near(parts.rail_bar, protocol.rail_bar, RAIL_SHARE))
        and (
            parts.connected is None
            or protocol.injectors_connected is None
            or parts.connected == protocol.injectors_connected
        )
    )


def _near(value: float, wanted: float | None, share: float) -> bool:
    return wanted is None or math.isnan(value) or abs(value - wanted) <= share * wanted
