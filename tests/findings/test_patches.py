"""From boxes to a sheet of patches: films that follow a formula, on drawn sheets."""

import math
from dataclasses import replace

import numpy as np
import pytest
from reference.made_up_findings import coefficient, findings_of, plan_with, records

from percsim.findings import assemble
from percsim.findings.patches import patch_cautions, patches, separation
from percsim.findings.temperature import temperature
from percsim.packing import plain
from percsim.report.chapter import MOST_WORDS
from percsim.report.chapters import chapters_of
from percsim.report.figures import Run, draw

NOTHING = {
    "weighing": "0 %", "mixing": "0 %", "mixing_within": "0 %", "thickness": "0 %",
    "electrode_gap": "0 mm", "electrode_skew": "0 mm", "width": "0 mm", "contact": "0 %",
    "aspect_ratio": "0 %", "particle_size": "0 %", "response": "0 %", "tilt": "0 deg",
    "instrument": "0 %", "strain_setting": "0 microstrain", "contact_redraw": "0 %",
    "known_within": 1,
}  # fmt: skip
TUBE = {"modulus": "70 GPa", "thickness": "1.5 mm"}
SHEET = {"rows": 4, "columns": 3, "pitch": "20 mm", "sheets": 40}
BENT = SHEET | {
    "angle": "0 deg", "radius": "25 mm", "bending_moment": "300 N m",
    "moment_zero_at": "200 mm", "reading_time": "1000 s",
}  # fmt: skip
STILL = {"castings": 300}


def findings_for(sheet, tolerances=None, gauge=15.0, **sections):
    plan = plan_with(patches=sheet, tolerances=STILL | (tolerances or {}), **sections)
    return findings_of(plan, gauge)


def found_of(sheet, tolerances=None, **sections):
    return plain(patches(findings_for(sheet, tolerances, **sections)))


@pytest.fixture(scope="module")
def quiet():
    """Bent tube, equal films, nothing scatters."""
    return found_of(BENT, NOTHING, part=TUBE)


@pytest.fixture(scope="module")
def usual():
    """The same with the usual bench, and all of its summary."""
    sheet = BENT | {"reading_time": "1 ms", "warmer_by": "10 K", "readout": "held",
                    "switch_resistance": "5 ohm", "cups": 2}  # fmt: skip
    plan = plan_with(patches=sheet, part=TUBE)
    return assemble(plan, records(plan, 15.0, 0.1))[0]


def test_without_the_section_nothing_is_said():
    findings = findings_of(plan_with())
    assert patches(findings) is None


def test_equal_films_read_their_strain(quiet):
    assert (quiet["whole_share"], quiet["dead_mean"]) == (1.0, 0.0)
    field = quiet["field"]
    # M r / (E I), least where the moment has fallen and at the sides
    second = 0.25 * math.pi * (0.025**4 - 0.0235**4)
    top = 300 * 0.025 / (70e9 * second)
    assert field["strain_microstrain"]["max"] == pytest.approx(1e6 * top, rel=1e-6)
    side = (1 - 0.06 / 0.2) * math.cos(0.02 / 0.025)
    assert field["strain_microstrain"]["min"] == pytest.approx(1e6 * top * side, rel=1e-6)
    # linear ln R: read back to the grid of the table
    assert field["error"]["rms_microstrain"] < 0.5
    assert field["cross_talk_microstrain"] == 0.0
    assert field["read_over_resistance"] == {"min": 1.0, "max": 1.0}
    for row in quiet["calibration"]:
        assert abs(row["at_chord"]["p05"]) < 0.5 > abs(row["at_chord"]["p95"])
    drawn, read = (np.array(field["map"][f"{k}_microstrain"]) for k in ("strain", "read"))
    assert drawn.shape == (4, 3)
    np.testing.assert_allclose(read, drawn, atol=0.5)
    assert drawn[0, 1] == pytest.approx(1e6 * top, rel=1e-4)


