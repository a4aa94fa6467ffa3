from dataclasses import replace

import numpy as np
import pytest
from reference.diluted_lattice import conductance
from reference.made_up_boxes import (
    CRITICAL,
    DIAMETER,
    LENGTHS,
    SHORT,
    THRESHOLD,
    loading,
    resistivity,
)

from percsim.boxes.statistics import effective_medium_mean
from percsim.film import LoadingThreshold, fit_loadings
from percsim.film.lines import Responses
from percsim.film.medium import influence, weighted_medium
from percsim.film.transfer import (
    ELECTRODE_REACH,
    film_threshold,
)

SEED = np.random.SeedSequence(7319)


def fit(*loadings, seed=SEED, resamples=50, threshold=THRESHOLD):
    return fit_loadings(loadings, threshold, resamples=resamples, seed=seed)


def with_conductances(base, conductances):
    return replace(base, conductances=tuple(conductances))


@pytest.mark.parametrize("d", [2, 3])
def test_medium_of_resamples_is_the_effective_medium_mean(d):
    rng = np.random.default_rng(40213)
    values = np.exp(2.0 * rng.standard_normal((14, 3)))
    values[:3, 0] = 0.0
    values[:8, 1] = 0.0
    # about one in d conducts: open or not as resampled
    values[: 14 - 14 // d, 2] = 0.0
    weights = rng.integers(0, 4, (30, 14)).astype(float)
    ours = weighted_medium(values, weights, d)
    for b in range(30):
        for s in range(3):
            want = effective_medium_mean(values[:, s], d, weights[b])
            assert ours[b, s] == pytest.approx(want, rel=1e-12)
    assert (ours[:, 2] == 0.0).any()
    assert (ours[:, 2] > 0.0).any()


@pytest.mark.parametrize("d", [2, 3])
def test_influence_is_the_derivative_to_the_weight_of_a_box(d):
    rng = np.random.default_rng(5512)
    values = np.exp(0.8 * rng.standard_normal((9, 1)))
    values[2] = 0.0
    mean = weighted_medium(values, np.ones((1, 9)), d)[0]
    ours = influence(values, mean, d)[:, 0]
    step = 1e-5
    for k in range(9):
        weights = np.ones(9)
        weights[k] += step
        moved = effective_medium_mean(values[:, 0], d, weights)
        want = -9.0 * (np.log(moved) - np.log(mean[0])) / step
        assert ours[k] == pytest.approx(want, rel=1e-3)
    assert ours.sum() == pytest.approx(0.0, abs=1e-12)


def test_equal_boxes_give_rho_and_excess_exactly():
    (result,) = fit(loading(0.30))
    rho = resistivity(0.30) * np.exp(15.0 * np.array([0.0, 1e-3, 2e-3, 3e-3]))
    np.testing.assert_allclose(result.resistivity, rho, rtol=1e-11)
    np.testing.assert_allclose(result.electrode_excess, -rho * SHORT, rtol=1e-9)
    np.testing.assert_allclose(result.resistivity_se, 0.0, atol=1e-9 * rho[0])
    assert result.notes == ()
    assert result.box_cv == pytest.approx(0.0, abs=1e-12)


def test_standard_error_is_the_scatter_of_repeated_ensembles():
    # 4 standard errors of a standard deviation over n repeats: 4/sqrt(2 n)
    n = 100
    fits = [
        fit(loading(0.30, seed=60000 + k, box_spread=0.2), seed=np.random.SeedSequence(k))[
            0
        ]
        for k in range(n)
    ]
    logs = np.log([f.resistivity[0] for f in fits])
    claimed = np.median([f.resistivity_se[0] / f.resistivity[0] for f in fits])
    # the bootstrap of 24 boxes is short by sqrt(23/24), its 68 % width by a few per cent
    assert logs.std(ddof=1) == pytest.approx(claimed, rel=4 / np.sqrt(2 * n) + 0.06)
    assert logs.mean() == pytest.approx(
        np.log(resistivity(0.30)), abs=4 * logs.std() / np.sqrt(n) + 0.01
    )


def test_error_of_a_length_is_the_scatter_of_repeated_ensembles():
    n = 200
    fits = [fit(loading(0.30, seed=71000 + k, box_spread=0.2))[0] for k in range(n)]
    values = np.array([f.mean_inverse[:, 0] for f in fits])
    claimed = np.median([f.mean_inverse_se for f in fits], axis=0)
    np.testing.assert_allclose(claimed, values.std(axis=0, ddof=1), rtol=4 / np.sqrt(2 * n))


def test_error_of_a_length_is_unknown_for_one_box_and_for_open_boxes():
    base = loading(0.30, seed=615, box_spread=0.2)
    first, second, third = base.conductances
    (result,) = fit(with_conductances(base, (first[:1], 0.0 * second, third)))
    np.testing.assert_array_equal(np.isinf(result.mean_inverse_se), [True, True, False])


def test_electrode_term_with_a_response_of_its_own():
    # rho rises by 6 %, r_c falls by 10 %: boxes without scatter give both
    base = loading(0.30)
    rho, excess = (
        np.array([1.0, 1.02, 1.04, 1.06]),
        -1.2e-5 * np.array([1, 0.97, 0.93, 0.9]),
    )
    values = [
        np.tile(section / (rho * length + excess), (24, 1))
        for section, length in zip(base.sections, base.lengths, strict=True)
    ]
    (result,) = fit(with_conductances(base, values))
    np.testing.assert_allclose(result.resistivity, rho, rtol=1e-9)
    np.testing.assert_allclose(result.electrode_excess, excess, rtol=1e-6)


def test_weights_of_the_responses_are_generalised_least_squares():
    # q (1 - s) + k/line + noise with k normal of deviation 1 x reach: covariance
    # V = diag(noise^2) + (reach/line)(reach/line)^T, a = 1 - s, weights V^-1 a/(a^T V^-1 a)
    # and a variance of 1/(a^T V^-1 a), of which the noise makes w^T diag(noise^2) w
    y = np.array([[1.0, 1.05, 1.1], [1.0, 1.06, 1.12], [1.0, 1.04, 1.13]])
    errors = np.array([[0.0, 0.02, 0.03], [0.0, 0.01, 0.02], [0.0, 0.005, 0.01]])
    line, reach = np.array([6.0, 10.0, 15.0]), 2.0
    a = 1.0 - np.array([0.3, 0.15, 0.1])
    change = np.log(y[:, 2].mean())
    noise, along = errors[:, 2] / change, reach / line
    want = np.linalg.solve(np.diag(noise**2) + np.outer(along, along), a)
    variance = 1.0 / (want @ a)
    want *= variance
    ours = Responses.of(y, 0, errors, line, reach, 1.0 - a, np.ones(3))
    np.testing.assert_allclose(ours.weights[0], want, rtol=1e-9)
    assert ours.weights @ a == pytest.approx([1.0, 0.0], abs=1e-12)
    assert ours.doubt[0] ** 2 == pytest.approx(variance - (want**2) @ noise**2, rel=1e-6)


def test_contacts_to_the_electrodes_do_not_open():
    # a material that rises to q, contacts of 4 ohm m^2 to the electrodes that rise by f
    # and particles that short 9 of it: A/G = q (rho L - 9) + 4 f
    base = loading(0.30)
    rho, short, contact = 1e6, 9.0, 4.0
    q, f = np.array([1.0, 1.02, 1.04, 1.06]), np.array([1.0, 1.0, 0.99, 0.98])
    lengths = np.array(base.lengths)
    y = q * (rho * lengths - short)[:, None] + contact * f
    noise = np.random.default_rng(90417).standard_normal((3, 24, 4)) * [0, 1, 1, 1]
    boxes = [
        s / row * np.exp(0.02 * z)
        for s, row, z in zip(base.sections, y, noise, strict=True)
    ]

    def gauge(loading):
        (found,) = fit(loading, resamples=400)
        ratio = found.resistivity_draws[:, 3] / found.resistivity_draws[:, 0]
        return found, found.resistivity[3] / found.resistivity[0] - 1.0, ratio.std()

    known = replace(
        base,
        conductances=tuple(boxes),
        electrode_shares=tuple(contact / y[:, 0]),
        electrode_rises=tuple(f),
    )
    found, rise, error = gauge(known)
    # 24 boxes of three lengths and a quarter of a diameter of film that is not known of
    assert 0.02 / np.sqrt(72) < error < 0.05 * 0.06 + 0.02 / np.sqrt(24)
    assert rise == pytest.approx(0.06, abs=3.0 * error)
    excess = found.electrode_excess - (contact * f - q * short)
    assert np.abs(excess).max() < 3.0 * ELECTRODE_REACH * DIAMETER * rho
    # not told of them, boxes read low, by the share of those contacts in the longest
    short_lived = gauge(replace(known, electrode_shares=(), electrode_rises=()))[1]
    assert short_lived < rise * (1.0 - 0.9 * contact / y[-1, 0])
    # boxes without scatter leave no doubt
    calm = replace(known, conductances=tuple(s / np.tile(row, (24, 1)) for s, row in zip(
        base.sections, y, strict=True)))  # fmt: skip
    exact, rise, error = gauge(calm)
    assert rise == pytest.approx(0.06, rel=1e-9)
    assert error < 1e-6
    np.testing.assert_allclose(exact.electrode_excess, contact * f - q * short, rtol=1e-6)


def test_one_length_leaves_some_of_the_response_unknown():
    base = loading(0.30, lengths=(100e-6,))
    (found,) = fit(replace(base, electrode_shares=(0.1,)), resamples=400)
    box = np.expm1(0.045)
    assert found.resistivity[3] / found.resistivity[0] == pytest.approx(1.0 + box / 0.9)
    draws = found.resistivity_draws[:, 3] / found.resistivity_draws[:, 0]
    # a quarter of one diameter of ten, and the share of the contacts once more
    wanted = box / 0.9 * 0.025 / 0.9
    assert draws.std() == pytest.approx(wanted, rel=4.0 / np.sqrt(800))


def test_scatter_that_all_states_share_does_not_blur_the_response():
    base = loading(0.30, seed=88, box_spread=0.3)
    rho, excess = (
        np.array([1.0, 1.02, 1.04, 1.06]),
        -1.2e-5 * np.array([1, 0.97, 0.93, 0.9]),
    )
    values = [
        g[:, :1] / g[:, :1].mean() * section / (rho * length + excess)
        for g, section, length in zip(
            base.conductances, base.sections, LENGTHS, strict=True
        )
    ]
    (result,) = fit(with_conductances(base, values))
    assert result.resistivity_se[0] > 0.05 * result.resistivity[0]
    response = result.resistivity / result.resistivity[0] - 1.0
    # the fitted line, off by the scatter, is all that is left: some per cent of it
    np.testing.assert_allclose(response, rho - 1.0, rtol=0.05)


def noisy_responses(seed, n_boxes=24):
    """Boxes whose ln R rises by 0.045 with a scatter that falls as their volume grows."""
    base = loading(0.30, seed=seed, box_spread=0.2, n_boxes=n_boxes)
    rng = np.random.default_rng(seed + 10**6)
    values = []
    for length, g in zip(base.lengths, base.conductances, strict=True):
        scatter = 0.05 * (LENGTHS[0] / length) ** 1.5
        noise = np.cumsum(rng.standard_normal((n_boxes, 4)) * [0, 1, 1, 1], axis=1)
        values.append(g * np.exp(scatter * noise))
    return with_conductances(base, values)


def test_responses_of_repeated_ensembles():
    n = 100
    got, claimed = [], []
    for k in range(n):
        (result,) = fit(noisy_responses(71000 + k), seed=np.random.SeedSequence(k))
        got.append(np.log(result.resistivity[3] / result.resistivity[0]))
        draws = np.log(result.resistivity_draws[:, 3] / result.resistivity_draws[:, 0])
        claimed.append(draws.std())
    got = np.array(got)
    assert got.mean() == pytest.approx(0.045, abs=4 * got.std() / np.sqrt(n))
    # the resamples are short by sqrt(23/24), and noise has a part in the weights
    assert got.std(ddof=1) == pytest.approx(
        np.median(claimed), rel=4 / np.sqrt(2 * n) + 0.1
    )
    # about as the longest boxes alone do, 0.05 sqrt(3)/sqrt(8 x 24)
    assert got.std() < 1.2 * 0.05 * np.sqrt(3) / np.sqrt(8 * 24)


def test_box_cv_is_the_spread_of_ln_r():
    (result,) = fit(loading(0.30, seed=8121, n_boxes=4000, box_spread=0.1), resamples=20)
    assert result.box_cv == pytest.approx(0.1, rel=4 / np.sqrt(8000) + 0.01)


def test_open_boxes_count():
    base = loading(0.30, n_boxes=12)
    values = [g.copy() for g in base.conductances]
    for g in values:
        g[:3] = 0.0
    (result,) = fit(with_conductances(base, values))
    # a quarter of equal boxes open: (3 p - 1)/2 = 5/8 of the conductance in 3-D
    assert result.resistivity[0] == pytest.approx(resistivity(0.30) * 8 / 5, rel=1e-9)
    assert result.loading.n_open_boxes == 9
    # side by side in a sheet (2 p - 1) = 1/2 of it is left
    (sheet,) = fit(replace(with_conductances(base, values), dimension=2))
    assert sheet.resistivity[0] == pytest.approx(resistivity(0.30) * 2, rel=1e-9)
    assert result.box_cv > 0.5


@pytest.mark.parametrize("which", [0, 2])
def test_a_length_that_does_not_conduct_opens_the_film(which):
    base = loading(0.30)
    values = [g.copy() for g in base.conductances]
    values[which][:16] = 0.0  # two thirds
    (result,) = fit(with_conductances(base, values))
    assert np.isinf(result.resistivity).all()
    assert np.isinf(result.resistivity_se).all()
    assert result.is_open
    assert not np.isnan(result.electrode_excess).any()


def test_open_at_one_state_only():
    base = loading(0.30)
    values = [g.copy() for g in base.conductances]
    values[1][:, 3] = 0.0
    (result,) = fit(with_conductances(base, values))
    assert np.isinf(result.resistivity[3])
    assert np.isfinite(result.resistivity[:3]).all()
    assert not result.is_open


def test_resistivity_that_would_be_negative_is_bounded_and_said_so():
    base = loading(0.30)
    # A/G falling with length: the longest boxes as they are, rho = (A/G)/L
    y = np.array([3e-4, 2e-4, 1e-4])
    values = [np.full((24, 4), s / v) for s, v in zip(base.sections, y, strict=True)]
    (result,) = fit(with_conductances(base, values))
    assert result.resistivity[0] == pytest.approx(1e-4 / LENGTHS[-1])
    assert result.electrode_excess[0] == pytest.approx(0.0, abs=1e-15)
    assert result.resistivity_se[0] >= 1e-4 / LENGTHS[-1]
    assert "does not rise with box length" in result.notes[0]


def test_one_length_is_said_so():
    (result,) = fit(loading(0.30, lengths=(100e-6,)))
    assert result.resistivity[0] == pytest.approx(
        resistivity(0.30) * (100e-6 - SHORT) / 100e-6, rel=1e-9
    )
    assert "one length only" in result.notes[0]
    assert result.resistivity_se[0] > 0.2 * result.resistivity[0]


def test_close_to_the_threshold_errors_are_widened():
    near, far = fit(loading(0.20), loading(0.30))
    assert near.threshold_ratio == pytest.approx(1.198, abs=1e-3)
    assert "1.20 times the boxes' own threshold cubes of" in near.notes[0]
    assert near.resistivity_se[0] > 0.15 * near.resistivity[0]
    assert far.resistivity_se[0] < 1e-9 * far.resistivity[0]


def test_resamples_take_the_same_boxes_at_every_loading_and_state():
    # boxes share their factors, so the ratio of two loadings or states does not scatter
    a, b = fit(
        loading(0.28, seed=991, box_spread=0.3), loading(0.34, seed=991, box_spread=0.3)
    )
    ratio = a.resistivity_draws[:, 0] / b.resistivity_draws[:, 0]
    assert a.resistivity_draws[:, 0].std() > 0.02 * a.resistivity[0]
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-9)
    response = a.resistivity_draws[:, 3] / a.resistivity_draws[:, 0]
    np.testing.assert_allclose(response, np.exp(0.045), rtol=1e-9)


