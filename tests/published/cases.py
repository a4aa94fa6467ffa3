"""How each published or exact value is computed with percsim.

`CASES` maps the id of a value in `values.toml` to a function of the effort (1 in the fast
tests, more when precision matters) that returns an `Estimate` of it. Lengths are in units
of the formula quoted.
"""

import math
import zlib

import numpy as np
from published import lattices
from reference import known_cases
from scipy.special import gammainc

from percsim.boxes.growth import (
    WRAPPING_PROBABILITY,
    excluded_volume,
    plan_growth,
    wrap_numbers,
)
from percsim.boxes.sources import Component, Mixture, isotropic_axes
from percsim.boxes.statistics import (
    Estimate,
    effective_medium_mean,
    weighted_quantiles,
)
from percsim.boxes.threshold import threshold
from percsim.links.search import critical_gap, find_links
from percsim.materials.filler import Orientation
from percsim.network.build import Network
from percsim.network.solve import solve_network
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.particles.hard_core import add_sequentially

CASES = {}


def case(*ids):
    """Register a function; with several ids it returns one estimate for each."""

    def register(function):
        for k, name in enumerate(ids):
            pick = None if len(ids) == 1 else k
            CASES[name] = (function, pick)
        return function

    return register


_kept = {}


def compute(name, effort=1):
    """Estimate of one value; functions that give several are run once."""
    function, pick = CASES[name]
    key = (function.__name__, effort)
    if key not in _kept:
        seed = zlib.crc32(function.__name__.encode())  # fixed, another one for each
        _kept[key] = function(effort, np.random.default_rng([20911, seed, effort]))
    return _kept[key] if pick is None else _kept[key][pick]


# ------------------------------------------------------------------ thresholds, continuum
@case("2d.disc.eta", "2d.disc.phi", "2d.disc.B")
def discs(effort, rng):
    t = threshold(SPHERE, 0.0, 1.0, dimension=2, boxes=400 * effort, box_size=60.0, rng=rng)
    return t.eta, t.covered_fraction, t.eta.scaled(4.0)


@case("2d.stick.iso", "2d.stick.B")
def sticks(effort, rng):
    t = threshold(ROD, 0.5, 0.0, dimension=2, boxes=400 * effort, box_size=16.0, rng=rng)
    return t.number_density, t.number_density.scaled(2.0 / math.pi)


@case("2d.stick.hv")
def sticks_along_two_axes(effort, rng):
    def draw(n, rng):
        return np.eye(2)[rng.integers(0, 2, n)]

    t = threshold(ROD, 0.5, 0.0, dimension=2, orientation=draw, boxes=200 * effort, rng=rng)
    return t.number_density


@case("2d.rect.1000")
def narrow_sticks(effort, rng):
    t = threshold(ROD, 0.5, 0.0005, dimension=2, boxes=400 * effort, box_size=16.0, rng=rng)
    return t.number_density.scaled(1e-3)


@case("3d.sphere.eta", "3d.sphere.phi", "3d.sphere.n", "3d.sphere.B")
def spheres(effort, rng):
    t = threshold(SPHERE, 0.0, 0.5, boxes=300 * effort, box_size=12.0, rng=rng)
    return t.eta, t.covered_fraction, t.number_density, t.eta.scaled(8.0)


@case("3d.disc.eta")
def thin_discs(effort, rng):
    t = threshold(FLAKE, 1.0, 0.0, boxes=300 * effort, box_size=20.0, rng=rng)
    return t.number_density.scaled(4.0 * math.pi / 3.0)


def spherocylinders(ratio, effort, rng):
    return threshold(ROD, ratio, 1.0, boxes=300 * effort, rng=rng).eta


@case("3d.spherocyl.1")
def spherocylinders_1(effort, rng):
    return spherocylinders(1.0, effort, rng)


@case("3d.spherocyl.4")
def spherocylinders_4(effort, rng):
    return spherocylinders(4.0, effort, rng)


@case("3d.spherocyl.10")
def spherocylinders_10(effort, rng):
    return spherocylinders(10.0, effort, rng)


@case("3d.flake.15")
def flakes(effort, rng):
    return threshold(FLAKE, 14.0, 1.0, boxes=300 * effort, rng=rng).eta


