"""What is known of the low-pressure side: supply pressure, filter, air.

A pump is not blamed before all three are known.

The sheet's note is free text; only plain words are understood ("filter new, no air, supply ok"). A note
that is not understood counts as not recorded, which at worst asks for one more look.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from wearlab.language import _, msg
from wearlab.study.facts import AsTested, LimitInForce, figure

_BAD = r"clogged|blocked|dirty|old|overdue|due|restricted|low|weak|poor|leak\w*|bad|failing|empty"
_GOOD = r"ok|okay|good|new|clean|fresh|changed|replaced|renewed|normal|fine|free|clear|checked|right|full"
_NOT = re.compile(r"\b(no|not|none|without|never|nil|0)\b|\bfree\b|\bbled\b")
_UNSEEN = re.compile(r"\bnot (looked|checked|recorded|seen to|tested|measured|known)\b|\bunknown\b|\?|\bn/?a\b")
_SUBJECTS = {
    "air": re.compile(r"\bair\b|\bairfree\b|\bbubbles?\b|\baerat\w*|\bfoam\w*"),
    "filter": re.compile(r"\bfilters?\b"),
    "pressure": re.compile(r"\bsupply\b|\bpressure\b|\bfeed\b|\bflow\b|\blift pump\b|\blow[- ]pressure\b"),
}
_CUT = re.compile(r"[,;./+|]\s*|\band\b|&|\bbut\b|(?=\b(?:no|without)\s+(?:air|bubbles?)\b)|(?=\bfilter\b)")


#: Text of a supply that no test said anything about.
NOT_RECORDED = msg("not recorded")

#: What has to be known of a supply.
SUPPLY_PRESSURE, FILTER, AIR = msg("supply pressure"), msg("filter"), msg("air")


@dataclass(frozen=True, slots=True)
class SupplyFacts:
    """Each of `pressure`, `filter`, `air` is "good", "bad" or "unknown"; `text` says what was recorded."""

    pressure: str
    filter: str
    air: str
    text: str

    @property
    def state(self) -> str:
        """Return "bad" if any part is bad, "good" if all are good, else "unknown"."""
        parts = (self.pressure, self.filter, self.air)
        if "bad" in parts:
            return "bad"
        return "good" if parts == ("good",) * 3 else "unknown"

    @property
    def unknown(self) -> tuple[str, ...]:
        """What still has to be looked at, in English words."""
        words = {SUPPLY_PRESSURE: self.pressure, FILTER: self.filter, AIR: self.air}
        return tuple(word for word, state in words.items() if state == "unknown")


def supply_facts(conditions: AsTested, limits: Sequence[LimitInForce]) -> SupplyFacts:
    """Read what one test says of the supply.

    A supply pressure is good or bad only against the `supply_bar` condition of a limit of the same measure, or in
    the words of the note; without either it is recorded but not judged.
    """
    note = read_note(conditions.supply_note or "")
    pressure = note["pressure"]
    told = []
    if conditions.supply_bar is not None:
        bar = figure(conditions.supply_bar)
        told.append(f"{bar} bar")
        spans = [
            limit.rule.conditions.supply_bar
            for limit in limits
            if limit.rule.measure == conditions.measure and limit.rule.conditions.supply_bar is not None
        ]
        if spans:
            low = max(span[0] for span in spans)
            # an extra high supply pressure is no reason for a weak pump
            pressure = "bad" if conditions.supply_bar < low else ("bad" if note["pressure"] == "bad" else "good")
            told[-1] = _("{bar} bar (your limits ask for at least {least})", bar=bar, least=figure(low))
        elif pressure == "unknown":
            told[-1] = _("{bar} bar (no figure of yours to compare with)", bar=bar)
    if conditions.supply_note:
        told.append(f'"{conditions.supply_note.strip()}"')
    text = ", ".join(told) or _(NOT_RECORDED)
    return SupplyFacts(pressure, note["filter"], note["air"], text)


def read_note(note: str) -> dict[str, str]:
    """Return "good", "bad" or "unknown" for air, filter and pressure, from the words of a supply note."""
    found = dict.fromkeys(_SUBJECTS, "unknown")
    for clause in _CUT.split(note.lower().replace("_", " ")):
        if not clause:
            continue
        for subject, pattern in _SUBJECTS.items():
            if pattern.search(clause):
                tone = _tone(clause, subject)
                if tone != "unknown" and found[subject] != "bad":
                    found[subject] = tone
                break
    return found


def _tone(clause: str, subject: str) -> str:
    if _UNSEEN.search(clause):
        return "unknown"
    negated = _NOT.search(clause) is not None
    if subject == "air":
        return "good" if negated or re.search(r"\bok\b", clause) else "bad"
    if re.search(rf"\b({_BAD})\b", clause.replace("low-pressure", "").replace("low pressure side", "")):
        return "good" if negated else "bad"
    if re.search(rf"\b({_GOOD})\b", clause):
        return "bad" if re.search(r"\bnot?\b", clause) else "good"
    return "unknown"
