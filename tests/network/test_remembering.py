"""Boxes that remember: by hand, against the law without memory, and as a Preisach model."""

from dataclasses import replace

import numpy as np
import pytest
from reference.known_cases import bridge

from percsim.links.search import Links, find_links
from percsim.network import remembering
from percsim.network.laws import ContactOpeningLaw
from percsim.network.opened import OpenedBox
from percsim.network.remembering import solve_history
from percsim.network.solve import Sweep, solve_network
from percsim.particles.bodies import FLAKE, SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.history import History, Memory
from percsim.states.strain import Mounting
from percsim.states.temperature import ThermalOpening

MOUNTING = Mounting("bonded", 0.495, 0.33)
THERMAL = ThermalOpening(expansion=2.5e-4, closed_at=233.15, share=0.3)
LAW = ContactOpeningLaw(8e-5, 100.0, 0.01, 1.6e-21, 6e-5, 10e-6, seed=90210)
ROOM = 293.15


def history(strains, seconds=1.0, temperatures=ROOM):
    strains = np.asarray(strains, dtype=float)
    return History(
        seconds * np.arange(len(strains)), strains,
        np.broadcast_to(np.asarray(temperatures, float), strains.shape).copy(),
    )  # fmt: skip


def flakes(edge, n, seed=3):
    rng = np.random.default_rng(seed)
    axes = rng.normal(size=(n, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    core = 4.5e-6 * rng.lognormal(0.0, 0.3, n)
    box = Box((edge,) * 3, (False, True, True))
    centers = rng.random((n, 3)) * edge
    kinds = np.full(n, FLAKE)
    links = find_links(Particles(kinds, centers, axes, core, np.full(n, 0.35e-6), box), 0.0)
    return OpenedBox.of(links, LAW, MOUNTING, THERMAL)


@pytest.fixture(scope="module")
def box():
    return flakes(60e-6, 1300)


def up_and_down(top, n=4):
    up = np.linspace(0.0, top, n + 1)
    return [*up, *up[-2::-1]]


@pytest.mark.parametrize("temperatures", [ROOM, np.linspace(250.0, 330.0, 9)])
def test_without_memory_it_is_the_law_of_states_to_the_last_digit(box, temperatures):
    path = history(up_and_down(4e-3), temperatures=temperatures)
    found = solve_history(box, LAW, Memory(1.0, 1.0), path)
    walk = remembering._Walk.of(box, LAW, Memory(1.0, 1.0), path, 0.0, None)
    for k, (strain, t) in enumerate(zip(path.strains, path.temperatures, strict=True)):
        opened = box.network(LAW, strain, t)
        closed, factors = walk.distinct[walk.states[k]].contacts(len(opened.conducts), 1.0)
        np.testing.assert_array_equal(closed, opened.conducts)
        relative = box.relative_openings(strain, t)
        network = box.resistors(LAW, t, relative, closed, factors)
        np.testing.assert_array_equal(network.resistors, opened.network.resistors)
        np.testing.assert_array_equal(network.conductances, opened.network.conductances)
        exact = solve_network(opened.network)
        assert found.resistances[k] == pytest.approx(exact.resistance, rel=1e-7)
        assert found.conducting[k] == pytest.approx(1.0 - opened.lost_share, abs=1e-15)
    # a state that comes back is the one of before
    assert found.solves == (5 if temperatures is ROOM else 9)


def test_unbroken_contacts_do_not_heal(box):
    """Nothing breaks on the way down in temperature: scars and reclosing have no part."""
    path = history(np.zeros(4), temperatures=[300.0, 280.0, 260.0, 240.0])
    found = solve_history(box, LAW, Memory(1.0, 0.2), path)
    plain = solve_history(box, LAW, Memory(1.0, 1.0), path)
    np.testing.assert_array_equal(found.resistances, plain.resistances)
    assert not found.scarred.any()
    # what was never closed needs to come closer where contacts close late
    late = solve_history(box, LAW, Memory(0.7, 1.0), path)
    assert (late.resistances[1:] > plain.resistances[1:]).all()


def nine_resistors():
    """Wheatstone bridge of six balls: two chains along the current and a link across.

    Links in order: source and sink side of the first chain, the same of the second, and
    the link between the middles; with four contacts to the electrodes nine resistors.
    """
    a, balls = 5e-6, 6
    x = np.tile([1.0, 3.0, 5.0], 2) * a
    y = np.repeat([5.0, 7.0], 3) * a
    particles = Particles(
        np.full(balls, SPHERE), np.column_stack([x, y, np.full(balls, 5.0 * a)]),
        np.tile([0.0, 0.0, 1.0], (balls, 1)), np.zeros(balls), np.full(balls, a),
        Box((6.0 * a, 20.0 * a, 20.0 * a), (False, True, True)),
    )  # fmt: skip
    pairs = np.array([[0, 1], [1, 2], [3, 4], [4, 5], [1, 4]])
    steps = particles.centers[pairs[:, 1]] - particles.centers[pairs[:, 0]]
    points = 0.5 * (particles.centers[pairs[:, 1]] + particles.centers[pairs[:, 0]])
    links = Links(
        particles, 0.0, pairs, np.zeros(5), steps / (2.0 * a), np.zeros((5, 3), int),
        points, np.array([0, 3]), np.array([2, 5]),
    )  # fmt: skip
    law = ContactOpeningLaw(1.0, 0.0, 1.0, 0.0, 2.0, 2.0 * a)
    # 40 K of 50 ppm/K: opened by 0.002 at rest
    swelling = ThermalOpening(expansion=5e-5, closed_at=253.15, share=1.0)
    made = OpenedBox.of(links, law, MOUNTING, swelling)
    return replace(made, _breaks=np.array([3e-3, 7e-3, 1e-1, 3.5e-3, 1.5e-3])), law


def test_nine_resistors_by_hand_through_a_whole_loop():
    """Openings are 0.002 + e along and 0.002 - 0.33 e across; all close at half.

    The link across is open at rest and has never closed. Every link has 1 ohm, 4 ohm with a
    scar, every contact to an electrode half an ohm.
    """
    box, law = nine_resistors()
    inf = np.inf
    expected = [
        (0.0, 1.5),  # two chains of 3 ohm
        (1.2e-3, 3.0),  # the first one breaks at its source, at 0.0032
        (1.8e-3, inf),  # the second at its sink, at 0.0038
        (3.9e-3, 4.0),  # the link across closes, at 0.00071: source, second, across, sink
        (2.0e-3, 4.0),  # and holds at 0.00134
        (1.0e-3, inf),  # it breaks at 0.00167; the two others are not back yet
        (0.0, inf),
        (-3e-4, 6.0),  # the sink side of the second closes at 0.0017, scarred
        (-6e-4, 3.0),  # the first too: 6 ohm beside 6
        (0.0, 3.0),
        (1.2e-3, 6.0),  # the first breaks again
        (3.9e-3, 7.0),  # across with its scar, the sink of the second broken again
        (-6e-4, 3.0),  # both close again; their scars are no deeper
    ]
    path = history([strain for strain, _ in expected])
    found = solve_history(box, law, Memory(0.5, 0.25), path)
    np.testing.assert_allclose(found.resistances, [ohm for _, ohm in expected], rtol=1e-12)
    np.testing.assert_allclose(found.conducting[[0, 1, 2, 3]], [0.8, 0.6, 0.4, 0.6])
    np.testing.assert_allclose(found.scarred[[7, 8, 11]], [0.2, 0.4, 0.2])


def test_a_bridge_of_whole_and_scarred_resistors_by_its_formula():
    """All five links conduct where the one across closes first and the others hold."""
    box, law = nine_resistors()
    box = replace(box, _breaks=np.array([3e-3, 7e-3, 1e-1, 7e-3, 3e-3]))
    found = solve_history(box, law, Memory(0.7, 0.25), history([0.0, 1.2e-3, 0.0]))
    whole, scarred, end = 1.0, 4.0, 0.5
    expected = [
        bridge(whole + end, whole + end, whole + end, whole + end, whole).resistance,
        1.5 + 1.0 / (1.0 / 1.5 + 1.0 / 2.5),  # the second chain, then two ways to the sink
        bridge(scarred + end, whole + end, whole + end, whole + end, whole).resistance,
    ]
    np.testing.assert_allclose(found.resistances, expected, rtol=1e-12)


@pytest.mark.parametrize("by", ["strain", "temperature"])
@pytest.mark.parametrize("memory", [Memory(0.9, 0.3), Memory(0.5, 1.0)])
def test_return_points_and_wiping_out_along_one_parameter(box, by, memory):
    """Where an inner loop closes R comes back, and the path goes on as if without it."""

    def along(places):
        places = np.asarray(places)
        if by == "strain":
            return solve_history(box, LAW, memory, history(places * 4e-3)).resistances
        warm = history(0.0 * places, temperatures=ROOM + 40.0 * places)
        return solve_history(box, LAW, memory, warm).resistances

    # conditioned over the whole of it first: scars come once
    start = [0.0, 1.0, 0.0, 1.0, 0.0]
    plain = along([*start, 0.4, 0.8, 1.0, 0.5, 0.0])
    loops = along([*start, 0.4, 0.8, 0.3, 0.6, 0.3, 0.8, 1.0, 0.5, 0.7, 0.5, 0.0])
    k = len(start)
    assert loops[k + 5] == pytest.approx(loops[k + 1], rel=2e-7)  # back at 0.8
    assert loops[k + 4] == pytest.approx(loops[k + 2], rel=2e-7)  # back at 0.3
    assert loops[k + 9] == pytest.approx(loops[k + 7], rel=2e-7)  # back at 0.5 from 0.7
    np.testing.assert_allclose(loops[[k + 6, k + 9, k + 10]], plain[[7, 8, 9]], rtol=2e-7)
    # and it is no single-valued function: 0.5 going down is not 0.5 going up
    up = along([*start, 0.5])
    if memory.reclose < 0.6:
        return  # half of that opening closes nothing yet
    assert abs(plain[8] / up[-1] - 1.0) > 1e-4


@pytest.mark.parametrize("memory", [Memory(0.9, 0.3), Memory(0.4, 0.5), Memory(1.0, 0.3)])
def test_loops_close_after_conditioning_and_equal_pulls_add_nothing(box, memory):
    pull = up_and_down(3e-3)
    path = history([*pull, *pull[1:], *pull[1:], *pull[1:]])
    found = solve_history(box, LAW, memory, path)
    each = len(pull) - 1
    first, second, third, fourth = (found.resistances[k * each : (k + 1) * each + 1]
                                    for k in range(4))  # fmt: skip
    np.testing.assert_array_equal(third, fourth)  # the same networks, solved once
    np.testing.assert_allclose(second, third, rtol=2e-7)
    assert third[0] == third[-1]
    assert found.solves <= 2 * each + 1
    assert abs(first[-1] / first[0] - 1.0) > 1e-3  # all of the shift comes with the first
    # broken contacts and scars raise the zero; nothing here can lower it
    assert first[-1] > first[0]


@pytest.mark.parametrize("seed", range(3))
def test_broken_contacts_and_scars_only_raise_the_zero(box, seed):
    """What closes for the first time breaks on the way to rest: none is below the first."""
    rng = np.random.default_rng([5201, seed])
    strains, kelvin = rng.normal(0.0, 3e-3, (2, 12))
    strains[::3] = kelvin[::3] = 0.0
    memory = Memory(rng.uniform(0.3, 1.0), rng.uniform(0.2, 1.0))
    path = history(strains, temperatures=ROOM + 1e4 * kelvin)
    found = solve_history(box, LAW, memory, path)
    rest = found.resistances[::3]
    assert (rest[1:] >= rest[0] * (1.0 - 1e-7)).all()
    assert rest[1:].max() > 1.001 * rest[0]
    assert (found.conducting[3::3] <= found.conducting[0]).all()


def test_what_faded_lowers_the_zero_after_release_and_comes_back(box):
    """It is felt as compression, and so the zero lies below that of before."""
    times = np.array([0.0, 1.0, 1801.0, 1802.0, 5402.0])
    path = History(times, np.array([0.0, 3e-3, 3e-3, 0.0, 0.0]), np.full(5, ROOM))
    faded = solve_history(box, LAW, Memory(), path, relaxed=0.02).resistances
    assert faded[1] > faded[2]  # creeps back under strain
    assert faded[3] < faded[4] < faded[0]
    both = solve_history(box, LAW, Memory(0.5, 0.3), path, relaxed=0.02).resistances
    assert both[3] > both[0]  # the first pull broke more than has faded


def test_only_what_fades_knows_of_rates(box):
    slow, fast = (history(up_and_down(3e-3), seconds) for seconds in (100.0, 0.5))
    memory = Memory(0.8, 0.5)
    a, b = (solve_history(box, LAW, memory, path).resistances for path in (slow, fast))
    np.testing.assert_array_equal(a, b)
    a, b = (
        solve_history(box, LAW, memory, path, relaxed=0.02).resistances
        for path in (slow, fast)
    )
    assert np.all(a[1:4] < b[1:4])


def test_rest_brings_broken_contacts_and_scars_back(box):
    times = np.array([0.0, 1.0, 2.0, 60.0, 3600.0, 1e6])
    strains = np.array([0.0, 3e-3, 0.0, 0.0, 0.0, 0.0])
    path = History(times, strains, np.full(6, ROOM))
    kept = solve_history(box, LAW, Memory(0.8, 0.3), path).resistances
    np.testing.assert_array_equal(kept[2:], kept[2])
    back = solve_history(box, LAW, Memory(0.8, 0.3, 0.03), path).resistances
    assert (np.diff(back[2:]) < 0.0).all()
    assert back[2] == kept[2]
    assert back[-1] > back[0]
    # all of it, but for the scars of what closed only now: none
    whole = solve_history(box, LAW, Memory(0.8, 0.3, 1.0), path).resistances
    again = solve_history(box, LAW, Memory(1.0, 0.3), path).conducting
    assert whole[-1] == pytest.approx(whole[0], rel=0.02)
    assert again[-1] == again[0]


@pytest.fixture(scope="module")
def large():
    return flakes(130e-6, 11000)


@pytest.mark.parametrize("memory", [Memory(0.95, 0.5), Memory(0.6, 0.3), Memory(0.9, 1.0)])
def test_networks_alike_are_solved_as_each_by_itself(large, memory):
    """Bounds hold, against every network stripped, reduced and solved afresh."""
    path = history([*up_and_down(3e-3, 3), 1e-3, 4e-3, 0.0], seconds=1.0)
    found = solve_history(large, LAW, memory, path)
    assert found.solves > 6
    walk = remembering._Walk.of(large, LAW, memory, path, 0.0, None)
    for k, state in enumerate(walk.distinct):
        relative = large.relative_openings(state.strain, state.temperature)
        closed, factors = state.contacts(len(relative), memory.healed)
        network = large.resistors(LAW, state.temperature, relative, closed, factors)
        exact = solve_network(network, 1e-10)
        visit = int(np.flatnonzero(found.states == k)[0])
        assert found.lower[visit] <= exact.upper
        assert exact.lower <= found.upper[visit]
        assert found.upper[visit] - found.lower[visit] <= 1e-7 * found.resistances[visit]
        assert found.resistances[visit] == pytest.approx(exact.resistance, rel=1e-7)


def test_a_history_done_again_gives_the_same_digits(large):
    path = history(up_and_down(2e-3, 3))
    one, other = (solve_history(large, LAW, Memory(0.9, 0.5), path) for _ in range(2))
    np.testing.assert_array_equal(one.resistances, other.resistances)
    np.testing.assert_array_equal(one.upper, other.upper)


def test_boxes_that_open_on_the_way_read_inf(box):
    path = history(np.zeros(3), temperatures=[ROOM, 720.0, ROOM])
    found = solve_history(box, replace(LAW, delta_b=3e-3), Memory(0.05, 1.0), path)
    assert np.isfinite(found.resistances[0])
    np.testing.assert_array_equal(found.resistances[1:], np.inf)
    np.testing.assert_array_equal(found.upper[1:], np.inf)


def test_a_box_that_never_conducts_reads_inf():
    sparse = flakes(60e-6, 300)
    found = solve_history(sparse, LAW, Memory(0.6, 0.5), history([0.0, 2e-3, 0.0, 1e-3]))
    np.testing.assert_array_equal(found.resistances, np.inf)
    np.testing.assert_array_equal(found.lower, np.inf)


def test_eliminated_or_iterated_answers_are_alike(box, monkeypatch):
    path = history([0.0, 2e-3, 0.0, 2e-3])
    one, other = (
        (
            monkeypatch.setattr(
                "percsim.network.remembering.Sweep", lambda most=most: Sweep(most)
            ),
            solve_history(box, LAW, Memory(0.6, 0.5), path),
        )[1]
        for most in (0, 100_000)
    )
    assert (one.resistances != other.resistances).any()
    np.testing.assert_allclose(one.resistances, other.resistances, rtol=1e-7)
