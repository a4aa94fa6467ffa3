import ctypes
import json
import multiprocessing
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import (
    BrokenExecutor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest
from boxes import box_jobs
from boxes.box_jobs import BoxJob, simulate

from percsim.boxes.pool import LocalProcesses, WorkerDiedError, available_cores
from percsim.boxes.store import Store, decode_json
from percsim.boxes.workers import Interrupted, run_jobs
from percsim.errors import FolderError, PercsimError

JOBS = [BoxJob(k, 0.002 * (7 - k % 7)) for k in range(24)]  # early ones finish late
PATIENCE = 300.0  # [s]; no test hangs for ever, none fails on a machine that is busy


@pytest.fixture(scope="module")
def expected():
    """Results of an uninterrupted run without a pool or a store."""
    return run_jobs(simulate, JOBS, workers=1).results


def refuse(job):
    raise AssertionError(f"{job.key} was run again")


@pytest.fixture(autouse=True)
def _ctrl_c_works(ctrl_c):
    """A process started in the background ignores Ctrl-C, and so would what it starts."""


@pytest.fixture
def start():
    """Start the job program in a process group of its own, which ends with the test."""
    programs = []

    def start(folder, *, workers, jobs=24, function="simulate", batch=0.05, free=10**6):
        """Jobs from number `free` on wait for the file `gate` in the folder."""
        program = subprocess.Popen(
            [sys.executable, box_jobs.__file__, str(folder)]
            + [str(a) for a in (workers, jobs, function, batch, free)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            start_new_session=True,
        )  # fmt: skip
        programs.append(program)
        return program

    yield start
    for program in programs:
        if program.poll() is None:
            os.killpg(program.pid, signal.SIGKILL)
            program.communicate()


def wait_until(condition):
    deadline = time.monotonic() + PATIENCE
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.005)


def stored(folder):
    try:
        with Store.read(folder) as store:
            return store.counts()["done"]
    except FolderError:
        return 0


def is_alive(pid):
    try:
        # a zombie has ended; only its parent has not looked yet
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


# --- results


@pytest.mark.parametrize("workers", [2, 3])
def test_same_digits_whatever_the_workers(expected, workers):
    outcome = run_jobs(simulate, JOBS, workers=workers)
    assert outcome.results == expected  # exact, floats included
    assert [record.key for record in outcome.records] == [job.key for job in JOBS]
    assert not outcome.failures
    assert all(0.0 < t <= outcome.wall_time for t in (r.elapsed for r in outcome.records))


def test_jobs_take_turns_in_any_order(expected):
    outcome = run_jobs(simulate, JOBS[::-1], workers=2)
    assert outcome.results == expected[::-1]
    assert list(outcome.by_key()) == [job.key for job in JOBS[::-1]]


def test_expected_digits_are_not_trivial(expected):
    values = [r["resistance_ohm"] for r in expected]
    assert values.count(float("inf")) == 5
    assert len(set(values)) == len(values) - 4
    assert isinstance(expected[0]["n"], int)


@pytest.mark.parametrize("workers", [1, 2])
def test_store_continues_and_runs_nothing_twice(tmp_path, expected, workers):
    with Store.open(tmp_path) as store:
        first = run_jobs(simulate, JOBS[5:15], workers=workers, store=store)
        assert first.n_reused == 0
        second = run_jobs(simulate, JOBS, workers=workers, store=store)
        assert second.n_reused == 10
        assert second.results == expected
        assert store.counts() == {"done": len(JOBS), "failed": 0}
    with Store.open(tmp_path) as store:
        third = run_jobs(refuse, JOBS, workers=workers, store=store, prepare=lambda: 1 / 0)
    assert third.results == expected
    assert third.n_reused == len(JOBS)
    assert third.records == second.records


@pytest.mark.parametrize("workers", [1, 2])
def test_a_job_that_raises_is_recorded_and_tried_again_by_the_next_run(
    tmp_path, expected, workers
):
    with Store.open(tmp_path) as store:
        outcome = run_jobs(
            box_jobs.fail_on_multiples_of_three, JOBS[:8], workers=workers, store=store
        )
        assert list(outcome.failures) == ["box/0", "box/3", "box/6"]
        assert outcome.failures["box/3"] == (
            "RuntimeError: bounds 1.0 and 2.0 do not meet in box 3"
        )
        assert outcome.results[3] is None
        assert [r for r in outcome.results if r] == [expected[k] for k in (1, 2, 4, 5, 7)]
        again = run_jobs(refuse, JOBS[:8], workers=workers, store=store)
        assert again.failures == outcome.failures
        assert again.results == outcome.results
    with Store.open(tmp_path) as store:
        healed = run_jobs(simulate, JOBS[:8], workers=workers, store=store)
        assert healed.results == expected[:8]
        assert healed.n_reused == 5


def test_nan_is_a_failure(expected):
    outcome = run_jobs(box_jobs.return_nan, JOBS[:3], workers=1)
    assert outcome.failures == {"box/1": "ValueError: cannot store NaN at inner[1]"}
    assert outcome.results == (expected[0], None, expected[2])


def test_anything_but_a_dict_is_a_failure():
    outcome = run_jobs(lambda _: 1.0, JOBS[:1], workers=1)
    assert outcome.failures == {"box/0": "TypeError: a job must return a dict, got float"}


def test_no_jobs():
    outcome = run_jobs(refuse, [], workers=2)
    assert len(outcome) == 0
    assert repr(outcome).startswith("Outcome: 0 jobs")


# --- arguments


def test_keys_must_differ():
    with pytest.raises(ValueError, match="'box/1' is there twice"):
        run_jobs(simulate, [BoxJob(0), BoxJob(1), BoxJob(1)], workers=1)


@pytest.mark.parametrize("workers", [0, -1, 1.5, True])
def test_workers_must_be_a_count(workers):
    with pytest.raises(ValueError, match="workers must be a whole number, 1 or more"):
        run_jobs(simulate, JOBS, workers=workers)
    with pytest.raises(ValueError, match="workers must be"):
        LocalProcesses(workers)


def test_batch_seconds_must_not_be_negative():
    with pytest.raises(ValueError, match="batch_seconds"):
        run_jobs(simulate, JOBS, workers=1, batch_seconds=-1.0)


def test_a_function_that_cannot_travel_says_so():
    with pytest.raises((pickle.PicklingError, AttributeError), match="lambda"):
        run_jobs(lambda job: {}, JOBS, workers=2)


def test_default_workers_are_the_cores_allowed():
    before = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(before)})
        assert available_cores() == 1
    finally:
        os.sched_setaffinity(0, before)
    assert available_cores() == len(before)


