"""From stored boxes to what sheet, part and wrapping make of the film."""

import csv
import json
import math
import re

import numpy as np
import pytest
from quick import redraw_quickly, run_quickly

from percsim.film.layers import StrainTransfer
from percsim.findings.layers import wrapping_caution
from percsim.findings.words import BOND
from percsim.jobs import plan_box
from percsim.links.search import find_links
from percsim.network.build import build_network
from percsim.network.solve import solve_network
from percsim.particles.placement import place_particles
from percsim.plan import MOST_BEYOND, Plan
from percsim.report.chapters import chapters_of
from percsim.report.figures import Run, draw
from percsim.run import run_plan
from percsim.states.strain import State, openings

SMALL = """
title = "Small patch on a cargo-bicycle tube (invented data)"
seed = 88013
[filler]
density = "2250 kg/m3"
diameter = { median = "10 um", geometric_spread = 1.5 }
aspect_ratio = 12
[elastomer]
density = "1030 kg/m3"
mix_ratio = "7:1"
[film]
thickness = "0.20 mm"
width = "6 mm"
length = "6 mm"
modulus = { value = "16 MPa", basis = "measured" }
[contacts]
closed_at = "-60 C"
[strain]
window = "-2000 to 4000 microstrain"
points = 4
[explore]
weight_fraction = ["10 wt%", "36 wt%", "40 wt%"]
electrode_gap = ["2 mm", "4 mm"]
[boxes]
count = 6
lengths = ["5 D", "6 D", "8 D"]
threshold_count = 20
[tolerances]
castings = 300
[target]
series_resistor = "1.8 kohm"
"""
LAYERS = """
[sheet]
thickness = "0.15 mm"
modulus = "1.3 MPa"
[part]
radius = "25 mm"
rigid = true
misalignment = "5 deg"
"""

PLANE = ((0.0, 0.0), (1e-4, 0.0), (-1e-4, 0.0), (0.0, 1e-4), (0.0, -1e-4))
"""Strains along and across."""
PART = (1e-4, -1e-4)
"""Strains of the part."""


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    path = tmp_path_factory.mktemp("bare") / "plan.toml"
    path.write_text(SMALL)
    return run_quickly(Plan.load(path), path.parent / "out", workers=1)


@pytest.fixture(scope="module")
def wrapped(tmp_path_factory):
    path = tmp_path_factory.mktemp("wrapped") / "plan.toml"
    path.write_text(SMALL + LAYERS)
    return run_plan(Plan.load(path), path.parent / "out", workers=1)


def on(changes):
    """Assembly of the small plan with other lines under [sheet] and [part]."""
    return Plan.from_dict(_mapping(SMALL + changes)).assembly(0.36)


def _responses(folder):
    """Resistance of every box at every state."""
    with (folder / "responses.csv").open() as file:
        return {
            tuple(v for k, v in row.items() if k not in ("visit", "resistance (ohm)")): (
                float(row["resistance (ohm)"])
            )
            for row in csv.DictReader(file)
        }


def found_chapters(folder):
    """Chapters of the page by name."""
    found = chapters_of(json.loads((folder / "summary.json").read_text()))
    return {made.anchor: made for made in found}


def _mapping(text):
    import tomllib

    return tomllib.loads(text)


def test_without_the_sections_nothing_is_said_or_changed(bare, wrapped):
    assert "layers" not in bare.summary
    assert BOND in bare.summary["not_modelled"]
    assert BOND not in wrapped.summary["not_modelled"]
    # states across and beyond the window are extra: every number of the boxes stays, to
    # what a solution is proven to
    mine, other = (_responses(r.folder) for r in (bare, wrapped))
    assert set(mine) < set(other)
    for state, resistance in mine.items():
        assert other[state] == pytest.approx(resistance, rel=1e-6)
    assert bare.summary["threshold"] == wrapped.summary["threshold"]


def test_the_soft_stack_on_its_tube(wrapped):
    # the worked case: 0.2 mm of 16 MPa on 0.15 mm of 1.3 MPa at 25 mm
    wrap = wrapped.summary["layers"]["wrapping"]
    strain = {k: 1e6 * v["value"] for k, v in wrap["strain"].items()}
    assert strain["middle"] == pytest.approx(400, abs=10)
    assert strain["top"] == pytest.approx(4400, abs=50)
    assert strain["bottom"] == pytest.approx(-3600, abs=50)
    assert 1e6 * wrap["half_thickness_over_radius"] == pytest.approx(7000)
    for row in wrap["strain"].values():
        assert row["p05"] < row["value"] < row["p95"]
    # -2000 microstrain at the lower face by hand
    z_n = wrap["neutral_axis_m"]["value"]
    smallest = (z_n - 0.15e-3) / 2e-3 - z_n
    assert wrap["smallest_radius_m"]["value"] == pytest.approx(smallest)
    assert not wrap["outside_window"]