def test_one_patch_of_a_sheet_is_the_film_that_was_chosen():
    # sheets of one patch: their share in the window is that of the castings
    window = "1.5 to 2 kohm"
    plan = plan_with(
        patches={"rows": 1, "columns": 1, "pitch": "20 mm", "sheets": 4000},
        target={"resistance": window}, tolerances={"castings": 4000},
    )  # fmt: skip
    findings = findings_of(plan)
    found = plain(patches(findings))
    rest = findings.best.castings.at_rest
    share = np.mean((rest >= 1500) & (rest <= 2000))
    assert 0.05 < share < 0.95
    within = 4 * math.sqrt(2 * share * (1 - share) / 4000)
    assert found["whole_share"] == pytest.approx(share, abs=within)
    assert found["dead_mean"] == pytest.approx(1 - found["whole_share"])
    assert "difference_told_microstrain" not in found["calibration"][0]


def test_patches_of_a_sheet_are_more_alike_than_sheets():
    # of 12 patches, independent ones would all pass in share^12 of sheets
    one = found_of({**SHEET, "rows": 1, "columns": 1, "sheets": 1000})
    many = found_of({**SHEET, "sheets": 1000}, target={"resistance": "1.5 to 3 kohm"})
    single = one["whole_share"]
    assert many["whole_share"] > (1 - many["dead_mean"] / 12) ** 12 + 0.1
    assert many["whole_share"] < 1 - many["dead_mean"] / 12
    assert single <= 1.0
    dead = found_of(
        {**SHEET, "sheets": 1000, "dead_allowed": 3}, target={"resistance": "1.5 to 3 kohm"}
    )
    assert dead["passing_share"] > dead["whole_share"] == many["whole_share"]


@pytest.mark.parametrize(
    ("wiring", "want"),
    [
        ({"readout": "held", "switch_resistance": "40 ohm"}, lambda r: 1 + 7 * 40 / r),
        ({"readout": "floating"}, lambda r: 6 / 12),
        ({"switch_resistance": "10 ohm", "line_resistance": "5 ohm"}, lambda r: 1 + 30 / r),
        ({"readout": "common return", "line_resistance": "1 ohm"}, lambda r: 1 + 12 / r),
    ],
    ids=["held", "floating", "own pairs", "common return"],
)
def test_wiring_of_equal_films(wiring, want):
    found = found_of(SHEET | wiring, NOTHING)
    ratio = found["field"]["read_over_resistance"]
    expected = want(found["curve"]["resistance_ohm"])
    assert ratio["min"] == pytest.approx(expected, rel=1e-6)
    assert ratio["max"] == pytest.approx(expected, rel=1e-6)


def test_a_floating_matrix_turned_back():
    # films that differ, in the uneven field of a bent tube, read without noise
    sheet = BENT | {"readout": "floating"}
    found = found_of(sheet, NOTHING | {"thickness": "10 %"}, part=TUBE)
    field = found["field"]
    assert field["cross_talk_microstrain"] > 50
    assert field["error"]["rms_microstrain"] > 50
    assert field["error_inverted"]["rms_microstrain"] < 1.0


def test_warmth_reads_as_strain_unless_it_is_known():
    sheet = BENT | {"bending_moment": "0 N m", "temperature": "30 C", "warmer_by": "4 K"}
    plan = plan_with(patches=sheet, tolerances=STILL | NOTHING, part=TUBE)
    found = plain(patches(findings_of(plan)))
    loading = plan.recipe(found["weight_fraction"]).weight_fraction
    per_k = coefficient(plan, loading)
    slope = math.log(found["curve"]["ratio"][-1]) / 3e-3
    worst = 1e6 * per_k * 12 / slope  # middle column: 2 K above 30 C
    raw = found["field"]["error_uncorrected"]["full_load"]
    assert raw["p95"] == pytest.approx(worst, rel=0.03)
    assert found["field"]["error"]["rms_microstrain"] < 1.0


