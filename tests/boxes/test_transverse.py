"""Strain across the current: boxes against a network worked out without percsim."""

import math

import numpy as np
import pytest

from percsim.links.search import find_links
from percsim.network.build import build_network
from percsim.network.laws import ContactOpeningLaw
from percsim.network.solve import solve_network
from percsim.particles.bodies import SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.strain import Mounting, State
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening

EDGE, RADIUS, G0, BETA = 60e-6, 5e-6, 8e-5, 100.0
COUNT = 300
STRAIN = 1e-4
SWELLING = 5e-3


def resistance_by_hand(centers, stretches):
    """Resistance of overlapping spheres between two faces: all pairs, a dense Laplacian.

    Spheres touch along the line of their centres and do not turn in a stretch, so that a
    contact opens by u (F - I) (c_j - c_i) over the diameter; periodic across.
    """
    n = len(centers)
    laplacian = np.zeros((n + 2, n + 2))

    def bond(i, j, g):
        laplacian[[i, j], [j, i]] -= g
        laplacian[[i, j], [i, j]] += g

    for i in range(n):
        apart = centers[i + 1 :] - centers[i]
        apart[:, 1:] -= EDGE * np.round(apart[:, 1:] / EDGE)
        distance = np.linalg.norm(apart, axis=1)
        opening = (apart**2 @ (stretches - 1.0)) / distance / (2.0 * RADIUS)
        for k in np.flatnonzero(distance <= 2.0 * RADIUS):
            bond(i, i + 1 + k, G0 * math.exp(-BETA * max(opening[k], 0.0)))
        if centers[i][0] <= RADIUS:
            bond(i, n, G0)
        if centers[i][0] >= EDGE - RADIUS:
            bond(i, n + 1, G0)
    # one volt across, particles that touch neither side of the network left out
    free = np.flatnonzero(np.diag(laplacian)[:n] > 0.0)
    inner = laplacian[np.ix_(free, free)] + 1e-15 * G0 * np.eye(len(free))
    volts = np.linalg.solve(inner, -laplacian[free, n])
    return 1.0 / -(laplacian[n + 1, free] @ volts)


def stretched(along, across):
    """Stretches of a swollen film under two in-plane strains, its volume kept."""
    x, y = 1.0 + along, 1.0 + across
    return (1.0 + SWELLING) * np.array([x, y, 1.0 / (x * y)])


def draw(seed):
    centers = EDGE * np.random.default_rng(seed).random((COUNT, 3))
    return centers, Particles(
        np.full(COUNT, SPHERE, dtype=np.int8), centers,
        np.tile([0.0, 0.0, 1.0], (COUNT, 1)), np.zeros(COUNT), np.full(COUNT, RADIUS),
        Box((EDGE,) * 3, (False, True, True)),
    )  # fmt: skip


LAW = ContactOpeningLaw(G0, BETA, 1e9, 0.0, G0, 10e-6, 1)  # no contact breaks
THERMAL = ThermalOpening(SWELLING / 40.0, ROOM_TEMPERATURE - 40.0, 1.0)


@pytest.mark.parametrize("seed", [7210, 7211])
def test_states_across_are_those_worked_out_by_hand(seed):
    centers, particles = draw(seed)
    links = find_links(particles, 0.0)
    for along, across in ((0.0, 0.0), (3e-3, 0.0), (0.0, 3e-3), (0.0, -3e-3), (2e-3, 2e-3)):
        state = State.in_plane(along, across, ROOM_TEMPERATURE, THERMAL)
        found = solve_network(build_network(links, LAW, state)).resistance
        by_hand = resistance_by_hand(centers, stretched(along, across))
        assert found == pytest.approx(by_hand, rel=1e-7)
        if along == across:  # the mounting of that name
            biaxial = State.at(along, ROOM_TEMPERATURE, Mounting("biaxial"), THERMAL)
            same = solve_network(build_network(links, LAW, biaxial)).resistance
            assert same == pytest.approx(found, rel=1e-12)


def test_spheres_have_no_transverse_sensitivity():
    # exact for what is isotropic: d ln R = a e_x + b (e_y + e_z), as nothing tells width
    # from thickness, and constant volume makes e_z = -e_y where e_x = 0
    along, across, through = [], [], []
    for seed in range(7300, 7316):
        centers, _ = draw(seed)
        rest, x, y, z = (
            math.log(resistance_by_hand(centers, (1.0 + SWELLING) * (1.0 + STRAIN * unit)))
            for unit in (np.zeros(3), *np.eye(3))
        )
        along.append((x - rest) / STRAIN)
        across.append((y - rest) / STRAIN)
        through.append((z - rest) / STRAIN)
    a, y, z = (np.array(v) for v in (along, across, through))
    error = (y - z).std(ddof=1) / math.sqrt(len(y))
    assert abs((y - z).mean()) < 4.0 * error
    assert error < 0.1 * (a - z).mean()
    # with the thickness held, strain across opens contacts too
    held = y.mean() / a.mean()
    assert 0.1 < held < 0.9