def test_a_wrapped_film_is_computed_beyond_the_window_as_far_as_its_faces_go():
    plan = Plan.from_dict(_mapping(SMALL + LAYERS))
    window = Plan.from_dict(_mapping(SMALL)).strains
    assert window == plan.window_strains == (-2e-3, 0.0, 2e-3, 4e-3)
    assert set(plan.strains) > set(window)
    assert wrapping_caution(plan) == ""
    # the worked case below, and the strain of the part on top; film and sheet may differ in
    # stiffness from what is planned, which moves the neutral axis
    reaches = float(plan.assembly(0.36).transfer()(0.0))
    assert -0.75e-3 < plan.strains[0] - (-3.6e-3 - 2e-3 * reaches) < 0.0
    assert 0.0 < plan.strains[-1] - (4.4e-3 + 4e-3 * reaches) < 1.2e-3
    beyond = len(plan.strains) - len(window)
    assert 2 <= beyond <= 2 * MOST_BEYOND
    # no gauge factor, window or time of vibration moves by it
    assert plan.chord_strain == 4e-3
    # a tube so wide that the window holds its faces adds nothing, nor does a flat part
    for radius in ('"2 m"', None):
        line = "" if radius is None else f"radius = {radius}"
        wide = LAYERS.replace('radius = "25 mm"', line)
        narrow = SMALL.replace("points = 4", 'points = 4\nchord = "2000 microstrain"')
        assert Plan.from_dict(_mapping(narrow + wide)).strains == window


def test_mixes_that_share_boxes_share_their_strains():
    text = SMALL.replace("[boxes]", 'mix_ratio = ["5:1", "10:1"]\n[boxes]')
    text = text.replace('modulus = { value = "16 MPa", basis = "measured" }\n', "")
    plan = Plan.from_dict(_mapping(text + LAYERS))
    first, second = plan.mixes
    assert first.reach != second.reach
    assert first.strains == second.strains == plan.strains
    assert first.strains[0] <= min(first.reach[0], second.reach[0])
    assert first.strains[-1] >= max(first.reach[1], second.reach[1])


def test_strains_that_cannot_be_computed_are_told_before_the_run():
    # contacts may not close beyond the reference state
    warm = Plan.from_dict(
        _mapping(SMALL.replace('closed_at = "-60 C"', 'closed_at = "-20 C"') + LAYERS)
    )
    assert warm.strains[0] >= warm.most_closed
    told = wrapping_caution(warm)
    colder = re.search(r"closed_at = '(-\d+ C)' or colder computes the rest", told)[1]
    mended = SMALL.replace('closed_at = "-60 C"', f'closed_at = "{colder}"')
    assert wrapping_caution(Plan.from_dict(_mapping(mended + LAYERS))) == ""
    # nor are strains of many per cent worth boxes
    tight = Plan.from_dict(_mapping(SMALL + LAYERS.replace('"25 mm"', '"2 mm"')))
    assert tight.strains == tight.window_strains
    assert "beyond 5 % nothing is" in wrapping_caution(tight)
    assert wrapping_caution(Plan.from_dict(_mapping(SMALL))) == ""


def test_the_shift_of_the_zero_fades_with_the_radius(wrapped):
    curve = wrapped.summary["layers"]["wrapping"]["against_radius"]
    radii, value = np.array(curve["radius_m"]), np.array(curve["value"])
    assert 25e-3 in radii
    assert abs(value[-1]) < 0.2 * np.abs(value).max()
    here = value[radii == 25e-3][0]
    assert here == wrapped.summary["layers"]["wrapping"]["shift"]["value"]
    assert np.all(np.array(curve["p05"]) <= np.array(curve["p95"]))
    assert len(curve["standard_error"]) == len(radii)


def test_transfer_is_that_of_shear_lag(wrapped):
    layers = wrapped.summary["layers"]
    gap = layers["electrode_gap_m"]
    # plane strain: the film is many end zones wide
    b = math.sqrt(1.3e6 / 2.99 / 0.15e-3 / (16e6 / (1 - 0.495**2) * 0.2e-3))
    u, v = b * gap / 2, b * 3e-3
    expected = 1 - math.sinh(u) / u / math.cosh(v)
    assert layers["transfer"]["decay_per_m"] == pytest.approx(b)
    assert layers["transfer"]["gap_mean"]["value"] == pytest.approx(expected)
    rows = layers["transfer"]["against_mix_ratio"]
    assert [r["tested"] for r in rows if r["mix_ratio"] in (4, 5, 33, 40)] == [
        False, True, True, False,
    ]  # fmt: skip
    assert np.all(np.diff([r["value"] for r in rows]) < 0)  # a softer sheet takes more
    assert np.all(np.diff(layers["transfer"]["against_length"]["value"]) > 0)


