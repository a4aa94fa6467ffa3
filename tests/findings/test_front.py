"""The trade-off front: no member is beaten, everything else is."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from percsim.findings.front import undominated

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
