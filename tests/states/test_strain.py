import dataclasses

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm, logm
from scipy.spatial.transform import Rotation
from states.hand_links import equal_contacts, isotropic_contacts, random_links, unit

from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.strain import Mounting, State, body_rotations, move_affinely, openings
from percsim.states.temperature import Bond, ThermalOpening

SIZE = 10e-6  # scale of the bodies [m]


def state(F):
    return State(gradient=tuple(tuple(float(x) for x in row) for row in np.asarray(F)))


def one_body(kind, axis, ratio=np.inf):
    """A body of some extent over the smallest one, both of the swept body."""
    d = len(axis)
    box = Box((1.0,) * d, (False,) * d)
    core = 0.0 if kind == SPHERE else 1e-6 * (1.0 - 1.0 / ratio)
    return Particles([kind], [[0.5] * d], [axis], [core], [1e-6 / ratio], box)


def follows(kind, ratio):
    """Jeffery's (r^2 - 1)/(r^2 + 1), r along the axis over across it."""
    r = {FLAKE: 1.0 / ratio, ROD: ratio, SPHERE: 1.0}[kind]
    return 1.0 if np.isinf(r) else (r**2 - 1.0) / (r**2 + 1.0)


def angle_from_x(kind, degrees, F, azimuth=0.7):
    """Angle of the axis from x after the deformation, in degrees."""
    theta = np.radians(degrees)
    side = np.sin(theta) * np.array([np.cos(azimuth), np.sin(azimuth)])
    axis = np.array([np.cos(theta), *side])
    turned = body_rotations(one_body(kind, axis), F)[0] @ axis
    # in a stretch along x the axis stays in its plane through x
    assert np.arctan2(turned[2], turned[1]) == pytest.approx(azimuth, abs=1e-12)
    return np.degrees(np.arccos(turned[0]))


# --- how bodies turn


# Material-line rule for rods, inverse transpose for flake normals, worked by hand at 5 %:
# tan(after) = tan(before) a/(1 + e) and tan(before) (1 + e)/a, the limits of infinite and
# zero aspect ratio of Jeffery, Proc. R. Soc. Lond. A 102, 161 (1922).
@pytest.mark.parametrize(
    ("kind", "poisson", "before", "after"),
    [
        (ROD, 0.5, 30, 28.1962), (ROD, 0.5, 45, 42.8789), (ROD, 0.5, 60, 58.1282),
        (ROD, 0.35, 30, 28.3795), (ROD, 0.35, 45, 43.0979), (ROD, 0.35, 60, 58.3248),
        (FLAKE, 0.5, 30, 31.8718), (FLAKE, 0.5, 45, 47.1211), (FLAKE, 0.5, 60, 61.8038),
    ],
)  # fmt: skip
def test_rods_and_flakes_turn_as_worked_out(kind, poisson, before, after):
    a = 1.0 - poisson * 0.05
    assert angle_from_x(kind, before, np.diag([1.05, a, a])) == pytest.approx(
        after, abs=6e-5
    )


@pytest.mark.parametrize(("before", "after"), [(30, 28.2183), (45, 42.9053), (60, 58.1519)])
def test_rods_turn_in_an_incompressible_stretch(before, after):
    # tan(after) = 1.05^(-3/2) tan(before), worked by hand
    F = np.diag(Mounting("free", poisson_ratio=0.5).stretches(0.05))
    assert angle_from_x(ROD, before, F) == pytest.approx(after, abs=6e-5)


@pytest.mark.parametrize("dimension", [2, 3])
def test_bodies_turn_by_rotations(dimension):
    rng = np.random.default_rng(528837)
    kinds = (ROD, SPHERE) if dimension == 2 else (FLAKE, ROD, SPHERE)
    p = random_links(914402, dimension=dimension, kinds=kinds).particles
    for _ in range(5):
        F = np.eye(dimension) + 0.3 * rng.standard_normal((dimension, dimension))
        if np.linalg.det(F) <= 0.1:
            continue
        turns = body_rotations(p, F)
        assert np.allclose(turns @ turns.transpose(0, 2, 1), np.eye(dimension), atol=1e-12)
        assert np.allclose(np.linalg.det(turns), 1.0, atol=1e-12)
        thin = dataclasses.replace(
            p, ball_radii=np.where(p.kinds == SPHERE, p.ball_radii, 0.0)
        )
        axes = np.einsum("nij,nj->ni", body_rotations(thin, F), p.axes)
        rods, flakes = p.kinds == ROD, p.kinds == FLAKE
        assert np.allclose(axes[rods], unit(p.axes[rods] @ F.T), atol=1e-12)
        assert np.allclose(
            axes[flakes], unit(p.axes[flakes] @ np.linalg.inv(F)), atol=1e-12
        )