def test_same_seed_same_digits_and_seed_is_not_used_up():
    seed = np.random.SeedSequence(66)
    one = fit(loading(0.28, seed=3, box_spread=0.3), seed=seed)[0]
    two = fit(loading(0.28, seed=3, box_spread=0.3), seed=seed)[0]
    np.testing.assert_array_equal(one.resistivity_draws, two.resistivity_draws)


def test_summary_keys():
    (result,) = fit(loading(0.30, seed=5, box_spread=0.2))
    row = result.as_dict()
    assert {
        "weight_fraction", "volume_fraction", "n_boxes", "n_open_boxes", "lengths_m",
        "mean_inverse", "mean_inverse_se", "resistivity_ohm_m", "resistivity_se",
        "electrode_excess_ohm_m2", "electrode_excess_se", "box_cv",
    } <= set(row)  # fmt: skip
    assert row["n_boxes"] == 72


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"strains": (1e-3, 2e-3, 3e-3, 4e-3)}, "zero strain and 20 C"),
        ({"lengths": (80e-6, 80e-6, 160e-6)}, "must increase"),
        ({"sections": (1e-8, 1e-8)}, "same number"),
        ({"volume_fraction": 1.2}, "between 0 and 1"),
        ({"temperatures": (293.15,)}, "as many strains"),
        ({"dimension": 1}, "2 or 3"),
        ({"electrode_shares": (0.1, 0.1)}, "must have 3 entries or none"),
        ({"electrode_rises": (1.0,)}, "must have 4 entries or none"),
        ({"electrode_shares": (0.1, 1.0, 0.1)}, "0 to below 1"),
    ],
)
def test_bad_loadings_are_refused(change, message):
    with pytest.raises(ValueError, match=message):
        replace(loading(0.30), **change)


