"""From a plan to films of blocks: the summary, the page, and films simulated whole."""

import copy
import json
from dataclasses import replace

import numpy as np
import pytest
from quick import redraw_quickly, run_quickly
from typer.testing import CliRunner

from percsim.boxes.simulate import run_job
from percsim.boxes.store import Record, decode_json, encode_json
from percsim.cli import app
from percsim.errors import PlanError
from percsim.findings.across import gather_across
from percsim.findings.film import across_row
from percsim.findings.gather import gather_loadings, gather_threshold
from percsim.jobs import across_axis, across_jobs, box_jobs, threshold_jobs
from percsim.plan import Plan
from percsim.report.chapters.film import blocks, network, verified
from percsim.report.figures import Run, draw
from percsim.run import run_plan

PLAN = {
    "title": "Thick flakes, so that few fill a box (invented data)",
    "seed": 30517,
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 5},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "80 um", "width": "0.8 mm", "length": "4 mm"},
    "strain": {"window": "0 to 3000 microstrain", "points": 2},
    "explore": {"weight_fraction": ["60 wt%", "66 wt%"], "electrode_gap": ["0.8 mm"]},
    "boxes": {
        "lengths": ["6 D", "8 D"], "count": 16, "threshold_count": 20, "variations": 0,
    },
    "tolerances": {"castings": 200},
}  # fmt: skip


def changed(**sections):
    plan = copy.deepcopy(PLAN)
    for name, keys in sections.items():
        plan[name] = plan[name] | keys
    return plan


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("film") / "out"


@pytest.fixture(scope="module")
def summary(folder):
    run_quickly(Plan.from_dict(PLAN), folder, workers=1, verify_film=1.2e5)
    return json.loads((folder / "summary.json").read_text())


def test_films_of_blocks_agree_with_the_uniform_film_and_the_analytic_spread(summary):
    film = summary["film"]
    assert "refused" not in film
    chains = film["chains"]
    apart = chains["resistance_ohm"]["value"] / film["uniform_resistance_ohm"] - 1.0
    error = chains["mean_log_resistance"]["standard_error"]
    assert abs(apart) < 0.03 + 3.0 * error
    cv = chains["resistance_cv"]
    assert cv["value"] == pytest.approx(film["analytic_chains_cv"], rel=0.35)
    assert cv["standard_error"] > 0.0
    assert film["uneven"]["resistance_cv"]["value"] > cv["value"]
    shape = (film["blocks_along"], film["blocks_across"], film["blocks_through"])
    assert shape == (10, 10, 1)


def test_the_film_counts_its_particles_and_what_they_would_cost(summary):
    film = summary["film"]
    recipe = Plan.from_dict(PLAN).recipe(summary["candidates"][0]["weight_fraction"])
    volume = recipe.fillers[0][0].mean_volume()
    chosen = max(c["volume_fraction"] for c in summary["fits"])
    low = min(c["volume_fraction"] for c in summary["fits"])
    per = film["particles"] * volume / (0.8e-3 * 0.8e-3 * 80e-6)
    assert low * 0.999 <= per <= chosen * 1.001
    assert film["resistors_direct"] > 100 * film["resistors_solved"]


def test_the_map_carries_the_current_from_source_to_sink(summary):
    found = summary["film"]["map"]
    potential = np.array(found["potential"])
    assert potential.shape == (len(found["x_m"]), len(found["y_m"]))
    assert (potential[0] == 1.0).all()
    assert (potential[-1] == 0.0).all()
    assert np.array(found["current_density_relative"]).mean() == pytest.approx(1.0, rel=0.1)


def test_whole_films_stand_beside_films_of_blocks(summary):
    verified = summary["film"]["verified"]
    assert verified["films"] == 24
    assert verified["particles"] <= 1.2e5 * 1.02
    apart = verified["difference"]["mean_log_resistance"]
    assert abs(apart["value"]) < 0.03 + 4.0 * apart["standard_error"]


def test_redrawing_keeps_the_films_and_the_page_shows_them(summary, folder):
    again = redraw_quickly(folder)
    assert decode_json(encode_json(again.summary["film"])) == decode_json(
        encode_json(summary["film"])
    )
    read = decode_json(encode_json(summary))
    assert "particles" in network(read).claim
    assert "simulated particle by particle" in verified(read).claim
    (drawing,) = draw(Run(read), [blocks(read).figure])
    assert drawing.png is not None, drawing.note


