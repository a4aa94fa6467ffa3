"""The trade-off front: no member is beaten, everything else is."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from reference.made_up_findings import findings_of, plan_with

from percsim.findings.front import front, undominated

VALUES = st.one_of(st.integers(0, 5).map(float), st.just(np.inf))


@given(arrays(float, (2, 9), elements=VALUES))
def test_undominated_against_the_definition(points):
    gain, loss = points
    found = undominated(gain, loss)
    for i in range(len(gain)):
        known = np.isfinite(gain[i]) and np.isfinite(loss[i])
        beaten = any(
            np.isfinite(gain[j])
            and np.isfinite(loss[j])
            and gain[j] >= gain[i]
            and loss[j] <= loss[i]
            and (gain[j] > gain[i] or loss[j] < loss[i])
            for j in range(len(gain))
        )
        assert found[i] == (known and not beaten)


def test_many_fronts_at_once():
    rng = np.random.default_rng(77120)
    gain, loss = rng.random((2, 6, 11))
    together = undominated(gain, loss)
    for row in range(6):
        np.testing.assert_array_equal(together[row], undominated(gain[row], loss[row]))
    # the largest gain and the smallest loss are always on it
    for row in range(6):
        assert together[row, gain[row].argmax()]
        assert together[row, loss[row].argmin()]


def test_a_film_that_responds_less_and_scatters_more_is_beaten():
    weights = ["12 wt%", "26 wt%", "30 wt%", "34 wt%"]
    plan = plan_with(temperature={"values": ["20 C"]}, explore={"weight_fraction": weights})
    made = front(findings_of(plan, gauge=(1.0, 12.0, 20.0, 15.0)), {})["front"]
    points = {p["candidate"]: p for p in made["points"]}
    # 12 wt% is below the threshold of 17 wt%; two gaps a loading
    assert sorted(points) == [2, 3, 4, 5, 6, 7]
    # 26 wt% is nearest to it, so that it scatters most, and it responds least
    for k in (2, 3):
        assert not points[k]["on_front"]
        assert points[k]["on_front_share"] == 0.0
    # castings of 30 wt% respond like it, less a part of its neighbours
    for k in (4, 5):
        assert points[k]["gauge_factor"] == pytest.approx(np.expm1(0.06) / 3e-3, rel=0.1)
    assert {4, 5} & set(made["members"])
    assert {6, 7} & set(made["members"])
    factors = [points[k]["gauge_factor"] for k in made["members"]]
    assert factors == sorted(factors)
