"""Jobs are cut so that batches take about as long, and get smaller towards the end."""

from dataclasses import dataclass

import pytest

from percsim.boxes.batches import Batches


@dataclass(frozen=True)
class Job:
    number: int
    seconds: float | None = None

    @property
    def key(self):
        return str(self.number)


def cut(batches, slots, seconds_of):
    """Every batch, in order, each answered before the next is taken."""
    found = []
    while batches:
        found.append(batches.take(slots))
        for job in found[-1]:
            batches.learn(job, seconds_of(job))
    return found


def test_every_job_comes_once_and_in_order():
    jobs = [Job(k) for k in range(3000)]
    found = cut(Batches(jobs, 1.0), 4, lambda job: 0.05)
    assert [job for batch in found for job in batch] == jobs


def test_without_a_time_each_job_is_by_itself():
    found = cut(Batches([Job(k, 0.1) for k in range(50)]), 4, lambda job: 0.001)
    assert [len(batch) for batch in found] == [1] * 50


def test_batches_take_the_time_asked():
    found = cut(Batches([Job(k) for k in range(4000)], 1.0), 2, lambda job: 0.05)
    assert len(found[0]) == 1  # nothing is known yet
    assert [len(batch) for batch in found[1:20]] == [20] * 19


def test_a_tenfold_box_fills_a_batch_as_ten_do():
    """What jobs say counts among themselves, however far off it is as a time."""
    jobs = [Job(k, 7.0 if k % 2 else 0.7) for k in range(2000)]
    found = cut(Batches(jobs, 1.0), 2, lambda job: 0.01 * job.seconds)
    times = [sum(0.01 * job.seconds for job in batch) for batch in found[2:40]]
    assert max(times) <= 1.0 + 1e-9
    assert min(times) > 0.9


def test_a_pace_that_changes_is_followed():
    jobs = [Job(k) for k in range(6000)]
    found = cut(Batches(jobs, 1.0), 2, lambda job: 0.01 if job.number < 3000 else 0.1)
    late = [len(batch) for batch in found if 4500 < batch[0].number < 5500]
    assert set(late) == {10}


def test_the_end_is_shared_out():
    """No batch holds more than half of what each slot would get of the rest."""
    jobs, left = [Job(k) for k in range(500)], 500
    for batch in cut(Batches(jobs, 1.0), 8, lambda job: 1e-6):
        assert len(batch) <= max(1, left / 16)
        left -= len(batch)


@pytest.mark.parametrize("seconds", [None, 0.0])
def test_jobs_that_do_not_say_weigh_alike(seconds):
    jobs = [Job(0, 5.0), *(Job(k, seconds) for k in range(1, 400))]
    found = cut(Batches(jobs, 1.0), 1, lambda job: 0.1)
    assert [len(batch) for batch in found[1:10]] == [10] * 9
