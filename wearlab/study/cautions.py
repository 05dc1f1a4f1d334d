"""Short cautions that go with a judgement, in the order a person needs them.

General safety knowledge of high-pressure diesel work (makers' safety pages, in our own words); waiting times after
key-off differ from 90 s to 10 min between makers, hence the wording.
"""

from __future__ import annotations

from collections.abc import Iterable

from wearlab.language import _, msg

#: Always the last.
PLANS_ONLY = msg(
    "This records and plans; it does not authorise work. Local rules, the vehicle maker's instruction and licensed "
    "technicians prevail. It is not a clearance to drive."
)
SKIN = msg(
    "Fuel above about 100 bar goes through skin. A small wound hides a deep injury: to surgery within hours, "
    "never wait. Look for leaks with card, never with a hand."
)
LINES = msg(
    "Never loosen a line on a running or cranking engine. After key-off wait as the vehicle's own instruction says; "
    "if it is not known, ten minutes, and check that the pressure reading has fallen."
)
HOT_FUEL = msg(
    "Collected fuel is hot and burns: gloves, goggles, fresh air, extinguisher, absorbent, and nothing near that can "
    "ignite."
)
PIEZO = msg("Piezo injectors are driven with up to hundreds of volts: never unplug one while the engine runs.")
CRANKING = msg(
    "Second person in the seat, gear in neutral, wheels chocked; let the starter rest between bursts. Unplugged "
    "injectors leave fault codes."
)
CLEAN = msg("Absolute cleanliness: plug every opening at once.")
TRIM = msg(
    "Moving or replacing an injector: its trim code moves with it. Enter the code at the right cylinder; cylinder "
    "number is not firing order."
)

#: All of them in English, for a sheet that does not know what will be done.
ALL = (SKIN, LINES, HOT_FUEL, CRANKING, PIEZO, CLEAN, TRIM, PLANS_ONLY)


def every_caution() -> tuple[str, ...]:
    """Return all of them in the spoken language."""
    return tuple(_(one) for one in ALL)


def cautions(
    *, drives: Iterable[str | None], injector: str | None, pump_test: bool, injector_named: bool
) -> tuple[str, ...]:
    """Return the cautions for a visit, in the spoken language.

    Parameters
    ----------
    drives : how the tests were driven; a running engine adds the hot fuel, cranking the starter.
    injector : actuation of the injectors, None when unknown (then the piezo caution stays in).
    pump_test : a pump test was made or is asked for next.
    injector_named : a finding points at an injector that may be moved or replaced.
    """
    ways = set(drives)
    out = [SKIN, LINES]
    if ways - {"crank"}:
        out.append(HOT_FUEL)
    if "crank" in ways or pump_test or None in ways:
        out.append(CRANKING)
    if injector is None or injector.startswith("piezo"):
        out.append(PIEZO)
    out.append(CLEAN)
    if injector_named:
        out.append(TRIM)
    out.append(PLANS_ONLY)
    return tuple(_(caution) for caution in out)
