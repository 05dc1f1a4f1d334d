"""Who computes the chunks of a group: threads here, or whoever is handed in.

Whatever is a sum or a list over chunks is written once, as a `Task`: a pure function of one chunk and a way to put the
answers of a run of chunks together. An executor goes over all chunks and gives the answers run by run, in order. The
runs are fixed by the readings (`Blocks.runs`), not by who computes them: sums are always taken in the same order, and
the answer does not depend on the executor to the last digit. For the same reason products of matrices are taken by
one thread each (`plain_products`): a library that cuts them among its own threads rounds by their number.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cache, partial
from itertools import islice
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from threadpoolctl import ThreadpoolController

if TYPE_CHECKING:
    from wearlab.wear.likelihood import Work
    from wearlab.wear.local import Local

Told_co = TypeVar("Told_co", covariant=True)


class Task(Protocol[Told_co]):
    """One question to all chunks. It holds what is the same for all of them, and can be sent to another process.

    `begin` makes once what all chunks of some readings share, `one` answers for the chunk of a number, and `together`
    puts the answers of a run of chunks together, which come in order.
    """

    def begin(self, work: Work, local: tuple[Local, ...]) -> Any: ...
    def one(self, begun: Any, number: int) -> Any: ...
    def together(self, answers: Iterable[Any]) -> Told_co: ...


class Executor(Protocol):
    """Goes over the chunks of a group."""

    def over(self, task: Task[Told_co], work: Work, local: tuple[Local, ...]) -> Iterator[Told_co]:
        """Yield what the task says of every run of chunks, in order."""
        ...


@dataclass(frozen=True, slots=True)
class Threads:
    """Threads of this process; fewer than two: none but the caller's."""

    workers: int = 2

    def over(self, task: Task[Told_co], work: Work, local: tuple[Local, ...]) -> Iterator[Told_co]:
        """Yield what the task says of every run of chunks, in order."""
        with plain_products():
            begun = task.begin(work, local)
            runs = work.design.blocks.runs
            if self.workers < 2 or len(local) < 2:
                yield from (run_of(task, begun, run) for run in runs)
                return
            with ThreadPoolExecutor(self.workers) as pool:
                answers = pool.map(partial(task.one, begun), range(len(local)))
                for run in runs:
                    yield task.together(islice(answers, len(run)))


def plain_products() -> AbstractContextManager[Any]:
    """Let the library of matrix products work with one thread inside the block, in the whole process."""
    limit: AbstractContextManager[Any] = _libraries().limit(limits=1, user_api="blas")
    return limit


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


def run_of(task: Task[Told_co], begun: Any, run: Iterable[int]) -> Told_co:
    """Return what a task says of one run of chunks."""
    return task.together(task.one(begun, number) for number in run)


#: The caller's own thread.
ALONE = Threads(1)