def test_gauge_factors_follow_the_local_strain(wrapped):
    plan = wrapped.summary["plan"]
    assert plan["sheet"]["modulus"]["value"] == "1.3 MPa"
    rows = wrapped.summary["layers"]["candidates"]
    open_rows = [r for r in rows if r["weight_fraction"] == 0.10]
    assert all(r["gauge_factor"] is None for r in open_rows)
    for row in rows:
        if row["gauge_factor"] is None:
            continue
        assert 0.3 < row["gap_mean_transfer"] < 1.0
        # within the curvature of the response, the free one times what arrives
        expected = row["gauge_factor_flat"] * row["gap_mean_transfer"]
        assert row["gauge_factor"] == pytest.approx(expected, rel=0.35)
    # the decision judges the castings on the part
    for row, candidate in zip(rows, wrapped.summary["candidates"], strict=True):
        if row["gauge_factor"] is not None:
            median = candidate["gauge_factor"]["median"]
            # whose few boxes leave it open by more than that
            assert median == pytest.approx(row["gauge_factor"], rel=0.1)
            assert candidate["response"]["median"][1] == 1.0  # at rest, wrapped
    gaps = {r["electrode_gap_m"]: r["gap_mean_transfer"] for r in rows}
    assert gaps[4e-3] < gaps[2e-3]  # nearer to the ends of a 6 mm film


def test_transverse_sensitivity_of_isotropic_flakes_is_zero_within_error(wrapped):
    # width and thickness of an isotropic network are alike and constant volume trades one
    # for the other: no response to first order (exact); the boxes are cubes
    across = wrapped.summary["layers"]["transverse"]
    assert across["note"] == ""
    error = across["transverse_sensitivity_se"]
    assert abs(across["transverse_sensitivity"]) < 4 * error
    assert error < 0.5
    # Mohr's circle by hand
    k, nu, s = across["transverse_sensitivity"], 0.33, math.sin(math.radians(5)) ** 2
    reading = (1 - (1 + nu) * s + k * ((1 + nu) * s - nu)) / (1 - k * nu)
    assert across["misalignment_error"] == pytest.approx(reading - 1)
    assert across["gauge_factor_along"] > 2 * across["gauge_factor_along_se"]


def test_flakes_in_the_plane_read_across_as_boxes_solved_directly_do(tmp_path):
    # other boxes of the same mix, no plan in between: K_t from the powers of one solve at
    # rest (Tellegen); no contact breaks on either side
    text = SMALL + '[part]\nrigid = true\nmisalignment = "5 deg"\n'
    text += 'radius = "200 mm"\nbent = "after bonding"\n'
    for old, new in (
        (
            "aspect_ratio = 12",
            'aspect_ratio = 12\norientation = "in-plane"\ntilt = "20 deg"',
        ),
        ("[contacts]", "[contacts]\ndelta_b = 1000"),
        (
            'window = "-2000 to 4000 microstrain"\npoints = 4',
            'window = "0 to 500 microstrain"\npoints = 2',
        ),
        ('["10 wt%", "36 wt%", "40 wt%"]', '["42 wt%"]'),
        ('["2 mm", "4 mm"]', '["2 mm"]'),
    ):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "lying.toml"
    path.write_text(text)
    plan = Plan.load(path)
    layers = run_quickly(plan, tmp_path / "out", workers=1).summary["layers"]
    found = layers["transverse"]
    assert found["n_boxes"] == 6 + 8 + 10
    recipe, thermal = plan.recipe(0.42), plan.thermal(0.42)
    law = plan.law()
    rows = []
    for number in range(8):
        rng = np.random.default_rng([730211, number])
        links = find_links(place_particles(recipe, plan_box(plan, 80e-6), rng), 0.0)
        states = [State.in_plane(a, b, 293.15, thermal) for a, b in PLANE]
        power = solve_network(build_network(links, law, states[0])).power_shares
        opened = [openings(links, s) @ power[: len(links)] for s in states]
        strained = [State.at(e, 293.15, plan.mounting(), thermal) for e in PART]
        part = [openings(links, s) @ power[: len(links)] for s in strained]
        rows.append([opened[1] - opened[2], opened[3] - opened[4], part[0] - part[1]])
    along, across, mounted = np.array(rows).T
    expected = across.mean() / along.mean()
    scatter = (across - expected * along) / along.mean()
    error = np.hypot(
        scatter.std(ddof=1) / np.sqrt(len(rows)), found["transverse_sensitivity_se"]
    )
    assert found["transverse_sensitivity"] == pytest.approx(expected, abs=4 * error + 0.03)
    assert error < 0.15
    assert found["transverse_sensitivity"] > 3 * found["transverse_sensitivity_se"]
    assert "Of 24 boxes" in found_chapters(tmp_path / "out")["across"].words.replace(
        "\xa0", " "
    )
    # bending on a cylinder strains nothing across, the strained part does: bonded to what
    # bends, the film strains by 0 to t/R, and its zero shifts by more than a film strained
    # so by the part
    wrap, best = layers["wrapping"], layers["candidates"][0]
    counts = wrap["shift"]["value"] / (0.5e-3 * best["gauge_factor_flat"])
    expected = along.mean() / mounted.mean()
    assert expected > 1.1
    assert counts == pytest.approx(expected, abs=0.08)
    assert wrap["bending_factor"] == pytest.approx(expected, abs=0.08)


