"""What was changed, what is redone, and what knowing a number would buy."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from live.conftest import READINGS

from percsim.changes import KNOWN_TO, knowing
from percsim.live.session import Session

ASKED = {"target.resistance.to": "8 kohm", "target.largest_resistance_cv": "30 %"}


@pytest.mark.parametrize("readings", ["", READINGS])
def test_another_target_takes_the_outlooks_at_hand_to_the_same_digits(finished, readings):
    session = Session(finished)
    before = session.look({}, readings)
    view = session.look(ASKED, readings)
    assert view.found.outlooks[0] is before.found.outlooks[0]
    fresh = Session(finished).look(ASKED, readings)
    assert fresh.found.outlooks[0] is not before.found.outlooks[0]
    assert view.whole == fresh.whole
    assert view.found.decision == fresh.found.decision
    assert view.page.probability != before.page.probability


@pytest.mark.parametrize(
    "settings",
    [
        {"target.pull": "first"},
        {"tolerances.mixing": "4 %"},
        {"film.width": "8 mm"},
        {"explore.electrode_gap": "4 mm"},
    ],
)
def test_other_films_are_worked_out_anew(finished, settings):
    session = Session(finished)
    before = session.look({})
    view = session.look(settings)
    assert not view.stale
    assert view.page != before.page
    # but not what does not hang on them: models, and what is known of contacts
    if "target.pull" not in settings:
        assert view.own.model is before.own.model
    assert view.found.known[0] is before.found.known[0]
    assert view.whole == Session(finished).look(settings).whole


def test_what_needs_boxes_is_counted_and_the_rest_is_answered(finished):
    session = Session(finished)
    view = session.look({"filler.aspect_ratio.value": "20", **ASKED})
    assert view.stale
    assert view.page == session.look(ASKED).page
    needed = session.needed(view.asked)
    assert needed.jobs > 10
    assert needed.seconds > 0.0
    assert session.needed(session.plan).jobs == 0


def test_the_map_tells_p_of_the_candidate(finished):
    session = Session(finished)
    view = session.look(ASKED)
    cell = [cell for cells in session.cells(view) for cell in cells][15 * 9 + 4]
    spot = session.spot(view, cell.weight_fraction, cell.electrode_gap)
    assert spot.row.probability == pytest.approx(cell.probability, abs=1e-12)
    assert 0.0 < cell.error < 0.05


def test_what_is_known_anew_is_no_longer_that_of_before(finished):
    session = Session(finished)
    before = session.look({})
    view = session.look({"tolerances.known_within": "3"})
    assert view.found.known[0] is not before.found.known[0]
    assert view.page == Session(finished).look({"tolerances.known_within": "3"}).page


def known_by(values, held):
    """Answer of recipes that hold where they hold, every draw as likely."""
    n = len(next(iter(values.values())))
    knowledge = SimpleNamespace(values=values, scale=np.ones(n))
    outlooks = [
        SimpleNamespace(
            knowledge=knowledge, weights=np.full(n, 1.0 / n),
            holds=lambda _, h=h: (h, h),
        )
        for h in held
    ]  # fmt: skip
    decision = SimpleNamespace(best=0)
    return SimpleNamespace(outlooks=outlooks, decision=decision, target=None)


def test_knowing_the_number_that_decides_buys_all_of_it_and_chance_nothing():
    n = 2048
    rng = np.random.default_rng(6402)
    level, other = rng.normal(size=n), rng.normal(size=n)
    low = level < np.median(level)
    found = {
        name: (gain, error)
        for name, gain, error in knowing(
            known_by({"g0": level, "beta": other, "Ea": np.ones(n)}, [low, ~low])
        )
    }
    assert set(found) == {"g0", "beta"}
    assert KNOWN_TO % 2 == 0
    # one recipe is right in each half: 0.5 before, 1 once the level is known
    gain, error = found["g0"]
    assert gain == pytest.approx(0.5, abs=0.05)
    assert abs(found["beta"][0]) < 4.0 * max(found["beta"][1], 0.005)
    assert error < 0.02


def test_what_chance_alone_seems_to_buy_is_taken_off():
    n = 1024
    rng = np.random.default_rng(1187)
    held = list(rng.random((40, n)) < 0.5)
    ((_, gain, error),) = knowing(known_by({"beta": rng.normal(size=n)}, held))
    # among forty in each eighth of the draws some recipe comes out far ahead
    assert abs(gain) < 4.0 * error
    assert error < 0.01
