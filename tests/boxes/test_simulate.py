"""One box from its recipe to its resistance, against a small independent implementation."""

import dataclasses

import numpy as np
import pytest

from percsim.boxes.results import read_result, stored
from percsim.boxes.simulate import (
    CONTACT_SAMPLE,
    BoxJob,
    Setting,
    effective_medium_estimate,
    place_box,
    simulate_box,
    solve_sample,
    varied_states,
)
from percsim.boxes.store import decode_json, encode_json
from percsim.links.search import find_links
from percsim.materials.elastomer import Elastomer
from percsim.materials.filler import Filler, Orientation
from percsim.materials.recipe import Recipe
from percsim.materials.sizes import SizeDistribution
from percsim.network.build import build_network
from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
from percsim.particles.bodies import SPHERE, Particles
from percsim.particles.box import Box
from percsim.particles.hard_core import free_core
from percsim.particles.placement import Clusters
from percsim.states.strain import Mounting, State, openings
from percsim.states.temperature import Bond, ThermalOpening

DIAMETER = 10e-6
ELECTRODE = 3e-5
CONTACT = 8e-5


def sphere_recipe(volume_fraction: float) -> Recipe:
    filler = Filler(
        kind="sphere",
        density=2000.0,
        size=SizeDistribution(DIAMETER, 0.0),
        orientation=Orientation("isotropic"),
        name="ball",
    )
    elastomer = Elastomer(density=2000.0, mix_ratio=10.0)
    # equal densities: weight and volume fraction are the same number
    return Recipe(((filler, volume_fraction),), elastomer)


def sphere_job(number: int, edge: float, volume_fraction: float) -> BoxJob:
    return BoxJob(
        seed=70124,
        number=number,
        recipe=sphere_recipe(volume_fraction),
        box=Box((edge,) * 3, (False, True, True)),
        law=ContactOpeningLaw(CONTACT, 100.0, 0.01, 0.0, ELECTRODE, 10e-6),
        states=(State(),),
    )


def brute_force_ln_resistance(rng: np.random.Generator, edge: float, eta: float) -> float:
    """Spheres in a box, every pair and image tried, dense Kirchhoff equations."""
    volume = np.pi / 6.0 * DIAMETER**3
    n = rng.poisson(eta * edge**3 / volume)
    x = rng.random((n, 3)) * edge
    d = x[:, None, :] - x[None, :, :]
    d[:, :, 1:] -= edge * np.round(d[:, :, 1:] / edge)
    touching = (d**2).sum(axis=2) <= DIAMETER**2
    np.fill_diagonal(touching, False)
    g = np.zeros((n + 2, n + 2))
    g[:n, :n] = CONTACT * touching
    g[:n, n] = g[n, :n] = ELECTRODE * (x[:, 0] <= DIAMETER / 2)
    g[:n, n + 1] = g[n + 1, :n] = ELECTRODE * (x[:, 0] >= edge - DIAMETER / 2)
    laplacian = np.diag(g.sum(axis=1)) - g
    reached = {n}
    front = [n]
    while front:
        new = set(np.flatnonzero(g[front.pop()])) - reached
        reached |= new
        front += list(new)
    if n + 1 not in reached:
        return np.inf
    keep = sorted(reached - {n + 1})
    current = np.array([1.0 if node == n else 0.0 for node in keep])
    return float(
        np.log(np.linalg.solve(laplacian[np.ix_(keep, keep)], current)[keep.index(n)])
    )


def test_spread_of_log_resistance_equals_a_brute_force_implementation():
    """Mean and spread of ln R over boxes, four standard errors (1 in 16,000 each)."""
    edge, eta, n_boxes = 6.0 * DIAMETER, 0.60, 150
    rng = np.random.default_rng(918273)
    slow = np.array([brute_force_ln_resistance(rng, edge, eta) for _ in range(n_boxes)])
    fast = []
    for number in range(n_boxes):
        g = simulate_box(sphere_job(number, edge, eta)).conductances[0]
        fast.append(-np.log(g) if g > 0 else np.inf)
    fast = np.array(fast)
    assert np.isfinite(slow).all()
    assert np.isfinite(fast).all()
    spread = np.hypot(slow.std(ddof=1), fast.std(ddof=1)) / np.sqrt(n_boxes)
    assert abs(slow.mean() - fast.mean()) < 4.0 * spread

    # the standard error of a standard deviation, with the kurtosis of the sample
    def variance_error(sample):
        centred = sample - sample.mean()
        return np.sqrt(((centred**4).mean() - sample.var() ** 2) / n_boxes)

    band = 4.0 * np.hypot(variance_error(slow), variance_error(fast))
    assert abs(slow.var(ddof=1) - fast.var(ddof=1)) < band
    assert band < slow.var()  # the comparison means something


