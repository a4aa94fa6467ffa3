"""What can go wrong, and what is known when it does.

Every error is a `ValueError` or a `RuntimeError` with one line saying what, where and
what would be right; the ones that stop a computation carry what it had reached.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import BrokenExecutor
from typing import Any

__all__ = [
    "ClusterError",
    "ConvergenceError",
    "FolderError",
    "PercsimError",
    "PlacementError",
    "PlanError",
]


class PercsimError(Exception):
    """Base of the errors percsim raises on purpose."""


class PlanError(PercsimError, ValueError):
    """Faults of a plan file, all of them at once.

    Parameters
    ----------
    faults : sequence of str
        One line each: what, where, and what would be right.

    """

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults: tuple[str, ...] = tuple(faults)
        super().__init__("\n".join(self.faults))


class FolderError(PercsimError, ValueError):
    """A results folder that cannot be used: another plan's, in use, or not writable."""


class ClusterError(PercsimError, BrokenExecutor):
    """A cluster that cannot be used: not reached, lost, or of another percsim."""


class PlacementError(PercsimError, ValueError):
    """Particles that could not be placed.

    Parameters
    ----------
    message : str
        What was asked, what was reached, and what would help.
    particles : Particles or None
        What had been placed when placement stopped.

    """

    def __init__(self, message: str, particles: Any = None) -> None:
        self.particles = particles
        super().__init__(message)


class ConvergenceError(PercsimError, RuntimeError):
    """A solve whose proof did not close to the tolerance asked.

    Parameters
    ----------
    message : str
        The two numbers that disagree, and the next step.
    lower, upper : float
        Proven bounds on the resistance [ohm].
    voltages : ndarray or None
        The voltages reached [V], for 1 V across.

    """

    def __init__(
        self,
        message: str,
        lower: float = 0.0,
        upper: float = float("inf"),
        voltages: Any = None,
    ) -> None:
        self.lower = lower
        self.upper = upper
        self.voltages = voltages
        super().__init__(message)
