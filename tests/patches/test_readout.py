"""What matrices of patches read, against closed forms, hand work and a plain twin."""

import numpy as np
import pytest

from percsim.patches.readout import (
    DIODE_SLOPE,
    Wiring,
    cross_talk,
    invert_floating,
    noise_amplification,
    work,
)

RNG = np.random.default_rng(60317)


def scattered(m, n, spread=0.3):
    return 1440.0 * np.exp(spread * RNG.standard_normal((m, n)))


def nodal(resistors, known):
    """Potentials of a network by plain nodal analysis: {(a, b): ohm}, {node: V}."""
    nodes = sorted({x for pair in resistors for x in pair}, key=str)
    at = {x: k for k, x in enumerate(nodes)}
    matrix, right = np.zeros((len(nodes), len(nodes))), np.zeros(len(nodes))
    for (a, b), ohm in resistors.items():
        for p, q in ((a, b), (b, a)):
            matrix[at[p], at[p]] += 1.0 / ohm
            matrix[at[p], at[q]] -= 1.0 / ohm
    for node, volt in known.items():
        matrix[at[node]] = 0.0
        matrix[at[node], at[node]] = 1.0
        right[at[node]] = volt
    solved = np.linalg.solve(matrix, right)
    return {x: solved[k] for x, k in at.items()}


def sheet_of(patches, line, switch):
    """Resistors of a sheet with line resistance, lines followed from their ends."""
    m, n = patches.shape
    resistors = {}
    for i in range(m):
        for j in range(n):
            before = ("r", i, j - 1) if j else ("end r", i)
            above = ("c", i - 1, j) if i else ("end c", j)
            resistors[before, ("r", i, j)] = line + (0.0 if j else switch)
            resistors[above, ("c", i, j)] = line + (0.0 if i else switch)
            resistors[("r", i, j), ("c", i, j)] = patches[i, j]
    return resistors


@pytest.mark.parametrize(("m", "n"), [(1, 1), (2, 2), (3, 5), (8, 4)])
def test_a_floating_matrix_of_equal_patches(m, n):
    # each row and column an equipotential: three groups in series, R/1 parallel paths
    read = Wiring("floating").read(np.full((m, n), 1000.0))
    np.testing.assert_allclose(read, 1000.0 * (m + n - 1) / (m * n), rtol=1e-9)


def test_two_by_two_by_hand():
    # the patch beside the other three in series
    r = np.array([[1000.0, 2000.0], [3000.0, 500.0]])
    read = Wiring("floating").read(r)
    assert read[0, 0] == pytest.approx(1 / (1 / 1000 + 1 / 5500), rel=1e-9)
    assert read[1, 1] == pytest.approx(1 / (1 / 500 + 1 / 6000), rel=1e-9)
    # held with a switch S: (0, 0) driven; two nodes by hand from four equations
    s = 50.0
    g = 1 / r
    matrix = np.array(
        [
            [1 / s + g[0].sum(), 0, -g[0, 0], -g[0, 1]],
            [0, 1 / s + g[1].sum(), -g[1, 0], -g[1, 1]],
            [-g[0, 0], -g[1, 0], 1 / s + g[:, 0].sum(), 0],
            [-g[0, 1], -g[1, 1], 0, 1 / s + g[:, 1].sum()],
        ]
    )
    volts = np.linalg.solve(matrix, [3.3 / s, 0, 0, 0])
    held = Wiring("held", switch=s).read(r)
    assert held[0, 0] == pytest.approx(3.3 / (volts[2] / s), rel=1e-9)
    assert held[0, 1] == pytest.approx(3.3 / (volts[3] / s), rel=1e-9)


def test_held_lines_without_resistance_read_every_patch():
    r = scattered(4, 6)
    np.testing.assert_allclose(Wiring("held").read(r), r, rtol=1e-12)
    # an offset v of column j adds the current of all its patches
    offsets = 1e-3 * np.arange(6)
    want = 3.3 / (3.3 / r - offsets * (1 / r).sum(axis=0))
    np.testing.assert_allclose(Wiring("held").read(r, offsets), want, rtol=1e-12)


