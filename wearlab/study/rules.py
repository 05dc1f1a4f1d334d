"""The rules of diagnosis as one table: what was found, what it points to, which test separates what is left.

Rows are read from the top; the first whose conditions all hold speaks. `when` names facts and the states that
match, several parted by "|"; a fact that is not named may be anything. Where high, low or past limit is said, it
comes from the user's limit rules or from the comparison inside the set; no row holds a figure of its own.

Facts of a cylinder (one return-flow test)
    reading   measured, nothing (zero, or within a graduation of it), over (beyond the scale), doubtful,
    missing
    limit     past, repeat (past within the reading's error), too little, judged (within), open (no limit
    judged)
    stands    high, low, level, unknown: against the other cylinders
    returns   held, open (piezo injectors without a known return pressure)
    fresh     yes: fitted since the last test; younger: fitted well after its neighbours; no

Facts of the vehicle (all tests of one visit)
    returns   past, repeat, within, outlier (one stands out, no limit passed), even (nothing stands out, no
    limit
              judged), shares (cranked without rail pressure, no limit passed), open, none (not tested)
    rail      low, reached, unknown: against the user's limits or the set point of the protocol
    pump      weak (peak too low or rise too slow), repeat, strong, limiter (peak "at least", rise not
    judged),
              open (measured, not judged), none
    supply    good, bad, unknown: pressure, filter and air together
    cranking  good, slow, unknown: of the pump test

Texts may use {who}, {returns}, {rail}, {pump}, {supply}, {supply_open}.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from wearlab.language import _, msg

PRACTICE = msg("common practice, no source")
TRADE_PAPER = msg("independent-garage trade paper: a clearly lower return is a sign of a fault too")
RETURN_LINE = msg("an engine maker's fuel-return description: couplers starve below their return pressure")


class Verdict(StrEnum):
    """Where the finding points."""

    INJECTORS = msg("injectors")
    PUMP = msg("pump")
    SUPPLY = msg("supply")
    LIMITER = msg("limiter or regulator")
    INJECTORS_AND_PUMP = msg("injectors and pump")
    PUMP_OR_SUPPLY = msg("pump or supply: check supply first")
    CANNOT_TELL = msg("cannot tell")
    NOTHING = msg("nothing found")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table, in English; `steps` are the sentences of its next test."""

    name: str
    when: Mapping[str, str]
    verdict: Verdict
    sentence: str
    steps: tuple[str, ...]
    source: str = PRACTICE

    @property
    def next_test(self) -> str:
        """The next test as one text, in English."""
        return " ".join(self.steps)

    @property
    def next_told(self) -> str:
        """The next test in the spoken language."""
        return " ".join(_(step) for step in self.steps)

    def holds(self, facts: Mapping[str, str]) -> bool:
        """Whether every condition of the row matches the facts."""
        return all(facts[name] in states.split("|") for name, states in self.when.items())


#: States each fact can have; the tests try every combination.
CYLINDER_FACTS: dict[str, tuple[str, ...]] = {
    "reading": ("measured", "nothing", "over", "doubtful", "missing"),
    "limit": ("past", "repeat", "too little", "judged", "open"),
    "stands": ("high", "low", "level", "unknown"),
    "returns": ("held", "open"),
    "fresh": ("yes", "younger", "no"),
}
VEHICLE_FACTS: dict[str, tuple[str, ...]] = {
    "returns": ("past", "repeat", "within", "outlier", "even", "shares", "open", "none"),
    "rail": ("low", "reached", "unknown"),
    "pump": ("weak", "repeat", "strong", "limiter", "open", "none"),
    "supply": ("good", "bad", "unknown"),
    "cranking": ("good", "slow", "unknown"),
}

SWAP_TUBES = msg("Exchange hose and tube with a neighbour and repeat: if the reading moves with them it was the rig.")

