"""Figures: every one drawn, none blank, infinite values shown, a broken one isolated."""

from __future__ import annotations

import dataclasses
import io
import os
import subprocess
import sys

import numpy as np
import pytest

from percsim.report import boxes, figures, style
from percsim.report.chapters import CHAPTERS
from percsim.report.chapters.spread import gap_spread_figure
from percsim.report.figures import FIGURES, NothingToDrawError, Run, draw, figure_to_png

ALL = [n for n in FIGURES if not any(n in chapter.figures for chapter in CHAPTERS)]
"""Figures of every run; chapters bring theirs when the summary has them."""


def pixels(png):
    from matplotlib.image import imread

    return imread(io.BytesIO(png))[..., :3]


def run_of(made, sample=None):
    return Run(made.summary, *made.rows(), sample)


def test_every_figure_is_drawn_and_not_blank(invented, sample):
    drawings = list(draw(run_of(invented(), sample)))
    assert [d.name for d in drawings] == ALL
    for drawing in drawings:
        assert not drawing.failed, drawing.note
        picture = pixels(drawing.png)
        assert picture.shape[1] > 900
        assert (picture.min(axis=2) < 0.9).mean() > 0.01, drawing.name
        assert picture[::3, ::3].std() > 0.05
        assert len(drawing.caption) > 40


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
    drawings = {d.name: d for d in draw(run_of(invented(**made)))}
    assert not [d.note for d in drawings.values() if d.failed]
    assert drawings["network"].png is None
    assert "no box was kept" in drawings["network"].note


def test_drawing_twice_gives_the_same_bytes(invented):
    run = run_of(invented(weight_fractions=(0.22, 0.30), gaps=(3e-3,)))
    first, second = (
        next(draw(run, ["resistance_vs_weight_fraction"])).png for _ in range(2)
    )
    assert first == second


def open_markers(figure):
    return sum(
        len(line.get_xdata())
        for axes in figure.axes
        for line in axes.lines
        if line.get_marker() == "^" and line.get_markerfacecolor() == "white"
    )


def test_infinite_values_are_marked_never_dropped(invented):
    run = run_of(invented())
    n_open = sum(np.isinf(c["resistance_ohm"]["median"]) for c in run.candidates)
    assert n_open == 3
    assert open_markers(figures.resistance_figure(run)) == n_open
    assert open_markers(figures.factor_figure(run)) == n_open
    # a string "inf", as read back from a file, is the same
    for c in run.candidates:
        for entry in (c["resistance_ohm"], c["gauge_factor"]):
            entry.update({k: "inf" for k, v in entry.items() if v == float("inf")})
    assert open_markers(figures.resistance_figure(run)) == n_open


def test_ranges_that_end_open_reach_the_top_edge(invented):
    run = run_of(invented())
    figure = figures.resistance_figure(run)
    axes = figure.axes[0]
    top = axes.get_ylim()[1]
    ends = [s[1, 1] for c in axes.collections for s in c.get_segments() if len(s) == 2]
    assert sum(np.isclose(end, top) for end in ends) >= 3
    assert max(ends) <= top * (1.0 + 1e-9)


def bars(axes, width):
    """Vertical lines of a width at least, as (x, low, high)."""
    return [
        (s[0, 0], s[0, 1], s[1, 1])
        for c in axes.collections
        if hasattr(c, "get_segments") and c.get_linewidths()[0] >= width
        for s in c.get_segments()
    ]


def test_simulation_error_of_the_gauge_factor_is_drawn_behind_each_point(invented):
    run = run_of(invented())
    axes = figures.factor_figure(run).axes[0]
    conducting = [c for c in run.candidates if np.isfinite(c["gauge_factor"]["median"])]
    reach = sorted((low, high) for _, low, high in bars(axes, 2.5))
    factors = [
        (c["gauge_factor"]["median"], c["gauge_factor"]["standard_error"])
        for c in conducting
    ] + [
        (c["gauge_factor_initial"], c["gauge_factor_initial_se"])
        for c in run.along("weight_fraction", "electrode_gap_m")
        if c in conducting
    ]
    np.testing.assert_allclose(reach, sorted((m - e, m + e) for m, e in factors))
    points = [line.get_zorder() for line in axes.lines if line.get_marker() == "o"]
    wide = [c for c in axes.collections if c.get_linewidths()[0] >= 2.5]
    assert max(c.get_zorder() for c in wide) < min(points)


