"""The order and the counts that every way of showing a pack shares."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from wearlab.charts.series import StateCount
from wearlab.pack.view import Attention, PartState
from wearlab.records import STATE_MARK, State

#: Most pressing first; every list of parts follows it.
STATE_ORDER: tuple[State, ...] = (
    State.PAST_LIMIT,
    State.BOOK,
    State.TEST_AGAIN,
    State.WATCH,
    State.NO_ANSWER,
    State.NO_LIMIT,
    State.STEADY,
)


def mark(state: str | None) -> str:
    """Return the mark of a state's word; an unknown or missing state has a dot."""
    return STATE_MARK[State(state)] if state in STATE_MARK else "·"


def urgency(state: str | None) -> int:
    """Return the place of a state's word in `STATE_ORDER`; an unknown or missing state comes last."""
    return STATE_ORDER.index(State(state)) if state in STATE_MARK else len(STATE_ORDER)


def worst(states: Iterable[PartState]) -> PartState | None:
    """Return the most pressing of a vehicle's states; a test without a limit speaks only when nothing else does."""
    told = list(states)
    judged = [state for state in told if state.state != State.NO_LIMIT]
    return min(judged or told, key=lambda state: urgency(state.state), default=None)


def sort_attention(items: Iterable[Attention]) -> tuple[Attention, ...]:
    """Sort by state, then by the middle date, the early date, vehicle and position."""
    return tuple(
        sorted(
            items,
            key=lambda item: (
                urgency(item.state),
                item.date_p50 or date.max,
                item.date_p10 or date.max,
                item.vehicle,
                item.position,
            ),
        )
    )


def count_states(states: Iterable[str]) -> tuple[StateCount, ...]:
    """Count parts by state, in `STATE_ORDER`, states without a part included."""
    words = list(states)
    return tuple(StateCount(state.value, words.count(state.value)) for state in STATE_ORDER)