def test_bodies_in_simple_shear_go_round_as_jeffery_says():
    # small shears one after the other: tan(angle) = r tan(g/(r + 1/r)), the angle from the
    # gradient, r along the axis over across it; Jeffery, Proc. R. Soc. Lond. A 102, 161
    # (1922); r = 1 turns at half the rate of shear, as vorticity does
    steps, shear = 600, 1.5
    F = np.eye(3)
    F[0, 1] = shear / steps
    ratios = np.array([1.0, 1.5, 4.0, 15.0] * 2)
    bodies = Particles(
        np.repeat([FLAKE, ROD], 4), np.full((8, 3), 0.5), np.tile([0.0, 1.0, 0.0], (8, 1)),
        1.0 - 1.0 / ratios, 1.0 / ratios, Box((1.0,) * 3, (False,) * 3),
    )  # fmt: skip
    for _ in range(steps):
        axes = np.einsum("nij,nj->ni", body_rotations(bodies, F), bodies.axes)
        bodies = dataclasses.replace(bodies, axes=axes)
    r = np.where(bodies.kinds == FLAKE, 1.0 / ratios, ratios)
    expected = np.arctan(r * np.tan(shear / (r + 1.0 / r)))
    assert np.arctan2(axes[:, 0], axes[:, 1]) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("dimension", [2, 3])