def test_under_a_force_the_part_and_the_patch_share_it():
    soft = on(
        '[sheet]\nthickness = "0.15 mm"\nmodulus = "1.3 MPa"\n'
        '[part]\nmodulus = "2 MPa"\nthickness = "1 mm"\ncontrol = "force"\n'
    )
    shared = 2e6 * 1e-3 / (2e6 * 1e-3 + 16e6 * 0.2e-3 + 1.3e6 * 0.15e-3)
    assert soft.transfer().plateau == pytest.approx(shared)
    given = on('[sheet]\nthickness = "0.15 mm"\n[part]\nmodulus = "2 MPa"\n')
    assert given.transfer().plateau == 1.0


def test_how_the_patch_is_bent_moves_the_neutral_axis():
    flat = '[part]\nradius = "25 mm"\nbent = "after bonding"\n'
    rigid = on(flat + "rigid = true\n").wrap()
    assert rigid.held
    assert rigid.strain(0.1e-3, 25e-3) == pytest.approx(4e-3)
    tube = on(flat + 'modulus = "70 GPa"\nthickness = "1 mm"\n').wrap()
    assert tube.neutral_axis == pytest.approx(-0.5e-3, rel=1e-3)
    inner = on('[part]\nradius = "25 mm"\nrigid = true\nside = "inner"\n').wrap()
    assert inner.neutral_axis == pytest.approx(0.1e-3)
    assert inner.strain(0.2e-3, 25e-3) < 0 < inner.strain(0.0, 25e-3)


def test_no_sheet_loses_nothing():
    bonded = on("[part]\nrigid = true\n").transfer()
    assert bonded == StrainTransfer(math.inf, 6e-3)
    assert bonded.mean(2e-3) == 1.0


def test_chapters_and_figures(wrapped):
    summary = json.loads((wrapped.folder / "summary.json").read_text())
    found = found_chapters(wrapped.folder)
    assert {"transfer", "wrapping", "across", "stiffness"} <= found.keys()
    for name in ("transfer", "wrapping"):
        (drawing,) = draw(Run(summary), [found[name].figure])
        assert drawing.png is not None, drawing.note
    assert "copper foil or tape embedded in the film" in " ".join(summary["not_modelled"])
    # its faces leave the window, but not what was computed for them
    assert "inside what was computed" in found["wrapping"].words
    best = [r for r in summary["layers"]["candidates"] if r["gauge_factor"] is not None]
    assert best
    assert not any(r["outside_window"] for r in best)
    assert all(r["computed_to"] >= 4e-3 for r in best)
    # what curves are drawn over is the window
    for row in summary["candidates"]:
        assert row["response"]["strain"] == [-2e-3, 0.0, 2e-3, 4e-3]
    assert wrapped.figure_failures == ()


def test_open_films_and_flat_parts_still_have_a_page(tmp_path):
    text = SMALL.replace('["10 wt%", "36 wt%", "40 wt%"]', '["10 wt%"]')
    path = tmp_path / "open.toml"
    path.write_text(text + LAYERS)
    result = run_plan(Plan.load(path), tmp_path / "out", workers=1)
    layers = result.summary["layers"]
    assert layers["wrapping"]["shift"] is None
    assert "open" in layers["transverse"]["note"] or layers["transverse"]["note"]
    assert result.figure_failures == ()
    assert "No transverse sensitivity" in found_chapters(tmp_path / "out")["across"].claim
    assert "nan" not in (tmp_path / "out" / "summary.json").read_text().lower()


def test_drawn_again_it_says_the_same(wrapped):
    before = json.loads((wrapped.folder / "summary.json").read_text())["layers"]
    redraw_quickly(wrapped.folder)
    assert json.loads((wrapped.folder / "summary.json").read_text())["layers"] == before
