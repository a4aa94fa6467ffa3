"""Whole runs without what takes most of their time and is not looked at."""

from contextlib import contextmanager

import pytest


@contextmanager
def no_pictures():
    """Numbers and page as ever; pictures take most of the time of a small run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("percsim.report.figures.draw", lambda *_: ())
        yield


def run_quickly(*arguments, **keywords):
    """`run_plan` without pictures."""
    from percsim.run import run_plan

    with no_pictures():
        return run_plan(*arguments, **keywords)


def redraw_quickly(folder, **keywords):
    """`redraw` without pictures."""
    from percsim.run import redraw

    with no_pictures():
        return redraw(folder, **keywords)
