import json
import math

import numpy as np
import pytest
from film.test_blocks import made_up
from film.whole_films import compare

from percsim.boxes.statistics import Estimate
from percsim.film import Film
from percsim.film.block_films import cast_lattice
from percsim.film.verify import FilmComparison, compare_films, film_blocks


def within(difference, limit, sigmas=0.0):
    """Whether a relative difference is within a limit and so many standard errors."""
    return abs(difference.value) <= limit + sigmas * difference.standard_error


def test_films_of_blocks_are_films_small_twin():
    """At twice the threshold; 60 films of 3 x 2 blocks of 8 diameters, thick flakes."""
    found, ratio = compare(
        62, aspect_ratio=5, lengths=(5, 8), boxes=100, films=60, size=(3, 2), seed=60317
    )
    assert 1.8 < ratio < 2.3
    resistance, spread, gauge = found.differences()
    print(f"at {ratio:.3f}: R {resistance}, CV {spread}, gauge factor {gauge}")
    assert resistance.standard_error < 0.03
    assert within(resistance, 0.03, sigmas=2.0)
    assert within(spread, 0.25, sigmas=3.0)
    assert gauge.standard_error < 0.08
    assert within(gauge, 0.0, sigmas=3.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("weight_fraction", "near", "mean", "spread"),
    [(30.2, 2.0, 0.03, 0.25), (23.8, 1.52, 0.05, 0.5)],
)
def test_films_of_blocks_are_films(weight_fraction, near, mean, spread):
    """200 films of 3 x 2 blocks of 12 diameters, flakes of aspect ratio 15.

    With 80 boxes the excess length of the electrodes leaves 4 % of R unknown at 1.5 times.
    """
    found, ratio = compare(
        weight_fraction, aspect_ratio=15, lengths=(8, 12), boxes=240, films=200,
        size=(3, 2), seed=20261,
    )  # fmt: skip
    assert ratio == pytest.approx(near, rel=0.04)
    r, cv, gauge = found.differences()
    print(f"at {ratio:.3f}: R {r}, CV {cv}, gauge factor {gauge}")
    assert within(r, mean)
    assert within(cv, spread)
    # whose error the boxes leave, contacts to their electrodes included
    assert gauge.standard_error < 0.05
    assert within(gauge, 0.0, sigmas=3.0)


@pytest.mark.parametrize(
    ("particles", "budget", "films", "size"),
    [
        (1000.0, 48_000, 24, (2, 1)),
        (1000.0, 144_000, 24, (3, 2)),
        (1000.0, 2.4e6, 24, (12, 8)),
    ],
)
def test_the_largest_film_of_a_budget(particles, budget, films, size):
    along, across = film_blocks(particles, budget, films)
    assert (along, across) == size
    assert along * across * particles * films <= budget


def test_a_budget_too_small_for_two_blocks_says_what_would_do():
    with pytest.raises(ValueError, match=r"24 films of two blocks .* take 4.8e\+04"):
        film_blocks(1000.0, 47_000)


def test_differences_are_relative_with_both_errors():
    def three(log, cv, gauge):
        return (Estimate(log, 0.01, 50), Estimate(cv, 0.005, 50), Estimate(gauge, 0.3, 50))

    found = FilmComparison(
        (3, 2), 1000, three(7.0, 0.05, 15.0), three(7.02, 0.06, 14.0), 50
    )
    r, cv, gauge = found.differences()
    assert r.value == pytest.approx(math.expm1(0.02))
    assert r.standard_error == pytest.approx(math.exp(0.02) * math.hypot(0.01, 0.01))
    assert cv.value == pytest.approx(0.2)
    assert cv.standard_error == pytest.approx(1.2 * math.hypot(0.1, 0.005 / 0.06))
    assert gauge.value == pytest.approx(14.0 / 15.0 - 1.0)
    assert json.dumps(found.as_dict())
    nothing = Estimate(np.inf, np.inf, 50)
    broken = FilmComparison((3, 2), 1000, (nothing,) * 3, three(7.02, 0.06, 14.0), 50)
    assert all(np.isinf(d.value) for d in broken.differences())


def test_open_films_are_counted_beside_those_that_conduct():
    blocks = made_up(n=60)
    strains = blocks.strains[[0, -1]]
    castings = cast_lattice(
        blocks, Film(2e-4, 4e-4, 6e-4), 0.16, castings=30, seed=4, strains=strains
    )
    direct = castings.resistances.copy()
    direct[[2, 7, 19], :] = np.inf
    found = compare_films(direct, strains, castings, (3, 2), 1000)
    written = found.as_dict()
    assert written["films"] == 30
    assert written["open_fraction"] == {"direct": pytest.approx(0.1), "lattice": 0.0}
    assert found.direct[0].n == 27
    # with most of them open nothing else can be told, but that
    direct[:20] = np.inf
    written = compare_films(direct, strains, castings, (3, 2), 1000).as_dict()
    assert written["films"] == 30
    assert written["open_fraction"]["direct"] == pytest.approx(20 / 30)
    assert np.isinf(written["difference"]["resistance_cv"]["value"])
