"""Shares of a group worked on by other processes, here or on other machines, through dask.distributed.

The only file that knows that library, which is an optional extra. Its own transport packs what travels with pickle:
whoever can reach a scheduler or worker can run programs there. So processes of this machine listen on the loopback
address alone, and any other address is spoken to only over TLS with certificates of one's own.

What is constant of a share (`Share`) is made by the worker from its partition and held there. A worker that is lost
takes its shares with it; they are made anew from their partitions elsewhere, and what was asked is asked again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlsplit

from pipelines.steps.partition_readings import share
from pipelines.steps.partition_run import Laid, same_blocks
from wearlab import __version__
from wearlab.errors import InputError, WearlabError
from wearlab.wear.design import Problem
from wearlab.wear.executor import Executor, Task, Threads
from wearlab.wear.likelihood import Work
from wearlab.wear.local import Local
from wearlab.wear.share import Moving, Share

if TYPE_CHECKING:
    from distributed import Client, Future

Item = TypeVar("Item")
Result = TypeVar("Result")

#: tasks a worker thread has ahead of it
_AHEAD = 3
#: seconds to wait for a scheduler, and for its workers
_PATIENCE = 60


@dataclass(frozen=True, slots=True)
class Certificates:
    """Files for TLS: the authority that signed all certificates, and one's own certificate and key."""

    authority: Path
    certificate: Path
    key: Path


@contextmanager
def workers_here(count: int) -> Iterator[Cluster]:
    """Start so many worker processes on this machine, reachable from nowhere else; they end with the block.

    Raises
    ------
    InputError
        The library is not installed.
    """
    _installed()
    from distributed import Client, LocalCluster

    with (
        LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            protocol="tcp",
            dashboard_address=None,
            worker_dashboard_address=None,
            silence_logs=50,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield Cluster(client)


@contextmanager
def workers_of(address: str, certificates: Certificates | None, count: int | None = None) -> Iterator[Cluster]:
    """Use the workers of a running scheduler, once so many (None: one) are there.

    Raises
    ------
    InputError
        The library is not installed, the address may not be spoken to like this, or nobody answers there.
    """
    check_address(address, certificates)
    _installed()
    from distributed import Client, Security

    security = None
    if certificates is not None and address.startswith("tls://"):
        security = Security(
            tls_ca_file=str(certificates.authority),
            tls_client_cert=str(certificates.certificate),
            tls_client_key=str(certificates.key),
            require_encryption=True,
        )
    try:
        client = Client(address, security=security, timeout=_PATIENCE)
    except (OSError, TimeoutError) as fault:
        why = str(fault).partition(". ")[0] or type(fault).__name__
        raise InputError(f"no scheduler answers at {address} ({why}): start one there, then its workers") from None
    with client:
        try:
            client.wait_for_workers(count or 1, timeout=_PATIENCE)
        except TimeoutError:
            raise InputError(
                f"the scheduler at {address} has not {count or 1} workers after {_PATIENCE} s: start them"
            ) from None
        _same_program(client, address)
        yield Cluster(client)


def check_address(address: str, certificates: Certificates | None) -> None:
    """Make sure that an address is of this machine, or is spoken to over TLS.

    Raises
    ------
    InputError
        It is not, or it is no address of a scheduler.
    """
    given = urlsplit(address if "://" in address else f"tcp://{address}")
    try:
        host, port = given.hostname, given.port
    except ValueError:
        host = port = None
    if given.scheme not in ("tcp", "tls") or not host or port is None:
        raise InputError(f'"{address}" is no address of a scheduler: write it as tls://HOST:PORT')
    if given.scheme == "tls":
        if certificates is None:
            raise InputError(f"{address} needs --tls-ca, --tls-cert and --tls-key: files for TLS that you trust")
        for path in (certificates.authority, certificates.certificate, certificates.key):
            if not path.is_file():
                raise InputError(f"{path} is not a file: name the certificates for {address}")
        return
    if not _is_loopback(host):
        raise InputError(
            f"{address} is another machine and may only be spoken to over TLS: write tls://{host}:{port} and give "
            "--tls-ca, --tls-cert and --tls-key"
        )


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _installed() -> None:
    try:
        import distributed  # noqa: F401
    except ImportError:
        raise InputError(
            'workers need the library dask.distributed: install it with pip install "wearlab[distributed]", or work in '
            "this process alone with --workers 0"
        ) from None


def program() -> str:
    """Return the version of the program that a worker runs."""
    return __version__


def _same_program(client: Client, address: str) -> None:
    try:
        found = set(client.run(program).values())
    except WearlabError:
        raise
    except Exception as fault:  # whatever a worker without the program answers
        raise InputError(
            f"the workers of {address} do not run wearlab ({type(fault).__name__}): install version {__version__} there"
        ) from None
    if found != {__version__}:
        other = ", ".join(sorted(found - {__version__}))
        raise InputError(f"workers of {address} run wearlab {other}, this is {__version__}: install the same there")


class Cluster:
    """The workers of a scheduler as a `Runner`."""

    def __init__(self, client: Client) -> None:
        self.client = client

    def executor(self, laid: Laid) -> Executor:
        """Return who goes over the chunks of a group's partitions."""
        return Shares(self, laid)

    def each(self, work: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Result]:
        """Yield the results of a pure function in the order of the items."""
        return self.in_turn(lambda item: self.client.submit(work, item, pure=False), items)

    def in_turn(self, submit: Callable[[Item], Future[Any]], items: Iterable[Item]) -> Iterator[Any]:
        """Yield the results in the order of the items, with few tasks ahead, so that what travels stays small."""
        ahead = _AHEAD * max(sum(self.client.nthreads().values()), 1)
        waiting: deque[Any] = deque()
        for item in items:
            waiting.append(submit(item))
            if len(waiting) >= ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


class Shares:
    """Goes over a group's chunks where its shares are held; what the partitions do not hold is done by threads here.

    Samples of vehicles, from which a search starts and by which working scales are chosen, are not laid.
    """

    def __init__(self, cluster: Cluster, laid: Laid) -> None:
        self.cluster, self.laid = cluster, laid
        self._held: dict[tuple[Any, ...], list[Future[Any]]] = {}

    def over(self, task: Task[Result], work: Work, local: tuple[Local, ...]) -> Iterator[Result]:
        """Yield what the task says of every run of chunks, in order."""
        if work.design.data.source is not self.laid.data:
            yield from Threads().over(task, work, local)
            return
        held = self._shares(work.design)

        def submit(number: int) -> Future[Any]:
            rows, own = self.laid.rows[number], self.laid.meta["shares"][number]
            moving = Moving.of(work, rows, range(*own["chunks"]))
            return self.cluster.client.submit(asked, task, held[number], moving, pure=False)

        for runs in self.cluster.in_turn(submit, range(len(held))):
            yield from runs

    def _shares(self, design: Problem) -> list[Future[Any]]:
        """Return the shares as they are held for a working scale, made where nobody holds them yet."""
        left_out = design.left_out.tolist()
        key = (design.frame, tuple(left_out))
        if key not in self._held:
            same_blocks(self.laid, design.blocks)
            meta = {name: value for name, value in self.laid.meta.items() if name != "shares"}
            self._held[key] = [
                self.cluster.client.submit(share, self.laid.folder, meta, own, design.frame, left_out, pure=False)
                for own in self.laid.meta["shares"]
            ]
        return self._held[key]


def asked(task: Task[Result], held: Share, moving: Moving) -> list[Result]:
    """Return what a task says of every run of chunks of a share."""
    return list(Threads(1).over(task, moving.on(held), held.local))
