"""Stage 6. Jobs -> results, over worker processes, in an order that does not matter.

`run_jobs` hands jobs to an executor, collects what comes back, and stores it in batches.
The executor is anything with `submit(function, *args)` that returns a future;
`LocalProcesses` is the default. Results depend on the jobs alone: never on who ran them,
when, or how often the run was interrupted.
"""

from __future__ import annotations

import math
import multiprocessing
import queue
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, CancelledError
from dataclasses import dataclass
from typing import Any, Literal, Protocol, TypeVar

from percsim.boxes.batches import Batches
from percsim.boxes.pool import LocalProcesses, checked_workers
from percsim.boxes.store import Record, Store, decode_json, encode_json
from percsim.errors import FolderError, PercsimError
from percsim.process import check_interrupt, interrupts, one_blas_thread

__all__ = [
    "Executor", "Interrupted", "Job", "Outcome", "Progress", "run_jobs", "runs_here",
]  # fmt: skip

_BATCH_SECONDS = 1.0
_TRUSTED_SECONDS = 5.0  # until then the times that jobs say count more than the clock,
_TRUSTED_SHARE = 0.2  # and once so much is done they count no more


# --- what comes in and goes out


class Job(Protocol):
    """What `run_jobs` asks of a job: picklable, and named.

    One that has `seconds`, the time it is expected to take on one core, helps to tell how
    long the rest takes.
    """

    @property
    def key(self) -> str:
        """Name of the job, of its own among all jobs of a store."""
        ...


J = TypeVar("J", bound=Job)
_Answer = tuple[Literal["done", "failed"], str, float]


class Progress(Protocol):
    """Told how far the jobs are, in the thread that called `run_jobs`."""

    def __call__(
        self, done: int, total: int, failed: int, rate: float, seconds_left: float
    ) -> None:
        """Take note.

        Parameters
        ----------
        done : int
            Jobs finished, failed ones and those found in the store included.
        total : int
            All jobs.
        failed : int
            Those of `done` that gave no result.
        rate : float
            Jobs finished per second since the first was handed out [1/s].
        seconds_left : float
            Expected [s], from the times that jobs say they take and those that the finished
            ones took; inf before the first if they do not say.

        """
        ...


class Executor(Protocol):
    """Where jobs run: local processes, a standard pool, or a cluster.

    One may also say `slots`, how many tasks it should have in hand at once (all without),
    `batch_seconds`, how long one of them should take, so that short jobs share the cost of
    their way (without, every job is a task), and `environments`, what it computes on. One
    with `prepare` has a function called in each of its workers before their first task.
    """

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Any:
        """Start `function(*args)` somewhere; return a future.

        The future has `add_done_callback`, `result` and `cancel`.

        Raises
        ------
        BrokenExecutor
            Here or by the future, if it takes no more.

        """
        ...


class Interrupted(PercsimError):  # noqa: N818 - it is not an error but the user's wish
    """Ctrl-C during `run_jobs`; what was finished is stored.

    Parameters
    ----------
    done : int
        Jobs finished, failed ones and those found in the store included.
    total : int
        All jobs.
    failed : int
        Those of `done` that gave no result.
    stored : bool
        Whether they are in a store, so that the same call goes on from here.

    """

    def __init__(self, done: int, total: int, failed: int, stored: bool) -> None:
        self.done = done
        self.total = total
        self.failed = failed
        self.stored = stored
        super().__init__(
            f"interrupted: {done} of {total} boxes finished"
            + (f", {failed} of them failed" if failed else "")
            + (" and stored; run the same command again to go on" if stored else "")
        )

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.done, self.total, self.failed, self.stored)


