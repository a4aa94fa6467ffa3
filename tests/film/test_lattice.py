import numpy as np
import pytest
from reference.thin_films import fingers_from_above

from percsim.film import Bars, EndPlates, Film, Fingers, FourTerminal
from percsim.film.lattice import Lattice

RHO, RATIO = 2.0, -1.2e-5  # ohm m, and r_c/rho [m]


def uniform(film, block=1e-4, ratio=RATIO, **how):
    lattice = Lattice.of(film, block, **how)
    return lattice.solve(np.full(len(lattice), 1.0 / RHO), ratio)[0]


@pytest.mark.parametrize(
    "layout",
    [
        Bars(),
        Bars("surface", 1e-3, 1e-6),
        EndPlates(contact_resistivity=1e-6),
        Fingers(5, 5e-4),
        Fingers(2, 5e-4, None, "surface", 1e-6),
        Fingers(5, 5e-4, None, "surface", 1e-6),
        FourTerminal(5e-4, 1e-3, 1e-6),
        FourTerminal(5e-4, 1e-3, 0.0),
    ],
    ids=lambda x: f"{x.name} {x.mount}",
)
@pytest.mark.parametrize(("dimension", "ratio"), [(2, RATIO), (3, RATIO), (2, 4e-5)])
def test_uniform_blocks_give_the_resistance_of_the_layout(layout, dimension, ratio):
    film = Film(3e-4, 5e-3, 1.3e-3, layout=layout)
    exact = float(film.resistance(RHO, ratio * RHO))
    assert uniform(film, ratio=ratio, dimension=dimension) == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize("number", [2, 5])
def test_fingers_with_tips_against_finite_differences(number):
    film = Film(2e-4, 6e-3, 1e-3, layout=Fingers(number, 5e-4, 3e-3))
    exact = fingers_from_above(number, 0.5, 1.0, 3.0, 6.0, 0.05) * RHO / 2e-4
    found = uniform(film, block=1e-4, ratio=0.0, dimension=2)
    assert found == pytest.approx(exact, rel=0.01)


def test_random_bonds_in_series_add_exactly():
    film = Film(2e-4, 2e-4, 2e-3)
    lattice = Lattice.of(film, 2e-4, dimension=2)
    assert len(lattice) == 10
    rho = np.random.default_rng(70211).lognormal(size=10)
    area = 4e-8
    straight = (rho * 2e-4).sum() / area + 0.5 * RATIO * (rho[0] + rho[-1]) / area
    assert lattice.solve(1.0 / rho, RATIO)[0] == pytest.approx(straight, rel=1e-12)


def test_two_kinds_of_bond_conduct_as_their_geometric_mean():
    """Square lattice of bonds 1 and s in equal parts: sqrt(s).

    Dykhne, "Conductivity of a two-dimensional two-phase system", Sov. Phys. JETP 32, 63
    (1971): exact for a self-dual arrangement. A lattice of n rows and n + 1 bonds along is
    its own dual up to its edges.
    """
    n, s, films = 40, 16.0, 60
    film = Film(1e-4, n * 1e-4, (n + 1) * 1e-4)
    lattice = Lattice.of(film, 1e-4, dimension=2)
    assert lattice.shape == (n + 1, n, 1)
    rng = np.random.default_rng(51907)
    unit = lattice.solve(np.ones(len(lattice)))[0]
    logs = []
    for _ in range(films):
        kinds = rng.permutation(len(lattice)) % 2
        # bonds on the boundary count as squares all the same
        logs.append(np.log(unit / lattice.solve(np.where(kinds, s, 1.0))[0]))
    error = np.std(logs, ddof=1) / np.sqrt(films)
    assert np.mean(logs) == pytest.approx(0.5 * np.log(s), abs=4.0 * error + 0.01)
    assert error < 0.01


def test_a_film_with_its_edges_joined_has_no_edges():
    film = Film(1e-4, 8e-4, 10e-4)
    rng = np.random.default_rng(60611)
    open_edges = Lattice.of(film, 1e-4, dimension=2)
    joined = Lattice.of(film, 1e-4, dimension=2, wrapped=True)
    assert len(joined) == len(open_edges) + 9
    # moving every block round by three rows changes nothing
    sigma = rng.lognormal(size=len(joined))
    along = ~joined.across
    turned = sigma.copy()
    turned[along] = np.roll(sigma[along].reshape(10, 8), 3, axis=1).ravel()
    turned[~along] = np.roll(sigma[~along].reshape(9, 8), 3, axis=1).ravel()
    assert joined.solve(turned)[0] == pytest.approx(joined.solve(sigma)[0], rel=1e-10)


def test_open_bonds_open_the_film():
    lattice = Lattice.of(Film(1e-4, 3e-4, 4e-4), 1e-4, dimension=2)
    sigma = np.ones(len(lattice))
    sigma[(lattice.cells // 3 == 2) & ~lattice.across] = 0.0
    reading, solution = lattice.solve(sigma)
    assert np.isinf(reading)
    assert solution.is_open


def test_current_is_conserved_from_cell_to_cell_on_the_map():
    film = Film(2e-4, 6e-3, 1e-3, layout=Fingers(3, 5e-4, 4e-3))
    lattice = Lattice.of(film, 1e-4, dimension=2)
    reading, solution = lattice.solve(np.full(len(lattice), 1.0 / RHO))
    x, y, potential, density = lattice.maps(solution)
    assert potential.shape == (len(x), len(y))
    assert np.isfinite(potential).all()
    assert potential.min() == 0.0
    assert potential.max() == 1.0
    # half-way between two fingers, side by side, the field is that of plates
    i, j = np.searchsorted(x, 0.5e-3), np.searchsorted(y, 3e-3)
    assert density[i, j] == pytest.approx(1.0 / (RHO * 1e-3), rel=0.01)
    assert density[np.searchsorted(x, 1.2e-3), np.searchsorted(y, 2e-3)] == 0.0  # a finger
    assert 1.0 / reading > 2 * 4e-3 * 2e-4 / (RHO * 1e-3)


@pytest.mark.parametrize(
    ("film", "name"),
    [
        (Film(2e-4, 6e-3, 1e-4), "electrode gap, 0.1 mm"),
        (Film(2e-4, 1e-4, 3e-3), "width, 0.1 mm"),
        (Film(1e-4, 6e-3, 3e-3), "thickness, 0.1 mm"),
    ],
)
def test_blocks_larger_than_the_film_are_refused(film, name):
    with pytest.raises(
        ValueError, match=f"blocks of 0.2 mm are larger than the film's {name}"
    ):
        Lattice.of(film, 2e-4)