@pytest.mark.parametrize(("m", "n", "ohm"), [(100, 100, 6.0), (20, 30, 0.01), (1, 4, 50.0)])
def test_held_lines_with_switches_read_too_much(m, n, ohm):
    # S at the end of every line of equal patches: rows carry the current of n patches, and
    # columns leak into m; together exactly R + (m + n) S, 1.83 times 1.44 kohm for 6 ohm
    read = Wiring("held", switch=ohm).read(np.full((m, n), 1440.0))
    np.testing.assert_allclose(read, 1440.0 + (m + n) * ohm, rtol=1e-9)


@pytest.mark.parametrize(("line", "switch"), [(5.0, 20.0), (5.0, 0.0), (0.0, 20.0)])
@pytest.mark.parametrize("way", ["held", "floating"])
def test_lines_with_resistance_against_nodal_analysis(way, line, switch):
    r = scattered(3, 4)
    # the twin cannot take zero ohm
    resistors = sheet_of(r, max(line, 1e-7), max(switch, 0.0))
    read = Wiring(way, line, switch).read(r)
    offsets = np.array([2e-3, -1e-3, 0.0, 3e-3])
    off = Wiring("held", line, switch).read(r, offsets)
    for i, j in ((0, 0), (2, 1), (1, 3)):
        if way == "floating":
            volts = nodal(resistors, {("end r", i): 1.0, ("end c", j): 0.0})
        else:
            ends = {("end r", k): 0.0 for k in range(3)} | {("end r", i): 3.3}
            volts = nodal(resistors, ends | {("end c", k): 0.0 for k in range(4)})
            moved = nodal(resistors, ends | {("end c", k): offsets[k] for k in range(4)})
            first = resistors[("end c", j), ("c", 0, j)]
            current = (moved["c", 0, j] - moved["end c", j]) / first
            assert off[i, j] == pytest.approx(3.3 / current, rel=1e-5)
        first = resistors[("end c", j), ("c", 0, j)]
        current = (volts["c", 0, j] - volts["end c", j]) / first
        drive = 1.0 if way == "floating" else 3.3
        assert read[i, j] == pytest.approx(drive / current, rel=1e-5)


def test_weights_of_equal_patches():
    m, n = 4, 6
    weights = cross_talk(np.full((m, n), 500.0))[1, 2]
    d = m * n * (m + n - 1)
    want = np.full((m, n), 1 / d)
    want[1], want[:, 2] = (m - 1) ** 2 / d, (n - 1) ** 2 / d
    want[1, 2] = (m + n - 1) ** 2 / d
    np.testing.assert_allclose(weights, want, rtol=1e-8)
    assert weights.sum() == pytest.approx(1.0)


def test_weights_are_the_slopes_of_the_readings():
    r, step = scattered(3, 4), 1e-5
    weights = cross_talk(r)
    for p, q in ((0, 0), (2, 3)):
        up, down = r.copy(), r.copy()
        up[p, q] *= np.exp(step)
        down[p, q] *= np.exp(-step)
        wiring = Wiring("floating")
        slope = np.log(wiring.read(up) / wiring.read(down)) / (2 * step)
        np.testing.assert_allclose(weights[:, :, p, q], slope, rtol=1e-5, atol=1e-8)


def test_a_single_patch_reads_wrong_and_all_together_right():
    # uniform strain moves all alike: weights add to 1; a single patch shows its own weight
    r = np.full((5, 5), 1000.0)
    wiring, one = Wiring("floating"), r.copy()
    one[2, 2] *= 1.03
    assert np.log(wiring.read(1.03 * r) / wiring.read(r)) == pytest.approx(np.log(1.03))
    seen = np.log(wiring.read(one) / wiring.read(r))[2, 2]
    assert seen == pytest.approx(np.log(1.03) * 9 / 25, rel=0.02)