@dataclass(frozen=True, slots=True, repr=False)
class Outcome:
    """Outcomes of `run_jobs`, in the order of the jobs.

    Parameters
    ----------
    records : (n,) tuple of Record
        What each job came to.
    n_reused : int
        How many were found in the store and not run.
    wall_time : float
        Time this call took [s].

    """

    records: tuple[Record, ...]
    n_reused: int
    wall_time: float

    @property
    def results(self) -> tuple[Any, ...]:
        """What the jobs gave as JSON has it, None where one failed."""
        return tuple(
            decode_json(record.text) if record.status == "done" else None
            for record in self.records
        )

    def by_key(self) -> dict[str, Record]:
        """Give the records by key, in the order of the jobs."""
        return {record.key: record for record in self.records}

    @property
    def failures(self) -> dict[str, str]:
        """One-line message by key, for each job that failed."""
        messages = {record.key: record.message for record in self.records}
        return {key: message for key, message in messages.items() if message is not None}

    def __len__(self) -> int:
        return len(self.records)

    def __repr__(self) -> str:
        return (
            f"Outcome: {len(self)} jobs, {len(self.failures)} failed, "
            f"{self.n_reused} found in the store, {self.wall_time:.3g} s"
        )


# --- in the worker


def _run_one(function: Callable[[Any], Any], job: Any) -> _Answer:
    """Run a job; its outcome as (status, JSON text, time), an exception included."""
    begun = time.perf_counter()
    status: Literal["done", "failed"]
    try:
        result = function(job)
        if not isinstance(result, dict):
            raise TypeError(f"a job must return a dict, got {type(result).__name__}")
        status, text = "done", encode_json(result)
    except Exception as error:
        lines = str(error).strip().splitlines()
        message = f"{type(error).__name__}: {lines[0]}" if lines else type(error).__name__
        status, text = "failed", encode_json(message)
    return status, text, time.perf_counter() - begun


def _run_batch(
    function: Callable[[Any], Any], jobs: Sequence[Any], attempt: int
) -> list[_Answer]:
    """Run jobs one after another; `attempt` is for executors that remember answers."""
    del attempt
    return [_run_one(function, job) for job in jobs]


# --- the run


def runs_here(workers: int | None) -> bool:
    """Whether so many workers are this process itself, which may not have others."""
    return checked_workers(workers) == 1 or multiprocessing.current_process().daemon


class _Run:
    """Bookkeeping of one `run_jobs` call: what is finished, what is not yet stored."""

    def __init__(
        self,
        jobs: Sequence[Job],
        workers: int,
        store: Store | None,
        progress: Progress | None,
        batch_seconds: float,
    ) -> None:
        self.keys = [job.key for job in jobs]
        self.total = len(jobs)
        self._workers = workers
        self._store = store
        self._progress = progress
        self._batch_seconds = batch_seconds
        self.records: dict[str, Record] = store.records(self.keys) if store else {}
        self.n_reused = len(self.records)
        # what a job still to run weighs in the time left: seconds, if all say theirs
        said: dict[str, Any] = {
            job.key: getattr(job, "seconds", None)
            for job in jobs
            if progress is not None and job.key not in self.records
        }
        self._timed = None not in said.values()
        self._weights = {
            key: float(seconds) if self._timed else 1.0 for key, seconds in said.items()
        }
        self._weight_left, self._weight_done = sum(self._weights.values()), 0.0
        self.failed = sum(r.status == "failed" for r in self.records.values())
        self._pending: list[Record] = []
        self._begun = self._stored_at = time.monotonic()
        self._prepared: float | None = None

    def keep(self, record: Record) -> None:
        self._pending.append(record)
        self.records[record.key] = record
        weight = self._weights.pop(record.key, 0.0)
        self._weight_left -= weight
        self._weight_done += weight
        self.failed += record.status == "failed"

    def take(self, record: Record) -> None:
        self.keep(record)
        self.taken()

    def taken(self) -> None:
        check_interrupt()  # before a failure that is its doing can be stored
        self.store_if_due()
        self.report()

    def computed_on(self, environments: Sequence[dict[str, str]]) -> None:
        if self._store:
            self._store.computed_on(environments)

    def store_if_due(self) -> None:
        if time.monotonic() - self._stored_at >= self._batch_seconds:
            self.store()

    def seconds_to_store(self) -> float | None:
        """Until the next batch is due [s]; None if there is nothing to store."""
        if not self._pending:
            return None
        return max(0.0, self._stored_at + self._batch_seconds - time.monotonic())

    def forget_failures(self) -> None:
        """Take failures not yet stored as not tried: a Ctrl-C may have made them."""
        for record in self._pending:
            if record.status == "failed":
                del self.records[record.key]
                self.failed -= 1
        self._pending = [r for r in self._pending if r.status == "done"]

    def store(self) -> None:
        if self._store and self._pending:
            self._store.add(self._pending)
        self._pending = []  # only now: after a failure or Ctrl-C it can be tried again
        self._stored_at = time.monotonic()

    def report(self) -> None:
        if self._progress is None:
            return
        done = len(self.records)
        begun = self._begun if self._prepared is None else self._prepared
        rate = (done - self.n_reused) / max(time.monotonic() - begun, 1e-9)
        left = self._seconds_left() if done < self.total else 0.0
        self._progress(done, self.total, self.failed, rate, left)

    def _seconds_left(self) -> float:
        """Time for the jobs that are not finished [s].

        The pace of the finished jobs, drawn at first to the one that jobs say: until then
        most of the time went into jobs in hand and into starting up.
        """
        spent = 0.0 if self._prepared is None else time.monotonic() - self._prepared
        weight = self._weight_done
        if self._timed:
            share = weight / max(weight + self._weight_left, 1e-12)
            trusted = _TRUSTED_SECONDS * max(0.0, 1.0 - share / _TRUSTED_SHARE)
            spent += trusted
            weight += trusted * self._workers
        return max(self._weight_left, 0.0) * spent / weight if weight > 0.0 else math.inf

    def prepared(self) -> None:
        """Start the clock of the rate: what came before says nothing about the jobs."""
        self._prepared = time.monotonic()
        check_interrupt()

    def outcome(self) -> Outcome:
        return Outcome(
            tuple(self.records[key] for key in self.keys),
            self.n_reused,
            time.monotonic() - self._begun,
        )


