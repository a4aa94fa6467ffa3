"""What to do: every branch of the rule, on outlooks made up for it."""

import numpy as np
import pytest
from reference.invented_films import FILM, mixed

from percsim.decision.decide import FILMS, State, Trial, Why, changes, decide, imagined
from percsim.decision.outlook import Band, Recipe
from percsim.decision.target import Target

TARGET = Target(100.0, 1000.0)
N = 100


class Made:
    """An outlook that passes in the first `window` of 100 draws, does all in `every`."""

    def __init__(self, phi, every, window, gap=3e-3, shut=0.0):
        film = type(FILM)(FILM.thickness, FILM.width, gap)
        self.recipe = Recipe(mixed(phi), film)
        self.weights = np.full(N, 1.0 / N)
        self.open_shares = np.full(N, shut)
        self.rest = np.linspace(4.0, 8.0, N)[:, None] * np.ones(3)
        self.nominal, self.scatter = 1, np.full(N, 0.2)
        draws = np.arange(N)
        self.held = [TARGET, (draws < 100 * window, draws < 100 * every)]

    def casting_band(self):
        return Band(500.0, 300.0, 900.0)


def told(found):
    return found.state, found.why


def passed(*recipes):
    return [Trial(i, True) for i in recipes]


def test_the_first_cup_is_where_most_is_probable():
    found = decide(
        [Made(0.12, 0.1, 0.9), Made(0.15, 0.2, 0.6), Made(0.19, 0.22, 0.3)], TARGET
    )
    assert told(found) == (State.LEARN, Why.FIRST)
    # V_A + V_B/4: 0.325, 0.35, 0.295
    assert found.cup.weight_fraction == mixed(0.15).weight_fraction
    assert found.cup.films == FILMS
    assert found.all_limits == pytest.approx((0.1, 0.2, 0.22))
    assert found.window == pytest.approx((0.9, 0.6, 0.3))
    assert (found.any_recipe, found.any_window) == pytest.approx((0.22, 0.9))
    # the first cup is cast however small that is, unless nothing passes at all
    few = decide([Made(0.12, 0.0, 0.03), Made(0.15, 0.0, 0.02)], TARGET)
    assert told(few) == (State.LEARN, Why.FIRST)
    none = decide([Made(0.12, 0.0, 0.01)], TARGET)
    assert told(none) == (State.NOTHING, Why.IMPROBABLE)
    assert none.cup is None


def test_films_that_passed_and_are_sure_are_ready():
    two = [Made(0.12, 0.55, 0.9), Made(0.15, 0.6, 0.8)]
    found = decide(two, TARGET, tested=passed(0), cups=1)
    assert told(found) == (State.READY, Why.PROVED)
    assert found.best == 0  # the other is likelier, but no film of it passed
    assert found.cup.weight_fraction == mixed(0.12).weight_fraction
    # a little less is not
    short = [Made(0.12, 0.54, 0.9), Made(0.15, 0.6, 0.8)]
    assert told(decide(short, TARGET, tested=passed(0), cups=1)) == (
        State.LEARN, Why.PROBABLE,
    )  # fmt: skip
    failed = [Trial(0, False)]
    assert told(decide(two, TARGET, tested=failed, cups=1)) == (State.LEARN, Why.PROBABLE)


def test_films_that_passed_at_rest_are_read_under_strain_first():
    """However many cups were cast: the films are there."""
    two = [Made(0.12, 0.55, 0.9), Made(0.15, 0.6, 0.8)]
    found = decide(two, TARGET, tested=[Trial(0, False, True)], cups=3)
    assert told(found) == (State.LEARN, Why.WAITING)
    assert found.cup.weight_fraction == mixed(0.12).weight_fraction
    unlikely = [Made(0.12, 0.54, 0.9), Made(0.15, 0.6, 0.8)]
    assert decide(unlikely, TARGET, tested=[Trial(0, False, True)], cups=3).why is Why.SPENT


def test_another_cup_is_cast_where_it_is_worth_one():
    found = decide([Made(0.12, 0.51, 0.5), Made(0.15, 0.48, 0.9)], TARGET, cups=2)
    assert told(found) == (State.LEARN, Why.PROBABLE)
    # 0.51 + 0.125 against 0.48 + 0.225
    assert found.cup.weight_fraction == mixed(0.15).weight_fraction