def test_a_floating_matrix_is_inverted_and_amplifies_noise():
    r = scattered(5, 7, 0.5)
    read = Wiring("floating").read(r)
    np.testing.assert_allclose(invert_floating(read), r, rtol=1e-7)
    # the largest stretch of the inverse of the weights: 1 over their least singular value
    m, n = 6, 4
    weights = cross_talk(np.full((m, n), 1.0)).reshape(m * n, m * n)
    least = np.linalg.svd(weights, compute_uv=False).min()
    assert noise_amplification(m, n) == pytest.approx(1 / least, rel=1e-8)
    assert noise_amplification(m, n) == 4.5
    assert noise_amplification(1, 8) == 1.0


def test_a_floating_matrix_refuses_what_no_patches_read():
    read = np.full((3, 3), 1000.0)
    read[0, 0] = 1e7
    with pytest.raises(ValueError, match="no positive resistances"):
        invert_floating(read)


def test_an_open_patch_is_seen_as_open_where_lines_are_held():
    r = scattered(3, 3)
    r[1, 1] = np.inf
    assert Wiring("held").read(r)[1, 1] == np.inf
    assert Wiring().read(r)[1, 1] == np.inf
    # a floating matrix reads it through the others
    assert 500 < Wiring("floating").read(r)[1, 1] < 5000
    others = np.delete(Wiring("held", switch=2.0).read(r).ravel(), 4)
    assert np.isfinite(others).all()


def test_a_common_return_lifts_all():
    # N equal patches at once: the return drops N times the current of one
    r = np.full((2, 5), 1000.0)
    read = Wiring("common return", line=2.0).read(r)
    np.testing.assert_allclose(read, 1000.0 + 10 * 2.0, rtol=1e-12)
    np.testing.assert_allclose(Wiring(line=2.0, switch=3.0).read(r), 1010.0, rtol=1e-12)


def test_diodes_end_cross_talk_and_bring_their_temperature():
    r = scattered(4, 3)
    for way in ("floating", "held"):
        wiring = Wiring(way, diodes=True)
        np.testing.assert_allclose(wiring.read(r), r, rtol=1e-12)
        # the drop falls by 2 mV/K: more voltage is left than the instrument takes off
        warm = wiring.read(r, warming=20.0)
        want = 2.7 / (2.7 - 20.0 * DIODE_SLOPE)
        np.testing.assert_allclose(warm / r, want, rtol=1e-12)
    # a floating patch (i, j): i + 1 and j + 1 pitches of line, and both switches
    lines = 5.0 * (np.arange(4)[:, None] + np.arange(3) + 2.0) + 2 * 20.0
    read = Wiring("floating", 5.0, 20.0, diodes=True).read(r)
    np.testing.assert_allclose(read, r + lines, rtol=1e-12)
    # a held row with line resistance: its patches load it together, here by nodal analysis
    line, switch, row = 5.0, 20.0, r[1]
    resistors = {(("end",), 0): line + switch, (0, 1): line, (1, 2): line}
    # 2 pitches and a switch from the patch of row 1 to the end of its column
    resistors |= {(k, ("ground", k)): row[k] + 2 * line + switch for k in range(3)}
    grounds = {("ground", k): 0.0 for k in range(3)}
    volts = nodal(resistors, {("end",): 2.7} | grounds)
    read = Wiring("held", line, switch, diodes=True).read(r)[1]
    for k in range(3):
        current = volts[k] / resistors[k, ("ground", k)]
        assert read[k] == pytest.approx(2.7 / current, rel=1e-9)


def test_what_cannot_be_read_is_refused():
    with pytest.raises(ValueError, match="way must be one of"):
        Wiring("by hand")
    with pytest.raises(ValueError, match="diode_drop"):
        Wiring("held", supply=0.5, diodes=True)
    with pytest.raises(ValueError, match="0 or more"):
        Wiring("held", line=-1.0)
    with pytest.raises(ValueError, match="shape"):
        Wiring().read(np.ones(3))
    assert work(100, 100, Wiring()) < work(100, 100, Wiring("held", switch=1.0))
    assert work(100, 100, Wiring("held", 1.0)) > work(100, 100, Wiring("held", 0.0, 1.0))