@case("3d.cyl.aligned")
def aligned_flakes(effort, rng):
    flat = Orientation("aligned")
    t = threshold(FLAKE, 1.0, 0.005, orientation=flat, boxes=60 * effort, rng=rng)
    return t.covered_fraction


@case("mix.rods")
def rods_of_two_lengths(effort, rng):
    # <L^2>/<L> = 20 from lengths of 10 and 40 diameters: eight of nine are short
    long = Component(ROD, 40.0, 1.0, share=1 / 9)
    mixed = threshold(
        ROD, 10.0, 1.0, share=8 / 9, mixed_with=(long,), boxes=200 * effort, rng=rng
    )
    return over(mixed.eta, threshold(ROD, 20.0, 1.0, boxes=200 * effort, rng=rng).eta)


@case("mix.flakes.laid")
def flakes_laid_down(effort, rng):
    laid = Orientation("in-plane", tilt=math.radians(25.0))
    contacts = []
    for lie in (laid, "isotropic"):
        source = Mixture((Component(FLAKE, 14.0, 1.0, orientation=lie),), 3)
        volume, _ = excluded_volume(source, rng, 400_000 * effort)
        found = threshold(FLAKE, 14.0, 1.0, orientation=lie, boxes=200 * effort, rng=rng)
        contacts.append(found.number_density.scaled(volume.value))
    return over(*contacts)


def over(a, b):
    """Ratio of two independent estimates."""
    error = math.hypot(a.standard_error / a.value, b.standard_error / b.value)
    return Estimate(a.value / b.value, error * a.value / b.value, min(a.n, b.n))


@case("fss.width.2d")
def width_of_discs(effort, rng):
    return width_exponent(SPHERE, 2, (48.0, 192.0), 200 * effort, rng)


@case("fss.width.3d")
def width_of_spheres(effort, rng):
    return width_exponent(SPHERE, 3, (14.0, 40.0), 400 * effort, rng)


def width_exponent(kind, dimension, edges, boxes, rng):
    """Slope of ln(transition width) against ln(box edge)."""
    widths = [
        threshold(
            kind, 0.0, 1.0, dimension=dimension, boxes=boxes, box_size=edge, rng=rng
        ).transition_width
        for edge in edges
    ]
    span = math.log(edges[1] / edges[0])
    slope = math.log(widths[1].value / widths[0].value) / span
    error = math.hypot(*(w.relative_error for w in widths)) / span
    return Estimate(slope, error, widths[0].n)


# ------------------------------------------------------------------ wrapping and crossing
@case("wrap2d.h", "wrap2d.e", "wrap2d.b", "wrap2d.1")
def wrapping_of_square_bonds(effort, rng):
    numbers, m = lattices.bond_numbers(lattices.SQUARE, (96, 96), 600 * effort, rng)
    each = lattices.share_at(0.5, numbers, m)
    either, both = each.max(axis=1), each.min(axis=1)  # of the lower and the higher number

    def mean(x):
        return Estimate(x.mean(), x.std(ddof=1) / math.sqrt(len(x)), len(x))

    return mean(each.mean(axis=1)), mean(either), mean(both), mean(0.5 * (either - both))


@case("wrap3d.x")
def wrapping_of_cubic_bonds(effort, rng):
    # At the published bond threshold of the simple cubic lattice, 0.24881182.
    numbers, m = lattices.bond_numbers(lattices.CUBIC, (32, 32, 32), 300 * effort, rng)
    return lattices.share_estimate(0.24881182, numbers, m)


@case("wrap2d.discs")
def wrapping_of_discs(effort, rng):
    plan = plan_growth(Mixture([Component(SPHERE, 0.0, 1.0)], 2), rng=rng, box_size=60.0)
    numbers = wrap_numbers(plan, range(500 * effort))
    mean = 1.12808737 / math.pi * plan.volume
    shares = gammainc(numbers, mean).mean(axis=1)
    return Estimate(shares.mean(), shares.std(ddof=1) / math.sqrt(len(shares)), len(shares))


