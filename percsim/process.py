"""What holds for the whole process: a Ctrl-C is never lost, BLAS has one thread.

Python drops an exception that a signal raises inside a callback from C or a finalizer, as
when kernels are compiled, libraries listed or figures drawn; the work would go on as if
nobody had asked it to stop. And sums over several BLAS threads differ in their last digits
from those over one.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

__all__ = ["check_interrupt", "interrupts", "one_blas_thread", "set_one_thread"]

_THREAD_VARIABLES = (
    "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS", "NUMEXPR_NUM_THREADS", "NUMBA_NUM_THREADS",
)  # fmt: skip

# one for each block of `interrupts` in hand: its handler, and the signals that came
_watching: list[tuple[Callable[[int, FrameType | None], Any], list[int]]] = []


@contextlib.contextmanager
def interrupts() -> Iterator[list[int]]:
    """Ctrl-C in the block: raised where it comes, or else by the next `check_interrupt`.

    The end of the block is such a check. Blocks may lie inside each other. Outside the main
    thread, and where somebody else handles Ctrl-C, nothing is watched.

    Yields
    ------
    list of int
        The signals that came, none at first.

    """
    before: Any = signal.getsignal(signal.SIGINT)
    came: list[int] = []
    ours = before is signal.default_int_handler or before in [one for one, _ in _watching]
    if threading.current_thread() is not threading.main_thread() or not ours:
        yield came
        return

    def note(number: int, frame: FrameType | None) -> None:
        came.append(number)
        before(number, frame)

    watched = (note, came)
    _watching.append(watched)
    signal.signal(signal.SIGINT, note)
    try:
        yield came
        check_interrupt()
    finally:
        signal.signal(signal.SIGINT, before)
        _watching.remove(watched)


def check_interrupt() -> None:
    """Raise the `KeyboardInterrupt` that was dropped on its way, if there was one."""
    if any(came for _, came in _watching):
        raise KeyboardInterrupt


def set_one_thread() -> dict[str, str | None]:
    """Ask for one thread of each numerical library that is loaded from here on.

    Returns
    -------
    dict
        What the environment held before.

    """
    before = {name: os.environ.get(name) for name in _THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(_THREAD_VARIABLES, "1"))
    return before


@contextlib.contextmanager
def one_blas_thread() -> Iterator[None]:
    """One BLAS thread in the block, for libraries loaded already too."""
    # each brings a BLAS of its own, and one loaded later would not be held
    import numpy  # noqa: F401
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1):
        yield
