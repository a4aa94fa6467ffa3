"""Small jobs for the tests of workers and store; also a program that tests can kill."""

from __future__ import annotations

import ctypes
import json
import os
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from percsim.boxes.sampling import box_generator
from percsim.boxes.store import Store, encode_json
from percsim.boxes.workers import Interrupted, run_jobs

SEED = 771043


@dataclass(frozen=True)
class BoxJob:
    number: int
    seconds: float = 0.02
    folder: str = ""
    gate: str = ""  # a file that it waits for

    @property
    def key(self) -> str:
        return f"box/{self.number}"


def wait_for(gate: str) -> None:
    """Wait until a file is there; a test makes it once all it has to see has happened."""
    deadline = time.monotonic() + 600.0
    while gate and not Path(gate).exists():
        if time.monotonic() > deadline:
            raise TimeoutError(f"nobody made {gate}")
        time.sleep(0.005)


def simulate(job: BoxJob) -> dict:
    """Digits that depend on the box alone, through logarithms, sums and a BLAS product."""
    wait_for(job.gate)
    rng = box_generator(SEED, job.number, "placement")
    time.sleep(job.seconds)
    x = rng.standard_normal((40, 40))
    resistance = float("inf") if job.number % 5 == 3 else float(abs((x @ x.T).sum()))
    return {
        "resistance_ohm": resistance,
        "voltages": x[0].tolist(),
        "n": rng.integers(1000),
    }


def fail_on_multiples_of_three(job: BoxJob) -> dict:
    if job.number % 3 == 0:
        raise RuntimeError(
            f"bounds 1.0 and 2.0 do not meet in box {job.number}\nmore lines"
        )
    return simulate(job)


def return_nan(job: BoxJob) -> dict:
    return {"inner": [1.0, float("nan")]} if job.number == 1 else simulate(job)


def kill_once(job: BoxJob) -> dict:
    """Die in box 2 the first time it is tried."""
    mark = Path(job.folder) / f"{job.key.replace('/', '-')}.tried"
    if job.number == 2 and not mark.exists():
        wait_for(job.gate)
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return simulate(job)


def kill_always(job: BoxJob) -> dict:
    if job.number == 2:
        with open(Path(job.folder) / "tries", "a", encoding="utf-8") as file:
            file.write("x")
        os.kill(os.getpid(), signal.SIGKILL)
    return simulate(job)


def interrupt_in_a_callback(job: BoxJob) -> dict:
    """The fourth box is interrupted where Python drops what a signal raises."""
    if job.number == 3:
        called = ctypes.CFUNCTYPE(None)(lambda: os.kill(os.getpid(), signal.SIGINT))
        called()
    return simulate(job)


def interrupt_and_fail(job: BoxJob) -> dict:
    """As `interrupt_in_a_callback`, in compiled code that ends in an error over it."""
    result = interrupt_in_a_callback(job)
    if job.number == 3:
        raise SystemError("compiled code returned a result with an exception set")
    return result


def report_process(job: BoxJob) -> dict:
    """What a worker looks like from inside."""
    from threadpoolctl import threadpool_info

    simulate(job)
    return {
        "pid": os.getpid(),
        "ignores_interrupt": signal.getsignal(signal.SIGINT) == signal.SIG_IGN,
        "threads": [library["num_threads"] for library in threadpool_info()],
        "omp": os.environ.get("OMP_NUM_THREADS"),
        "numba": os.environ.get("NUMBA_NUM_THREADS"),
    }


def write_pid_and_wait(job: BoxJob) -> dict:
    (Path(job.folder) / f"{job.number}.pid").write_text(str(os.getpid()), encoding="utf-8")
    wait_for(job.gate)
    return {}


def main(
    folder: str, workers: str, n_jobs: str, function: str, batch: str, free: str
) -> None:
    """Run jobs with a store, those from `free` on behind a gate; print what came out."""
    gate = str(Path(folder) / "gate")
    jobs = [
        BoxJob(k, folder=folder, gate="" if k < int(free) else gate)
        for k in range(int(n_jobs))
    ]

    def progress(done, *_):
        print(done, flush=True)

    with Store.open(folder) as store:
        try:
            outcome = run_jobs(
                globals()[function],
                jobs,
                workers=int(workers),
                store=store,
                progress=progress,
                batch_seconds=float(batch),
            )
        except Interrupted as error:
            counts = store.counts()
            print(json.dumps({"message": str(error), "done": error.done, "stored": counts}))
            sys.exit(130)
    print(encode_json({"results": list(outcome.results), "n_reused": outcome.n_reused}))


if __name__ == "__main__":
    main(*sys.argv[1:])