# --- progress and preparation


@pytest.mark.parametrize("workers", [1, 2])
def test_progress(tmp_path, workers):
    calls = []
    with Store.open(tmp_path) as store:
        run_jobs(simulate, JOBS[:3], workers=1, store=store)
        run_jobs(
            box_jobs.fail_on_multiples_of_three, JOBS[:10], workers=workers, store=store,
            progress=lambda *a: calls.append((*a, threading.current_thread())),
        )  # fmt: skip
    done, total, failed, rate, left, threads = zip(*calls, strict=True)
    assert done == tuple(range(3, 11))
    assert set(total) == {10}
    assert failed[0] == 0
    assert failed[-1] == 3  # boxes 3, 6, 9; box 0 was found in the store
    assert rate[0] == 0.0
    # at first what the jobs say: 3 are stored, the others sleep for so long
    waiting = sum(job.seconds for job in JOBS[3:10])
    assert left[0] == pytest.approx(waiting / workers)
    assert all(0.0 < r < 1e6 for r in rate[1:])
    assert left[-1] == 0.0
    assert set(threads) == {threading.current_thread()}


class Untimed:
    def __init__(self, number):
        self.key = f"untimed/{number}"


def test_time_left_goes_by_what_jobs_weigh(monkeypatch):
    """Nine jobs of 1 s come before one of 91 s, on a machine half as fast as they say."""
    now = [0.0]
    clock = SimpleNamespace(monotonic=lambda: now[0], perf_counter=lambda: now[0])
    monkeypatch.setattr("percsim.boxes.workers.time", clock)
    heard = []
    jobs = [BoxJob(k, 91.0 if k == 9 else 1.0) for k in range(10)]

    def work(job):
        now[0] += 2.0 * job.seconds
        return {"x": 1}

    run_jobs(work, jobs, workers=1, progress=lambda *a: heard.append(a))
    left = [call[-1] for call in heard]
    assert left[0] == pytest.approx(100.0)
    # by count, 9 of 10 done in 18 s would leave 2 s
    assert 91.0 < left[9] < 2 * 91.0
    trusted = 5.0 * (1.0 - 0.09 / 0.2)
    assert left[9] == pytest.approx(91.0 * (18.0 + trusted) / (9.0 + trusted))
    assert left[10] == 0.0
    # without times of their own all weigh the same, and nothing is told before the first
    heard.clear()

    def steady(job):
        now[0] += 2.0
        return {"x": 1}

    untimed = [Untimed(k) for k in range(4)]
    run_jobs(steady, untimed, workers=1, progress=lambda *a: heard.append(a))
    assert [call[-1] for call in heard] == pytest.approx([float("inf"), 6.0, 4.0, 2.0, 0.0])


