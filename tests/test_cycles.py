"""Three rows of a trial of pulled boxes, at less cost than `benchmarks.cycles`."""

import numpy as np
import pytest

from benchmarks.cycles import ROWS, links_of, measured

BOXES = 10


@pytest.fixture(scope="module")
def boxes():
    return [links_of(k) for k in range(BOXES)]


@pytest.mark.parametrize(
    ("shut", "reclose", "healed"),
    [(233.15, 0.9, 1.0), (233.15, 0.4, 1.0), (233.15, 1.0, 0.3)],
)
def test_zero_shift_and_gauge_factors_of_first_and_fourth_pull(
    boxes, shut, reclose, healed
):
    """Within a tenth, and two standard errors of ten boxes and of as many of the trial."""
    (row,) = (r for r in ROWS if (r.shut, r.reclose, r.healed) == (shut, reclose, healed))
    found = measured(row, boxes, cold_first=True)
    n = len(boxes)
    error = np.sqrt((n - 1) / n * ((found[1:] - found[1:].mean(0)) ** 2).sum(0))
    asked, which = np.array(row.asked), [0, 3, 4]
    apart = np.abs(found[0] - asked)[which]
    assert (apart < (0.1 * asked + 2.0 * np.sqrt(2.0) * error)[which]).all()
    # and near enough to tell the rows apart
    assert (error[which] < 0.15 * found[0, which]).all()
    if reclose < 0.6 or healed < 1.0:
        assert abs(found[0, 2]) < 1.0  # fourth loops close