def test_what_the_bench_costs(usual):
    found = usual["patches"]
    each, point, curve = (row["at_chord"] for row in found["calibration"])
    # its own curve: two readings of 0.1 % over the slope, strains set to 20
    slope = math.log(found["curve"]["ratio"][-1]) / 3e-3
    noise = found["scan"][1]["noise_microstrain"]
    own = math.sqrt(2 * (1e-3 / slope * 1e6) ** 2 + 20**2 + noise**2)
    assert each["p95"] - each["p05"] >= 0.95 * 2 * 1.645 * own
    assert point["p95"] - point["p05"] > each["p95"] - each["p05"]
    assert curve["p95"] - curve["p05"] > 20 * (point["p95"] - point["p05"])
    # response scatters by 5 % at 3000 microstrain
    assert point["p95"] > 1.3 * 0.05 * 3000
    times = [row["scan_time_s"] for row in found["scan"]]
    assert times == pytest.approx([1.2e-3, 1.2e-2, 0.12, 1.2])
    noises = np.array([row["noise_microstrain"] for row in found["scan"]])
    np.testing.assert_allclose(noises[:-1] / noises[1:], 10**0.5, rtol=1e-6)
    volts = 3.3**2 / found["curve"]["resistance_ohm"]
    assert found["scan"][0]["power_W"] == pytest.approx(3 * volts)


def test_a_floating_matrix_is_noisier_and_heats_all_of_its_patches():
    own, floating = (
        found_of(SHEET | {"readout": way}, NOTHING) for way in ("own pairs", "floating")
    )
    m, n = SHEET["rows"], SHEET["columns"]
    for one, other in zip(own["scan"], floating["scan"], strict=True):
        ratio = other["noise_microstrain"] / one["noise_microstrain"]
        assert ratio == pytest.approx(0.5 * (m + n - 1))
        # the network between two lines, of which the patch is one: R (m + n - 1)/(mn)
        ohms = floating["curve"]["resistance_ohm"] * (m + n - 1) / (m * n)
        assert other["power_W"] == pytest.approx(3.3**2 / ohms)


def test_strain_and_temperature_are_not_told_apart_while_the_sign_is_a_prior():
    findings = findings_of(plan_with(patches=SHEET, tolerances=STILL))
    heat = temperature(findings)
    told = plain(patches(findings))["separation"]
    assert told == separation(heat)
    for share, separable in ((0.6, False), (0.99, True), (0.01, True)):
        known = replace(heat, prior=replace(heat.prior, positive_share=share))
        assert separation(known)["separable"] == separable
    rows = plain(heat)["two_readings"]["pairs"]
    least = min(row["spread_strain_microstrain"] for row in rows)
    assert told["spread_strain_microstrain"] == least
    unsure = replace(heat.prior, positive_share=0.6)
    known = replace(heat, prior=unsure, sign_rests_on_measurement=True)
    assert separation(known)["separable"]


def test_the_same_seed_gives_the_same_sheets(usual):
    sheet = usual["plan"]["patches"]
    plan = plan_with(patches=sheet, part=TUBE)
    again = assemble(plan, records(plan, 15.0, 0.1))[0]
    assert again["patches"] == usual["patches"]
    other = plan_with(patches=sheet, part=TUBE, **{"strain": {"points": 4}})
    assert other.hash == plan.hash


def test_a_field_beyond_what_was_computed_is_cautioned():
    strong = findings_for(BENT | {"bending_moment": "3000 N m"}, part=TUBE)
    (line,) = patch_cautions(strong)
    assert "beyond what was computed" in line
    assert patch_cautions(findings_for(SHEET)) == []


def test_open_films_make_no_sheet():
    plan = plan_with(
        patches=SHEET, explore={"weight_fraction": ["16 wt%", "16.5 wt%"]},
        target={"resistance": "0.5 to 5 kohm"},
    )  # fmt: skip
    summary = assemble(plan, records(plan))[0]
    assert summary["patches"]["open"]
    (made,) = [c for c in chapters_of(summary) if c.anchor.startswith("patch")]
    assert "open" in made.claim


def test_chapters_and_map(usual):
    made = {c.anchor: c for c in chapters_of(usual) if c.anchor.startswith("patch")}
    assert list(made) == ["patches", "patch_calibration", "patch_scan"]
    for c in made.values():
        assert len(c.words.split()) <= MOST_WORDS
    assert "sheets of 4 x 3 patches" in made["patches"].claim.replace("\xa0", " ")
    assert made["patch_scan"].table.marked == 1
    (drawing,) = draw(Run(usual), ["patch_map"])
    assert not drawing.failed, drawing.note
    assert len(drawing.png) > 10_000