def test_a_stretch_that_keeps_its_directions_adds_up_to_jefferys_rate(dimension):
    # dp/dt = lambda (E p - (p . E p) p) followed by an integrator, rigid turn on top
    rng = np.random.default_rng(66120)
    E = rng.standard_normal((dimension, dimension))
    E = 0.2 * (E + E.T)
    angle = 0.8
    Q = np.eye(dimension)
    Q[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    for kind in (ROD, FLAKE)[: dimension - 1]:
        for ratio in (1.0, 2.0, 15.0, np.inf):
            lever, axis = follows(kind, ratio), unit(rng.standard_normal(dimension))
            path = solve_ivp(
                lambda _, p, lever=lever: lever * (E @ p - (p @ E @ p) * p),
                (0.0, 1.0), axis, rtol=1e-9, atol=1e-12,
            )  # fmt: skip
            turned = body_rotations(one_body(kind, axis, ratio), Q @ expm(E))[0] @ axis
            np.testing.assert_allclose(turned, Q @ path.y[:, -1], atol=1e-8)


def test_flakes_and_rods_as_thick_as_wide_turn_as_spheres_do():
    F = np.array([[1.1, 0.3, 0.0], [-0.1, 0.9, 0.2], [0.05, 0.0, 1.05]])
    axis = unit(np.array([1.0, 2.0, -0.5]))
    balls = [body_rotations(one_body(k, axis, 1.0), F) for k in (SPHERE, FLAKE, ROD)]
    np.testing.assert_allclose(balls[1:], [balls[0]] * 2, atol=1e-15)
    # a point has no shape to follow with
    point = dataclasses.replace(one_body(ROD, axis), core_sizes=[0.0])
    np.testing.assert_allclose(body_rotations(point, F), balls[0], atol=1e-15)


def test_spheres_keep_still_in_a_stretch_and_turn_in_a_shear():
    sphere = one_body(SPHERE, [1.0, 0.0, 0.0])
    assert np.allclose(
        body_rotations(sphere, np.diag([1.3, 0.9, 0.8])), np.eye(3), atol=1e-15
    )
    # polar rotation of a simple shear g: tan(angle) = g/2, textbook result
    turn = body_rotations(
        sphere, np.array([[1.0, 0.4, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    )
    assert np.arctan2(turn[0, 0, 1], turn[0, 0, 0]) == pytest.approx(
        np.arctan(0.2), abs=1e-14
    )


# --- openings


@pytest.mark.parametrize("degrees", [1e-3, 17.0, 90.0, 179.9])
@pytest.mark.parametrize("dimension", [2, 3])
def test_turning_the_whole_film_opens_nothing(degrees, dimension):
    kinds = (ROD, SPHERE) if dimension == 2 else (FLAKE, ROD, SPHERE)
    links = random_links(338106, dimension=dimension, kinds=kinds)
    rng = np.random.default_rng(730219)
    for _ in range(4):
        axis = unit(rng.standard_normal(3)) if dimension == 3 else np.array([0.0, 0.0, 1.0])
        Q = Rotation.from_rotvec(np.radians(degrees) * axis).as_matrix()
        opened = openings(links, state(Q[:dimension, :dimension]))
        # arms are up to 70 um long through the images; rounding is 1e-16 of that
        assert np.abs(opened).max() < 1e-14 * SIZE


def slow_openings(links, F):
    """Follow the two material points that meet at the contact, one pair at a time."""
    p = links.particles
    out = []
    u, _, vt = np.linalg.svd(F)
    R = u @ vt
    stretch = logm(R.T @ F)
    for k, (i, j) in enumerate(links.pairs):
        where = []
        for body, shift in ((i, 0), (j, links.images[k] * np.asarray(p.box.size))):
            center = p.centers[body] + shift
            arm = links.points[k] - center
            ratio = 1.0 + p.core_sizes[body] / p.ball_radii[body]
            carried = R @ expm(follows(p.kinds[body], ratio) * stretch)
            before, after = R @ p.axes[body], carried @ p.axes[body]
            about = np.cross(before, after)
            turn = np.arctan2(np.linalg.norm(about), before @ after)
            size = np.linalg.norm(about)
            vector = about / size * turn if size > 0.0 else np.zeros(3)
            where.append(F @ center + Rotation.from_rotvec(vector).apply(R @ arm))
        out.append(links.normals[k] @ (where[1] - where[0]))
    return np.array(out)


@pytest.mark.parametrize(
    "F",
    [
        np.diag([1.003, 0.999, 0.998]), np.diag([0.7, 1.2, 1.1]), 1.01 * np.eye(3),
        np.array([[1.1, 0.3, 0.0], [-0.1, 0.9, 0.2], [0.05, 0.0, 1.05]]), np.eye(3),
    ],
)  # fmt: skip
def test_openings_follow_the_two_material_points(F):
    links = random_links(667120, n=15)
    expected = slow_openings(links, F)
    assert np.allclose(openings(links, state(F)), expected, rtol=0, atol=1e-13 * SIZE)
    if not np.allclose(F, np.eye(3)):
        assert np.abs(expected).max() > 1e-3 * SIZE  # a test that sees something


def test_small_strain_limit_is_the_linear_law():
    # u . [(F - I)(c_j - c_i) + w_j x a_j - w_i x a_i], w to first order in the strain:
    # lambda n x (e n) (Jeffery's rate)
    links, e = random_links(120943, n=12), 1e-6 * np.diag([1.0, -0.4, -0.6])
    p = links.particles
    ratios = 1.0 + p.core_sizes / p.ball_radii
    lever = np.array(list(map(follows, p.kinds, ratios)))[:, None]
    w = lever * np.cross(p.axes, p.axes @ e)
    arms_i, arms_j = links.arms
    i, j = links.pairs.T
    linear = (arms_i - arms_j) @ e + np.cross(w[j], arms_j) - np.cross(w[i], arms_i)
    opened = openings(links, state(np.eye(3) + e))
    assert np.allclose(
        opened, (linear * links.normals).sum(axis=1), atol=2e-5 * 1e-6 * SIZE
    )


def test_spheres_open_by_their_centres_alone():
    # two spheres d apart along the current: e d, whatever the transverse stretch
    links = equal_contacts(n=3, distance=8e-6)
    for mounting in (Mounting("free"), Mounting("bonded"), Mounting("biaxial")):
        opened = openings(links, State.at(0.004, 293.15, mounting))
        assert np.allclose(opened, 0.004 * 8e-6, rtol=1e-12)


def test_openings_are_even_in_naming():
    # the same contact seen from the other body: normal turned round, arms exchanged
    links = random_links(450071, n=8)
    F = np.diag([1.01, 0.995, 0.996])
    shift = links.images * np.asarray(links.particles.box.size)
    other = type(links)(
        links.particles, 0.0, links.pairs[:, ::-1].copy(), links.gaps, -links.normals,
        -links.images, links.points - shift, links.source_contacts, links.sink_contacts,
    )  # fmt: skip
    assert np.allclose(
        openings(other, state(F)), openings(links, state(F)), atol=1e-14 * SIZE
    )


def test_no_links_open_nothing():
    links = random_links(1209, n=1)
    assert len(links) == 0
    assert openings(links, state(np.diag([1.1, 1.0, 1.0]))).shape == (0,)


def test_isotropic_contacts_open_by_a_third_of_the_volume_strain():
    # mean of u.(F - I)u over directions is the mean of the three strains: tr(F - I)/3;
    # standard error from the sample, band 4 (1 in 16,000)
    links = isotropic_contacts(806151, kind=SPHERE)
    F = np.diag([1.02, 1.0, 0.999])
    opened = openings(links, state(F)) / 10e-6
    error = opened.std() / np.sqrt(len(opened))
    assert abs(opened.mean() - (0.02 - 0.001) / 3) < 4 * error


# --- mountings and states


@pytest.mark.parametrize("strain", [-0.05, -0.001, 0.0, 0.003, 0.2])
def test_volume_is_kept_where_it_should_be(strain):
    for mounting in (
        Mounting("free", poisson_ratio=0.5), Mounting("bonded", part_poisson_ratio=0.3),
        Mounting("biaxial"),
    ):  # fmt: skip
        assert np.prod(mounting.stretches(strain)) == pytest.approx(1.0, abs=1e-14)
        assert mounting.stretches(strain)[0] == 1.0 + strain
    free = Mounting("free", poisson_ratio=0.3).stretches(strain)
    assert np.prod(free) == pytest.approx((1 + strain) ** 0.4, rel=1e-14)


def test_transverse_strains():
    e = 1e-3
    assert Mounting("bonded", part_poisson_ratio=0.28).stretches(e)[1] == 1.0 - 0.28 * e
    assert Mounting("biaxial").stretches(e)[1] == 1.0 + e
    across, through = Mounting("free", poisson_ratio=0.45).stretches(e)[1:]
    assert across == through == pytest.approx(1 - 0.45 * e, abs=e**2)
    # bonded to metal, an incompressible film thins by (1 - nu) e
    through = Mounting("bonded", part_poisson_ratio=0.33).stretches(e)[2]
    assert through == pytest.approx(1 - 0.67 * e, abs=e**2)
    assert len(Mounting().stretches(e, dimension=2)) == 2


@pytest.mark.parametrize("name", ["poisson_ratio", "part_poisson_ratio"])
@pytest.mark.parametrize("value", [-0.1, 0.51, float("nan")])
def test_poisson_ratios_are_checked(name, value):
    with pytest.raises(ValueError, match=f"^{name} must be 0 to 0.5"):
        Mounting(**{name: value})


def test_bad_modes_and_strains():
    with pytest.raises(ValueError, match="'free', 'bonded' or 'biaxial', got 'glued'"):
        Mounting("glued")
    for strain in (-1.0, -2.0):
        with pytest.raises(ValueError, match="strain must be finite and above -1"):
            Mounting("free").stretches(strain)


@pytest.mark.parametrize("dimension", [2, 3])
def test_states_compose_swelling_and_strain(dimension):
    thermal = ThermalOpening(expansion=3e-4, closed_at=233.15, share=0.3)
    mounting = Mounting("bonded", part_poisson_ratio=0.3)
    s = State.at(0.002, 293.15, mounting, thermal, dimension)
    swell = 1 + 0.3 * 3e-4 * 60
    expected = np.diag(mounting.stretches(0.002, dimension)) * swell
    assert np.allclose(s.matrix(), expected, rtol=1e-15)
    assert (s.strain, s.temperature) == (0.002, 293.15)
    for closed in (State.at(0.0, 233.15, mounting, thermal, dimension),
                   State.at(0.0, 300.0, mounting, None, dimension)):  # fmt: skip
        np.testing.assert_array_equal(closed.matrix(), np.eye(dimension))
    assert State.at(-0.01, 293.15, mounting, thermal, dimension).matrix()[0, 0] < 1.0


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_bonded_film_thickens_along_the_last_axis_wherever_the_current_runs(axis):
    thermal = ThermalOpening(3e-4, 233.15, 0.3, Bond(2e-5, 293.15, 0.4))
    plane, through = thermal.strains(330.0)
    assert through > 1.5 * plane > 0.0
    s = State.at(0.0, 330.0, Mounting(), thermal, axis=axis)
    expected = np.diag([1.0 + plane, 1.0 + plane, 1.0 + through])
    assert np.allclose(s.matrix(), expected, rtol=1e-15)
    # in two dimensions there is only the plane
    flat = State.at(0.0, 330.0, Mounting(), thermal, dimension=2).matrix()
    assert np.allclose(flat, (1.0 + plane) * np.eye(2), rtol=1e-15)
    strained = State.in_plane(1e-3, -2e-3, 330.0, thermal).matrix()
    kept = 1.0 / (1.001 * 0.998)
    assert np.allclose(strained, expected * np.diag([1.001, 0.998, kept]), rtol=1e-12)


def test_default_state_opens_nothing():
    assert (openings(random_links(55081, n=6), State()) == 0.0).all()


# --- moving the bodies


def test_move_affinely():
    p = random_links(207745).particles
    F = np.diag([1.02, 0.99, 0.98])
    moved = move_affinely(p, state(F))
    assert moved.box.size == pytest.approx(np.asarray(p.box.size) * [1.02, 0.99, 0.98])
    assert (moved.box.periodic, moved.box.axis) == (p.box.periodic, p.box.axis)
    # places in units of the box are kept, and so are the rigid bodies
    assert np.allclose(moved.centers / moved.box.size, p.centers / p.box.size, rtol=1e-14)
    assert (moved.core_sizes == p.core_sizes).all()
    assert (moved.ball_radii == p.ball_radii).all()
    assert (moved.kinds == p.kinds).all()
    turned = np.einsum("nij,nj->ni", body_rotations(p, F), p.axes)
    assert np.allclose(moved.axes, turned, atol=1e-14)
    same = move_affinely(p, State())
    assert np.allclose(same.axes, p.axes, atol=1e-15)
    with pytest.raises(ValueError, match="along the box edges"):
        move_affinely(p, state(np.eye(3) + 0.01))


def test_states_that_make_no_sense_are_refused():
    with pytest.raises(ValueError, match="no width left"):
        Mounting("bonded", part_poisson_ratio=0.5).stretches(4.0)
    with pytest.raises(ValueError, match="finite and above -1"):
        Mounting("free").stretches(float("nan"))
    with pytest.raises(ValueError, match="above 0 K"):
        State(temperature=0.0)
    with pytest.raises(ValueError, match="gradient must be finite"):
        State(gradient=((1.0, 0.0), (0.0, float("nan"))))
    with pytest.raises(ValueError, match="positive volume"):
        State(gradient=((1.0, 0.0), (0.0, -1.0)))


def test_the_strain_follows_the_axis_of_the_current():
    along_y = State.at(0.01, 293.15, Mounting("bonded"), axis=1)
    along_x = State.at(0.01, 293.15, Mounting("bonded"))
    assert (
        along_y.matrix()[1, 1] == along_x.matrix()[0, 0] == pytest.approx(1.01, rel=1e-12)
    )
    assert along_y.matrix()[0, 0] == along_x.matrix()[1, 1]
    assert along_y.matrix()[2, 2] == along_x.matrix()[2, 2]


def test_in_plane_states_are_the_bonded_ones_at_their_strains():
    thermal = ThermalOpening(expansion=3e-4, closed_at=233.15, share=0.3)
    e, nu = 0.002, 0.3
    bonded = State.at(e, 293.15, Mounting("bonded", part_poisson_ratio=nu), thermal)
    assert np.allclose(
        State.in_plane(e, -nu * e, 293.15, thermal).matrix(), bonded.matrix(), rtol=1e-15
    )
    biaxial = State.at(e, 293.15, Mounting("biaxial"), thermal)
    assert np.allclose(
        State.in_plane(e, e, 293.15, thermal).matrix(), biaxial.matrix(), rtol=1e-15
    )
    turned = State.in_plane(e, 0.0, axis=1)
    assert np.allclose(np.diag(turned.matrix()), [1.0, 1.0 + e, 1.0 / (1.0 + e)])
    assert State.in_plane(0.0, e).strain == 0.0
    flat = State.in_plane(e, -e / 2, dimension=2)
    assert np.allclose(flat.matrix(), np.diag([1.0 + e, 1.0 - e / 2]))
    for along, across in ((-1.0, 0.0), (0.0, -2.0), (float("nan"), 0.0)):
        with pytest.raises(ValueError, match="must be finite and above -1"):
            State.in_plane(along, across)


def test_strain_across_opens_isotropic_contacts_by_nothing_on_the_whole():
    # trace of the strain over three (exact), constant volume: 0 to first order; so is what
    # strain across adds along any direction that thickness and width share alike
    links = isotropic_contacts(271828, kind=SPHERE)
    opened = openings(links, State.in_plane(0.0, 1e-4)) / 10e-6
    assert abs(opened.mean()) < 4 * opened.std() / np.sqrt(len(opened)) + 1e-7
    assert opened.std() > 2e-5
