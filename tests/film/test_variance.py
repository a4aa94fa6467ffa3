"""Shares of variance against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from reference import made_up_boxes
from reference.made_up_boxes import FILM, SHORT, loading

from percsim.film import Film, Tolerances
from percsim.film.variance import (
    first_order_indices,
    halvings,
    nested_spread,
    variance_shares,
)

SEED = np.random.SeedSequence(55021)
NONE = Tolerances.none()


def cast(tolerances, *, n=2000, weights=(0.26, 0.30, 0.34), index=1, film=FILM, **boxes):
    loadings = [loading(w, **boxes) for w in weights]
    return made_up_boxes.cast(loadings, index, tolerances, n, SEED, film=film)[0]


def test_ishigami():
    """Ishigami & Homma 1990, a = 7, b = 0.1: the indices in closed form.

    D1 = (1 + b pi^4/5)^2/2, D2 = a^2/8, D13 = b^2 pi^8 (1/18 - 1/50); Saltelli et al.,
    Sensitivity Analysis (2000), from memory, rederived.
    """
    a, b, n = 7.0, 0.1, 2**15
    rng = np.random.default_rng(90872)
    x, y = rng.uniform(-np.pi, np.pi, (2, 3, n))

    def f(x):
        return np.sin(x[0]) + a * np.sin(x[1]) ** 2 + b * x[2] ** 4 * np.sin(x[0])

    mixed = []
    for k in range(3):
        z = x.copy()
        z[k] = y[k]
        mixed.append(f(z)[None])
    (shares,) = first_order_indices(f(x)[None], f(y)[None], np.stack(mixed), rng)
    d1, d2 = (1 + b * np.pi**4 / 5) ** 2 / 2, a**2 / 8
    d13 = b**2 * np.pi**8 * (1 / 18 - 1 / 50)
    whole = d1 + d2 + d13
    assert whole == pytest.approx(13.8446, abs=1e-3)  # printed value, from memory
    for got, want, total in zip(shares, (d1, d2, 0.0), (d1 + d13, d2, d13), strict=True):
        assert got.low - 0.01 < want / whole < got.high + 0.01
        assert got.first_order == pytest.approx(want / whole, abs=0.03)
        assert got.total == pytest.approx(total / whole, abs=0.03)
        assert 0.0 < got.high - got.low < 0.08


def test_intervals_hold_the_truth_as_often_as_they_say():
    # y = x0 + 2 x1, normal: shares 0.2 and 0.8; 200 repeats of 512 rows
    inside = 0
    for k in range(200):
        rng = np.random.default_rng([k, 331])
        x, y = rng.standard_normal((2, 2, 512))
        c = np.array([1.0, 2.0])
        mixed = np.stack([c @ [y[0], x[1]], c @ [x[0], y[1]]])[:, None]
        (shares,) = first_order_indices((c @ x)[None], (c @ y)[None], mixed, rng)
        inside += shares[0].low <= 0.2 <= shares[0].high
    # binomial: 95 % of 200 within 4 standard errors of 3.1
    assert 177 <= inside <= 200


LOG_NORMAL = replace(
    NONE, contact=0.12, thickness=0.08, width=1e-4, response=0.05, instrument=0.03
)
VARIANCES = {
    "contact": 0.12**2,
    "thickness": 0.08**2,
    "width": (0.1 / 6) ** 2,
    "instrument": 0.03**2,
}
"""Of ln R at rest: independent normals, so that variances add."""


def test_shares_of_a_log_normal_case():
    found, used = variance_shares(cast(LOG_NORMAL), SEED)
    assert used == 8192
    whole = sum(VARIANCES.values())
    for name, share in found["log_resistance"].items():
        want = VARIANCES.get(name, 0.0) / whole
        assert share.first_order == pytest.approx(want, abs=0.04)
        assert share.low - 0.01 <= want <= share.high + 0.01
        assert share.total == pytest.approx(want, abs=0.02)
    # gauge factor: 15 e r and two readings, to first order
    of_gauge = {"response": (15 * 3e-3 * 0.05) ** 2, "instrument": 2 * 0.03**2}
    for name, share in found["gauge_factor"].items():
        want = of_gauge.get(name, 0.0) / sum(of_gauge.values())
        assert share.first_order == pytest.approx(want, abs=0.04)


def test_nested_components_of_a_log_normal_case():
    found, used = nested_spread(cast(LOG_NORMAL), SEED)
    assert used == 4096
    r = found["log_resistance"]
    between = sum(VARIANCES.values()) - 0.03**2
    assert r.trials[0] == pytest.approx(0.03**2, rel=4 * np.sqrt(2 / (2 * used)))
    assert r.castings[0] == pytest.approx(between, rel=4 * np.sqrt(2 / used))
    assert r.trials[1] < 0.03**2 < r.trials[2]
    assert r.castings[1] < between < r.castings[2]
    assert r.one_lot[0] == pytest.approx(r.castings[0], rel=1e-12)  # nothing of the lot
    assert r.repeatability == pytest.approx(0.03, rel=0.05)
    assert r.reproducibility == pytest.approx(np.sqrt(between + 0.03**2), rel=0.05)
    assert r.casting_share == pytest.approx(between / (between + 0.03**2), abs=0.01)
    assert r.mean == pytest.approx(np.log(cast(NONE, n=2).nominal[0]), abs=0.01)


def test_one_lot_leaves_out_what_the_powder_does():
    tol = replace(NONE, contact=0.10, particle_size=0.10)
    r = nested_spread(cast(tol), SEED)[0]["log_resistance"]
    assert r.one_lot[0] == pytest.approx(0.01, rel=4 * np.sqrt(2 / 4096))
    # ln R = ln size + ln(gap - short size): slope (L - 2 s)/(L - s) at the size planned
    slope = (3e-3 - 2 * SHORT) / (3e-3 - SHORT)
    assert r.castings[0] == pytest.approx(
        0.01 + (0.10 * slope) ** 2, rel=4 * np.sqrt(2 / 4096)
    )
    assert r.reproducibility > r.intermediate_precision > r.repeatability


def test_chains_alone_are_the_whole_variance():
    small = Film(thickness=0.1e-3, width=0.4e-3, electrode_gap=0.5e-3)
    found, _ = variance_shares(
        cast(NONE, film=small, weights=(0.28, 0.30), seed=17, box_spread=0.2), SEED, n=1024
    )
    assert found["log_resistance"]["chains"].first_order == pytest.approx(1.0, abs=0.15)
    assert found["log_resistance"]["chains"].total == pytest.approx(1.0, abs=0.15)
    assert found["log_resistance"]["mixing"].first_order == 0.0


def test_open_castings_are_left_out_or_forbid_shares():
    some = cast(replace(NONE, mixing=0.05), weights=(0.185, 0.26, 0.30), index=0)
    assert 0.02 < some.open_fraction < 0.4
    found, used = variance_shares(some, SEED, n=1024)
    assert used in (512, 1024)
    assert found["log_resistance"]["mixing"].total == pytest.approx(1.0, abs=0.2)
    spreads, kept = nested_spread(some, SEED, n=1000)
    assert kept < 1000
    assert np.isfinite(spreads["log_resistance"].castings).all()
    closed = cast(replace(NONE, mixing=0.01), weights=(0.15, 0.26, 0.30), index=0)
    assert variance_shares(closed, SEED, n=512) == ({}, 0)
    assert nested_spread(closed, SEED, n=100)[0] == {}


def test_halving_a_log_normal_tolerance():
    rows = {row.name: row for row in halvings(cast(LOG_NORMAL, n=20000), SEED)}
    whole = sum(VARIANCES.values())
    assert rows[""].resistance_cv == pytest.approx(np.sqrt(np.expm1(whole)), rel=0.03)
    for name in ("contact", "thickness", "instrument"):
        less = whole - 0.75 * VARIANCES[name]
        fall = np.sqrt(np.expm1(whole)) - np.sqrt(np.expm1(less))
        got = rows[""].resistance_cv - rows[name].resistance_cv
        assert got == pytest.approx(fall, abs=4 * rows[name].resistance_cv_error)
        assert 0.0 < rows[name].resistance_cv_error < 0.2 * fall + 1e-4
    for name in ("mixing", "chains"):
        assert rows[name].resistance_cv == pytest.approx(rows[""].resistance_cv, rel=1e-9)
    calm = replace(LOG_NORMAL, instrument=0.0)
    by_name = {row.name: row for row in halvings(cast(calm), SEED)}
    assert by_name["response"].gauge_factor_cv == pytest.approx(
        0.5 * by_name[""].gauge_factor_cv, rel=0.02
    )
    # a trial is no part of a casting
    np.testing.assert_array_equal(
        rows["instrument"].log_resistance, rows[""].log_resistance
    )


def test_same_seed_same_digits():
    a, b = (variance_shares(cast(Tolerances()), SEED, n=256) for _ in range(2))
    assert a == b
