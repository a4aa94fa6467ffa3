"""What is assumed of contacts and threshold before anything is measured."""

from pathlib import Path

import pytest
from reference.invented_films import THRESHOLD
from reference.powders import POWDER, TUBES

from percsim.decision import ContactParameters, TunnellingParameters
from percsim.decision.priors import contact_priors
from percsim.plan import Plan

PLAN = Path(__file__).parents[2] / "examples" / "bike_patch.toml"


def test_threshold_and_level_are_as_wide_as_the_powder_says():
    def limits(name, **keywords):
        return contact_priors(ContactParameters(**keywords), THRESHOLD)[name].limits()

    # simulation error of 0.4 % at 95 % added in quadrature: no digit of these
    assert limits("threshold", powder=POWDER) == pytest.approx((0.5, 2.0), rel=1e-3)
    shape = frozenset({"aspect_ratio"})
    assert limits("threshold", powder=POWDER, measured=shape) == pytest.approx(
        (1.0 / 1.1, 1.1), rel=1e-3
    )
    assert limits("threshold", powder=TUBES) == pytest.approx((0.03, 300.0), rel=1e-3)
    assert limits("g0", powder=POWDER) == pytest.approx((8e-6, 8e-4))
    assert limits("g0", powder=TUBES) == pytest.approx((8e-9, 0.8))


def test_unknown_measured_names_are_refused():
    with pytest.raises(ValueError, match="gnought"):
        ContactParameters(measured=frozenset({"gnought"}))


def test_a_tenfold_fall_of_tunnelling_by_hand():
    # 4 pi sqrt(2 m 1 eV)/h = 10.25 /nm, ln 10 = 2.303
    assert TunnellingParameters(1.602176634e-19, 1e-16).decade == pytest.approx(
        0.2247e-9, rel=1e-3
    )


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"area": 0.0}, "area must be positive"),
        ({"measured": frozenset({"g0"})}, "g0 not known"),
    ],
)
def test_bad_tunnelling_parameters_are_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        TunnellingParameters(**{"barrier_height": 1e-19, "area": 1e-16, **fields})


def test_an_affine_plan_gives_tunnelling_parameters(tmp_path):
    plan = Plan.load(PLAN)
    assert isinstance(plan.contact_parameters(), ContactParameters)
    text = PLAN.read_text()
    contacts = 'model = "affine"\nbarrier_height = "2 eV"\ncutoff = "3 nm"\n'
    head, _, tail = text.partition("[contacts]\n")
    kept = tail[tail.index("\n[") :] if "\n[" in tail else ""
    path = tmp_path / "plan.toml"
    path.write_text(f"{head}\n[contacts]\n{contacts}{kept}")
    found = Plan.load(path).contact_parameters()
    assert isinstance(found, TunnellingParameters)
    assert found.barrier_height == pytest.approx(2 * 1.602176634e-19)
    assert found.cutoff == pytest.approx(3e-9)


def test_limits_of_the_bench_agree_with_the_weigh_out_sheet():
    plan = Plan.load(PLAN)
    limits = plan.bench_limits()
    sheet = plan.weigh_out(plan.recipe(0.3))
    assert limits.film_length == plan.film.length
    assert limits.largest_particle == plan.largest_particle
    share = limits.solids(0.3)
    assert (1.0 - share) ** -2 == pytest.approx(sheet.relative_viscosity)