@pytest.mark.parametrize("workers", [1, 2])
def test_prepare_is_called_once_before_the_first_job(tmp_path, workers):
    seen = []

    def prepare():
        time.sleep(0.3)  # workers are ready by now, but have nothing to do
        seen.append(len(list(tmp_path.glob("*.pid"))))

    jobs = [BoxJob(k, 0.0, str(tmp_path)) for k in range(6)]
    run_jobs(box_jobs.write_pid_and_wait, jobs, workers=workers, prepare=prepare)
    assert seen == [0]
    assert len(list(tmp_path.glob("*.pid"))) == 6


def test_failing_prepare_ends_the_workers():
    def prepare():
        raise FileNotFoundError("no compiler")

    with pytest.raises(FileNotFoundError, match="no compiler"):
        run_jobs(simulate, JOBS, workers=2, prepare=prepare)
    assert multiprocessing.active_children() == []


def test_failing_progress_loses_no_result(tmp_path):
    def progress(done, *_):
        if done == 7:
            raise RuntimeError("terminal gone")

    with Store.open(tmp_path) as store:
        with pytest.raises(RuntimeError, match="terminal gone"):
            run_jobs(
                simulate, JOBS, workers=2, store=store, progress=progress, batch_seconds=99
            )
        assert store.counts()["done"] == 7
    assert multiprocessing.active_children() == []


# --- workers


def test_workers_are_serial_inside_and_deaf_to_interrupts():
    before = {k: v for k, v in os.environ.items() if k.endswith("_THREADS")}
    outcome = run_jobs(box_jobs.report_process, JOBS[:8], workers=2)
    for result in outcome.results:
        assert result["pid"] != os.getpid()
        assert result["ignores_interrupt"]
        assert result["omp"] == result["numba"] == "1"
        assert result["threads"]
        assert set(result["threads"]) == {1}
    assert {k: v for k, v in os.environ.items() if k.endswith("_THREADS")} == before


def test_in_process_blas_is_serial_too():
    outcome = run_jobs(box_jobs.report_process, JOBS[:1], workers=1)
    assert outcome.results[0]["pid"] == os.getpid()
    assert set(outcome.results[0]["threads"]) == {1}


def test_kept_pool_serves_several_calls(expected):
    with LocalProcesses(2) as pool:
        ids = set(pool.process_ids)
        for _ in range(2):
            assert run_jobs(simulate, JOBS, executor=pool).results == expected
        outcome = run_jobs(box_jobs.report_process, JOBS[:8], executor=pool)
        assert {r["pid"] for r in outcome.results} <= ids
        assert repr(pool) == "LocalProcesses: 2 workers"
    assert not any(is_alive(pid) for pid in ids)
    with pytest.raises(RuntimeError, match="after shutdown"):
        pool.submit(simulate, JOBS[0])


