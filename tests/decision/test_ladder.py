"""What to cast first: coverage of the window and what the readings tell."""

from itertools import combinations

import numpy as np
import pytest

from percsim.decision.ladder import FEWEST_SPREAD, casting_ladder

WINDOW = (700.0, 3000.0)
LOADINGS = np.array([0.10, 0.12, 0.14, 0.17, 0.20])  # volume fractions
GAPS = np.array([2e-3, 5e-3])


def worlds(n, rng, *, exponent=1.8, threshold=0.087):
    """Films whose level is known within a factor of 10, their threshold within 2."""
    log_g0 = np.log(8e-5) + np.log(10.0) / 1.96 * rng.standard_normal(n)
    log_factor = np.log(2.0) / 1.96 * rng.standard_normal(n)
    critical = threshold * np.exp(log_factor)
    columns, cups = [], []
    for k, phi in enumerate(LOADINGS):
        above = phi / critical - 1.0
        for gap in GAPS:
            ratio = np.where(above > 0.0, above, 1.0)
            logs = np.log(1.45e3 * gap / 3e-3) - exponent * np.log(ratio / 1.05)
            columns.append(np.where(above > 0.0, logs - (log_g0 - np.log(8e-5)), np.inf))
            cups.append(k)
    return (
        np.column_stack(columns),
        {"ln_g0": log_g0, "ln_threshold": log_factor},
        np.full(len(cups), 0.2),
        cups,
    )


def test_a_ladder_covers_far_more_than_the_best_recipe():
    # order of magnitude of a prototype's estimate: best single recipe about 0.35, five
    # loadings with two gaps about 0.8, level and threshold then known to 0.99
    rng = np.random.default_rng(3)
    logs, parameters, sd, cups = worlds(6000, rng)
    made = casting_ladder(logs, parameters, sd, WINDOW, cups, rng=rng)
    # 6000 draws know a probability to 0.006; the prototype drew other worlds
    assert made.best_single_probability == pytest.approx(0.35, abs=0.05)
    assert made.covered == pytest.approx(0.8, abs=0.07)
    assert made.covered <= made.reachable < 1.0
    # 0.93 of the variance of the level and 0.96 of that of the threshold; the prototype
    # said 0.99 of both
    assert 0.92 < min(made.known.values()) <= max(made.known.values()) < 1.0
    assert len({cups[r.candidate] for r in made.rungs}) <= 5


def test_probabilities_are_those_of_the_draws():
    rng = np.random.default_rng(5)
    logs, parameters, sd, cups = worlds(4000, rng)
    seed = np.random.default_rng(8)
    made = casting_ladder(logs, parameters, sd, WINDOW, cups, rng=seed)
    noise = np.random.default_rng(8).standard_normal(logs.shape) * sd
    hits = (logs + noise > np.log(WINDOW[0])) & (logs + noise < np.log(WINDOW[1]))
    union = np.zeros(len(logs), dtype=bool)
    for rung in made.rungs:
        assert rung.in_window == hits[:, rung.candidate].mean()
        union |= hits[:, rung.candidate]
        assert rung.covered == union.mean()
        assert rung.is_open == np.isinf(logs[:, rung.candidate]).mean()
    assert made.covered == union.mean()
    assert made.reachable == hits.any(axis=1).mean()


def test_two_rungs_reach_what_submodularity_promises():
    # Nemhauser, Wolsey & Fisher 1978: greedy coverage is at least 1 - 1/e of the best set
    rng = np.random.default_rng(11)
    logs, _, sd, cups = worlds(4000, rng)
    made = casting_ladder(
        logs, {}, sd, WINDOW, cups, most_cups=2, most_gaps=1, rng=np.random.default_rng(1)
    )
    noise = np.random.default_rng(1).standard_normal(logs.shape) * sd
    hits = (logs + noise > np.log(WINDOW[0])) & (logs + noise < np.log(WINDOW[1]))
    best = max(
        hits[:, list(pair)].any(axis=1).mean()
        for pair in combinations(range(len(cups)), 2)
        if cups[pair[0]] != cups[pair[1]]
    )
    assert (1.0 - 1.0 / np.e) * best <= made.covered <= best