@case("cross2d.selfdual")
def crossing_of_the_self_dual_lattice(effort, rng):
    # k rows of k bonds between the sides: exactly 1/2 at p = 1/2 for every k.
    numbers, m = lattices.crossing_numbers(17, 17, 3000 * effort, rng)
    return lattices.share_estimate(0.5, numbers, m)


def crossing(gap, width, effort, rng):
    """Crossing of a rectangle: gap + 1 bonds between the sides, as duality asks."""
    numbers, m = lattices.crossing_numbers(gap, width, 1000 * effort, rng)
    return lattices.share_estimate(0.5, numbers, m)


@case("cross2d.cardy.1/2")
def crossing_of_a_wide_gap(effort, rng):
    return crossing(48, 96, effort, rng)


@case("cross2d.cardy.2")
def crossing_of_a_long_gap(effort, rng):
    return crossing(96, 48, effort, rng)


@case("cross2d.cardy.3/4")
def crossing_of_three_to_four(effort, rng):
    return crossing(60, 80, effort, rng)


@case("cross2d.cardy.4/3")
def crossing_of_four_to_three(effort, rng):
    return crossing(80, 60, effort, rng)


# ------------------------------------------------------------------ thresholds, lattices
def lattice_threshold(numbers_of, lattice, shape, samples, rng):
    numbers, total = numbers_of(lattice, shape, samples, rng)
    return lattices.occupation_at(WRAPPING_PROBABILITY[len(shape)], numbers, total)


@case("lattice.sq.bond")
def square_bonds(effort, rng):
    bonds = lattices.bond_numbers
    return lattice_threshold(bonds, lattices.SQUARE, (96, 96), 300 * effort, rng)


@case("lattice.sq.site")
def square_sites(effort, rng):
    sites = lattices.site_numbers
    return lattice_threshold(sites, lattices.SQUARE, (96, 96), 300 * effort, rng)


# 104 half steps by 60 rows of height sqrt(3)/2 make a square but for 0.07 %.
@case("lattice.tri.site")
def triangular_sites(effort, rng):
    sites = lattices.site_numbers
    return lattice_threshold(sites, lattices.TRIANGULAR, (208, 120), 200 * effort, rng)


@case("lattice.tri.bond")
def triangular_bonds(effort, rng):
    bonds = lattices.bond_numbers
    return lattice_threshold(bonds, lattices.TRIANGULAR, (208, 120), 200 * effort, rng)


@case("lattice.hex.bond")
def honeycomb_bonds(effort, rng):
    bonds = lattices.bond_numbers
    return lattice_threshold(bonds, lattices.HONEYCOMB, (104, 60), 300 * effort, rng)


@case("lattice.sc.site")
def cubic_sites(effort, rng):
    sites = lattices.site_numbers
    return lattice_threshold(sites, lattices.CUBIC, (32, 32, 32), 200 * effort, rng)


@case("lattice.sc.bond")
def cubic_bonds(effort, rng):
    bonds = lattices.bond_numbers
    return lattice_threshold(bonds, lattices.CUBIC, (32, 32, 32), 200 * effort, rng)


@case("lattice.fcc.bond")
def fcc_bonds(effort, rng):
    bonds = lattices.bond_numbers
    return lattice_threshold(bonds, lattices.FCC, (32, 32, 32), 150 * effort, rng)


@case("lattice.bcc.bond")
def bcc_bonds(effort, rng):
    bonds = lattices.bond_numbers
    return lattice_threshold(bonds, lattices.BCC, (40, 40, 40), 150 * effort, rng)


# ------------------------------------------------------------------ excluded volumes
def excluded(first, second, dimension, effort, rng):
    other = None if second is None else Mixture([second], dimension)
    volume, _ = excluded_volume(
        Mixture([first], dimension), rng, pairs=400_000 * effort, other=other
    )
    return volume


def pair_case(name, first, second=None, dimension=3):
    def function(effort, rng):
        return excluded(first, second, dimension, effort, rng)

    function.__name__ = f"excluded {name}"
    case(name)(function)


def pointing(*axis):
    """Orientation of particles that all point one way."""
    return lambda n, rng: np.tile(axis, (n, 1))