def test_shutdown_finishes_what_is_in_hand_and_drops_the_rest(tmp_path):
    gate = tmp_path / "gate"
    pool = LocalProcesses(1)
    first = pool.submit(simulate, BoxJob(0, gate=str(gate)))
    rest = [pool.submit(simulate, BoxJob(k)) for k in range(1, 4)]
    wait_until(first.running)
    rest[-1].add_done_callback(lambda _: gate.touch())  # once the rest is dropped
    pool.shutdown()
    assert first.result()["n"] >= 0
    assert all(future.cancelled() for future in rest)


def test_shutdown_at_once():
    pool = LocalProcesses(1)
    first = pool.submit(time.sleep, PATIENCE)
    wait_until(first.running)
    pool.shutdown(kill=True)
    with pytest.raises(WorkerDiedError):  # had it slept to its end there were a result
        first.result()


@pytest.mark.parametrize("kind", ["threads", "processes"])
def test_other_executors(expected, kind):
    if kind == "threads":
        pool = ThreadPoolExecutor(2)
    else:
        pool = ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn"))
    with pool:
        outcome = run_jobs(simulate, JOBS, executor=pool)
    assert outcome.results == expected


def test_a_broken_executor_stops_the_run_and_keeps_the_rest(tmp_path):
    gate = tmp_path / "gate"  # box 2 kills nobody before all boxes are handed out
    jobs = [BoxJob(k, 0.02, str(tmp_path), str(gate) if k == 2 else "") for k in range(6)]
    context = multiprocessing.get_context("spawn")
    with Store.open(tmp_path / "out") as store:
        with (
            ProcessPoolExecutor(1, mp_context=context) as pool,
            pytest.raises(BrokenExecutor),
        ):
            run_jobs(
                box_jobs.kill_once, jobs, executor=pool, store=store, batch_seconds=99,
                progress=lambda done, *_: gate.touch() if done == 2 else None,
            )  # fmt: skip
        assert sorted(store.records()) == ["box/0", "box/1"]
        assert not run_jobs(box_jobs.kill_once, jobs, workers=1, store=store).failures


# --- deaths


def test_a_dead_workers_box_is_tried_again(tmp_path, expected):
    jobs = [BoxJob(k, 0.02, str(tmp_path)) for k in range(12)]
    outcome = run_jobs(box_jobs.kill_once, jobs, workers=2)
    assert (tmp_path / "box-2.tried").exists()
    assert not outcome.failures
    assert outcome.results == expected[:12]


def test_second_tries_meet_no_other_second_try(expected):
    """A box that ends its worker would take those that wait there with it, twice."""

    again = []

    class Losing(ThreadPoolExecutor):
        def submit(self, run, function, batch, attempt):
            future = Future()
            if attempt == 1:
                future.set_exception(RuntimeError("lost"))
                return future
            assert all(other.done() for other in again)
            again.append(super().submit(run, function, batch, attempt))
            return again[-1]

    with Losing(4) as pool:
        outcome = run_jobs(simulate, JOBS, executor=pool)
    assert outcome.results == expected
    assert len(again) == len(JOBS)


@pytest.mark.parametrize("workers", [2, 3])
def test_a_box_that_kills_its_worker_twice_is_given_up(tmp_path, expected, workers):
    jobs = [BoxJob(k, 0.02, str(tmp_path)) for k in range(12)]
    with Store.open(tmp_path / "out") as store:
        outcome = run_jobs(box_jobs.kill_always, jobs, workers=workers, store=store)
        assert store.counts() == {"done": 11, "failed": 1}
    assert (tmp_path / "tries").read_text() == "xx"
    assert outcome.failures == {
        "box/2": "given up after two attempts: its worker process was killed by SIGKILL "
        "(out of memory?)"
    }
    assert outcome.results == (*expected[:2], None, *expected[3:12])
    with Store.open(tmp_path / "out") as store:  # not for ever
        outcome = run_jobs(simulate, jobs, workers=1, store=store)
        assert (outcome.results, outcome.n_reused) == (expected[:12], 11)