def run_jobs(
    function: Callable[[J], dict[str, Any]],
    jobs: Sequence[J],
    *,
    workers: int | None = None,
    store: Store | None = None,
    progress: Progress | None = None,
    prepare: Callable[[], object] | None = None,
    batch_seconds: float = _BATCH_SECONDS,
    executor: Executor | None = None,
) -> Outcome:
    """Run each job once, wherever there is room, and give the results in the jobs' order.

    Parameters
    ----------
    function : callable
        ``function(job) -> dict`` that JSON can hold, at the top level of a module.
    jobs : sequence of Job
        Picklable objects with a `key` of their own.
    workers : int, optional
        Processes, default `available_cores()`; 1 runs in this process. Left aside when an
        executor is given.
    store : Store, optional
        Keeps the outcomes; a job whose key it holds is not run again.
    progress : Progress, optional
        Called at the start and after each job.
    prepare : callable, optional
        Called once, before any job is handed out, if there are jobs to run: the place to
        compile kernels, so that workers find them ready. Here, or in each worker of an
        executor that has a `prepare`, where it must be picklable.
    batch_seconds : float
        Finished jobs are stored in one transaction at most this often [s].
    executor : Executor, optional
        Where to run instead; it is not shut down.

    Returns
    -------
    Outcome

    Raises
    ------
    ValueError
        If two jobs have the same key, or an argument is out of range.
    Interrupted
        On Ctrl-C, after storing what was finished.
    FolderError
        If the store cannot be written; what it held before is intact.
    WorkerDiedError
        If worker processes cannot be started at all.

    Notes
    -----
    A job that raises is recorded as failed with its one-line message. A job whose worker
    died is run once more, then recorded as failed; the others go on. Whoever opens the
    store next tries failed jobs again. After a Ctrl-C no failure is stored.

    """
    n_workers = checked_workers(workers)
    if not batch_seconds >= 0.0:
        raise ValueError(f"batch_seconds must be 0 or more, got {batch_seconds}")
    for key, times in Counter(job.key for job in jobs).items():
        if times > 1:
            raise ValueError(f"each job needs a key of its own, {key!r} is there twice")
    run = _Run(jobs, n_workers, store, progress, batch_seconds)
    todo = [job for job in jobs if job.key not in run.records]
    try:
        with interrupts():
            run.report()
            if todo and executor is not None:
                if prepare:
                    elsewhere = getattr(executor, "prepare", None)
                    prepare() if elsewhere is None else elsewhere(prepare)
                run.prepared()
                _run_on(executor, function, todo, run)
            elif todo and runs_here(workers):
                if prepare:
                    prepare()
                run.prepared()
                for job in todo:
                    # each time: a job may have loaded another library
                    with one_blas_thread():
                        answer = _run_one(function, job)
                    run.take(Record(job.key, *answer))
            elif todo:
                n_workers = min(n_workers, len(todo))
                preload = (getattr(function, "__module__", "__main__"),)
                # they import while kernels compile here, and get no job before
                with LocalProcesses(n_workers, preload=preload) as pool:
                    if prepare:
                        prepare()
                    run.prepared()
                    _run_on(pool, function, todo, run)
        run.store()
    except FolderError:
        raise
    except Exception:
        run.store()
        raise
    except KeyboardInterrupt:
        run.forget_failures()
        run.store()
        raise Interrupted(
            len(run.records), run.total, run.failed, store is not None
        ) from None
    return run.outcome()


