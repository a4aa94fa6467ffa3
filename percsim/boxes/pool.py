"""Stage 6. Worker processes on this machine: they take tasks and outlive faults."""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, InvalidStateError
from dataclasses import dataclass
from multiprocessing import connection as mp_connection
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from multiprocessing.reduction import ForkingPickler
from types import FrameType
from typing import Any

from percsim.errors import PercsimError
from percsim.process import one_blas_thread, set_one_thread

__all__ = ["LocalProcesses", "WorkerDiedError", "available_cores", "checked_workers"]

_MOST_STILLBORN = 3


class WorkerDiedError(PercsimError, RuntimeError):
    """A worker process that ended in the middle of a job, or could not be started."""


def available_cores() -> int:
    """Cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def checked_workers(workers: int | None) -> int:
    """Count of worker processes, by default the cores at hand; ValueError if it is none."""
    if workers is None:
        return available_cores()
    if isinstance(workers, bool) or not isinstance(workers, int) or workers < 1:
        raise ValueError(f"workers must be a whole number, 1 or more, got {workers!r}")
    return workers


# --- in the worker


def _watch_parent() -> None:
    # Also when the parent was killed and could not say goodbye.
    parent = multiprocessing.parent_process()
    if parent is not None:
        mp_connection.wait([parent.sentinel])
        os._exit(1)


def _serve(pipe: Connection, preload: tuple[str, ...]) -> None:
    """Life of a worker: take a task, run it, answer, until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_watch_parent, daemon=True).start()
    for name in preload:
        with contextlib.suppress(Exception):  # the job that needs it will say what is wrong
            importlib.import_module(name)
    with one_blas_thread():  # for libraries that do not read the environment
        _answer_tasks(pipe)


def _answer_tasks(pipe: Connection) -> None:
    announced = False
    while True:
        try:
            if not announced:
                pipe.send_bytes(b"")
                announced = True
            task = pipe.recv_bytes()
        except (EOFError, OSError):
            return
        answer: tuple[Any, BaseException | None]
        try:
            function, args = ForkingPickler.loads(task)
            answer = function(*args), None
        except Exception as error:
            answer = None, error
        try:
            reply = ForkingPickler.dumps(answer)
        except Exception as error:
            reply = ForkingPickler.dumps(
                (None, RuntimeError(f"cannot send an answer back: {error}"))
            )
        try:
            pipe.send_bytes(reply)
        except OSError:
            return


# --- local processes


@contextlib.contextmanager
def _later_interrupt() -> Iterator[None]:
    """Put off a Ctrl-C until the end of the block."""
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or not callable(before):
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    signal.signal(signal.SIGINT, lambda number, frame: came.append((number, frame)))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if came:
            before(*came[0])


@contextlib.contextmanager
def starting_workers() -> Iterator[None]:
    """Environment and signal mask that a worker inherits, for the moment it is started."""
    # The first start of all also starts this helper, which leaves Ctrl-C unblocked.
    resource_tracker.ensure_running()
    before = set_one_thread()
    # A Ctrl-C reaches the whole process group: a worker still importing would die of it.
    # Blocked here it is inherited so; this process may yet be told through another thread.
    masked = hasattr(signal, "pthread_sigmask")
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if masked else set()
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        if masked:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)


@dataclass(slots=True)
class _Task:
    future: Future[Any]
    payload: bytes


@dataclass(slots=True)
class _Worker:
    process: SpawnProcess
    pipe: Connection
    ready: bool = False
    task: _Task | None = None