def flake_job(**changes) -> BoxJob:
    filler = Filler(
        kind="flake",
        density=2250.0,
        size=SizeDistribution(10e-6, 0.4),
        aspect_ratio=15.0,
        orientation=Orientation("isotropic"),
        name="flake",
    )
    recipe = Recipe(((filler, 0.32),), Elastomer(density=1030.0, mix_ratio=7.0))
    thermal = ThermalOpening(recipe.thermal_expansion, 233.15, 0.3)
    states = tuple(
        State.at(e, 293.15, Mounting("bonded"), thermal) for e in (0.0, 0.001, 0.003)
    )
    job = BoxJob(
        seed=5150,
        number=0,
        recipe=recipe,
        box=Box((80e-6,) * 3, (False, True, True)),
        law=ContactOpeningLaw(8e-5, 100.0, 0.01, 1.6e-21, 8e-5, 10e-6),
        states=states,
    )
    return dataclasses.replace(job, **changes)


def text(result) -> str:
    """What is stored of a result, to the last bit."""
    return encode_json(stored(result))


def test_a_box_repeats_its_digits_and_its_sample():
    job = flake_job()
    first, again = simulate_box(job), simulate_box(job)
    assert text(first) == text(again)
    sample = solve_sample(job, job.states[0])
    assert sample.solution.conductance == pytest.approx(first.conductances[0], rel=1e-6)
    assert len(sample.particles) == first.n_particles


def test_tension_raises_the_resistance_of_a_mean_box():
    ratios = []
    for number in range(8):
        g = simulate_box(flake_job(number=number)).conductances
        ratios.append([g[0] / g[1], g[0] / g[2]])
    small, large = np.mean(np.log(ratios), axis=0)
    assert 0.0 < small < large


def test_levels_scale_with_the_contact_conductance_alone():
    """Doubling every conductance doubles the box's, to the tolerance of the solver."""
    job = flake_job()
    law = dataclasses.replace(job.law, g0=2 * job.law.g0, electrode_conductance=1.6e-4)
    once = np.array(simulate_box(job).conductances)
    twice = np.array(simulate_box(dataclasses.replace(job, law=law)).conductances)
    np.testing.assert_allclose(twice, 2.0 * once, rtol=1e-6)


def test_a_lower_loading_is_a_subset_and_conducts_less():
    high = flake_job()
    filler = high.recipe.fillers[0][0]
    low = dataclasses.replace(high, recipe=Recipe(((filler, 0.26),), high.recipe.elastomer))
    few, many = simulate_box(low), simulate_box(high)
    assert few.n_particles < many.n_particles
    # Rayleigh: fewer bodies, the same contacts among them, opened as far in every state
    assert (np.array(few.conductances) < np.array(many.conductances)).all()


def test_an_empty_box_is_open_not_an_error():
    job = flake_job()
    filler = job.recipe.fillers[0][0]
    result = simulate_box(
        dataclasses.replace(job, recipe=Recipe(((filler, 1e-7),), job.recipe.elastomer))
    )
    assert result.conductances.tolist() == [0.0, 0.0, 0.0]
    assert result.backbone_share == 0.0


@pytest.mark.parametrize("strain", [0.0, 0.002])
def test_gap_laws_search_again_in_the_moved_box(strain):
    job = flake_job(
        law=TunnellingLaw(1.6e-19, 1e-14, 1e-3),
        cutoff=2e-9,
        states=(State.at(strain, 293.15, Mounting("bonded")),),
    )
    sample = solve_sample(job, job.states[0])
    assert sample.links.particles.box.size[0] == pytest.approx(
        80e-6 * (1 + strain), rel=1e-12
    )
    assert simulate_box(job).conductances[0] == pytest.approx(
        sample.solution.conductance, rel=1e-6
    )