pair_case("vex.sphere", Component(SPHERE, 0.0, 1.0), Component(SPHERE, 0.0, 0.5))
pair_case("vex.disc2d", Component(SPHERE, 0.0, 1.0), Component(SPHERE, 0.0, 0.5), 2)
pair_case("vex.stick2d", Component(ROD, 0.5, 0.0), Component(ROD, 1.0, 0.0), 2)
pair_case(
    "vex.stick2d.angle",
    Component(ROD, 0.5, 0.0, orientation=pointing(1.0, 0.0)),
    Component(ROD, 0.5, 0.0, orientation=pointing(0.5, math.sqrt(0.75))),
    2,
)
pair_case("vex.conv2d", Component(ROD, 0.5, 0.1), Component(SPHERE, 0.0, 0.3), 2)
pair_case("vex.disc", Component(FLAKE, 1.0, 0.0))
pair_case("vex.disc.unequal", Component(FLAKE, 1.0, 0.0), Component(FLAKE, 0.4, 0.0))
pair_case(
    "vex.disc.angle",
    Component(FLAKE, 1.0, 0.0, orientation=pointing(0.0, 0.0, 1.0)),
    Component(FLAKE, 1.0, 0.0, orientation=pointing(0.5, 0.0, math.sqrt(0.75))),
)
pair_case("vex.spherocyl", Component(ROD, 2.5, 0.5))
pair_case("vex.aligned", Component(FLAKE, 1.0, 0.1, orientation=pointing(0.6, 0.0, 0.8)))
pair_case("vex.flakes", Component(FLAKE, 1.0, 0.07), Component(FLAKE, 0.5, 0.05))
pair_case("vex.flake.rod", Component(FLAKE, 1.0, 0.07), Component(ROD, 1.5, 0.1))
pair_case("vex.flake.sphere", Component(FLAKE, 1.0, 0.07), Component(SPHERE, 0.0, 0.4))
pair_case("vex.rod.sphere", Component(ROD, 1.5, 0.1), Component(SPHERE, 0.0, 0.4))


# ------------------------------------------------------------------ effective media
@case("net.emt.p")
def dilution_line(effort, rng):
    return Estimate(effective_medium_mean([1.0, 0.0], 3, [0.6, 0.4]), 0.0, 1)


@case("net.dykhne")
def two_phases_in_a_sheet(effort, rng):
    return Estimate(effective_medium_mean([1.0, 1e-4], 2), 0.0, 1)


# ------------------------------------------------------------------ resistor networks
def between(n, bonds, a, b, conductances=None):
    """Resistance between nodes a and b, ohm."""
    g = np.ones(len(bonds)) if conductances is None else conductances
    return solve_network(Network(n, bonds, g, a, b)).resistance


def exactly(value):
    return Estimate(value, 0.0, 1)


def infinite_lattice(lattice, shapes, start, end):
    """Resistance between two points, from two tori: the error goes as 1/sites."""
    results = []
    for shape in shapes:
        n, bonds, _ = lattices.torus(lattice, shape)
        number = lattices.site_of(lattice, shape)
        results.append((n, between(n, bonds, number[start], number[end])))
    (n1, r1), (n2, r2) = results
    return exactly((n2 * r2 - n1 * r1) / (n2 - n1))


def lattice_case(name, lattice, shapes, start, end):
    def function(effort, rng):
        return infinite_lattice(lattice, shapes, start, end)

    function.__name__ = f"resistance {name}"
    case(name)(function)


for _i, _j in ((1, 0), (1, 1), (2, 0), (2, 1), (2, 2), (3, 0), (3, 3)):
    lattice_case(
        f"net.sq.{_i}{_j}", lattices.SQUARE, ((28, 28), (44, 44)), (0, 0), (_i, _j)
    )
for _i, _j, _k in ((1, 0, 0), (1, 1, 0), (1, 1, 1), (2, 0, 0)):
    lattice_case(
        f"net.sc.{_i}{_j}{_k}",
        lattices.CUBIC,
        ((9, 9, 9), (12, 12, 12)),
        (0, 0, 0),
        (_i, _j, _k),
    )