# fmt: off
CYLINDER_ROWS: tuple[Row, ...] = (
    Row("past limit, just fitted", {"limit": "past", "fresh": "yes"}, Verdict.INJECTORS,
        msg("{who}: past the limit although fitted since the last test."),
        (msg("Check seat, clamp, return hose and that air is bled; then repeat before blaming the new part."),)),
    Row("past limit, high in the set", {"limit": "past", "stands": "high"}, Verdict.INJECTORS,
        msg("{who}: past the limit and clearly above the other cylinders."),
        (SWAP_TUBES, msg("If it stays with the cylinder, plan the injector."))),
    Row("past limit with its neighbours", {"limit": "past"}, Verdict.INJECTORS,
        msg("{who}: past the limit, but not told apart from the other cylinders."),
        (msg("Check fuel temperature and rail pressure against the limit's, repeat; if all stay high, the set "
        "is worn."),)),
    Row("nothing from an open piezo return", {"reading": "nothing", "returns": "open"}, Verdict.CANNOT_TELL,
        msg("{who}: nothing collected, but piezo injectors need a held return; into an open bottle zero "
        "proves nothing."),
        (msg("Repeat with a rig that holds the return pressure."),),
        RETURN_LINE),
    Row("nothing collected", {"reading": "nothing"}, Verdict.CANNOT_TELL,
        msg("{who}: nothing collected. That is no good result: hose off or kinked, wrong port, or an "
        "injector at rest."),
        (msg("Check hose and port, fill the hose, exchange tubes with a neighbour, repeat."),),
        TRADE_PAPER),
    Row("too little", {"limit": "too little"}, Verdict.INJECTORS,
        msg("{who}: returns less than your limit asks for; too little is a fault sign as well."),
        (SWAP_TUBES, msg("If it stays, have the injector checked.")),
        TRADE_PAPER),
    Row("past limit within error", {"limit": "repeat"}, Verdict.CANNOT_TELL,
        msg("{who}: past the limit, but by less than the reading's error."),
        (msg("Repeat twice with filled hoses; the mean decides."),)),
    Row("ran over", {"reading": "over", "limit": "open", "stands": "level|low|unknown"}, Verdict.CANNOT_TELL,
        msg("{who}: the tube ran over, the true flow is not known."),
        (msg("Repeat with a larger tube."),)),
    Row("high, just fitted", {"stands": "high", "fresh": "yes"}, Verdict.CANNOT_TELL,
        msg("{who}: above the others although fitted since the last test."),
        (msg("Bleed, check seat and hose, repeat."),)),
    Row("high within limit", {"stands": "high", "limit": "judged"}, Verdict.INJECTORS,
        msg("{who}: clearly above the others, still within your limit."),
        (SWAP_TUBES, msg("Then watch it at the next visits."))),
    Row("high, no limit judged", {"stands": "high"}, Verdict.INJECTORS,
        msg("{who}: clearly above the others; no limit of yours could be judged, so this is a difference, "
        "not a failure."),
        (SWAP_TUBES, msg("Then repeat under the conditions of your limit."))),
    Row("low from an open piezo return", {"stands": "low", "returns": "open"}, Verdict.CANNOT_TELL,
        msg("{who}: below the others, but the piezo return was not held."),
        (msg("Repeat with a rig that holds the return pressure."),),
        RETURN_LINE),
    Row("low, just fitted", {"stands": "low", "fresh": "yes"}, Verdict.NOTHING,
        msg("{who}: below the others, as a part fitted since the last test may be; it does not serve as the "
        "lowest."),
        (msg("None needed for this; compare again at the next visit."),)),
    Row("low, younger part", {"stands": "low", "fresh": "younger"}, Verdict.NOTHING,
        msg("{who}: below the others, as a part fitted after them will be."),
        (msg("None needed for this; its neighbours are the older ones."),)),
    Row("low", {"stands": "low"}, Verdict.CANNOT_TELL,
        msg("{who}: clearly below the others; too little can be a fault as much as too much."),
        (msg("Check hose and port, exchange tubes, repeat; then look at the cylinder's correction value."),),
        TRADE_PAPER),
    Row("doubtful reading", {"reading": "doubtful"}, Verdict.CANNOT_TELL,
        msg("{who}: the reading is doubtful and was not used."),
        (msg("Repeat the test on all cylinders."),)),
    Row("not measured", {"reading": "missing"}, Verdict.CANNOT_TELL,
        msg("{who}: not measured."),
        (msg("Measure every cylinder in the same run."),)),
)
# fmt: on

SUPPLY_FIRST = msg("Measure supply pressure while cranking, look at filter and air, then repeat the pump test.")
CLOSED_VOLUME = msg("Test the pump on the closed volume, with supply pressure, filter, air and speed recorded.")
RETURNS_FIRST = msg("Measure return flow on all cylinders with the rail pressure recorded, where your limit applies.")

