"""A Ctrl-C that Python drops on its way still ends the work; BLAS has one thread."""

import os
import signal
import subprocess
import sys

import pytest
import scipy.linalg  # noqa: F401 - brings a BLAS of its own
from threadpoolctl import threadpool_info, threadpool_limits

from percsim.process import check_interrupt, interrupts, one_blas_thread


class Finalized:
    """Gets a Ctrl-C where Python drops the exception."""

    def __del__(self):
        signal.raise_signal(signal.SIGINT)


@pytest.fixture(autouse=True)
def _quietly_dropped(monkeypatch):
    monkeypatch.setattr(sys, "unraisablehook", lambda _: None)


@pytest.mark.usefixtures("ctrl_c")
def test_a_dropped_ctrl_c_is_raised_by_the_next_check_and_at_the_end():
    Finalized()  # nobody watches: lost
    check_interrupt()
    seen = []

    def work():
        with interrupts() as came:
            Finalized()
            seen.append(came[:])

    def inner_work():
        with interrupts():
            Finalized()
            with interrupts():  # one opened later knows of it too
                check_interrupt()
                seen.append("went on")

    for function in (work, inner_work):
        with pytest.raises(KeyboardInterrupt):
            function()
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        check_interrupt()  # told once
    assert seen == [[signal.SIGINT]]


def test_the_handler_of_others_is_left_alone(monkeypatch):
    got = []
    before = signal.signal(signal.SIGINT, lambda *_: got.append(1))
    try:
        with interrupts() as came:
            signal.raise_signal(signal.SIGINT)
        assert (got, came) == ([1], [])
    finally:
        signal.signal(signal.SIGINT, before)


def test_blas_has_one_thread_in_the_block_and_its_own_number_after():
    def threads():
        return {p["num_threads"] for p in threadpool_info() if p["user_api"] == "blas"}

    with threadpool_limits(limits=2, user_api="blas"):
        before = threads()
        with one_blas_thread():
            assert threads() == {1}
        assert threads() == before


# the command line, its commands replaced
COMMAND = """
import signal, sys, percsim.cli
class Finalized:
    def __del__(self): signal.raise_signal(signal.SIGINT)
def app(prog_name): {body}
percsim.cli.app = app
sys.unraisablehook = lambda _: None
signal.signal(signal.SIGINT, signal.default_int_handler)
percsim.cli.main()
"""


def command(body, **environment):
    return subprocess.run(
        [sys.executable, "-c", COMMAND.format(body=body)],
        capture_output=True, text=True, env=os.environ | environment,
    )  # fmt: skip


@pytest.mark.parametrize(
    "body",
    [
        "Finalized(); sys.exit(0)",
        "Finalized(); sys.exit(1)",  # some libraries make an error of their own of it
        "signal.raise_signal(signal.SIGINT)",
    ],
)
def test_the_command_line_ends_with_130_wherever_the_ctrl_c_came(body):
    ended = command(body)
    assert (ended.returncode, ended.stderr) == (130, "interrupted\n")


def test_after_the_last_line_a_ctrl_c_ends_it_at_once():
    ended = command("__import__('atexit').register(Finalized().__del__); sys.exit(0)")
    assert ended.returncode in (130, -signal.SIGINT)


@pytest.mark.parametrize("asked", ["2", None])
def test_the_command_line_holds_one_thread_whatever_the_environment_asks(asked):
    asked = {} if asked is None else {"OPENBLAS_NUM_THREADS": asked}
    ended = command(
        "import scipy.linalg, threadpoolctl as t;"
        "print({p['num_threads'] for p in t.threadpool_info()}); sys.exit(0)",
        **asked,
    )
    assert ended.stdout == "{1}\n", ended.stderr