def test_what_a_reading_resolves_is_the_linear_gaussian_posterior():
    # y = ln g0 + noise: var(theta | y) / var(theta) = s^2/(s^2 + 1), Bayes' rule
    rng = np.random.default_rng(21)
    n, s = 4000, 0.5
    theta, other = rng.standard_normal((2, n))
    made = casting_ladder(
        (-theta + 7.0)[:, None], {"a": theta, "b": other}, np.array([s]),
        (1.0, 1e9), [0], rng=rng,
    )  # fmt: skip
    assert made.known["a"] == pytest.approx(1.0 / (1.0 + s**2), abs=0.03)
    assert made.known["b"] == pytest.approx(0.0, abs=0.03)


def test_an_open_film_tells_of_the_threshold():
    # half of the worlds open: the sign of a normal number resolves 2/pi of its variance
    rng = np.random.default_rng(23)
    theta = rng.standard_normal(4000)
    logs = np.where(theta > 0.0, np.inf, 7.0)[:, None]
    made = casting_ladder(logs, {"a": theta}, np.array([0.3]), (1.0, 1e9), [0], rng=rng)
    assert made.known["a"] == pytest.approx(2.0 / np.pi, abs=0.03)
    assert made.rungs[0].is_open == pytest.approx(0.5, abs=0.04)


def test_batches_and_gaps_are_limited():
    rng = np.random.default_rng(31)
    logs, parameters, sd, cups = worlds(2000, rng)
    made = casting_ladder(
        logs, parameters, sd, WINDOW, cups, most_cups=3, most_gaps=1, rng=rng
    )
    used = [cups[r.candidate] for r in made.rungs]
    assert len(used) == len(set(used)) <= 3


def test_a_surely_known_film_needs_one_rung():
    rng = np.random.default_rng(2)
    logs = np.full((500, 3), np.log(1000.0))
    made = casting_ladder(logs, {}, np.full(3, FEWEST_SPREAD), WINDOW, [0, 1, 2], rng=rng)
    assert len(made.rungs) == 1
    assert made.covered == 1.0


def test_no_film_can_be_read():
    rng = np.random.default_rng(2)
    made = casting_ladder(
        np.full((500, 2), np.inf), {}, np.full(2, 0.1), WINDOW, [0, 1], rng=rng
    )
    assert made.rungs == ()
    assert made.covered == made.best_single_probability == 0.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"logs": np.full((5, 1), np.nan)}, "NaN"),
        ({"sd": np.zeros(2)}, "one entry"),
        ({"window": (3.0, 1.0)}, "rise"),
        ({"parameters": {"a": np.zeros(3)}}, "parameter a"),
        ({"logs": np.zeros(4)}, "shape"),
    ],
)
def test_bad_input_is_named(change, words):
    given = {
        "logs": np.zeros((5, 1)), "parameters": {}, "sd": np.zeros(1), "window": (1.0, 2.0)
    } | change  # fmt: skip
    with pytest.raises(ValueError, match=words):
        casting_ladder(
            given["logs"], given["parameters"], given["sd"], given["window"], [0],
            rng=np.random.default_rng(0),
        )  # fmt: skip


def test_what_does_not_act_stays_unknown():
    # the variance over the few draws that agree with all readings is too small as it is
    rng = np.random.default_rng(3)
    logs, parameters, sd, cups = worlds(6000, rng)
    parameters |= {"idle": rng.standard_normal(6000)}
    made = casting_ladder(logs, parameters, sd, WINDOW, cups, rng=rng)
    assert made.known["idle"] < 0.04
    assert made.known["ln_threshold"] > 0.9