class LocalProcesses:
    """Worker processes on this machine, started at once and kept until `shutdown`.

    Each has one BLAS and one numba thread, ignores Ctrl-C, and ends with its parent however
    that ends. When one dies, the future of the task it had raises `WorkerDiedError`,
    another takes its place, and the rest do not notice.

    Parameters
    ----------
    workers : int, optional
        How many, default `available_cores()`.
    preload : sequence of str
        Modules that workers import before their first task.

    Raises
    ------
    ValueError
        If `workers` is below 1.
    """

    def __init__(self, workers: int | None = None, *, preload: Sequence[str] = ()) -> None:
        self.workers = checked_workers(workers)
        self._preload = tuple(name for name in preload if name != "__main__")
        self._context = multiprocessing.get_context("spawn")
        self._tasks: deque[_Task] = deque()
        self._mutex = threading.Lock()
        self._closing = False
        self._killing = False
        self._stillborn = 0
        self._broken = ""
        if getattr(multiprocessing.current_process(), "_inheriting", False):
            # a worker that imports an unguarded main script; the parent explains
            raise SystemExit(1)
        self._bell, self._wake_up = self._context.Pipe(duplex=False)
        self._thread = threading.Thread(target=self._manage, daemon=True)
        self._pool: list[_Worker] = []
        try:
            with _later_interrupt(), starting_workers():
                self._pool += [self._start() for _ in range(self.workers)]
                self._thread.start()
        except KeyboardInterrupt:
            self.shutdown(kill=True)
            raise

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Future[Any]:
        """Queue `function(*args)`; both must be picklable.

        Raises
        ------
        WorkerDiedError
            If workers cannot be started.
        RuntimeError
            After `shutdown`.

        """
        task = _Task(Future(), bytes(ForkingPickler.dumps((function, args))))
        with self._mutex:
            if self._broken:
                raise WorkerDiedError(self._broken)
            if self._closing:
                raise RuntimeError("cannot submit after shutdown")
            self._tasks.append(task)
        self._ring()
        return task.future

    def shutdown(self, *, kill: bool = False) -> None:
        """Drop what is queued and end the workers, after the tasks in hand or at once.

        Parameters
        ----------
        kill : bool
            Do not wait for the tasks in hand.

        """
        with self._mutex:
            self._closing = True
            self._killing = self._killing or kill
            dropped = list(self._tasks)
            self._tasks.clear()
        for task in dropped:
            task.future.cancel()
        self._ring()
        if self._thread.is_alive():  # an interrupt may come before it is started
            self._thread.join()

    def __enter__(self) -> LocalProcesses:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.shutdown(kill=kind is not None)

    def __repr__(self) -> str:
        return f"LocalProcesses: {self.workers} workers"

    @property
    def process_ids(self) -> list[int]:
        """Process numbers of the workers alive now."""
        return [w.process.pid for w in list(self._pool) if w.process.pid is not None]

    # -- the managing thread owns the workers from here on

    def _ring(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_up.send_bytes(b"")

    def _start(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=_serve, args=(theirs, self._preload), name="percsim worker", daemon=True
        )
        process.start()
        theirs.close()  # so that its end is seen as end of file
        return _Worker(process, ours)

    def _manage(self) -> None:
        try:
            while not self._finished():
                self._hand_out()
                waited: list[Any] = [self._bell]
                for worker in self._pool:
                    waited += [worker.pipe, worker.process.sentinel]
                ready = set(mp_connection.wait(waited))
                if self._bell in ready:
                    self._bell.recv_bytes()
                for worker in list(self._pool):
                    if worker.pipe in ready or worker.process.sentinel in ready:
                        self._attend(worker)
        except BaseException as error:  # never leave a caller waiting for ever
            self._give_up(f"the pool of workers failed: {type(error).__name__}: {error}")
        finally:
            self._end()

    def _finished(self) -> bool:
        with self._mutex:
            if not self._closing:
                return False
            return self._killing or all(worker.task is None for worker in self._pool)

    def _hand_out(self) -> None:
        for worker in list(self._pool):
            while worker.ready and worker.task is None:
                with self._mutex:
                    if not self._tasks:
                        return
                    task = self._tasks.popleft()
                if not task.future.set_running_or_notify_cancel():
                    continue
                worker.task = task
                try:
                    worker.pipe.send_bytes(task.payload)
                except OSError:
                    self._bury(worker)

    def _attend(self, worker: _Worker) -> None:
        """Take what a worker sent, or bury it."""
        try:
            # what it sent before it died still counts
            if not worker.pipe.poll():
                self._bury(worker)
                return
            message = worker.pipe.recv_bytes()
        except (EOFError, OSError):
            self._bury(worker)
            return
        if not worker.ready:
            worker.ready = True
            self._stillborn = 0
            return
        task, worker.task = worker.task, None
        if task is None:
            return
        try:
            value, error = ForkingPickler.loads(message)
        except Exception as failure:
            value, error = None, RuntimeError(f"cannot read an answer: {failure}")
        _settle(task.future, value, error)

    def _bury(self, worker: _Worker) -> None:
        """Say what became of a dead worker's task, and start another worker."""
        worker.process.join(5.0)
        if worker.process.is_alive():  # it closed its pipe and lives on: of no use
            worker.process.kill()
            worker.process.join()
        cause = _cause_of_death(worker.process.exitcode)
        worker.pipe.close()
        self._pool.remove(worker)
        if worker.task is not None:
            died = WorkerDiedError(f"its worker process {cause}")
            _settle(worker.task.future, None, died)
        if self._closing:
            return
        if not worker.ready:
            self._stillborn += 1
            if self._stillborn >= _MOST_STILLBORN:
                self._give_up(
                    f"worker processes cannot start (the last one {cause}); a script that "
                    'starts a run needs if __name__ == "__main__": around it; workers=1 '
                    "needs no other process"
                )
                return
        with starting_workers():
            self._pool.append(self._start())

    def _give_up(self, reason: str) -> None:
        with self._mutex:
            self._broken = reason
            self._closing = self._killing = True
            waiting = list(self._tasks)
            self._tasks.clear()
        for task in waiting:
            if task.future.set_running_or_notify_cancel():
                _settle(task.future, None, WorkerDiedError(reason))

    def _end(self) -> None:
        for worker in self._pool:
            worker.pipe.close()
            worker.process.terminate()  # to put its own house in order takes it long
        deadline = time.monotonic() + 2.0
        for worker in self._pool:
            worker.process.join(max(0.0, deadline - time.monotonic()))
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
            if worker.task is not None:
                reason = self._broken or "its worker process was ended"
                _settle(worker.task.future, None, WorkerDiedError(reason))
        self._pool.clear()


def _settle(future: Future[Any], value: Any, error: BaseException | None) -> None:
    with contextlib.suppress(InvalidStateError):
        if error is None:
            future.set_result(value)
        else:
            future.set_exception(error)


def _cause_of_death(exitcode: int | None) -> str:
    if exitcode is None or exitcode >= 0:
        return f"ended with exit code {exitcode}"
    try:
        name = signal.Signals(-exitcode).name
    except ValueError:
        name = f"signal {-exitcode}"
    if name == "SIGKILL":
        return "was killed by SIGKILL (out of memory?)"
    return f"was killed by {name}"
