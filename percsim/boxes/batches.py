"""Stage 6. Jobs still to hand out, cut into batches of about the same time.

A batch costs its way to another machine and back once, however many jobs it holds. How
long jobs take is known from those that came back. Towards the end batches get smaller, so
that no worker is left with a long one while the others have none (guided self-scheduling:
Polychronopoulos & Kuck, IEEE Trans. Comput. C-36, 1425 (1987)).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any

__all__ = ["Batches"]

_MOST_JOBS = 500
"""In one batch: what it brings back is held in memory at once."""

_MEMORY = 0.9
"""Share of what is known of the pace that outlives a batch of full length."""


class Batches:
    """Jobs in order, to be taken a batch at a time.

    Parameters
    ----------
    jobs : sequence of Job
        Those that all say their `seconds` are weighed by them, others alike.
    seconds : float
        How long a batch should take [s]; 0 gives every job a batch of its own.

    """

    def __init__(self, jobs: Sequence[Any], seconds: float = 0.0) -> None:
        said = [float(getattr(job, "seconds", None) or 0.0) for job in jobs]
        if not all(value > 0.0 for value in said):
            said = [1.0] * len(said)
        self._left = deque(zip(jobs, said, strict=True))
        self._weights = {job.key: weight for job, weight in self._left}
        self._weight_left = float(sum(self._weights.values()))
        self._seconds = seconds
        self._spent = self._weight_done = 0.0

    def __bool__(self) -> bool:
        return bool(self._left)

    def take(self, slots: float) -> list[Any]:
        """Take the next jobs, of which `slots` batches are in hand at once."""
        job, filled = self._left.popleft()
        batch = [job]
        if self._spent > 0.0:
            full = self._seconds * self._weight_done / self._spent
            full = min(full, self._weight_left / (2.0 * slots)) * (1.0 + 1e-9)
            while self._left and len(batch) < _MOST_JOBS:
                if filled + self._left[0][1] > full:
                    break
                job, weight = self._left.popleft()
                batch.append(job)
                filled += weight
        self._weight_left -= filled
        return batch

    def learn(self, job: Any, elapsed: float) -> None:
        """Take note of how long a job took [s]; the latest count most."""
        if not self._seconds:
            return
        fade = _MEMORY ** min(elapsed / self._seconds, 1.0)
        self._spent = fade * self._spent + elapsed
        self._weight_done = fade * self._weight_done + self._weights.get(job.key, 0.0)