@pytest.mark.parametrize("value", [-1.0, np.nan, np.inf])
def test_bad_conductances_are_refused(value):
    base = loading(0.30)
    values = [g.copy() for g in base.conductances]
    values[0][0, 0] = value
    with pytest.raises(ValueError, match="finite and not negative"):
        with_conductances(base, values)


def test_other_bad_input():
    with pytest.raises(ValueError, match="at least one loading"):
        fit()
    with pytest.raises(ValueError, match="increasing weight fraction"):
        fit(loading(0.30), loading(0.26))
    with pytest.raises(ValueError, match="resamples"):
        fit(loading(0.30), resamples=3)
    with pytest.raises(ValueError, match="between 0 and 1"):
        LoadingThreshold(0.0, 0.0, -1.0)
    with pytest.raises(ValueError, match="0 or more"):
        LoadingThreshold(CRITICAL, np.nan, -1.0)


def test_film_of_a_diluted_lattice_is_that_of_the_whole_lattice_solved():
    # cubes of 6, 9 and 12 bonds at 1.6 times the bond threshold (0.2488, Wang et al. 2013,
    # Phys. Rev. E 87, 052107, from memory) against films of 42 x 14 x 14 solved whole
    share, spread, n, whole = 0.40, 1.0, 48, 8
    lengths = (6.0, 9.0, 12.0)
    rng = np.random.default_rng(77031)
    cubes = tuple(
        np.array([[conductance((int(length),) * 3, share, spread, rng)] for _ in range(n)])
        for length in lengths
    )
    films = np.log(
        [14**2 / conductance((42, 14, 14), share, spread, rng) for _ in range(whole)]
    )
    (result,) = fit(
        replace(
            loading(0.30),
            lengths=lengths,
            sections=tuple(length**2 for length in lengths),
            conductances=cubes,
            strains=(0.0,),
            temperatures=(293.15,),
            diameter=1.0,
        ),
        resamples=100,
    )
    ours = np.log(result.resistivity[0] * 42 + result.electrode_excess[0])
    draws = np.log(
        result.resistivity_draws[:, 0] * 42 + result.electrode_excess_draws[:, 0]
    )
    error = np.hypot(draws.std(), films.std(ddof=1) / np.sqrt(whole))
    assert error < 0.08
    assert ours == pytest.approx(films.mean(), abs=4 * error)


def test_lost_contacts_raise_the_threshold_by_the_contacts_they_cost():
    touching = LoadingThreshold(0.08, 0.0005, -0.8)
    own = film_threshold(touching, 0.1)
    assert own.volume_fraction == pytest.approx(0.08 / 0.9, rel=1e-12)
    assert own.standard_error >= 0.0005 / 0.9
    assert own.aspect_ratio_slope == -0.8
    assert film_threshold(touching, 0.0) == touching
    with pytest.raises(ValueError, match="0 to below 1"):
        film_threshold(touching, 1.0)