# fmt: off
VEHICLE_ROWS: tuple[Row, ...] = (
    Row("supply bad", {"supply": "bad"}, Verdict.SUPPLY,
        msg("The supply is not right ({supply}): pump and rail pressure cannot be judged with it."),
        (msg("Put supply, filter or air right first, then repeat the same tests."),)),
    Row("returns and pump", {"returns": "past", "pump": "weak", "supply": "good", "cranking": "good"},
        Verdict.INJECTORS_AND_PUMP,
        msg("Returns are past the limit and the pump is weak on the closed volume, where no injector takes "
        "part."),
        (msg("Check the rig's own leak and repeat the pump test once before planning both."),)),
    Row("returns past, weak pump open", {"returns": "past", "pump": "weak"}, Verdict.INJECTORS,
        msg("Returns are past the limit. The pump also read weak, but supply or cranking are not cleared."),
        (msg("Clear supply pressure, filter, air and cranking speed, then repeat the pump test."),)),
    Row("weak pump, supply unknown", {"pump": "weak", "supply": "unknown"}, Verdict.PUMP_OR_SUPPLY,
        msg("The pump read weak ({pump}). Not cleared: {supply_open}. A starved pump looks the same."),
        (SUPPLY_FIRST,)),
    Row("weak pump, slow cranking", {"pump": "weak", "cranking": "slow|unknown"}, Verdict.CANNOT_TELL,
        msg("The pump read weak ({pump}), but cranking was slow or its speed not recorded: pressure follows "
        "speed."),
        (msg("Charge the battery, record the cranking speed, repeat the pump test."),)),
    Row("weak pump", {"pump": "weak"}, Verdict.PUMP,
        msg("The pump is weak on the closed volume ({pump}) with good supply and good cranking."),
        (msg("Check the rig's own leak, set the metering valve as your procedure says, repeat once; then plan "
        "the pump."),)),
    Row("pump within error", {"pump": "repeat"}, Verdict.CANNOT_TELL,
        msg("The pump is past its limit by less than the reading's error ({pump})."),
        (msg("Repeat the pump test twice at the same speed; the mean decides."),)),
    Row("rail low, returns past", {"rail": "low", "returns": "past"}, Verdict.INJECTORS,
        msg("Rail pressure stays low ({rail}) and returns are past the limit: the injectors take the fuel."),
        (msg("Put the returns right, then look at the rail pressure again; if it stays low, test the pump."),)),
    Row("rail low, rest good", {"rail": "low", "returns": "within", "pump": "strong|limiter"},
        Verdict.LIMITER,
        msg("Rail pressure stays low ({rail}) while returns are within limit and the pump is good: the fuel "
        "leaves by limiter or regulator, or the sensor reads wrong."),
        (msg("Measure the return of limiter and regulator by itself; compare the sensor with zero at rest."),)),
    Row("rail low, pump not cleared", {"rail": "low", "returns": "within"}, Verdict.CANNOT_TELL,
        msg("Rail pressure stays low ({rail}) and the injectors are within limit: pump, supply, limiter or "
        "regulator."),
        (CLOSED_VOLUME,)),
    Row("rail low, injectors not cleared", {"rail": "low", "pump": "strong|limiter"}, Verdict.CANNOT_TELL,
        msg("Rail pressure stays low ({rail}) and the pump is good: injectors as a set, limiter or regulator."),
        (msg("Measure the whole set's return where your total limit applies, then the limiter's return by "
        "itself."),)),
    Row("rail low, little known", {"rail": "low"}, Verdict.CANNOT_TELL,
        msg("Rail pressure stays low ({rail}); neither injectors nor pump are cleared."),
        (RETURNS_FIRST, msg("Then the pump on the closed volume."))),
    Row("returns past", {"returns": "past"}, Verdict.INJECTORS,
        msg("Returns are past the limit: {returns}."),
        (msg("Exchange hoses and tubes and repeat once; if it stays with the cylinder, plan the part."),)),
    Row("returns within error", {"returns": "repeat"}, Verdict.CANNOT_TELL,
        msg("Returns are past the limit by less than the reading's error: {returns}."),
        (msg("Repeat the return-flow test twice with filled hoses; the mean decides."),)),
    Row("one cylinder differs", {"returns": "outlier"}, Verdict.INJECTORS,
        msg("The cylinders differ beyond measuring error, but none is past a limit of yours: {returns}."),
        (msg("Exchange hoses and tubes and repeat; a difference that stays with the cylinder is the "
        "injector's."),)),
    Row("shares only", {"returns": "shares", "pump": "open|none"}, Verdict.CANNOT_TELL,
        msg("Cranked without a recorded rail pressure: only shares compare, and low returns can be a weak "
        "pump."),
        (msg("Repeat with the rail pressure recorded, or warm at idle."),),
        msg("computed with a simple pump and leak balance")),
    Row("all good", {"returns": "within", "pump": "strong"}, Verdict.NOTHING,
        msg("Returns and pump are within your limits."),
        (msg("Next test as planned; if the complaint stays, test when it shows (cold, hot, under load)."),)),
    Row("good, pump at the limiter", {"returns": "within", "pump": "limiter"}, Verdict.NOTHING,
        msg("Returns are within your limits and the pump reaches the limiter, which is an at least."),
        (msg("Time the rise to a stated pressure at the next test; it shows pump wear before the peak does."),)),
    Row("returns good, pump not judged", {"returns": "within"}, Verdict.NOTHING,
        msg("Returns are within your limits; the pump was not tested or could not be judged."),
        (msg("If the complaint stays: test the pump on the closed volume, with supply pressure, filter, air and "
             "speed recorded."),)),
    Row("pump good, injectors not judged", {"pump": "strong|limiter"}, Verdict.NOTHING,
        msg("Nothing against the pump ({pump}); the injectors are not judged."),
        (RETURNS_FIRST,)),
    Row("even set", {"returns": "even"}, Verdict.CANNOT_TELL,
        msg("The cylinders agree with each other, but no limit on the level was judged; an evenly worn set looks "
        "the same."),
        (msg("Enter your limit with its conditions, or keep this test as the first of a history."),)),
    Row("nothing to go by", {}, Verdict.CANNOT_TELL,
        msg("What was tested does not separate injectors, pump and supply."),
        (RETURNS_FIRST,)),
)
# fmt: on

#: Rows whose next test is made on the closed volume of a pump rig.
ON_CLOSED_VOLUME = frozenset(row.name for row in (*CYLINDER_ROWS, *VEHICLE_ROWS) if "closed volume" in row.next_test)
