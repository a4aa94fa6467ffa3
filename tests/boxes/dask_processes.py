"""A real scheduler and its workers, as processes on this machine that a test may kill."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import percsim

PATIENCE = 300.0
SOURCES = Path(percsim.__file__).parent.parent
TESTS = Path(__file__).parent.parent


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_until(happened, what=""):
    deadline = time.monotonic() + PATIENCE
    while not happened():
        assert time.monotonic() < deadline, f"waited in vain: {what}"
        time.sleep(0.02)


class DaskProcesses:
    """Scheduler and workers, each a process group of its own, so that nothing is left."""

    def __init__(self, folder, scheme="tcp", options=()):
        self.folder, self.scheme, self.options = folder, scheme, list(options)
        self.port = free_port()
        self.address = f"{scheme}://127.0.0.1:{self.port}"
        self.scheduler = None
        self.workers = []

    def _start(self, module, *arguments, sources=SOURCES):
        path = os.pathsep.join([str(sources), str(TESTS)])
        with open(self.folder / "dask.log", "ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", module, *arguments, *self.options],
                env={**os.environ, "PYTHONPATH": path},
                cwd=self.folder, stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip

    def start_scheduler(self):
        self.scheduler = self._start(
            "distributed.cli.dask_scheduler", "--host", self.address, "--no-dashboard",
            "--port", str(self.port),
        )  # fmt: skip

    def start_worker(self, *more, sources=SOURCES):
        worker = self._start(
            "distributed.cli.dask_worker", self.address, "--nthreads", "1",
            "--no-dashboard", *(more or ["--no-nanny"]), sources=sources,
        )  # fmt: skip
        self.workers.append(worker)
        return worker

    def kill(self, *processes):
        for process in processes:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()

    def log(self):
        return (self.folder / "dask.log").read_text(errors="replace")


@contextmanager
def dask_processes(folder, n_workers, **options):
    folder.mkdir(exist_ok=True)
    dask = DaskProcesses(folder, **options)
    try:
        dask.start_scheduler()
        for _ in range(n_workers):
            dask.start_worker()
        yield dask
    finally:
        dask.kill(*dask.workers, *([dask.scheduler] if dask.scheduler else []))


class Proxy:
    """A stretch of network before a scheduler that a test can cut and mend."""

    def __init__(self, port):
        self.target = port
        self.port = free_port()
        self.address = f"tcp://127.0.0.1:{self.port}"
        self._ends = []
        self.mend()

    def mend(self):
        self._server = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, args=(self._server,), daemon=True).start()

    def cut(self):
        """Break every connection, and take no other until it is mended."""
        with suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._ends.clear()

    def _accept(self, server):
        while True:
            try:
                ours, _ = server.accept()
            except OSError:
                return
            try:
                theirs = socket.create_connection(("127.0.0.1", self.target))
            except OSError:  # not started yet
                ours.close()
                continue
            self._ends += [ours, theirs]
            for one, other in ((ours, theirs), (theirs, ours)):
                threading.Thread(target=self._pass, args=(one, other), daemon=True).start()

    def _pass(self, one, other):
        with suppress(OSError):
            while data := one.recv(65536):
                other.sendall(data)
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