def test_a_window_that_is_sure_is_ready_without_its_spread():
    two = [Made(0.12, 0.3, 0.7), Made(0.15, 0.2, 0.95)]
    found = decide(two, TARGET, tested=passed(0), cups=1)
    assert told(found) == (State.READY, Why.PROVED_WINDOW)
    assert found.best == 0


def test_a_cup_is_cast_for_the_window_alone():
    found = decide([Made(0.12, 0.39, 0.4), Made(0.15, 0.1, 0.5)], TARGET, cups=1)
    assert told(found) == (State.LEARN, Why.WINDOW)
    # 0.4 + 0.0975 against 0.5 + 0.025
    assert found.cup.weight_fraction == mixed(0.15).weight_fraction


def test_otherwise_nothing_will_do():
    found = decide([Made(0.12, 0.2, 0.3)], TARGET, cups=1)
    assert told(found) == (State.NOTHING, Why.IMPROBABLE)
    spent = decide([Made(0.12, 0.7, 0.9)], TARGET, cups=3)
    assert told(spent) == (State.NOTHING, Why.SPENT)
    assert spent.cup is None


def test_gaps_of_a_loading_count_together():
    gaps = [Made(0.12, 0.3, 0.5, gap) for gap in (2e-3, 3e-3, 4e-3)]
    found = decide(gaps, TARGET)
    assert found.cup.recipes == (0, 1, 2)
    assert found.cup.minutes == 60.0 + 10.0 * 3 * FILMS
    other = decide(gaps, TARGET, minutes_per_cup=5.0, minutes_per_film=1.0)
    assert other.cup.minutes == 5.0 + 3 * FILMS
    assert len(found.cup.resistance) == 3


def test_a_mix_that_cannot_be_cast_is_passed_over():
    two = [Made(0.12, 0.2, 0.5), Made(0.24, 0.6, 0.8)]
    limit = mixed(0.2).weight_fraction
    found = decide(two, TARGET, castable=lambda w: w < limit)
    assert found.cup.weight_fraction == mixed(0.12).weight_fraction
    free = decide(two, TARGET)
    assert free.cup.weight_fraction == mixed(0.24).weight_fraction


def test_a_threshold_that_cannot_be_foreseen_is_measured_first():
    three = [Made(phi, 0.9, 0.9) for phi in (0.12, 0.15, 0.19)]
    found = decide(three, TARGET, withheld=True)
    assert told(found) == (State.LEARN, Why.UNKNOWN_THRESHOLD)
    assert found.cup.weight_fraction == mixed(0.15).weight_fraction
    later = decide(three, TARGET, withheld=True, tested=passed(0), cups=1)
    assert later.state is State.READY


def test_it_is_pure():
    made = [Made(0.12, 0.3, 0.5), Made(0.15, 0.5, 0.6)]
    assert decide(made, TARGET, cups=1) == decide(made, TARGET, cups=1)
    with pytest.raises(ValueError, match="at least one recipe"):
        decide([], TARGET)


def test_what_a_cup_tells_is_worth_something():
    """Two recipes right in either half of the draws: films of one tell the halves apart."""
    low, high = Made(0.12, 0.5, 0.5), Made(0.15, 0.5, 0.5)
    high.held = [TARGET, (np.arange(N) >= 50, np.arange(N) >= 50)]
    found = decide([low, high], TARGET)
    # before, either is right in half; readings 0.115 off on a range of 4 sort nearly all
    assert 0.9 < found.afterwards <= 1.0
    blind = [Made(0.12, 0.5, 0.5), Made(0.15, 0.5, 0.5)]
    assert decide(blind, TARGET).afterwards == pytest.approx(0.5)


def test_more_films_sort_the_draws_closer():
    made = Made(0.12, 0.5, 0.5)
    made.scatter = np.full(N, 0.8)
    order = np.argsort(made.rest[:, 1])
    off = [np.abs(np.diff(imagined(made, n)[order])).mean() for n in (1, 400)]
    # readings 0.8 off jump from one to the next, 0.04 off, a step of the draws, hardly
    assert off[1] < 0.5 * off[0]


def test_changes_come_with_the_most_first():
    rows = [("gap", "", 2e-3, lambda: 0.4), ("tolerance", "mixing", 0.5, lambda: 0.7)]
    found = changes(rows)
    assert [c.what for c in found] == ["tolerance", "gap"]
    assert (found[0].name, found[0].value, found[0].probability) == ("mixing", 0.5, 0.7)
    assert changes(()) == ()