def test_electrode_share_is_what_perfect_electrodes_would_save():
    """Slope of ln R to ln of the electrode contact's resistance, by finite difference."""
    job = flake_job()
    step = 1e-3
    law = dataclasses.replace(job.law, electrode_conductance=8e-5 / (1.0 + step))
    one, other = simulate_box(job), simulate_box(dataclasses.replace(job, law=law))
    slope = np.log(one.conductances[0] / other.conductances[0]) / np.log1p(step)
    assert one.electrode_share == pytest.approx(slope, rel=1e-2)
    assert 0.0 < one.electrode_share < 1.0


def test_lost_share_is_that_of_contacts_past_their_breaking_opening():
    job = flake_job()
    result = simulate_box(job)
    assert 0.02 < result.lost_share < 0.2
    never = dataclasses.replace(job, law=dataclasses.replace(job.law, delta_b=1e9))
    assert simulate_box(never).lost_share == 0.0


def test_rest_is_found_among_other_strains_and_temperatures():
    states = tuple(
        State.at(e, t, Mounting("free"))
        for t in (273.15, 293.15)
        for e in (-1e-3, 0.0, 1e-3)
    )
    assert flake_job(states=states).rest == 4


def test_seeds_and_keys_follow_the_length_not_its_rank():
    job, longer = flake_job(), flake_job(box=Box((90e-6,) * 3, (False, True, True)))
    assert job.box_number != longer.box_number
    assert job.key != longer.key
    assert flake_job().box_number == job.box_number


def test_hard_particles_touch_only_with_what_is_left_of_their_thickness():
    job = flake_job()
    hard = dataclasses.replace(job, core=0.9)
    assert free_core(place_box(hard)) >= 0.9 > free_core(place_box(job))
    soft_result, result = simulate_box(job), simulate_box(hard)
    assert result.n_particles == soft_result.n_particles
    assert result.volume_fraction == soft_result.volume_fraction
    assert 0 < result.n_links < 0.9 * soft_result.n_links
    whole = dataclasses.replace(job, core=1.0)
    assert simulate_box(whole).n_links == 0
    thickness = 10e-6 / 15
    near = simulate_box(dataclasses.replace(whole, cutoff=0.02 * thickness))
    # two per cent of the thickness reach less far than the ten that may overlap above
    assert 0 < near.n_links < result.n_links


def test_clusters_add_contacts_and_leave_the_number_of_particles():
    job = flake_job()
    lumps = dataclasses.replace(job, clusters=Clusters(0.6, 30e-6, 0.5))
    even, lumpy = simulate_box(job), simulate_box(lumps)
    assert lumpy.n_particles == even.n_particles
    assert lumpy.n_links > 1.3 * even.n_links


def test_confining_faces_hold_every_particle_inside():
    job = flake_job(box=Box((80e-6, 80e-6, 50e-6), (False, True, False)))
    for walls, inside in (("free", False), ("confining", True)):
        placed = place_box(dataclasses.replace(job, walls=walls))
        # half height of a flake with a rounded edge
        tilted = np.sqrt(1.0 - placed.axes[:, 2] ** 2)
        reach = placed.core_sizes * tilted + placed.ball_radii
        held = (placed.centers[:, 2] >= reach) & (placed.centers[:, 2] <= 50e-6 - reach)
        assert held.all() == inside


def test_order_is_reported_as_it_came_out():
    filler = dataclasses.replace(
        flake_job().recipe.fillers[0][0], orientation=Orientation("aligned", order=0.6)
    )
    recipe = Recipe(((filler, 0.32),), flake_job().recipe.elastomer)
    job = dataclasses.replace(flake_job(), recipe=recipe)
    result, normals = simulate_box(job), place_box(job).axes
    by_hand = 1.5 * (normals[:, 2] ** 2).mean() - 0.5
    assert result.flake_order == pytest.approx(by_hand, rel=1e-12)
    assert by_hand == pytest.approx(0.6, abs=4 * 0.5 / np.sqrt(len(normals)))
    assert result.rod_order is None
    assert simulate_box(sphere_job(0, 6.0 * DIAMETER, 0.3)).flake_order is None


