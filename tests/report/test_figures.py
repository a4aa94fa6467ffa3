"""Figures: every one drawn, none blank, infinite values shown, a broken one isolated."""

from __future__ import annotations

import dataclasses
import io
import itertools
import os
import signal
import subprocess
import sys

import numpy as np
import pytest

from percsim.boxes.pool import LocalProcesses
from percsim.findings.tables import columns_of
from percsim.report import boxes, figures, style
from percsim.report.chapters import chapters_of
from percsim.report.chapters.unknown import CAUSES
from percsim.report.figures import (
    FIGURES,
    BoxPicture,
    NothingToDrawError,
    Run,
    draw,
    figure_to_png,
    fingerprint_of,
)

NAMES = ("loadings", "castings", "network")
"""Figures of the invented run."""


def pixels(png):
    from matplotlib.image import imread

    return imread(io.BytesIO(png))[..., :3]


def run_of(made, sample=None):
    index = made.summary["chosen"]
    index = made.summary["nearest"] if index is None else index
    mine = [row for row in made.castings if row["candidate"] == index]
    return Run(made.summary, columns_of(mine), sample)


def test_every_figure_is_drawn_and_not_blank(invented, sample):
    drawings = list(draw(run_of(invented(), sample), NAMES))
    assert [d.name for d in drawings] == list(NAMES)
    for drawing in drawings:
        assert not drawing.failed, drawing.note
        picture = pixels(drawing.png)
        assert picture.shape[1] > 900
        assert (picture.min(axis=2) < 0.9).mean() > 0.01, drawing.name
        assert picture[::3, ::3].std() > 0.05


@pytest.mark.parametrize(
    "made",
    [
        {"weight_fractions": (0.12, 0.14)},
        {"weight_fractions": (0.30,), "gaps": (3e-3,), "temperatures": (293.15,)},
        {"limits": (40.0, 60.0)},
        {"weight_fractions": tuple(np.linspace(0.14, 0.36, 12).round(3)), "gaps": (3e-3,)},
        {"gaps": (1e-3, 2e-3, 3e-3, 4e-3, 5e-3, 6e-3, 8e-3)},
    ],
    ids=["all open", "one candidate", "none chosen", "many loadings", "many gaps"],
)
def test_figures_of_unusual_runs(invented, made, monkeypatch):
    monkeypatch.setattr(figures, "DPI", 60)
    run = run_of(invented(**made))
    drawings = {d.name: d for d in draw(run, [c.figure for c in chapters_of(run.summary)
                                              if c.figure])}  # fmt: skip
    assert not [d.note for d in drawings.values() if d.failed]
    assert drawings["loadings"].png is not None
    assert "no box was kept" in drawings["network"].note


def test_a_process_beside_draws_the_same(invented):
    """And where it dies, figures are drawn here."""
    run = run_of(invented(weight_fractions=(0.22, 0.30), gaps=(3e-3,)))
    names = ["loadings", "castings", "unknown"]
    here = list(draw(run, names))
    with LocalProcesses(1) as beside:
        assert list(draw(run, names, None, beside)) == here
        drawings = draw(run, names, None, beside)
        next(drawings)
        for number in beside.process_ids:
            os.kill(number, signal.SIGKILL)
        assert list(drawings) == here[1:]


def test_drawing_twice_gives_the_same_bytes(invented):
    run = run_of(invented(weight_fractions=(0.22, 0.30), gaps=(3e-3,)))
    first, second = (next(draw(run, ["loadings"])).png for _ in range(2))
    assert first == second


def test_a_picture_stands_while_its_data_do(invented, tmp_path, monkeypatch):
    made = invented(weight_fractions=(0.22, 0.30), gaps=(3e-3,))
    names = ["loadings", "castings"]

    def saved(run):
        for drawing in draw(run, names, tmp_path):
            (tmp_path / f"{drawing.name}.png").write_bytes(drawing.png)
        return [(tmp_path / f"{name}.png").read_bytes() for name in names]

    before = saved(run_of(made))
    assert all(len(fingerprint_of(png)) == 64 for png in before)

    drawn = []
    whole = figures.figure_to_png
    monkeypatch.setattr(
        figures, "figure_to_png", lambda *given: drawn.append(1) or whole(*given)
    )
    assert saved(run_of(made)) == before
    assert not drawn
    # what no figure reads draws nothing again
    made.summary["created"] = "another day"
    assert saved(run_of(made)) == before
    assert not drawn
    # what one of them reads draws that one
    made.summary["threshold"]["film_weight_fraction"] = 0.2
    after = saved(run_of(made))
    assert len(drawn) == 1
    assert (after[0] == before[0], after[1] == before[1]) == (False, True)
    # a damaged picture, and one of other code, is drawn again
    (tmp_path / "castings.png").write_bytes(b"no picture")
    assert saved(run_of(made))[1] == before[1]
    monkeypatch.setattr(figures, "_code", lambda: "another version")
    saved(run_of(made))
    assert len(drawn) == 4


def test_a_figure_sees_only_what_it_reads(invented):
    run = run_of(invented()).restricted(FIGURES["loadings"].reads)
    assert set(run.summary) <= set(FIGURES["loadings"].reads)
    assert run.castings == {}