def test_worker_killed_from_outside(tmp_path):
    gate = tmp_path / "gate"  # what is to be killed waits for it
    jobs = [BoxJob(k, folder=str(tmp_path), gate=str(gate)) for k in range(4)]
    killed = []

    def kill():
        wait_until(lambda: (tmp_path / "1.pid").exists())
        wait_until(lambda: (tmp_path / "1.pid").read_text())
        killed.append(int((tmp_path / "1.pid").read_text()))
        os.kill(killed[0], signal.SIGKILL)
        gate.touch()

    thread = threading.Thread(target=kill)
    thread.start()
    outcome = run_jobs(box_jobs.write_pid_and_wait, jobs, workers=2)
    thread.join()
    assert not outcome.failures
    assert int((tmp_path / "1.pid").read_text()) != killed[0]


def test_script_without_main_guard_ends_with_one_clear_line(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "from percsim.boxes.workers import run_jobs\n"
        "class Job:\n    def __init__(self, key): self.key = key\n"
        "def f(job): return {}\n"
        "print(run_jobs(f, [Job('a'), Job('b')], workers=2))\n"
    )
    ended = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=PATIENCE
    )
    assert ended.returncode == 1
    assert 'if __name__ == "__main__":' in ended.stderr.strip().splitlines()[-1]
    assert ended.stderr.count("Traceback") == 1  # the workers are silent


def test_workers_that_cannot_start_are_not_tried_for_ever(monkeypatch):
    from percsim.boxes import pool as module

    monkeypatch.setattr(module, "_serve", partial(os._exit, 3))
    monkeypatch.setattr(LocalProcesses, "_start", _start_and_die)
    with pytest.raises(
        WorkerDiedError, match=r"cannot start \(the last one ended with exit"
    ):
        with LocalProcesses(2) as pool:
            pool.submit(simulate, JOBS[0]).result(timeout=PATIENCE)
    assert multiprocessing.active_children() == []


def _start_and_die(pool):
    from percsim.boxes.pool import _Worker

    ours, theirs = pool._context.Pipe()
    process = pool._context.Process(target=os._exit, args=(3,), daemon=True)
    process.start()
    theirs.close()
    return _Worker(process, ours)


# --- kill -9, Ctrl-C, two runs, full disk


@pytest.mark.parametrize("workers", [1, 2])
def test_kill_and_restart_change_no_digit(tmp_path, start, workers):
    program = start(tmp_path / "a", workers=workers)
    whole, err = program.communicate(timeout=PATIENCE)
    assert not err
    program = start(tmp_path / "b", workers=workers, free=12)
    wait_until(lambda: stored(tmp_path / "b") >= 4)
    program.kill()
    out, _ = program.communicate()
    assert "results" not in out
    left = stored(tmp_path / "b")
    assert 4 <= left <= 12
    out, err = start(tmp_path / "b", workers=workers).communicate(timeout=PATIENCE)
    assert not err
    again = json.loads(out.splitlines()[-1])
    assert again["n_reused"] == left
    assert again["results"] == json.loads(whole.splitlines()[-1])["results"]


def test_workers_of_a_killed_run_end_with_it(tmp_path, start):
    program = start(tmp_path, workers=2, jobs=4, function="write_pid_and_wait", free=0)
    files = [tmp_path / "0.pid", tmp_path / "1.pid"]
    wait_until(lambda: all(f.exists() and f.read_text() for f in files))
    ids = [int(f.read_text()) for f in files]
    assert all(is_alive(pid) for pid in ids)
    program.kill()
    program.communicate()
    wait_until(lambda: not any(is_alive(pid) for pid in ids))


@pytest.mark.parametrize("workers", [1, 2])
def test_interrupt_stores_what_is_finished(tmp_path, start, workers):
    # no batch is due, and the run cannot end by itself
    program = start(tmp_path, workers=workers, jobs=400, batch=1e6, free=40)
    while int(program.stdout.readline()) < 6:
        pass
    assert stored(tmp_path) == 0
    os.killpg(program.pid, signal.SIGINT)  # as a terminal does: to everyone
    out, err = program.communicate(timeout=PATIENCE)
    assert program.returncode == 130
    assert not err  # no worker cries
    said = json.loads(out.splitlines()[-1])
    assert said["done"] == said["stored"]["done"] == stored(tmp_path)
    assert 6 <= said["done"] <= 40
    assert said["message"] == (
        f"interrupted: {said['done']} of 400 boxes finished and stored; run the same "
        "command again to go on"
    )
    out, err = start(tmp_path, workers=2, jobs=30).communicate(timeout=PATIENCE)
    results = decode_json(out.splitlines()[-1])["results"]
    assert tuple(results) == run_jobs(simulate, [BoxJob(k, 0.0) for k in range(30)]).results


