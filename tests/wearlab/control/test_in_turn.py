"""Work on several items by several threads: in order, as one thread does it, few items held, errors raised."""

from __future__ import annotations

from collections.abc import Iterator
from threading import Lock

import pytest

from wearlab.control.in_turn import in_turn


def test_results_are_those_of_one_thread_in_the_order_of_the_items() -> None:
    squares = [k * k for k in range(200)]
    assert in_turn(range(200), lambda k: k * k, workers=1) == squares
    assert in_turn(range(200), lambda k: k * k, workers=4) == squares
    assert in_turn([], lambda k: k, workers=4) == []


def test_no_more_items_are_taken_than_there_are_threads() -> None:
    taken = held = most = 0
    lock = Lock()

    def items() -> Iterator[int]:
        nonlocal taken, held, most
        for k in range(60):
            with lock:
                taken, held = taken + 1, held + 1
                most = max(most, held)
            yield k

    def work(k: int) -> int:
        nonlocal held
        total = sum(range(20_000))
        with lock:
            held -= 1
        return total + k

    assert in_turn(items(), work, workers=3) == [sum(range(20_000)) + k for k in range(60)]
    assert taken == 60
    assert most <= 3


@pytest.mark.parametrize("workers", [1, 3])
def test_an_error_stops_the_work_and_is_raised(workers: int) -> None:
    seen: list[int] = []

    def work(k: int) -> int:
        if k == 5:
            raise ArithmeticError("broke off")
        seen.append(k)
        return sum(range(5_000))

    with pytest.raises(ArithmeticError, match="broke off"):
        in_turn(range(100_000), work, workers=workers)
    assert len(seen) < 100_000

    def broken() -> Iterator[int]:
        yield 1
        raise ValueError("nothing left to read")

    with pytest.raises(ValueError, match="nothing left"):
        in_turn(broken(), work, workers=workers)