def test_a_box_is_solved_only_when_it_is_drawn(sample, tmp_path):
    solved = []

    def solve():
        solved.append(1)
        return sample.solve()

    run = Run({}, sample=BoxPicture("a box", solve))
    for _ in range(2):
        (drawing,) = draw(run, ["network"], tmp_path)
        (tmp_path / "network.png").write_bytes(drawing.png)
    assert len(solved) == 1


def open_markers(figure):
    return sum(
        len(line.get_xdata())
        for axes in figure.axes
        for line in axes.lines
        if line.get_marker() == "^" and line.get_markerfacecolor() == "white"
    )


def test_infinite_values_are_marked_never_dropped(invented):
    run = run_of(invented())
    # at the deciding gap, once in each panel
    n_open = sum(
        np.isinf(c["resistance_ohm"]["median"])
        for c in run.along("weight_fraction", "electrode_gap_m")
    )
    assert n_open == 1
    assert open_markers(figures.loadings_figure(run)) == 2 * n_open
    # a string "inf", as read back from a file, is the same
    for c in run.candidates:
        for entry in (c["resistance_ohm"], c["gauge_factor"]):
            entry.update({k: "inf" for k, v in entry.items() if v == float("inf")})
    assert open_markers(figures.loadings_figure(run)) == 2 * n_open


def test_points_stand_at_their_loadings(invented):
    run = run_of(invented())
    weights = 100.0 * np.array(run.values("weight_fraction"))
    for axes in figures.loadings_figure(run).axes:
        drawn = [
            x for line in axes.lines if line.get_marker() in ("o", "s", "^") for x in
            line.get_xdata()
        ]  # fmt: skip
        assert len(drawn) >= 5
        assert all(np.isclose(weights, x).any() for x in drawn)


def bars(axes, width):
    """Vertical lines of a width at least, as (x, low, high)."""
    return [
        (s[0, 0], s[0, 1], s[1, 1])
        for c in axes.collections
        if hasattr(c, "get_segments") and c.get_linewidths()[0] >= width
        for s in c.get_segments()
    ]


def test_simulation_errors_are_drawn_behind_each_point(invented):
    run = run_of(invented())
    for axes, key, factor in zip(
        figures.loadings_figure(run).axes, ("resistance_ohm", "gauge_factor"), (1e-3, 1.0),
        strict=True,
    ):  # fmt: skip
        entries = [c[key] for c in run.along("weight_fraction", "electrode_gap_m")]
        known = [e for e in entries if np.isfinite(e["median"])]
        log = axes.get_yscale() == "log"
        wanted = []
        for e in known:
            m, s = e["median"], e["standard_error"]
            wanted.append((m / np.exp(s / m), m * np.exp(s / m)) if log else (m - s, m + s))
        reach = sorted((low, high) for _, low, high in bars(axes, 5.0))
        np.testing.assert_allclose(reach, factor * np.array(sorted(wanted)))
        points = [
            line.get_zorder()
            for line in axes.lines
            if line.get_marker() in ("o", "s", "^")
            and line.get_markerfacecolor() != "white"
        ]
        wide = [c for c in axes.collections if hasattr(c, "get_segments")]
        assert max(c.get_zorder() for c in wide) < min(points)


def test_the_threshold_drawn_is_the_one_that_judges(invented):
    made = invented()

    def drawn():
        axes = figures.loadings_figure(run_of(made)).axes[0]
        return {float(x) for line in axes.lines if len(set(line.get_xdata())) == 1
                for x in line.get_xdata() if line.get_marker() == "None"}  # fmt: skip

    assert 17.0 in drawn()
    made.summary["threshold"] |= {
        "film_weight_fraction": 0.19, "film_volume_fraction": 0.1,
        "film_standard_error": 0.002,
    }  # fmt: skip
    assert 19.0 in drawn()
    assert 17.0 not in drawn()
    made.summary["threshold"] |= {
        "measured_weight_fraction": 0.2, "measured_weight_fraction_p05": 0.19,
        "measured_weight_fraction_p95": 0.22,
    }  # fmt: skip
    assert 20.0 in drawn()


@pytest.mark.parametrize("limits", [(), (1.3,), (0.7, 3.0)])
def test_edges_of_the_histogram_stand_on_those_of_the_window(limits):
    values = np.exp(np.random.default_rng(5).normal(0.4, 0.3, 700))
    edges = figures._log_bins(values, limits)
    for limit in limits:
        assert np.isclose(edges, limit).any()
    assert edges[0] <= values.min()
    assert edges[-1] >= values.max()
    np.testing.assert_allclose(np.diff(np.log(edges)), np.diff(np.log(edges))[0])
    # all the same
    assert len(figures._log_bins(np.ones(5), limits)) > 1