@pytest.mark.parametrize("delay", [0.0, 0.03, 0.1, 0.2])
def test_interrupt_while_workers_start(tmp_path, start, delay):
    program = start(tmp_path, workers=2, free=0)
    assert program.stdout.readline() == "0\n"
    time.sleep(delay)  # any moment will do: nothing can be finished before
    os.killpg(program.pid, signal.SIGINT)
    out, err = program.communicate(timeout=PATIENCE)
    assert program.returncode == 130
    assert not err
    said = json.loads(out.splitlines()[-1])
    assert said["done"] == said["stored"]["done"] == 0


def test_interrupt_is_not_lost_in_a_callback(tmp_path, start):
    program = start(tmp_path, workers=1, function="interrupt_in_a_callback")
    out, err = program.communicate(timeout=PATIENCE)
    assert "ignored" in err  # what Python says when it drops the exception
    assert program.returncode == 130
    said = json.loads(out.splitlines()[-1])
    assert said["done"] == said["stored"]["done"] == stored(tmp_path) == 4


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_what_an_interrupt_breaks_is_no_failure_of_the_box(tmp_path, expected):
    for batch_seconds in (0.0, 1e6):  # stored at once, or at the end
        folder = tmp_path / str(batch_seconds)
        with Store.open(folder) as store, pytest.raises(Interrupted) as stop:
            run_jobs(
                box_jobs.interrupt_and_fail, JOBS[:8], workers=1, store=store,
                batch_seconds=batch_seconds,
            )  # fmt: skip
        assert (stop.value.done, stop.value.failed) == (3, 0)
        with Store.read(folder) as store:
            assert store.counts() == {"done": 3, "failed": 0}
        with Store.open(folder) as store:
            assert run_jobs(simulate, JOBS[:8], store=store).results == expected[:8]


@pytest.mark.parametrize("workers", [1, 2])
def test_a_dropped_interrupt_counts_once_kernels_are_compiled(workers, recwarn):
    def prepare():
        called = ctypes.CFUNCTYPE(None)(lambda: os.kill(os.getpid(), signal.SIGINT))
        called()

    with pytest.raises(Interrupted) as stop:
        run_jobs(simulate, JOBS, workers=workers, prepare=prepare)
    assert stop.value.done == 0
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_interrupted_carries_the_counts():
    error = Interrupted(7, 20, 2, stored=True)
    assert isinstance(error, PercsimError)
    assert str(error).startswith(
        "interrupted: 7 of 20 boxes finished, 2 of them failed and"
    )
    assert "stored" not in str(Interrupted(7, 20, 0, stored=False))
    copy = pickle.loads(pickle.dumps(error))
    assert (copy.done, copy.total, copy.failed, copy.stored) == (7, 20, 2, True)


def test_two_runs_on_one_folder(tmp_path, start):
    program = start(tmp_path, workers=1, free=0)
    assert program.stdout.readline() == "0\n"
    out, err = start(tmp_path, workers=1).communicate(timeout=PATIENCE)
    assert not out  # it did not even begin
    assert f"in use by process {program.pid};" in err.strip().splitlines()[-1]


def test_full_disk_keeps_the_finished_boxes(tmp_path, expected):
    with Store.open(tmp_path) as store:
        run_jobs(simulate, JOBS[:6], workers=1, store=store)
        pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
        store._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(FolderError, match="no space left"):
            run_jobs(simulate, JOBS, workers=2, store=store, batch_seconds=0.0)
        kept = store.counts()["done"]
        assert 6 <= kept < len(JOBS)
        store._connection.execute("PRAGMA max_page_count = 100000")
        outcome = run_jobs(simulate, JOBS, workers=1, store=store)
        assert outcome.n_reused == kept
        assert outcome.results == expected
    assert multiprocessing.active_children() == []