def test_simulation_error_of_the_ratio_is_drawn_beside_each_line(invented):
    run = run_of(invented())
    axes = figures.ratio_figure(run).axes[0]
    drawn = bars(axes, 5.0)
    curves = [
        c["response"]
        for c in run.along("weight_fraction", "electrode_gap_m")
        if np.isfinite(c["response"]["median"][-1])
    ]
    assert min(x for x, *_ in drawn) > 3000.0
    assert max(axes.get_xticks()) <= 3000.0
    np.testing.assert_allclose(
        [(low, high) for _, low, high in drawn],
        [
            (r["median"][-1] - r["standard_error"][-1],
             r["median"][-1] + r["standard_error"][-1])
            for r in curves
        ],
    )  # fmt: skip


def test_bars_of_a_window_in_compression_stand_where_the_errors_are(invented):
    made = invented()
    for c in made.summary["candidates"]:
        c["response"]["strain"] = [-e for e in reversed(c["response"]["strain"])]
        for key in ("median", "p05", "p95", "standard_error"):
            c["response"][key] = c["response"][key][::-1]
    drawn = bars(figures.ratio_figure(run_of(made)).axes[0], 5.0)
    assert drawn
    assert max(x for x, *_ in drawn) < -3000.0


def test_an_error_without_bound_reaches_both_edges_and_none_is_no_bar(invented):
    made = invented(weight_fractions=(0.26, 0.30), gaps=(3e-3,))
    first, second = made.summary["candidates"]
    first["gauge_factor"]["standard_error"] = "inf"
    del second["gauge_factor"]["standard_error"]
    for c in (first, second):
        c["gauge_factor_initial_se"] = None
    axes = figures.factor_figure(run_of(made)).axes[0]
    ((_, low, high),) = bars(axes, 2.5)
    assert (low, high) == axes.get_ylim()


def test_a_huge_error_does_not_squash_the_rest():
    ends = style.within_reach([np.array([10.0, 20.0])], [np.array([-1e6, 15.0, 1e6])])
    np.testing.assert_array_equal(ends, [0.0, 15.0, 30.0])


def test_errors_of_a_length_are_those_given(invented):
    made = invented()
    fit = made.summary["fits"][-1]
    length, inverse = np.array(fit["lengths_m"]), np.array(fit["mean_inverse"])
    run = run_of(made)
    given = boxes._inverse_errors(run, fit, length, inverse)
    np.testing.assert_array_equal(given, fit["mean_inverse_se"])
    # of a single box it is not known: the scatter of the longest boxes, 16 of this length
    fit["mean_inverse_se"] = [7.0, "inf", 9.0]
    np.testing.assert_allclose(
        boxes._inverse_errors(run, fit, length, inverse),
        [7.0, inverse[1] * fit["box_cv"] / 4.0, 9.0],
    )


def test_threshold_is_drawn_at_its_weight_fraction_with_its_error(invented):
    run = run_of(invented())
    w, error, reach = style.threshold_in_weight(run.summary["threshold"])
    assert w == 0.17
    # by hand: w = phi rf / (phi rf + (1 - phi) re) at 2250 and 1030 kg/m3
    phi = run.summary["threshold"]["volume_fraction"] + 0.0011
    assert error == pytest.approx(
        phi * 2250 / (phi * 2250 + (1 - phi) * 1030) - 0.17, rel=1e-6
    )
    assert reach[0] < w < reach[1]
    axes = figures.resistance_figure(run).axes[0]
    assert any(np.allclose(line.get_xdata(), 17.0) for line in axes.lines)
    assert style.threshold_in_weight({}) is None


def test_stacked_shares_add_up_to_the_spread(invented):
    run = run_of(invented())
    axes = gap_spread_figure(run).axes[0]
    rows = run.along("electrode_gap_m", "weight_fraction")
    tops = np.zeros(len(rows))
    for bar in axes.patches:
        if bar.get_height() > 0.0:
            k = round(bar.get_x() + 0.5 * bar.get_width())
            tops[k] = max(tops[k], bar.get_y() + bar.get_height())
    assert tops == pytest.approx([100.0 * row["resistance_cv"] for row in rows])


def test_map_prints_every_share(invented):
    run = run_of(invented())
    texts = [t.get_text() for t in figures.map_figure(run).axes[0].texts]
    assert len(texts) == 2 * len(run.candidates)
    assert "100 %" in texts


def test_castings_that_are_open_are_counted(invented):
    made = invented(weight_fractions=(0.18,), gaps=(3e-3,))
    figure = figures.castings_figure(run_of(made))
    share = np.mean([np.isinf(row["resistance_ohm"]) for row in made.castings])
    assert share > 0
    assert any("open:" in t.get_text() for t in figure.axes[0].texts)
    bars = sum(
        p.get_height()
        for p in figure.axes[0].patches
        if p.get_width() > 0 and p.get_y() >= 0
    )
    assert bars <= 100.0 + 1e-9 + 1.0  # the window of the target is a patch of height 1
    with pytest.raises(NothingToDrawError):
        figures.castings_figure(dataclasses.replace(run_of(made), castings=()))