def test_probes_are_solved_besides_and_change_no_state():
    job = dataclasses.replace(
        sphere_job(3, 80e-6, 0.5), states=(State(), State.at(0.002, 293.15, Mounting()))
    )
    probes = (State.in_plane(0.0, 0.002), State.in_plane(0.002, -0.33 * 0.002))
    plain, probed = simulate_box(job), simulate_box(dataclasses.replace(job, probes=probes))
    found = probed.probe_conductances
    assert text(dataclasses.replace(probed, probe_conductances=None)) == text(plain)
    assert plain.probe_conductances is None
    # a probe at a state of the list conducts the same
    assert found[1] == pytest.approx(plain.conductances[1], rel=1e-6)
    assert found[0] != pytest.approx(found[1], rel=1e-4)
    # stored without probes it does not serve a plan that asks for them
    assert job.key != dataclasses.replace(job, probes=probes).key


# --- what one solve tells, and variations of the law

THERMAL = ThermalOpening(flake_job().recipe.thermal_expansion, 233.15, 0.3)


def known_job(**changes) -> BoxJob:
    """As `flake_job`, with what the slopes need."""
    given = {"mounting": Mounting("bonded"), "thermal": THERMAL} | changes
    return flake_job(**given)


def test_knowing_the_thermal_opening_changes_no_resistance():
    plain, known = simulate_box(flake_job()), simulate_box(known_job())
    np.testing.assert_allclose(known.conductances, plain.conductances, rtol=1e-9)
    assert plain.slopes is None
    assert known.lost_shares[0] == known.lost_share == plain.lost_share
    assert {len(values) for values in known.slopes.values()} == {3}
    # all conductances together
    total = np.add(known.slopes["g0"], known.slopes["electrode"])
    np.testing.assert_allclose(total, 1.0, rtol=1e-6)
    assert known.slopes["electrode"][0] == pytest.approx(known.electrode_share)


@pytest.mark.parametrize("bond", [None, Bond(2e-5, 300.0)])
def test_a_variation_is_the_box_with_another_law(bond):
    """Same particles and draws: the box simulated afresh with the other parameters."""
    own = dataclasses.replace(THERMAL, bond=bond)
    setting = Setting(40.0, 0.02, 0.7)
    states = tuple(
        State.at(e, t, Mounting("bonded"), own)
        for t in (273.15, 293.15)
        for e in (0.0, 0.001, 0.003)
    )
    varied = simulate_box(known_job(states=states, thermal=own, variations=(setting,)))
    job = known_job(states=states, thermal=own)
    assert text(dataclasses.replace(varied, variations=None)) == text(simulate_box(job))
    thermal = dataclasses.replace(own, share=setting.lambda_T)
    afresh = simulate_box(
        known_job(
            law=dataclasses.replace(job.law, beta=setting.beta, delta_b=setting.delta_b),
            states=tuple(
                State.at(s.strain, s.temperature, Mounting("bonded"), thermal)
                for s in states
            ),
            thermal=thermal,
        )
    )
    rows = varied_states(states, job.rest)
    assert [(states[i].strain, states[i].temperature) for i in rows] == [
        (0.0, 273.15), (0.0, 293.15), (0.003, 293.15),
    ]  # fmt: skip
    found = varied.variations
    np.testing.assert_allclose(
        found.conductances[0], [afresh.conductances[i] for i in rows], rtol=1e-6
    )
    assert found.lost_shares[0].tolist() == [afresh.lost_shares[i] for i in rows]
    assert found.settings.tolist() == [list(setting)]
    sample = found.sample
    assert len(sample.weights) == len(sample.opened[0]) <= CONTACT_SAMPLE
    assert found.visits.tolist() == list(rows)
    assert [states[i].strain for i in sample.visits] == [0.0, 0.001, 0.003]
    assert not sample.opened[0].any()
    assert (sample.lifted is not None) == (bond is not None)
    if bond is not None:  # against the rotation of every body by its own matrix
        links = find_links(place_box(job), 0.0)
        thicker = State(gradient=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0001)))
        opened = openings(links, thicker) / job.law.opening_length / 1e-4
        assert np.sum(opened) > 0.0
        rows = np.unique(np.linspace(0, len(links) - 1, CONTACT_SAMPLE).astype(int))
        np.testing.assert_allclose(sample.lifted, opened[rows], rtol=1e-4, atol=1e-6)