lattice_case("net.tri.1", lattices.TRIANGULAR, ((20, 10), (40, 20)), (0, 0), (2, 0))
lattice_case("net.hex.1", lattices.HONEYCOMB, ((12, 12), (24, 24)), (0, 0), (1, 0))


def known_case(name, known):
    def function(effort, rng):
        return exactly(solve_network(known.network).resistance)

    function.__name__ = f"known {name}"
    case(name)(function)


known_case("net.cube.edge", known_cases.cube(1))
known_case("net.cube.face", known_cases.cube(2))
known_case("net.cube.body", known_cases.cube(3))
known_case("net.tetra", known_cases.tetrahedron())
known_case("net.octa.adjacent", known_cases.octahedron())
known_case("net.octa.opposite", known_cases.octahedron(opposite=True))
known_case("net.qn.anti", known_cases.hypercube(4, antipodal=True))
known_case("net.qn.adj", known_cases.hypercube(4, antipodal=False))
known_case("net.kn", known_cases.complete(10))
known_case("net.cycle", known_cases.cycle(7, 2))
known_case("net.busbar", known_cases.grid((7, 5)))


@case("net.ladder.gold")
def ladder_with_series_resistors_on_one_side(effort, rng):
    top = np.arange(31)
    rail = np.column_stack([top[:-1], top[1:]])
    rungs = np.column_stack([top[1:], np.full(30, 31)])
    return exactly(between(32, np.concatenate([rail, rungs]), 0, 31))


@case("net.ladder.3")
def ladder_with_series_resistors_on_both_sides(effort, rng):
    top, bottom = np.arange(31), np.arange(31, 62)
    bonds = [np.column_stack([side[:-1], side[1:]]) for side in (top, bottom)]
    bonds.append(np.column_stack([top[1:], bottom[1:]]))
    return exactly(between(62, np.concatenate(bonds), 0, 31))


@case("net.foster")
def sum_rule_of_a_wide_network(effort, rng):
    # Forty nodes, conductances over eight decades; the tree keeps it connected.
    tree = np.column_stack([np.arange(1, 40), [rng.integers(0, i) for i in range(1, 40)]])
    more = np.asarray([rng.choice(40, 2, replace=False) for _ in range(60)])
    bonds = np.concatenate([tree, more])
    g = 10.0 ** rng.uniform(-4.0, 4.0, len(bonds))
    total = sum(k * between(40, bonds, i, j, g) for (i, j), k in zip(bonds, g, strict=True))
    return exactly(total)


@case("net.selfdual")
def self_dual_bus_bar_lattice(effort, rng):
    k = 5
    logs = []
    for _ in range(3000 * effort):
        g = np.where(rng.random(k * k + (k - 1) ** 2) < 0.5, 1.0, 100.0)
        logs.append(-math.log(solve_network(known_cases.bus_bar_lattice(k, g)).resistance))
    x = np.asarray(logs)
    return Estimate(x.mean(), x.std(ddof=1) / math.sqrt(len(x)), len(x))


# ------------------------------------------------------------------ links of Poisson bodies
def penetrable(groups, edge, rng, dimension=3):
    """Isotropic bodies in a periodic box; groups of (kind, core, ball, number)."""
    kinds = np.concatenate([np.full(n, kind) for kind, _, _, n in groups])
    core = np.concatenate([np.full(n, c) for _, c, _, n in groups])
    ball = np.concatenate([np.full(n, b) for _, _, b, n in groups])
    axes = isotropic_axes(len(kinds), dimension, rng)
    box = Box((edge,) * dimension, (True,) * dimension)
    centers = rng.random((len(kinds), dimension)) * edge
    return Particles(kinds, centers, axes, core, ball, box)


def over_boxes(rows):
    """Estimates of the columns of one row a box."""
    x = np.asarray(rows)
    errors = x.std(axis=0, ddof=1) / math.sqrt(len(x))
    return [Estimate(m, e, len(x)) for m, e in zip(x.mean(axis=0), errors, strict=True)]


