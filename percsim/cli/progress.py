"""How far a command has come, told while it works."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from percsim.cli.shared import tell
from percsim.quantities import counted, duration

if TYPE_CHECKING:
    from percsim.boxes.workers import Progress

__all__ = ["Reporter", "after_lines", "progress"]

STAGES = {
    "fit": "fit: boxes to films",
    "decide": "decide: what to cast",
    "draw": "draw: tables, figures and page",
}
"""What is done after the boxes."""


def _progress_text(
    noun: str, done: int, total: int, failed: int, rate: float, left: float
) -> str:
    text = f"{done} of {counted(total, noun)}"
    if failed:
        text += f", {failed} failed"
    if rate > 0.0 and done < total:
        pace = f"{rate:.3g} a second" if rate >= 1.0 else f"{60.0 * rate:.3g} a minute"
        text += f", {pace}"
    if done < total and left < float("inf"):
        text += f", about {duration(left)} left"
    return text


class Reporter(Protocol):
    """Where progress goes."""

    def __call__(
        self, done: int, total: int, failed: int, rate: float, seconds_left: float
    ) -> None:
        """Say how far the jobs are."""

    def stage(self, name: str) -> None:
        """Say what is done after them."""

    def renamed(self, noun: str) -> None:
        """Say that other things are counted from here on."""

    def pause(self) -> None:
        """Make way for other text."""


@contextmanager
def progress(
    quiet: bool, noun: str = "job", more: Callable[[int], str] = lambda done: ""
) -> Iterator[Reporter | None]:
    """Show a bar on a terminal, otherwise a plain line now and then; nothing if quiet.

    `more` says what so many jobs come to, and stands in front.
    """
    if quiet:
        yield None
    elif sys.stderr.isatty():
        bar = _Bar(noun, more)
        try:
            yield bar
        finally:
            bar.pause()
    else:
        yield _PlainLines(noun, more)


def after_lines(lines: Sequence[str], report: Progress | None) -> Progress | None:
    """Tell lines once the work has begun, that is when no fault can come before it.

    With a report, also how much of the work is done already.
    """
    if not lines and report is None:
        return None
    left = list(lines)
    begun = False

    def first_lines(
        done: int, total: int, failed: int, rate: float, seconds_left: float
    ) -> None:
        nonlocal begun
        while left:
            tell(left.pop(0))
        if report is not None:
            if not begun and done:
                jobs = f"all {total}" if done == total else f"{done} of the {total}"
                tell(f"stored already: {jobs} jobs")
            report(done, total, failed, rate, seconds_left)
        begun = True

    return first_lines


class _PlainLines:
    """A line at the start, then every half minute, then at the end, and one a stage."""

    def __init__(
        self, noun: str, more: Callable[[int], str], interval: float = 30.0
    ) -> None:
        self.noun, self.more = noun, more
        self.interval = interval
        self.last = -interval
        self.shown = -1

    def __call__(
        self, done: int, total: int, failed: int, rate: float, seconds_left: float
    ) -> None:
        now = time.monotonic()
        if done == self.shown or (now - self.last < self.interval and done < total):
            return
        self.last, self.shown = now, done
        text = _progress_text(self.noun, done, total, failed, rate, seconds_left)
        tell(self.more(done) + text)

    def stage(self, name: str) -> None:
        tell(STAGES[name])

    def renamed(self, noun: str) -> None:
        self.noun, self.shown, self.last = noun, -1, -self.interval

    def pause(self) -> None:
        pass


class _Bar:
    """A line that is written over."""

    def __init__(self, noun: str, more: Callable[[int], str]) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self.noun, self.more = noun, more
        self.bar = Progress(
            BarColumn(bar_width=24),
            TextColumn("{task.description}", markup=False),
            console=Console(stderr=True),
            transient=True,
        )
        self.task = self.bar.add_task("starting", total=None)
        self.bar.start()

    def __call__(
        self, done: int, total: int, failed: int, rate: float, seconds_left: float
    ) -> None:
        text = _progress_text(self.noun, done, total, failed, rate, seconds_left)
        text = self.more(done) + text
        self.bar.update(self.task, completed=done, total=total, description=text)

    def renamed(self, noun: str) -> None:
        self.noun = noun

    def stage(self, name: str) -> None:
        self.bar.start()
        self.bar.update(self.task, description=STAGES[name])

    def pause(self) -> None:
        self.bar.stop()