def test_castings_that_are_open_are_counted(invented):
    made = invented(weight_fractions=(0.18,), gaps=(3e-3,))
    figure = figures.castings_figure(run_of(made))
    share = np.mean([np.isinf(row["resistance_ohm"]) for row in made.castings])
    assert share > 0
    assert "open:" in figure.axes[0].get_title(loc="right")
    bars = sum(
        p.get_height()
        for p in figure.axes[0].patches
        if p.get_width() > 0 and p.get_y() >= 0
    )
    assert bars <= 100.0 + 1e-9 + 1.0  # the window of the target is a patch of height 1
    with pytest.raises(NothingToDrawError):
        figures.castings_figure(dataclasses.replace(run_of(made), castings={}))


def test_current_runs_from_face_to_face(sample):
    particles, links, network, solution = sample.solve()
    currents = np.abs(solution.currents)
    segments, weights = boxes._current_paths(particles, links, network, currents, 0, 2)
    length = particles.box.length
    at_source = np.isclose(segments[:, 1, 0], 0.0)
    at_sink = np.isclose(segments[:, 1, 0], length)
    # conservation: what enters at one face leaves at the other
    assert weights[at_source].sum() == pytest.approx(1.0 / solution.resistance, rel=1e-6)
    assert weights[at_sink].sum() == pytest.approx(1.0 / solution.resistance, rel=1e-6)
    # a body reaches the face it is drawn to
    reach = (particles.core_sizes + particles.ball_radii).max()
    electrode = segments[at_source | at_sink]
    assert abs(electrode[:, 1, 0] - electrode[:, 0, 0]).max() <= reach
    # both legs of a contact meet, up to the image used
    inner = ~(at_source | at_sink)
    steps = (segments[inner][0::2, 1] - segments[inner][1::2, 1]) / length
    assert np.allclose(steps, np.round(steps), atol=1e-9)


def test_an_open_box_is_drawn_as_open(sample):
    particles, links, network, solution = sample.solve()
    dead = dataclasses.replace(
        solution,
        resistance=np.inf,
        lower=np.inf,
        upper=np.inf,
        voltages=np.zeros_like(solution.voltages),
        currents=np.zeros_like(solution.currents),
    )
    box = BoxPicture("dead", lambda: (particles, links, network, dead))
    run = Run({}, sample=box)
    figure = boxes.network_figure(run)
    assert "open" in figure.axes[0].get_title()
    assert figure_to_png(figure)[:4] == b"\x89PNG"


def test_a_figure_that_breaks_leaves_the_rest(invented):
    made = invented()
    for candidate in made.summary["candidates"]:
        candidate["gauge_factor"] = "not a table"
    drawings = {d.name: d for d in draw(run_of(made), ["loadings", "castings"])}
    assert drawings["loadings"].failed
    assert "Error" in drawings["loadings"].note
    assert drawings["castings"].png is not None


def test_no_candidate_is_a_reason_not_a_failure():
    drawings = list(draw(Run({}), NAMES))
    assert len(drawings) == len(NAMES)
    assert not any(d.failed or d.png for d in drawings)
    assert all(d.note for d in drawings)


def luminance(colour):
    from matplotlib.colors import to_rgb

    c = np.array(to_rgb(colour))
    c = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(c @ (0.2126, 0.7152, 0.0722))


def test_colours_tell_apart_in_grey():
    # of each pair beside each other, by a contrast of 1.4 or a hatch of its own
    drawn = list(CAUSES.values())
    for (first, hatch), (second, other) in itertools.pairwise(drawn):
        pair = sorted((luminance(first), luminance(second)))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) > 1.4 or hatch != other
    assert len(set(style.GAP_MARKERS)) == len(style.GAP_COLOURS)
    for first, second in itertools.pairwise(style.GAP_COLOURS):
        pair = sorted((luminance(first), luminance(second)))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) > 1.4


def test_matplotlib_is_imported_only_to_draw_and_never_its_global_figures():
    code = """
import sys
from percsim.report.figures import Run, draw
import percsim.report.page
assert "matplotlib" not in sys.modules and "jinja2" not in sys.modules
row = {"weight_fraction": 0.3, "electrode_gap_m": 3e-3, "resistance_ohm": {"median": 9.0},
       "gauge_factor": {"median": 3.0}}
drawing = next(draw(Run({"candidates": [row], "nearest": 0}), ["loadings"]))
assert drawing.png, drawing.note
assert "matplotlib.pyplot" not in sys.modules
"""
    done = subprocess.run(
        [sys.executable, "-c", code], check=False, env=os.environ | {"PYTHONPATH": "."}
    )
    assert done.returncode == 0


def test_fonts_that_a_machine_lacks_are_not_told_on_the_terminal():
    code = """
import sys
from percsim.report.style import new_figure
figure = new_figure(2.0)
figure.text(0.1, 0.1, "a", family="a family that nobody has")
from percsim.report.figures import figure_to_png
figure_to_png(figure)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True,
        env=os.environ | {"PYTHONPATH": "."},
    )  # fmt: skip
    assert done.stderr == ""


def test_global_settings_are_left_alone(invented):
    import matplotlib

    before = dict(matplotlib.rcParams)
    list(draw(run_of(invented(weight_fractions=(0.3,), gaps=(3e-3,))), ["loadings"]))
    assert dict(matplotlib.rcParams) == before
