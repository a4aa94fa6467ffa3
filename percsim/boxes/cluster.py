"""Stage 6. Workers on other machines, by the address of their Dask scheduler.

`Cluster` is an executor. A worker computes only if its percsim has the same sources as the
caller's, which is asked of all before the first box and checked with every task. Where the
scheduler is lost its tasks go to it again once it is back; tasks of a worker that is lost
the scheduler gives to another. Nothing is stored but by the caller.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import logging
import math
import pickle
import threading
import time
import uuid
from collections.abc import Callable, Collection, Coroutine, Iterator
from concurrent.futures import CancelledError, Future, InvalidStateError
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from percsim import __version__
from percsim.boxes.fingerprint import PHYSICS_VERSION
from percsim.boxes.pool import starting_workers
from percsim.boxes.store import environment_record
from percsim.errors import ClusterError
from percsim.process import set_one_thread

__all__ = ["Certificates", "Cluster", "sources_hash"]

FIRST_PATIENCE = 10.0
"""How long a scheduler may take to answer at first [s]."""

PATIENCE = 600.0
"""How long to wait for a lost scheduler, or for workers where there are none [s]."""

WATCH_SECONDS = 2.0
"""Between two looks at which workers there are [s]."""

TASKS_A_THREAD = 2
"""In hand: one that runs and one that waits at the worker."""

CALM = {
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
    "distributed.worker.memory.monitor-interval": "1s",
    "distributed.scheduler.work-stealing-interval": "1s",
}
"""Settings of Dask for own workers: as it comes it samples every stack each 10 ms and looks
after itself each 20 to 100 ms, which takes 7 % of a core in caller and worker."""


@dataclass(frozen=True, slots=True)
class Certificates:
    """Files of TLS, each in PEM form.

    Parameters
    ----------
    authority : str
        Certificate of the authority that signed those of scheduler and workers.
    certificate, key : str
        The caller's own, signed by the same.

    """

    authority: str
    certificate: str
    key: str


# --- in the worker


@cache
def sources_hash() -> str:
    """Hash of every source of percsim, with names: any edit gives another."""
    digest = hashlib.sha256()
    root = Path(__file__).parents[1]
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


class OtherSourcesError(RuntimeError):
    """A task that came to a worker with another percsim."""


def _keep_one_thread() -> None:
    """Hold every BLAS that is loaded to one thread for good: tasks may run side by side."""
    set_one_thread()
    import numpy  # noqa: F401
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    threadpool_limits(limits=1)


def _introduce() -> dict[str, str]:
    """Say what a worker is, in plain texts, which any version can read."""
    _keep_one_thread()
    return environment_record() | {
        "sources": sources_hash(), "physics": str(PHYSICS_VERSION)
    }  # fmt: skip


def _answer(sources: str, payload: bytes) -> Any:
    """Do a task, unless it comes from another percsim."""
    if sources_hash() != sources:
        raise OtherSourcesError("this worker has another percsim")
    _keep_one_thread()
    function, args = pickle.loads(payload)
    return function(*args)


class _Call:
    """Reads back from its pickle as the answer of a call.

    So the function that workers are sent is that of the standard library, and a scheduler,
    which reads it too, needs no percsim.
    """

    def __init__(self, function: Callable[..., Any], *args: Any) -> None:
        self._call = function, args

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return self._call


# --- here


class Cluster:
    """Workers of a Dask scheduler, as an executor for `run_jobs`; a context manager.

    Parameters
    ----------
    address : str
        "tcp://host:8786", "tls://host:8786", or "local:4" for four worker processes on this
        machine, which end with it.
    certificates : Certificates, optional
        For "tls://" only, which needs them.
    told : callable
        Given a line when it waits, and when a worker is left aside.
    patience : float
        How long to wait for workers, or for a scheduler that is lost [s].

    Raises
    ------
    ClusterError
        If no scheduler answers, no worker comes, or a worker has another percsim.

    """

    batch_seconds = 1.0

    def __init__(
        self,
        address: str,
        *,
        certificates: Certificates | None = None,
        told: Callable[[str], object] = lambda _: None,
        patience: float = PATIENCE,
    ) -> None:
        self.asked = self.address = address
        self.environments: list[dict[str, str]] = []
        """What the workers compute on, each once."""
        self.threads = 0
        """Of all workers that take part."""
        self._n_local = _local_workers(address)
        self._security = _security(address, certificates)
        self._told, self._patience = told, patience
        self._sources = sources_hash()
        self._client: Any = None
        self._local: Any = None
        self._good: set[str] = set()
        self._refused: set[str] = set()
        self._prepare: bytes | None = None
        self._broken: ClusterError | None = None
        self._tasks: set[asyncio.Task[Any]] = set()
        self._quiet = contextlib.ExitStack()
        self._quiet.enter_context(_silent())
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()
        try:
            self._wait_for(self._open())
        except BaseException:
            self.close()
            raise

    @property
    def slots(self) -> int:
        """How many tasks it should have in hand."""
        return max(TASKS_A_THREAD * self.threads, 1)

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Future[Any]:
        """Have `function(*args)` done by a worker; both must be picklable.

        Raises
        ------
        ClusterError
            Here or by the future, if the cluster is lost for good.

        """
        if self._broken is not None:
            raise self._broken
        future: Future[Any] = Future()
        payload = self._payload(function, *args)
        self._loop.call_soon_threadsafe(self._start, self._run(payload, future))
        return future

    def prepare(self, function: Callable[[], object]) -> None:
        """Have a function called once in each worker, now or when it joins."""
        self._prepare = self._payload(function)
        self._wait_for(self._warm(list(self._good)))

    def close(self) -> None:
        """Let go of the scheduler, which drops what it was asked for."""
        if self._thread.is_alive():
            self._give_up(f"the cluster at {self.address} was let go")
            with contextlib.suppress(RuntimeError, TimeoutError, CancelledError):
                self._wait_for(self._shut(), 20.0)
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(5.0)
            self._quiet.close()

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Cluster: {self.address}, {self.threads} threads"

    def _payload(self, function: Callable[..., Any], *args: Any) -> bytes:
        return pickle.dumps(_Call(_answer, self._sources, pickle.dumps((function, args))))

    # -- the thread of the loop

    def _live(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._mutex = asyncio.Lock()
        self._loop.run_forever()
        self._loop.close()

    def _wait_for(
        self, work: Coroutine[Any, Any, Any], timeout: float | None = None
    ) -> Any:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(timeout)

    def _start(self, work: Coroutine[Any, Any, Any]) -> None:
        task = self._loop.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _open(self) -> None:
        if self._n_local:
            import dask
            from distributed import LocalCluster

            with starting_workers(), dask.config.set(CALM):
                self._local = await LocalCluster(
                    n_workers=self._n_local, threads_per_worker=1, asynchronous=True,
                    host="127.0.0.1", dashboard_address=":0", silence_logs=logging.CRITICAL,
                )  # fmt: skip
            self.address = self._local.scheduler_address
        await self._connected(FIRST_PATIENCE)
        self._start(self._watch())

    async def _shut(self) -> None:
        mine = [task for task in self._tasks if not task.done()]
        for task in mine:
            task.cancel()
        await asyncio.gather(*mine, return_exceptions=True)
        if self._client is not None:
            await self._client.close()
        if self._local is not None:
            await self._local.close()

    def _give_up(self, reason: str) -> ClusterError:
        self._broken = self._broken or ClusterError(reason)
        return self._broken

    # -- connecting

    async def _connected(self, patience: float | None = None) -> Any:
        """Give a client whose workers are checked; waits for it if there is none."""
        async with self._mutex:
            if self._broken is not None:
                raise self._broken
            deadline = time.monotonic() + (patience or self._patience)
            while self._client is None:
                client = await self._reach(deadline)
                try:
                    await self._check(client)
                except OSError as error:  # lost again meanwhile
                    self._leave(client)
                    if time.monotonic() > deadline:
                        raise self._not_there(error) from error
                except BaseException:
                    self._leave(client)
                    raise
                else:
                    self._client = client
            return self._client

    async def _reach(self, deadline: float) -> Any:
        """Connect to the scheduler, however long it takes to be there again."""
        from distributed import Client

        told = not self._good
        while True:
            timeout = round(min(5.0, max(deadline - time.monotonic(), 0.5)), 1)
            try:
                client = Client(
                    self.address, asynchronous=True, set_as_default=False,
                    security=self._security, timeout=timeout, name="percsim",
                )  # fmt: skip
                try:
                    # its own limit does not hold where somebody listens and says nothing
                    return await asyncio.wait_for(_started(client), 2.0 * timeout)
                except BaseException:
                    self._leave(client)
                    raise
            except (ValueError, ImportError) as error:
                raise self._give_up(f"--cluster {self.address}: {_line(error)}") from error
            except OSError as error:  # a time-out is one
                if time.monotonic() > deadline:
                    raise self._not_there(error) from error
            if not told:
                self._told(f"lost the scheduler at {self.address}; waiting for it")
                told = True
            await asyncio.sleep(0.5)

    def _not_there(self, error: OSError) -> ClusterError:
        what = "lost the scheduler" if self._good else "no scheduler answers"
        return self._give_up(
            f"{what} at {self.address} ({_line(error)}); is it running, and can this"
            " machine reach it?"
        )

    async def _check(self, client: Any) -> None:
        """Wait for a worker, and refuse the whole cluster if one has another percsim."""
        begun, waiting = time.monotonic(), False
        while not (threads := await asyncio.wait_for(client.nthreads(), 30.0)):
            if time.monotonic() - begun > self._patience:
                raise self._give_up(
                    f"the scheduler at {self.address} has no workers; start some with:"
                    f"  dask worker {self.address} --nworkers auto --nthreads 1"
                )
            if not waiting:
                self._told(f"the scheduler at {self.address} has no workers yet; waiting")
                waiting = True
            await asyncio.sleep(0.2)
        self._good, self._refused = set(), set()
        faults = await self._admit(client, threads)
        if faults:
            more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
            raise self._give_up(
                f"{faults[0]}{more}; install the same percsim on all workers and restart"
                " them"
            )
        self.threads = sum(threads.values())
        if self._prepare is not None:
            self._start(self._warm(list(self._good), client))

    async def _admit(self, client: Any, addresses: Collection[str]) -> list[str]:
        """Ask workers what they are, take those that fit, and tell faults of the others."""
        faults = []
        asked = client.run(
            pickle.loads, pickle.dumps(_Call(_introduce)), workers=list(addresses),
            on_error="return",
        )  # fmt: skip
        told = await asyncio.wait_for(asked, 300.0)  # they may load it over a network
        for address, found in told.items():
            if isinstance(found, Exception):
                fault = f"has no percsim that answers ({_line(found)})"
            elif found["sources"] != self._sources:
                fault = (
                    f"has percsim {found['percsim']} with other sources"
                    f" ({found['sources']}; here {__version__}, {self._sources})"
                )
            elif found["physics"] != str(PHYSICS_VERSION):
                fault = f"has physics version {found['physics']}, here {PHYSICS_VERSION}"
            else:
                self._good.add(address)
                own = {k: found[k] for k in found if k not in ("sources", "physics")}
                if own not in self.environments:
                    self.environments.append(own)
                continue
            self._refused.add(address)
            faults.append(f"worker {address} {fault}")
        return faults

    async def _warm(self, addresses: Collection[str], client: Any = None) -> None:
        """Have each of these workers prepared; what fails there the boxes will tell."""
        client = client or await self._connected()
        with contextlib.suppress(OSError):
            await asyncio.gather(
                *(
                    client.submit(
                        pickle.loads, self._prepare, pure=False, workers=[address],
                        allow_other_workers=False, priority=1,
                        key=f"percsim-prepare-{uuid.uuid4().hex}",
                    )
                    for address in addresses
                ),
                return_exceptions=True,
            )  # fmt: skip

    async def _watch(self) -> None:
        """Look now and then which workers there are: they join and leave while it runs."""
        without = math.inf
        while True:
            await asyncio.sleep(WATCH_SECONDS)
            client = self._client
            if client is None:
                continue
            try:
                threads = await asyncio.wait_for(client.nthreads(), 30.0)
                more = threads.keys() - self._good - self._refused
                faults = await self._admit(client, more) if more else []
            except OSError:
                continue
            for fault in faults:
                self._told(f"{fault}; it gets no boxes")
            if more and self._prepare is not None:
                self._start(self._warm(more & self._good, client))
            self.threads = sum(n for a, n in threads.items() if a in self._good)
            without = min(without, time.monotonic()) if not self.threads else math.inf
            if time.monotonic() - without > self._patience:
                self._give_up(f"the scheduler at {self.address} has lost all its workers")
                self._leave(client)

    def _leave(self, client: Any) -> None:
        """Be done with a client whose scheduler is lost; its tasks find the next one."""
        if self._client is client:
            self._client = None

        async def close() -> None:
            with contextlib.suppress(Exception):
                await asyncio.wait_for(client.close(), 5.0)

        self._start(close())

    # -- tasks

    async def _run(self, payload: bytes, future: Future[Any]) -> None:
        """Carry out a task, as often as its scheduler is lost."""
        with _settling(future):
            while not future.cancelled():
                client = await self._connected()
                try:
                    sent = client.submit(
                        pickle.loads, payload, pure=False,
                        key=f"percsim-{uuid.uuid4().hex}",
                        # named only where some must not have it: there may be thousands
                        workers=sorted(self._good) if self._refused else None,
                        allow_other_workers=False,
                    )  # fmt: skip
                    future.add_done_callback(self._dropper(sent))
                    answer = await sent
                except OtherSourcesError:
                    # it joined a moment ago, and is not found out yet
                    await asyncio.sleep(WATCH_SECONDS)
                except (OSError, CancelledError):
                    self._leave(client)
                else:
                    future.set_result(answer)
                    return

    def _dropper(self, sent: Any) -> Callable[[Future[Any]], None]:
        """Make what lets the scheduler forget a task that is not wanted any more."""

        def drop(future: Future[Any]) -> None:
            if future.cancelled() and not self._loop.is_closed():
                with contextlib.suppress(RuntimeError):
                    self._loop.call_soon_threadsafe(sent.release)

        return drop


async def _started(client: Any) -> Any:
    return await client


@contextlib.contextmanager
def _settling(future: Future[Any]) -> Iterator[None]:
    """Hand what the block raises to a future; one that was cancelled stays so."""
    try:
        yield
    except InvalidStateError:
        pass
    except asyncio.CancelledError:
        future.cancel()
        raise
    except Exception as error:
        with contextlib.suppress(InvalidStateError):
            future.set_exception(error)


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """Keep Dask from telling of what is told here, or is as it should be."""
    # its loggers have levels of their own
    names = [name for name in logging.root.manager.loggerDict if "distributed" in name]
    before = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


def _line(error: BaseException) -> str:
    """First line of what an error says, or its kind."""
    return str(error).strip().partition("\n")[0] or type(error).__name__


def _local_workers(address: str) -> int:
    """Count of workers of a "local:N", 0 of any other address."""
    kind, _, count = address.partition(":")
    if kind != "local":
        return 0
    if not count.isdecimal() or int(count) < 1:
        raise ClusterError(
            f"--cluster {address}: write how many worker processes, like local:4"
        )
    return int(count)


def _security(address: str, certificates: Certificates | None) -> Any:
    """Make the settings of TLS, None without it; what is missing is told."""
    try:
        from distributed import Security
    except ImportError:
        raise ClusterError(
            "--cluster needs Dask, which is not installed; pip install 'percsim[cluster]'"
        ) from None
    scheme, apart, _ = address.partition("://")
    if not apart and not _local_workers(address):
        raise ClusterError(
            f"--cluster {address}: write tcp://host:port, tls://host:port or local:N"
        )
    if (scheme == "tls") != (certificates is not None):
        raise ClusterError(
            f"--cluster {address}: "
            + (
                "TLS needs --tls-ca, --tls-cert and --tls-key"
                if certificates is None
                else "certificates go with tls://host:port"
            )
        )
    if certificates is None:
        return None
    for path in (certificates.authority, certificates.certificate, certificates.key):
        if not Path(path).is_file():
            raise ClusterError(f"{path}: no such file; TLS needs it")
    return Security(
        tls_ca_file=certificates.authority,
        tls_client_cert=certificates.certificate,
        tls_client_key=certificates.key,
        require_encryption=True,
    )
