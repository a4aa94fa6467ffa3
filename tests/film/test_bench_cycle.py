"""The protocol that tells most: its parts, and that it reads back as it was laid out."""

import numpy as np
import pytest

from percsim.film.bench_cycle import bench_cycle, protocol_of

UE = 1e-6


def test_the_parts_are_there():
    path = protocol_of(bench_cycle(3e-3, 1e-4, 313.15))
    tops = [round(path.strains[p.top] / UE) for p in path.pulls]
    #       rising ---------------  again minor ----- slow  held  warm
    assert tops == [1000, 2000, 3000, 3000, 3000, 2000, 3000, 3000, 3000]
    minor = path.pulls[5]
    ends = [round(path.strains[k] / UE) for k in (minor.start, minor.top, minor.end)]
    assert ends == [1000, 2000, 0]
    took = [path.times[p.top] - path.times[p.start] for p in path.pulls]
    assert took[6] == pytest.approx(10.0 * took[3])  # two rates, a decade apart
    (hold,) = path.holds
    assert path.times[hold.last] - path.times[hold.first] == pytest.approx(3600.0)
    rests = [path.times[s.last] - path.times[s.first] for s in path.rests]
    np.testing.assert_allclose(rests, [60.0, 3600.0, 1200.0, 1200.0])
    warm = path.pulls[-1]
    assert path.temperatures[warm.top] == 313.15
    assert path.temperatures[-1] == path.temperatures[0] == 293.15


def test_branches_share_their_strains():
    path = protocol_of(bench_cycle(3e-3, 1e-4, None))
    assert len(set(np.round(path.strains / 250e-6, 6))) == 13
    assert len(set(path.strains)) < 20


def test_without_a_second_temperature_none_is_changed():
    path = protocol_of(bench_cycle(-1e-3, 1e-4, None))
    assert path.temperature_steps == ()
    assert path.strains.min() == -1e-3
    assert len(path.pulls) == 8