def _run_on(
    executor: Executor,
    function: Callable[[J], dict[str, Any]],
    jobs: Sequence[J],
    run: _Run,
) -> None:
    """Hand jobs to an executor and collect them as they finish."""
    finished: queue.SimpleQueue[Any] = queue.SimpleQueue()
    in_flight: dict[Any, list[J]] = {}
    again: deque[J] = deque()
    retried: set[str] = set()
    waiting = Batches(jobs, getattr(executor, "batch_seconds", 0.0))

    def hand_out(batch: list[J], attempt: int = 1) -> None:
        future = executor.submit(_run_batch, function, batch, attempt)
        in_flight[future] = batch
        future.add_done_callback(finished.put)

    def fill() -> None:
        # second tries one at a time: a box that ends its worker ends what else is there
        if again and retried.isdisjoint(batch[0].key for batch in in_flight.values()):
            retried.add(again[0].key)
            hand_out([again.popleft()], 2)
        # workers of a cluster come and go
        slots = getattr(executor, "slots", math.inf)
        while waiting and len(in_flight) < slots:
            hand_out(waiting.take(slots))

    def collect(future: Any) -> None:
        batch = in_flight.pop(future)
        reason = ""
        answers: list[_Answer] = []
        try:
            answers = future.result()
        except BrokenExecutor:
            raise  # it takes no more jobs, so the rest would be called failed
        except (Exception, CancelledError) as error:
            # a job's own exceptions come back as answers: this is where it ran
            reason = str(error).strip().partition("\n")[0] or type(error).__name__
        if reason:
            lost(batch, encode_json(f"given up after two attempts: {reason}"))
            return
        for job, answer in zip(batch, answers, strict=True):
            waiting.learn(job, answer[2])
            run.keep(Record(job.key, *answer))
        run.computed_on(getattr(executor, "environments", ()))
        run.taken()

    def lost(batch: list[J], reason: str) -> None:
        for job in batch:
            if job.key in retried:
                run.take(Record(job.key, "failed", reason, 0.0))
            else:
                again.append(job)

    try:
        fill()
        while in_flight:
            try:
                future = finished.get(timeout=run.seconds_to_store())
            except queue.Empty:
                run.store_if_due()
            else:
                collect(future)
            fill()
    except BaseException as error:
        for future in in_flight:
            future.cancel()
        if isinstance(error, KeyboardInterrupt):
            _collect_leftovers(finished, in_flight, run)
        raise


def _collect_leftovers(
    finished: queue.SimpleQueue[Any], in_flight: dict[Any, list[J]], run: _Run
) -> None:
    """Keep what came back before the interruption and was not looked at yet."""
    while not finished.empty():
        future = finished.get()
        batch = in_flight.pop(future, ())
        if future.cancelled() or future.exception() is not None:
            continue
        for job, answer in zip(batch, future.result(), strict=bool(batch)):
            run.keep(Record(job.key, *answer))
