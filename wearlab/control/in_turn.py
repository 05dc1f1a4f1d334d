"""The chunks of a fit worked on by several threads, no more of them held at a time than there are threads.

Whitened chunks are large and what is made of them is small. So each thread takes the next one only once it is done
with its own: memory is that of a few chunks, however large the fleet. Most of the work is in compiled code, which lets
the other threads run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from threading import Lock
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

#: Threads; what is told does not depend on their number.
WORKERS = 2


def in_turn(items: Iterable[Item], work: Callable[[Item], Result], *, workers: int = WORKERS) -> list[Result]:
    """Return what `work` makes of every item, in their order. An error stops all threads and is raised."""
    if workers < 2:
        return [work(item) for item in items]
    lock, left = Lock(), enumerate(items)
    done: dict[int, Result] = {}
    stopped: list[bool] = []

    def go_on() -> None:
        try:
            while not stopped:
                with lock:
                    taken = next(left, None)
                if taken is None:
                    return
                number, item = taken
                done[number] = work(item)
                del taken, item
        except BaseException:
            stopped.append(True)
            raise

    with ThreadPoolExecutor(workers) as pool:
        for thread in [pool.submit(go_on) for _ in range(workers)]:
            thread.result()
    return [done[number] for number in range(len(done))]
