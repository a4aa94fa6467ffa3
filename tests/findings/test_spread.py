"""The chapter of the spread: its numbers against the castings, its words against them."""

import pytest
from reference.made_up_findings import findings_of, plan_with

from percsim.boxes.store import encode_json
from percsim.film import TOLERANCE_NAMES, TRIAL_NAMES
from percsim.findings.spread import spread
from percsim.packing import plain
from percsim.quantities import share
from percsim.report.chapters.spread import spread as chapter


def findings(tolerances=None, **sections):
    """Of made-up boxes that scatter by a tenth, at room temperature."""
    sections.setdefault("temperature", {"values": ["20 C"]})
    plan = plan_with(tolerances=tolerances or {}, **sections)
    return findings_of(plan, box_spread=0.1, seed=9)


NONE = {
    "weighing": "0 %", "mixing": "0 %", "mixing_within": "0 %", "thickness": "0 %",
    "electrode_gap": "0 mm", "electrode_skew": "0 mm", "width": "0 mm", "contact": "0 %",
    "aspect_ratio": "0 %", "particle_size": "0 %", "response": "0 %", "tilt": "0 deg",
    "instrument": "0 %", "strain_setting": "0 microstrain", "contact_redraw": "0 %",
}  # fmt: skip


@pytest.fixture(scope="module")
def found():
    return findings()


@pytest.fixture(scope="module")
def made(found):
    return plain(spread(found))


def test_every_cause_has_a_share_and_first_orders_add_up(made):
    assert made["quoted"]
    names = {row["name"] for row in made["shares"]}
    # no threshold of another tilt is known, so that tilt is not varied
    assert names == {*TOLERANCE_NAMES, *TRIAL_NAMES} - {"tilt"}
    for quantity in ("log_resistance", "gauge_factor"):
        total = sum(row[quantity]["first_order"] for row in made["shares"])
        # ln R is close to a sum of its causes, so little is left for pairs of them
        assert total == pytest.approx(1.0, abs=0.06)
        for row in made["shares"]:
            assert row[quantity]["low"] <= row[quantity]["first_order"]
            assert row[quantity]["first_order"] <= row[quantity]["high"]


def test_castings_scatter_more_than_trials(made):
    # single observation on the bench, no source: films differ more than readings of one
    of_r = made["nested"]["log_resistance"]
    assert of_r["between_castings"]["low"] > 10 * of_r["repeatability"]["high"]
    assert of_r["casting_share"] > 0.99
    of_gauge = made["nested"]["gauge_factor"]
    assert of_gauge["between_castings"]["value"] > of_gauge["repeatability"]["value"]
    assert (
        of_r["repeatability"]["value"]
        < of_r["intermediate_precision"]
        < of_r["reproducibility"]
    )


def test_the_bench_as_it_is_gives_the_castings_again(found, made):
    best = found.best
    # the same castings, each read once more with 0.1 % of instrument noise
    assert made["now"]["resistance_cv"] == pytest.approx(
        best.castings.resistance_cv, rel=2e-3
    )
    passes = found.target.passes(best.castings.at_rest, best.castings.gauge_factors)
    assert made["now"]["pass_share"] == pytest.approx(passes.mean())
    assert made["now"]["gauge_factor_cv"] > best.castings.gauge_factor_cv
    assert {row["name"] for row in made["halving"]} == {
        row["name"] for row in made["shares"]
    }


def test_what_lowers_the_spread_most_has_the_largest_share(made):
    bench = [row for row in made["halving"] if row["name"] in TOLERANCE_NAMES[:-1]]
    top = min(bench, key=lambda row: row["resistance_cv"])
    assert top["words"] in chapter({"spread": made, "candidates": []}).claim
    # no share is surely larger than its own
    shares = {row["name"]: row["log_resistance"] for row in made["shares"]}
    assert all(shares[top["name"]]["high"] > other["low"] for other in shares.values())


def test_no_advice_that_the_number_of_castings_does_not_carry():
    # spreads of R over decades: the CV hangs on the few highest castings
    wild = {"contact": "100 %", "thickness": "100 %", "width": "10 mm",
            "electrode_gap": "4 mm", "particle_size": "100 %", "castings": 100}  # fmt: skip
    told = plain(spread(findings(wild)))
    now = told["now"]["resistance_cv"]
    assert now > 2.0
    by_cv = min(told["halving"], key=lambda row: row["resistance_cv"])
    assert now - by_cv["resistance_cv"] < 2.0 * by_cv["resistance_cv_error"]
    # so that no cause promises a lower one
    assert {row[4] for row in chapter({"spread": told, "candidates": []}).table.rows} == {
        "same"
    }


def test_chains_are_rarely_it(made):
    (chains,) = [row for row in made["shares"] if row["name"] == "chains"]
    assert chains["log_resistance"]["total"] < 0.01


def test_shares_do_not_depend_on_the_order_of_asking(found, made):
    assert encode_json(plain(spread(found))) == encode_json(made)


def test_nothing_to_split():
    still = findings(NONE)
    told = plain(spread(still))
    assert told["quoted"]  # boxes scatter, so chains do
    (chains,) = [row for row in told["shares"] if row["name"] == "chains"]
    assert chains["log_resistance"]["total"] == pytest.approx(1.0, abs=0.1)
    low = {"weight_fraction": ["10 wt%", "12 wt%", "14 wt%"]}
    closed = plain(spread(findings(explore=low)))
    assert not closed["quoted"]
    assert "half or more of the castings are open" in closed["why_not"]
    assert chapter({"spread": closed}).claim == "The spread is not split"


def test_orientation_is_varied_where_thresholds_tell_how():
    lying = findings(filler={"orientation": "in-plane", "tilt": "20 deg"})
    told = plain(spread(lying))
    assert "tilt" in {row["name"] for row in told["shares"]}


def test_the_chapter_names_the_largest_causes(made):
    told = chapter({"spread": made, "candidates": []})
    largest = max(made["shares"], key=lambda row: row["log_resistance"]["first_order"])
    assert largest["words"] in told.claim
    shares = {row[0]: row[2] for row in told.table.rows}
    assert shares[largest["words"]] == share(largest["log_resistance"]["first_order"])
    # every cause has a row, or is named as small
    for row in made["shares"]:
        assert (row["words"] in shares) != (
            row["words"] in told.words
        ) or "more" in told.words
