"""Why the state of a part is another one than in the run before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import reduce

from wearlab.language import _
from wearlab.records import State


@dataclass(frozen=True, slots=True)
class StateBefore:
    """What an earlier run said, and whether this run rests on the same: what the cause of a change is found from.

    Attributes
    ----------
    state, as_of
        Of the latest run of an earlier day.
    last_test, readings, rule, limit_version
        What that run knew of the part.
    same_part
        False: another part sat in the position then.
    repair
        Work on the part since then, with its day ("cleaning on 2026-05-20"); empty when there was none.
    recalibrated
        The intervals of the group are widened or narrowed by another factor than then.
    settings
        The settings of the workspace differ from those of that run.
    facts
        Some test, odometer or work came, or was taken back, since then, of this or any other part.
    program
        Another version of the program made that run.
    """

    state: State
    as_of: date
    last_test: date | None
    readings: int
    rule: str | None
    limit_version: int | None
    same_part: bool = True
    repair: str = ""
    recalibrated: bool = False
    settings: bool = False
    facts: bool = False
    program: bool = False


def memory(before: StateBefore | None, rule: str | None, limit_version: int | None) -> State | None:
    """Return the state before where it still counts as a memory for the thresholds, else None.

    It does not for another part, after a repair, or against another limit or another wording of it.
    """
    if before is None or not before.same_part or before.repair:
        return None
    same = before.rule == rule and before.limit_version == limit_version
    return before.state if same else None


def change_sentence(
    before: StateBefore | None,
    state: State,
    *,
    last_test: date | None,
    readings: int,
    rule: str | None,
    limit_version: int | None,
) -> str | None:
    """Return why the state changed, as a sentence without a full stop; None when it did not, or nothing came before."""
    if before is None or before.state == state:
        return None
    causes = _causes(before, last_test, readings, rule, limit_version)
    return _(
        "{state} after {before} on {day}: {causes}",
        state=_(state.value),
        before=_(before.state.value),
        day=before.as_of.isoformat(),
        causes=reduce(lambda first, last: _("{first} and {last}", first=first, last=last), causes),
    )


def _causes(
    before: StateBefore, last_test: date | None, readings: int, rule: str | None, limit_version: int | None
) -> list[str]:
    if not before.same_part:
        fitted = _("another part is fitted")
        return [f"{fitted} ({before.repair})" if before.repair else fitted]
    causes = [before.repair] if before.repair else []
    if before.rule is None and rule is not None:
        causes.append(_("a limit is configured"))
    elif before.rule is not None and rule is None:
        causes.append(_("no limit is configured any more"))
    elif before.limit_version != limit_version:
        causes.append(_("the limit changed (version {old} to {new})", old=before.limit_version, new=limit_version))
    if last_test is not None and (before.last_test is None or last_test > before.last_test):
        causes.append(_("a new test on {day}", day=last_test.isoformat()))
    elif readings > before.readings:
        causes.append(_("an earlier test was added"))
    elif readings < before.readings:
        causes.append(_("readings were taken back or set aside"))
    if before.recalibrated:
        causes.append(_("the forecasts of the group were recalibrated"))
    if causes:
        return causes
    # nothing of the part itself: what lies behind the whole run
    if before.settings:
        causes.append(_("the settings changed"))
    if before.program:
        causes.append(_("the program changed"))
    if before.facts:
        causes.append(_("time and distance, and what the model learned from other tests"))
    return causes or [_("nothing but time and distance")]