def test_a_budget_that_is_too_small_is_told_before_anything_runs(tmp_path):
    with pytest.raises(PlanError, match="budget of 500 particles is too small"):
        run_plan(Plan.from_dict(PLAN), tmp_path / "out", workers=1, verify_film=500.0)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (["--verify-film", "--budget", "many"], "is not a number of particles"),
        (["--verify-film", "--budget", "2e6 grams"], "is not a number of particles"),
        (["--verify-film", "--budget", "-1"], "is not a number of particles"),
        (["--budget", "2e6"], "goes with --verify-film"),
    ],
)
def test_bad_budgets_are_told_in_one_line(options, what, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(Plan.from_dict(PLAN).text)
    done = CliRunner().invoke(app, ["run", str(plan), *options])
    assert done.exit_code == 2
    assert what in done.output
    assert done.output.count("\n") == 1


def test_films_of_blocks_are_made_when_asked_and_kept_while_they_are_of_the_plan(tmp_path):
    few = {"lengths": ["5 D", "6 D"], "count": 4}
    plan = Plan.from_dict(changed(boxes=few))
    plain = run_quickly(plan, tmp_path / "out", workers=1).summary["film"]
    assert "refused" not in plain
    film = redraw_quickly(tmp_path / "out", blocks=True).summary["film"]
    assert "6 median diameters conduct too well" in film["refused"]
    assert "not put together from blocks" in blocks({"film": film}).claim
    assert redraw_quickly(tmp_path / "out").summary["film"] == film
    other = Plan.from_dict(changed(boxes=few, tolerances={"castings": 100}))
    plain = run_quickly(other, tmp_path / "out", workers=1).summary["film"]
    assert "refused" not in plain
    assert blocks({"film": plain}) is None


# --- resistivity across the film


def test_only_layouts_and_particles_that_need_it_get_boxes_across():
    surface = {"electrodes": "surface", "electrode_length": "1 mm"}
    flat = {"orientation": "in-plane", "tilt": "20 deg"}
    assert across_axis(Plan.from_dict(PLAN)) is None
    assert across_jobs(Plan.from_dict(changed(film=surface))) == []
    assert across_jobs(Plan.from_dict(changed(filler=flat))) == []
    plan = Plan.from_dict(changed(film=surface, filler=flat))
    assert across_axis(plan) == 2
    jobs = across_jobs(plan)
    assert {job.box.axis for job in jobs} == {2}
    assert all(job.box.periodic == (True, True, False) for job in jobs)
    assert not {job.key for job in jobs} & {job.key for job in box_jobs(plan)}
    rods = {
        "kind": "rod", "length": "10 um", "aspect_ratio": 5, "orientation": "aligned",
        "tilt": "20 deg", "diameter": None,
    }  # fmt: skip
    mapping = changed(
        filler=rods,
        film={"layout": "fingers", "fingers": 2, "electrode_length": "0.2 mm"},
    )
    del mapping["filler"]["diameter"]
    plan = Plan.from_dict(mapping)
    assert across_axis(plan) == 1
    (filler, _), *_ = across_jobs(plan)[0].recipe.fillers
    assert filler.orientation.director == "width"


@pytest.mark.parametrize("order", [0.8, 0.0])
def test_flat_flakes_conduct_worse_through_the_film_and_isotropic_ones_alike(order):
    """An order of 0 is isotropic, written so that boxes across are simulated too."""
    plan = Plan.from_dict(
        changed(
            film={
                "electrodes": "surface",
                "electrode_length": "1 mm",
                "thickness": "0.5 mm",
            },
            filler={"orientation": "aligned", "order": order},
            explore={"weight_fraction": ["68 wt%"]},
            boxes={"lengths": ["5 D", "10 D"], "count": 12},
        )
    )
    jobs = [*box_jobs(plan), *across_jobs(plan)]
    jobs += [job for job in threshold_jobs(plan) if job.name == "own"]
    records = {
        job.key: Record(job.key, "done", encode_json(run_job(job)), 0.0) for job in jobs
    }
    _, threshold = gather_threshold(plan, records)
    loadings = gather_loadings(plan, box_jobs(plan), records)
    found = gather_across(plan, records, loadings, threshold)
    (ratio,) = found.ratios
    assert found.ratio == pytest.approx(ratio.value)
    assert ratio.relative_error < 0.3
    if order == 0.0:
        assert abs(ratio.value - 1.0) < 3.0 * ratio.standard_error
    else:
        assert ratio.value - 1.0 > 3.0 * ratio.standard_error
    if order == 0.0:
        return
    # had they been open, the chapter would not say that nobody looked
    film = {"electrodes_on": "surface", "layout": "bars", "particles": 1e5,
            "threshold_ratio": 1.2}  # fmt: skip

    def told(across):
        return network({"film": film | {"across": across_row(across)}}).words

    assert "times the resistivity along the film" in told(found)

    def blocked(conducting):
        found = dict(records)
        for job in across_jobs(plan):
            if job.number % 5 not in conducting:
                result = replace(records[job.key].result, conductances=[0.0])
                found[job.key] = Record.of(job.key, result)
        return gather_across(plan, found, loadings, threshold)

    # half of the boxes are enough to conduct, but not of all that could be drawn as well
    few = blocked((0, 1))
    assert few.ratio == 1.0
    assert 0 < few.n_open_boxes < few.n_boxes
    assert "such boxes are open" in told(few)
    nothing = blocked(())
    assert nothing.ratio == 1.0
    assert nothing.n_boxes == nothing.n_open_boxes == len(across_jobs(plan))
    assert f"{nothing.n_boxes} of {nothing.n_boxes} such boxes are open" in told(nothing)