@case("stat.degree", "stat.variance", "stat.isolated")
def degrees_of_flakes(effort, rng):
    # Flakes (1, 0.07) exclude 14.197718 from each other; the edge makes 2 contacts each.
    n, excluded_by = 3000, 14.197718187565266
    edge = ((n - 1) * excluded_by / 2.0) ** (1.0 / 3.0)
    rows = []
    for _ in range(24 * effort):
        links = find_links(penetrable([(FLAKE, 1.0, 0.07, n)], edge, rng), 0.0)
        degree = np.bincount(links.pairs.ravel(), minlength=n)
        rows.append([degree.mean(), degree.var(), (degree == 0).mean()])
    return over_boxes(rows)


@case("stat.mixed")
def contacts_of_rods_with_flakes(effort, rng):
    rows = []
    for _ in range(30 * effort):
        groups = [(FLAKE, 1.0, 0.07, 600), (ROD, 1.5, 0.1, 600)]
        pairs = find_links(penetrable(groups, 17.0, rng), 0.0).pairs
        rows.append([((pairs < 600).sum(axis=1) == 1).sum() / 600])
    return over_boxes(rows)[0]


@case("stat.plane")
def contacts_of_sticks(effort, rng):
    rows = []
    for _ in range(20 * effort):
        links = find_links(penetrable([(ROD, 0.5, 0.0, 2001)], 20.0, rng, 2), 0.0)
        rows.append([2.0 * len(links) / 2001])
    return over_boxes(rows)[0]


@case("stat.covered")
def covered_share_of_flakes(effort, rng):
    # Points thrown among the flakes: which of them lie in one.
    rows = []
    for _ in range(20 * effort):
        groups = [(FLAKE, 1.0, 0.25, 1000), (SPHERE, 0.0, 0.0, 3000)]
        pairs = find_links(penetrable(groups, 15.0, rng), 0.0).pairs
        mixed = pairs[(pairs[:, 0] < 1000) & (pairs[:, 1] >= 1000), 1]
        rows.append([len(np.unique(mixed)) / 3000])
    return over_boxes(rows)[0]


@case("stat.gap")
def critical_gap_of_points(effort, rng):
    # Spheres with a vanishing core span at the gap that makes them penetrable spheres of
    # the critical density: wrapping probability 0.25778 at fixed number.
    n, edge = 1500, 1.0
    box = Box((edge,) * 3, (True,) * 3)
    gaps = []
    for _ in range(100 * effort):
        axes = np.tile([1.0, 0.0, 0.0], (n, 1))
        ball = np.full(n, 1e-6)
        p = Particles(np.full(n, SPHERE), rng.random((n, 3)), axes, np.zeros(n), ball, box)
        gaps.append(critical_gap(p))

    def eta(sample):
        gap = weighted_quantiles(sample, WRAPPING_PROBABILITY[3])[0]
        return math.pi / 6.0 * n * (gap + 2e-6) ** 3

    gaps = np.array(gaps)
    again = [eta(gaps[rng.integers(0, len(gaps), len(gaps))]) for _ in range(400)]
    return Estimate(eta(gaps), float(np.std(again, ddof=1)), len(gaps))


# ------------------------------------------------------------------ one by one
def saturation(dimension, edge, attempts, boxes, rng):
    """Coverage of equal spheres of diameter 1 after endless attempts."""
    box = Box((edge,) * dimension, (True,) * dimension)
    n = int(edge**dimension)
    axes = np.tile(np.eye(dimension)[0], (n, 1))

    def propose(m):
        return rng.random((m, dimension)) * edge, axes[np.zeros(m, dtype=int)]

    rows = []
    for _ in range(boxes):
        wanted = Particles(
            np.full(n, SPHERE), np.zeros((n, dimension)), axes, np.zeros(n),
            np.full(n, 0.5), box,
        )  # fmt: skip
        added = add_sequentially(wanted, 1.0, propose, patience=attempts, attempts=attempts)
        rows.append([added.saturation()])
    return over_boxes(rows)[0]


@case("rsa.2d.disc")
def saturation_of_discs(effort, rng):
    return saturation(2, 30.0, 800_000 + 200_000 * effort, 5 + 4 * effort, rng)


@case("rsa.3d.sphere")
def saturation_of_spheres(effort, rng):
    return saturation(3, 10.0, 800_000 + 200_000 * effort, 5 + 4 * effort, rng)
