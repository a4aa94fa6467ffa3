"""What the summary says of the currents of a small run, worked out again by hand."""

import numpy as np
import pytest
from quick import run_quickly

from percsim.boxes.store import Store
from percsim.plan import Plan
from percsim.run import box_jobs

PLAN = {
    "seed": 5120,
    "filler": {
        "density": "2250 kg/m3",
        "diameter": {"median": "10 um", "geometric_spread": 1.4},
        "aspect_ratio": 12,
    },
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.20 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C"},
    "strain": {"window": "0 to 3000 microstrain", "points": 2},
    "explore": {"weight_fraction": ["34 wt%", "40 wt%"], "electrode_gap": ["2 mm"]},
    "boxes": {
        "count": 4,
        "lengths": ["5 D", "7 D"],
        "threshold_count": 20,
        "variations": 3,
    },
    "tolerances": {"castings": 200},
    "target": {
        "supply": "3.3 V",
        "series_resistor": "1.8 kohm",
        "resistance": "0.2 to 2 kohm",
    },
}


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    plan = Plan.from_dict(PLAN)
    result = run_quickly(plan, tmp_path_factory.mktemp("run") / "out", workers=1)
    with Store.read(result.folder) as store:
        return plan, result, store.records()


def test_currents_are_those_of_the_stored_boxes(run):
    plan, result, records = run
    summary = result.summary
    index = summary["chosen"] if summary["chosen"] is not None else summary["nearest"]
    candidate, found = summary["candidates"][index], summary["currents"]
    assert found["weight_fraction"] == candidate["weight_fraction"]
    mine = [
        records[job.key].result
        for job in box_jobs(plan)
        if job.recipe.weight_fraction == candidate["weight_fraction"]
        and job.box.length == plan.box_lengths[-1]
    ]
    assert found["n_boxes"] == len(mine) == 4
    assert found["n_open"] == 0
    shares = [m.currents.largest_share for m in mine]
    assert found["largest_share"]["mean"] == pytest.approx(np.mean(shares))
    assert found["largest_share"]["standard_error"] == pytest.approx(
        np.std(shares, ddof=1) / 2.0
    )
    # the film's current through the divider, shared by the boxes side by side
    volt = candidate["readout"]["voltage_V"]
    assert found["film_voltage_V"] == volt
    film = plan.film_at(2e-3)
    box = plan.box_lengths[-1]
    fit = next(
        f for f in summary["fits"] if f["weight_fraction"] == candidate["weight_fraction"]
    )
    path = fit["resistivity_ohm_m"] * film.electrode_gap + fit["electrode_excess_ohm_m2"]
    of_box = volt * fit["mean_inverse"][-1] / path
    assert found["box_voltage_V"] == pytest.approx(of_box)
    heat = [
        m.currents.largest_share * found["box_voltage_V"] ** 2 * m.conductances[0]
        for m in mine
    ]
    assert found["largest_contact_power_W"]["mean"] == pytest.approx(np.mean(heat))
    assert found["largest_contact_power_W"]["largest"] == pytest.approx(max(heat))
    # the film's current density, the same in a box: boxes in a row carry the film's current
    ohms = film.resistance(fit["resistivity_ohm_m"], fit["electrode_excess_ohm_m2"])
    density = volt / ohms / film.section
    in_box = found["box_voltage_V"] * found["conductance_S"] / box**2
    assert in_box == pytest.approx(density, rel=0.05)
    noise = found["noise_index_box"]["mean"] / found["noise_index_film"]["mean"]
    assert noise == pytest.approx(film.volume / box**3)
    assert found["estimates"]["critical_path"]["p95"] < 1.0


def test_the_gradient_says_what_the_responses_say(run):
    _, result, _ = run
    rows = {row["parameter"]: row for row in result.summary["currents"]["gradient"]}
    assert list(rows) == ["g0", "beta", "delta_b", "lambda_T", "Ea", "threshold"]
    assert rows["g0"]["resistance_change"] == pytest.approx(1.0 / 1.1 - 1.0)
    assert rows["g0"]["gauge_factor_change"] == pytest.approx(0.0, abs=1e-9)
    assert rows["Ea"]["resistance_change"] == 0.0
    assert rows["beta"]["log_slope"] == pytest.approx(
        rows["beta"]["resistance_change"] / np.log(1.1), rel=0.25
    )
    # weaker or fewer contacts, or a nearer threshold, never lower R
    assert rows["beta"]["resistance_change"] > 0.0 > rows["delta_b"]["resistance_change"]
    assert rows["lambda_T"]["resistance_change"] > 0.0
    assert rows["threshold"]["resistance_change"] > 0.1
    assert {row["basis"] for row in rows.values()} == {"assumed", "simulated"}
