"""What a study of repeats says in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wearlab.charts.words import level_words, measure_words

if TYPE_CHECKING:
    from pipelines.steps.repeats import GroupRepeats


def answer(found: list[GroupRepeats]) -> str:
    """Return the one plain sentence."""
    if not found:
        return "There are no readings to study yet: load test sheets first."
    studied = [group for group in found if group.study is not None]
    if not studied:
        return "No part was read twice at one visit: repeat a few tests on the spot, and repeatability can be told."
    best = max(studied, key=lambda group: 0 if group.study is None else group.study.readings)
    if best.study is None:
        raise ValueError("a group without a study was chosen")
    what = f"{measure_words(best.measure)}, {best.protocol}"
    sd = level_words(best.study.repeatability, best.unit)
    if best.smallest:
        one, three = (next(s.change for s in best.smallest if s.tests == t and s.repeats == 1) for t in (1, 3))
        rest = (
            f"one test before and one after show a change of {level_words(one, best.unit)}, three each of "
            f"{level_words(three, best.unit)}"
        )
        return f"Readings of one part at one visit scatter by {sd} ({what}): {rest}."
    return f"Readings of one part at one visit scatter by {sd} ({what})."


def sentences(group: GroupRepeats) -> list[str]:
    """Return what more repeats would bring, and what the figures leave open."""
    told = []
    if group.wanted is not None:
        sd = ", ".join(f"{r}: {level_words(value)}" for r, value in enumerate(group.wanted.sd, 1))
        enough = group.wanted.enough
        told.append(
            f"the next forecast needs {enough} reading{'s' if enough > 1 else ''} a part at the next visit; more "
            f"hardly narrow it, because {group.wanted.held_by} (sd of the level by readings, {group.unit}: {sd})"
        )
    if group.smallest:
        told.append("the smallest changes are of readings alone; wearlab compare also has the other parts as control")
    return [*told, *group.notes]
