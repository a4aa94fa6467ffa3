"""Work handed to a second process, and what is compiled before a run."""

from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest

import percsim.jobs as jobs
from percsim.kernels import cache_folder, compiled
from percsim.plan import Plan

EXAMPLE = Path(__file__).parents[1] / "examples" / "bike_patch.toml"


def test_work_beside_is_done_when_it_ends(tmp_path):
    with jobs._beside(
        partial(Path.touch, tmp_path / "a"), partial(Path.touch, tmp_path / "b")
    ):
        pass
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b"]


def test_work_beside_that_fails_or_is_too_slow_does_no_harm(tmp_path):
    with jobs._beside(partial(Path.touch, tmp_path / "no" / "a")):
        pass
    wait = partial(__import__, "time")  # pickled by name
    with pytest.raises(KeyboardInterrupt), jobs._beside(wait, partial(input)):
        raise KeyboardInterrupt


def test_kernels_are_shared_out_only_where_none_are_compiled(monkeypatch):
    plan = Plan.load(EXAMPLE)
    jobs.compile_kernels(plan)
    assert cache_folder is None or compiled("growth.grow")
    assert not compiled("growth.no_such_kernel")
    handed = []
    beside = jobs._beside

    def seen(*work):
        handed.append(work)
        return beside(*work)

    monkeypatch.setattr(jobs, "_beside", seen)
    with monkeypatch.context() as patch:  # nothing is run where they are ready
        patch.setattr(jobs, "compiled", lambda _: True)
        patch.setattr(jobs, "simulate_box", None)
        jobs.compile_kernels(plan, alone=False)
    assert handed == []
    monkeypatch.setattr(jobs, "compiled", lambda _: False)
    jobs.compile_kernels(plan, alone=True)
    assert handed == []
    jobs.compile_kernels(plan, alone=False)
    assert len(handed[0]) == 2


def test_every_sort_of_job_comes_evenly():
    made = [SimpleNamespace(key=f"{sort}/{k}") for sort, n in (("a", 8), ("b", 2), ("c", 4))
            for k in range(n)]  # fmt: skip
    order = [job.key for job in jobs.evenly(made)]
    assert sorted(order) == sorted(job.key for job in made)
    for sort, n in (("a", 8), ("b", 2), ("c", 4)):
        mine = [key for key in order if key.startswith(sort)]
        assert mine == sorted(mine)
        for share in (0.25, 0.5, 0.75):
            done = order[: round(share * len(order))]
            assert abs(sum(key.startswith(sort) for key in done) - share * n) <= 1.0