def test_varied_states_are_rest_and_the_ends_of_strain_and_temperature():
    states = tuple(
        State.at(e, t, Mounting("free"))
        for t in (253.15, 273.15, 293.15, 333.15)
        for e in (-1e-3, 0.0, 1e-3, 2e-3)
    )
    found = varied_states(states, flake_job(states=states).rest)
    assert [(states[i].strain, states[i].temperature) for i in found] == [
        (0.0, 253.15), (-1e-3, 293.15), (0.0, 293.15), (2e-3, 293.15), (0.0, 333.15),
    ]  # fmt: skip
    alone = (State.at(0.0, 293.15, Mounting("free")),)
    assert varied_states(alone, 0) == (0,)


def test_variations_need_the_law_they_vary():
    with pytest.raises(ValueError, match="variations need"):
        flake_job(variations=(Setting(1.0, 0.01, 0.3),))


def test_states_of_another_mounting_or_thermal_opening_are_refused():
    for changes in (
        {"thermal": dataclasses.replace(THERMAL, share=0.5)},
        {"mounting": Mounting("free")},
    ):
        with pytest.raises(ValueError, match="is not that of the job's mounting"):
            simulate_box(known_job(**changes))


def test_currents_are_those_of_the_solution_at_rest():
    job = known_job()
    found = simulate_box(job).currents
    sample = solve_sample(job, job.states[0])
    shares = sample.solution.power_shares
    assert found.largest_share == pytest.approx(shares.max(), rel=1e-4)
    assert found.noise_index == pytest.approx((shares**2).sum(), rel=1e-4)
    carrying = np.sort(shares[sample.solution.backbone.resistors])[::-1]
    hottest = carrying[: max(1, round(0.01 * len(carrying)))].sum()
    assert found.hottest_share == pytest.approx(hottest, rel=1e-3)
    assert found.power_sorted[0] == found.largest_share
    assert (np.diff(found.power_sorted) <= 0.0).all()
    # one path of all; its weakest contact conducts more than the path
    g = 1.0 / sample.solution.resistance
    assert 0.0 < found.critical_path_S < g
    assert found.critical_path_S < found.bottleneck_S <= job.law.electrode_conductance


def test_effective_medium_estimate_is_exact_for_a_row_of_lattice_bonds():
    """Equal conductances between the sites of a cubic lattice: G = g sites^2 / bonds."""
    n, edge, pitch = 5, 50e-6, 10e-6
    grid = np.stack(np.meshgrid(*[np.arange(n)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    box = Box((edge,) * 3, (False, True, True))
    # balls that just touch their six neighbours
    balls = Particles(
        np.full(n**3, SPHERE, np.int8),
        (grid + 0.5) * pitch,
        np.tile([1.0, 0.0, 0.0], (n**3, 1)),
        np.zeros(n**3),
        np.full(n**3, 0.5 * pitch * (1.0 + 1e-9)),
        box,
    )
    links = find_links(balls, 0.0)
    assert len(links) == (n - 1) * n**2 + 2 * n**3
    law = ContactOpeningLaw(CONTACT, 100.0, 0.01, 0.0, ELECTRODE, 10e-6)
    network = build_network(links, law, State())
    # n - 1 bonds in series over a length of n pitches, n^2 side by side
    expected = CONTACT * n**2 * (n - 1) / n**2
    assert effective_medium_estimate(links, network) == pytest.approx(expected, rel=1e-9)


def test_what_an_open_box_tells_is_zero_and_can_be_stored():
    job = known_job(variations=(Setting(50.0, 0.02, 0.5),))
    filler = job.recipe.fillers[0][0]
    empty = Recipe(((filler, 1e-7),), job.recipe.elastomer)
    sparse = Recipe(((filler, 0.05),), job.recipe.elastomer)
    for recipe in (empty, sparse):
        result = simulate_box(dataclasses.replace(job, recipe=recipe))
        assert text(read_result(job.key, decode_json(text(result)))) == text(result)
        assert result.conductances.tolist() == [0.0] * 3
        assert set(np.ravel(list(result.slopes.values()))) == {0.0}
        assert not any(np.ravel(v).any() for v in stored(result.currents).values())
        assert result.variations.conductances.tolist() == [[0.0, 0.0]]


def test_gap_laws_tell_their_currents_but_no_slopes():
    job = known_job(
        law=TunnellingLaw(1.6e-19, 1e-14, 1e-3),
        cutoff=2e-9,
        states=(State.at(0.0, 293.15, Mounting("bonded")),),
    )
    result = simulate_box(job)
    assert result.currents.hottest_share > 0.01
    assert result.slopes is None