def test_current_runs_from_face_to_face(sample):
    particles, links, network, solution = sample
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
    particles, links, network, solution = sample
    dead = dataclasses.replace(
        solution,
        resistance=np.inf,
        lower=np.inf,
        upper=np.inf,
        voltages=np.zeros_like(solution.voltages),
        currents=np.zeros_like(solution.currents),
    )
    run = Run({"candidates": []}, sample=(particles, links, network, dead))
    figure = boxes.network_figure(run)
    assert "open" in figure.axes[0].get_title()
    assert figure_to_png(figure)[:4] == b"\x89PNG"


def test_a_figure_that_breaks_leaves_the_rest(invented):
    made = invented()
    made.summary["fits"] = [{"lengths_m": [object()], "mean_inverse": 3}]
    made.summary["candidates"][0]["spread_shares"] = "not a table"
    names = ["box_fits", "spread_vs_gap", "pass_map", "ratio_vs_strain"]
    drawings = {d.name: d for d in draw(run_of(made), names)}
    assert drawings["box_fits"].failed
    assert "Error" in drawings["box_fits"].note
    assert sum(d.png is not None for d in drawings.values()) >= 2


def test_no_candidate_is_a_reason_not_a_failure():
    drawings = list(draw(Run({})))
    assert drawings
    assert not any(d.failed or d.png for d in drawings)
    assert all(d.note for d in drawings)


def test_contrast_of_labels_is_readable():
    # WCAG 2.1 asks 4.5 of body text; ink or white give at least 3.8 on every tone between
    def luminance(colour):
        from matplotlib.colors import to_rgb

        c = np.array(to_rgb(colour))
        c = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(c @ (0.2126, 0.7152, 0.0722))

    ramp = style.ramp_map()
    for colour in [
        *style.SHARE_COLOURS.values(),
        *(ramp(0.95 * x) for x in np.linspace(0, 1, 41)),
    ]:
        pair = sorted((luminance(colour), luminance(style.text_on(colour))))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) > 3.8


def test_matplotlib_is_imported_only_to_draw_and_never_its_global_figures():
    code = """
import sys
from percsim.report.figures import Run, draw
import percsim.report.page
assert "matplotlib" not in sys.modules and "jinja2" not in sys.modules
row = {"weight_fraction": 0.3, "electrode_gap_m": 3e-3, "pass_share": {"value": 0.9}}
drawing = next(draw(Run({"candidates": [row]}), ["pass_map"]))
assert drawing.png, drawing.note
assert "matplotlib.pyplot" not in sys.modules
"""
    done = subprocess.run(
        [sys.executable, "-c", code], check=False, env=os.environ | {"PYTHONPATH": "."}
    )
    assert done.returncode == 0


def test_global_settings_are_left_alone(invented):
    import matplotlib

    before = dict(matplotlib.rcParams)
    list(draw(run_of(invented(weight_fractions=(0.3,), gaps=(3e-3,))), ["pass_map"]))
    assert dict(matplotlib.rcParams) == before


def test_an_initial_slope_lost_in_its_error_is_not_drawn(invented):
    def diamonds(made):
        axes = figures.factor_figure(run_of(made)).axes[0]
        labels = [t.get_text() for g in axes.figure.legends for t in g.get_texts()]
        labels += [
            t.get_text()
            for t in (axes.get_legend().get_texts() if axes.get_legend() else [])
        ]
        drawn = sum(
            len(line.get_xdata()) for line in axes.lines if line.get_marker() == "D"
        )
        return drawn, any("initial slope" in label for label in labels)

    made = invented(weight_fractions=(0.26, 0.30), gaps=(3e-3,))
    assert diamonds(made) == (2, True)
    first, second = made.summary["candidates"]
    first["gauge_factor_initial_se"] = 1.1 * first["gauge_factor_initial"]
    assert diamonds(made) == (1, True)
    second["gauge_factor_initial_se"] = "inf"
    assert diamonds(made) == (0, False)


def test_no_share_is_written_over_a_bar_too_low_for_it(invented):
    # a spread far below the largest asked for makes low bars in tall axes
    made = invented(gaps=(2e-3, 3e-3))
    axes = gap_spread_figure(run_of(made)).axes[0]
    assert any("%" in text.get_text() for text in axes.texts)
    for row in made.summary["candidates"]:
        row["resistance_cv"], row["resistance_cv_se"] = 0.003, 1e-4
    axes = gap_spread_figure(run_of(made)).axes[0]
    assert axes.get_ylim()[1] > 10.0
    assert not axes.texts
