"""Boxes on a Dask scheduler and workers that are real processes on this machine."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from boxes import box_jobs
from boxes.box_jobs import BoxJob, simulate

pytest.importorskip("distributed", reason="needs percsim[cluster]")

from boxes.dask_processes import PATIENCE, SOURCES, Proxy, dask_processes, wait_until

from percsim.boxes.cluster import Certificates, Cluster, sources_hash
from percsim.boxes.simulate import run_job
from percsim.boxes.store import Store
from percsim.boxes.workers import Interrupted, run_jobs
from percsim.errors import ClusterError, FolderError

PLAN = {
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 12},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "explore": {"weight_fraction": ["40 wt%"], "electrode_gap": ["2 mm"]},
    "boxes": {"lengths": ["8 D", "10 D"], "count": 4, "threshold_count": 20},
}
JOBS = [BoxJob(k, 0.002) for k in range(60)]


@pytest.fixture(scope="module")
def expected():
    return run_jobs(simulate, JOBS, workers=1).results


@pytest.fixture(autouse=True)
def _ctrl_c_works(ctrl_c):
    """A process started in the background ignores Ctrl-C, and so would what it starts."""


def some_boxes():
    """Boxes and thresholds of a small plan."""
    from percsim.jobs import box_jobs, threshold_jobs
    from percsim.plan import Plan

    plan = Plan.from_dict(PLAN)
    return [*box_jobs(plan)[:4], *threshold_jobs(plan)[:1]]


def test_digits_interrupt_and_resume(tmp_path, expected):
    with dask_processes(tmp_path / "dask", 2) as dask, Cluster(dask.address) as cluster:
        # what one process computes, to the last digit, and with one thread
        boxes = some_boxes()
        here = run_jobs(run_job, boxes, workers=1)
        there = run_jobs(run_job, boxes, executor=cluster)
        assert [r.text for r in there.records] == [r.text for r in here.records]
        seen = run_jobs(box_jobs.report_process, JOBS[:30], executor=cluster).results
        wait_until(lambda: cluster.threads == 2, "both workers")
        assert {r["pid"] for r in seen} <= {w.pid for w in dask.workers}
        assert {n for r in seen for n in r["threads"]} == {1}

        # a job's own fault is its answer, and fails no other of its batch
        outcome = run_jobs(box_jobs.fail_on_multiples_of_three, JOBS, executor=cluster)
        assert len(outcome.failures) == 20
        assert outcome.failures["box/3"].startswith("RuntimeError: bounds 1.0 and 2.0")

        def interrupt(done, *_):
            if done >= 10:
                os.kill(os.getpid(), signal.SIGINT)

        with Store.open(tmp_path / "out") as store:
            with pytest.raises(Interrupted) as stop:
                run_jobs(simulate, JOBS, executor=cluster, store=store, progress=interrupt)
            kept = store.counts()["done"]
            assert 10 <= kept == stop.value.done < len(JOBS)
            outcome = run_jobs(simulate, JOBS, executor=cluster, store=store)
            assert (outcome.results, outcome.n_reused) == (expected, kept)
            # what computed it is noted; here it is what this process is too
            assert cluster.environments == store.environments


def other_sources(folder):
    """The same percsim with one line more."""
    shutil.copytree(SOURCES / "percsim", folder / "percsim")
    with open(folder / "percsim" / "units.py", "a", encoding="utf-8") as file:
        file.write("# another version\n")
    return folder


def test_workers_of_another_percsim_get_no_box(tmp_path, expected):
    told = []
    with dask_processes(tmp_path / "dask", 1) as dask:
        with Cluster(dask.address, told=told.append) as cluster:
            # one that joins later is left aside
            other = dask.start_worker(sources=other_sources(tmp_path / "other"))
            wait_until(
                lambda: any("it gets no boxes" in line for line in told), "a refusal"
            )
            seen = run_jobs(box_jobs.report_process, JOBS[:20], executor=cluster).results
            assert {r["pid"] for r in seen} == {dask.workers[0].pid}
            assert cluster.threads == 1
            assert other.poll() is None
        # one that is there before the first box stops it
        with pytest.raises(ClusterError) as fault:
            Cluster(dask.address)
        assert str(fault.value).startswith("worker tcp://127.0.0.1:")
        assert sources_hash() in str(fault.value)
        assert str(fault.value).endswith(
            "install the same percsim on all workers and restart them"
        )
        assert "\n" not in str(fault.value)


def percsim_run(plan, folder, *options, **how):
    return subprocess.run(
        [sys.executable, "-m", "percsim", "run", str(plan), "--out", str(folder), *options],
        capture_output=True, text=True, timeout=PATIENCE * 4, check=False, **how,
    )  # fmt: skip


@pytest.fixture
def plan(tmp_path):
    from percsim.plan import Plan

    path = tmp_path / "film.toml"
    path.write_text(Plan.from_dict(PLAN).text)
    return path


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["local:0"], "--cluster local:0: write how many worker processes, like local:4"),
        (["nowhere"], "write tcp://host:port, tls://host:port or local:N"),
        (["tls://127.0.0.1:1"], "TLS needs --tls-ca, --tls-cert and --tls-key"),
        (["tcp://127.0.0.1:1", "--tls-ca", "ca.pem"], "--tls-ca, --tls-cert and --tls-key"),
        (["local:2", "--workers", "2"], "--workers counts processes of this machine"),
    ],
)
def test_faults_of_the_option_are_one_line(plan, tmp_path, options, told):
    from typer.testing import CliRunner

    from percsim.cli import app

    found = CliRunner().invoke(
        app, ["run", str(plan), "--out", str(tmp_path / "out"), "--cluster", *options]
    )
    assert found.exit_code == 2
    assert told in found.stderr
    assert found.stderr.count("\n") == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("listens", [False, True])
def test_a_scheduler_that_is_not_there(monkeypatch, listens):
    monkeypatch.setattr("percsim.boxes.cluster.FIRST_PATIENCE", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        address = f"tcp://127.0.0.1:{silent.getsockname()[1] if listens else 1}"
        with pytest.raises(ClusterError, match=f"no scheduler answers at {address} "):
            Cluster(address)


def test_without_dask_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"pip install 'percsim\[cluster\]'"):
        Cluster("local:1")


# --- what is lost on the way


def gated(tmp_path, n=40, first=10):
    """Jobs of which those from `first` on wait for a file, and with one all of a batch."""
    gate = tmp_path / "gate"
    jobs = [
        BoxJob(k, 0.02, str(tmp_path), "" if k < first else str(gate)) for k in range(n)
    ]
    return jobs, gate


def run_aside(function, jobs, cluster, folder):
    """Run jobs in a thread; what they come to is in the list."""
    found = []

    def run():
        with Store.open(folder) as store:
            try:
                found.append(run_jobs(function, jobs, executor=cluster, store=store))
            except Exception as error:
                found.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread, found


def stored(folder):
    try:
        with Store.read(folder) as store:
            return store.counts()["done"]
    except FolderError:
        return 0


@pytest.mark.slow
def test_a_worker_killed(tmp_path, expected):
    jobs = [BoxJob(k, 0.02, str(tmp_path)) for k in range(40)]
    with dask_processes(tmp_path / "dask", 2) as dask, Cluster(dask.address) as cluster:
        wait_until(lambda: cluster.threads == 2, "both workers")
        outcome = run_jobs(box_jobs.kill_once, jobs, executor=cluster)
        assert (tmp_path / "box-2.tried").exists()
        assert outcome.results == expected[:40]
        assert sum(worker.poll() is not None for worker in dask.workers) == 1


@pytest.mark.slow
def test_a_box_that_kills_every_worker_is_given_up(tmp_path, expected):
    jobs = [BoxJob(k, 0.02, str(tmp_path)) for k in range(12)]
    with dask_processes(tmp_path / "dask", 0) as dask:
        dask.start_worker("--nworkers", "2")  # a nanny starts others in their places
        with Cluster(dask.address) as cluster:
            outcome = run_jobs(box_jobs.kill_always, jobs, executor=cluster)
    assert list(outcome.failures) == ["box/2"]
    assert outcome.failures["box/2"].startswith("given up after two attempts: ")
    assert outcome.results == (*expected[:2], None, *expected[3:12])


@pytest.mark.slow
def test_the_scheduler_killed_and_started_again(tmp_path, expected):
    jobs, gate = gated(tmp_path)
    told = []
    with dask_processes(tmp_path / "dask", 2) as dask:
        with Cluster(dask.address, told=told.append) as cluster:
            thread, found = run_aside(simulate, jobs, cluster, tmp_path / "out")
            wait_until(lambda: stored(tmp_path / "out") >= 2, "the first boxes")
            dask.kill(dask.scheduler, *dask.workers)
            wait_until(lambda: told, "a line")
            gate.touch()
            dask.start_scheduler()
            dask.start_worker()
            thread.join(PATIENCE)
            assert found[0].results == expected[:40]
            assert not found[0].failures
    assert told[0] == f"lost the scheduler at {dask.address}; waiting for it"


@pytest.mark.slow
def test_a_scheduler_lost_for_good_leaves_what_is_done(tmp_path, expected):
    jobs, gate = gated(tmp_path)
    with dask_processes(tmp_path / "dask", 1) as dask:
        with Cluster(dask.address, patience=3.0) as cluster:
            thread, found = run_aside(simulate, jobs, cluster, tmp_path / "out")
            wait_until(lambda: stored(tmp_path / "out") >= 2, "the first boxes")
            dask.kill(dask.scheduler, *dask.workers)
            thread.join(PATIENCE)
    assert isinstance(found[0], ClusterError)
    assert str(found[0]).startswith(f"lost the scheduler at {dask.address}")
    gate.touch()
    with Store.open(tmp_path / "out") as store:
        assert not store.counts()["failed"]
        outcome = run_jobs(simulate, jobs, workers=1, store=store)
    assert outcome.n_reused >= 2
    assert outcome.results == expected[:40]


@pytest.mark.slow
@pytest.mark.parametrize("how", ["broken", "silent"])
def test_the_network_cut_for_ten_seconds(tmp_path, expected, how):
    """Connections that break, and such on which nothing comes any more."""
    jobs, gate = gated(tmp_path)
    with dask_processes(tmp_path / "dask", 2) as dask:
        between = Proxy(dask.port)
        try:
            with Cluster(between.address) as cluster:
                thread, found = run_aside(simulate, jobs, cluster, tmp_path / "out")
                wait_until(lambda: stored(tmp_path / "out") >= 2, "the first boxes")
                if how == "broken":
                    between.cut()
                else:
                    os.kill(dask.scheduler.pid, signal.SIGSTOP)
                gate.touch()
                time.sleep(10.0)
                assert thread.is_alive()
                if how == "broken":
                    between.mend()
                else:
                    os.kill(dask.scheduler.pid, signal.SIGCONT)
                thread.join(PATIENCE)
        finally:
            between.cut()
    assert found[0].results == expected[:40]


# --- from the command line


def rows(folder):
    with Store.read(folder) as store:
        return {key: record.text for key, record in store.records().items()}


@pytest.mark.slow
def test_a_plan_on_a_cluster_is_the_plan_run_here(plan, tmp_path):
    with dask_processes(tmp_path / "dask", 2) as dask:
        there = percsim_run(plan, tmp_path / "there", "--cluster", dask.address)
        assert there.returncode == 0, there.stderr
    started = percsim_run(plan, tmp_path / "local", "--cluster", "local:2")
    assert started.returncode == 0, started.stderr
    here = percsim_run(plan, tmp_path / "here", "--workers", "1")
    assert here.returncode == 0, here.stderr
    assert rows(tmp_path / "there") == rows(tmp_path / "here") == rows(tmp_path / "local")
    for table in ("candidates.csv", "castings.csv", "responses.csv"):  # boxes say times
        assert (tmp_path / "there" / table).read_bytes() == (
            tmp_path / "here" / table
        ).read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_a_run_that_is_stopped_goes_on(plan, tmp_path, number):
    """Ctrl-C as a terminal sends it, to the workers of local:2 as well; or a kill."""
    command = [sys.executable, "-m", "percsim", "run", str(plan), "--cluster", "local:2"]
    command += ["--out", str(tmp_path / "out")]
    text = plan.read_text().replace("count = 4", "count = 60", 1)
    plan.write_text(text)
    program = subprocess.Popen(
        command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    try:
        wait_until(lambda: stored(tmp_path / "out") >= 5, "the first boxes")
        os.killpg(program.pid, signal.SIGINT) if number == signal.SIGINT else program.kill()
        _, told = program.communicate(timeout=PATIENCE)
    finally:
        if program.poll() is None:
            os.killpg(program.pid, signal.SIGKILL)
    kept = stored(tmp_path / "out")
    if number == signal.SIGINT:
        assert program.returncode == 130
        lines = told.strip().splitlines()
        assert lines[-2].startswith("interrupted: ")
        assert lines[-1].startswith("go on with:  percsim run")
        assert "Traceback" not in told
    again = percsim_run(plan, tmp_path / "out")
    assert again.returncode == 0, again.stderr
    assert f"stored already: {kept} of" in again.stderr
    here = percsim_run(plan, tmp_path / "here", "--workers", "1")
    assert here.returncode == 0
    assert rows(tmp_path / "out") == rows(tmp_path / "here")


# --- under TLS


@pytest.fixture
def certificates(tmp_path):
    """An authority and one certificate for all, made by openssl."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path / "tls"
    folder.mkdir()

    def make(*arguments):
        subprocess.run([openssl, *arguments], cwd=folder, check=True, capture_output=True)

    make("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=ca",
         "-keyout", "ca.key", "-out", "ca.pem")  # fmt: skip
    make("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=127.0.0.1",
         "-keyout", "own.key", "-out", "own.csr")  # fmt: skip
    make("x509", "-req", "-in", "own.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
         "-CAcreateserial", "-days", "2", "-out", "own.pem")  # fmt: skip
    return tuple(str(folder / name) for name in ("ca.pem", "own.pem", "own.key"))


@pytest.mark.slow
def test_tls(tmp_path, expected, certificates):
    authority, certificate, key = certificates
    options = ["--tls-ca-file", authority, "--tls-cert", certificate, "--tls-key", key]
    with dask_processes(tmp_path / "dask", 1, scheme="tls", options=options) as dask:
        with Cluster(dask.address, certificates=Certificates(*certificates)) as cluster:
            outcome = run_jobs(simulate, JOBS[:20], executor=cluster)
        assert outcome.results == expected[:20]
        plain = dask.address.replace("tls://", "tcp://")
        with pytest.raises(ClusterError, match="no scheduler answers"):
            Cluster(plain)
    missing = Certificates(str(Path(authority).with_name("none.pem")), certificate, key)
    with pytest.raises(ClusterError, match=r"none\.pem: no such file"):
        Cluster(dask.address, certificates=missing)
