"""Results -> figure of one simulated box and the current in it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.particles.bodies import FLAKE, ROD
from percsim.quantities import two
from percsim.report.series import NothingToDrawError, Run
from percsim.report.style import (
    COPPER,
    INK,
    Figure,
    legend_above,
    new_figure,
    ramp_map,
)

__all__ = ["network_figure"]

MICRO = 1e6
"""Micrometres in a metre."""


def network_figure(run: Run) -> Figure:
    """Draw one box from the side: bodies by voltage, links by the current they carry."""
    if run.sample is None:
        raise NothingToDrawError("no box was kept for a picture")
    particles, links, network, solution = run.sample.solve()
    box, n = particles.box, len(particles)
    along = box.axis
    across = next(k for k in reversed(range(box.dimension)) if k != along)
    currents = np.abs(np.asarray(solution.currents, dtype=float))
    total = 1.0 / solution.resistance if math.isfinite(solution.resistance) else 0.0
    carried = np.zeros(network.n_nodes)
    for end in (0, 1):
        np.add.at(carried, network.resistors[:, end], 0.5 * currents)
    load = carried[:n] / total if total > 0.0 else np.zeros(n)
    volts = np.clip(np.asarray(solution.voltages, dtype=float)[:n], 0.0, 1.0)

    length, height = box.size[along] * MICRO, box.size[across] * MICRO
    # beside a box that stands tall the page would stay empty
    figure = new_figure(5.5, 6.3 if height < 1.3 * length else 5.0)
    axes = figure.subplots()
    axes.set_aspect("equal")
    bar = 0.022 * length
    axes.set_xlim(-bar, length + bar)
    axes.set_ylim(0.0, height)
    _draw_bodies(axes, particles, (along, across), load, volts)
    segments, weights = _current_paths(particles, links, network, currents, along, across)
    strongest = float(weights.max()) / total if total > 0.0 and len(weights) else 0.0
    if strongest > 0.0:
        _draw_currents(axes, segments, weights / (total * strongest))
    _draw_frame(axes, bar, (length, height), across)
    if total <= 0.0:
        axes.set_title("open: no path joins the electrodes", fontsize=9.5)
    else:
        _draw_keys(figure, axes, strongest)
    return figure


def _draw_bodies(
    axes: Any,
    particles: Any,
    plane: tuple[int, int],
    load: NDArray[np.float64],
    volts: NDArray[np.float64],
) -> None:
    """Draw the bodies seen from the side, the busiest filled by their voltage."""
    from matplotlib.collections import EllipseCollection

    axis = particles.axes[:, plane]
    core, ball = particles.core_sizes * MICRO, particles.ball_radii * MICRO
    in_plane = np.linalg.norm(axis, axis=1)
    angle = np.degrees(np.arctan2(axis[:, 1], axis[:, 0]))
    is_flake, is_rod = particles.kinds == FLAKE, particles.kinds == ROD
    # A disc seen from the side is an ellipse, narrow along the part of its normal we see.
    narrow = np.sqrt(np.maximum(1.0 - in_plane**2, 0.0))
    width = 2.0 * (
        ball + np.where(is_flake, core * narrow, np.where(is_rod, core * in_plane, 0.0))
    )
    tall = 2.0 * (ball + np.where(is_flake, core, 0.0))

    def draw(which: NDArray[np.intp], **style: Any) -> None:
        axes.add_collection(
            EllipseCollection(
                width[which],
                tall[which],
                angle[which],
                units="xy",
                offsets=particles.centers[which][:, plane] * MICRO,
                offset_transform=axes.transData,
                **style,
            )
        )

    busiest = np.argsort(load)[::-1]
    busiest = busiest[load[busiest] > 1e-6][:600]
    idle = np.setdiff1d(np.arange(len(load)), busiest)
    idle = idle[:: max(1, len(idle) // 1200)]
    draw(
        idle, facecolors="none", edgecolors="#c3cad0", linewidths=0.5, alpha=0.55, zorder=1
    )
    shown = busiest[::-1]
    if len(shown):
        draw(
            shown,
            facecolors=_shade(volts[shown]),
            edgecolors="white",
            linewidths=0.4,
            alpha=0.62,
            zorder=2,
        )


def _draw_currents(
    axes: Any, segments: NDArray[np.float64], part: NDArray[np.float64]
) -> None:
    """Draw paths of the current, each `part` of the strongest."""
    from matplotlib.collections import LineCollection

    order = np.argsort(part)
    order = order[part[order] > 0.02][-1600:]
    axes.add_collection(
        LineCollection(
            list(segments[order] * MICRO),
            linewidths=_stroke(part[order]),
            colors=COPPER,
            alpha=_opacity(part[order]),
            capstyle="round",
            zorder=4,
        )
    )


def _draw_frame(axes: Any, bar: float, size: tuple[float, float], across: int) -> None:
    """Draw the electrodes, and name the directions."""
    from matplotlib.patches import Rectangle

    length, height = size
    for start in (-bar, length):
        axes.add_patch(Rectangle((start, 0.0), bar, height, fc=INK, ec="none", zorder=6))
    axes.grid(visible=False)
    axes.set_xlabel("along the current, um")
    names = ("along the film, um", "across the width, um", "through the thickness, um")
    axes.set_ylabel(names[across])


def _draw_keys(figure: Figure, axes: Any, strongest: float) -> None:
    """Draw what colours and widths mean."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import ListedColormap
    from matplotlib.lines import Line2D

    colours = ScalarMappable(
        cmap=ListedColormap([_shade(v) for v in np.linspace(0, 1, 64)])
    )
    colours.set_array([0.0, 1.0])
    bar_axes = figure.colorbar(colours, ax=axes, shrink=0.6, aspect=24, pad=0.02)
    bar_axes.set_label("voltage at 1 V across, V")
    bar_axes.outline.set_visible(False)
    strokes = [
        Line2D(
            [],
            [],
            color=COPPER,
            lw=float(_stroke(p)),
            alpha=float(_opacity(p)),
            label=f"{two(100.0 * p * strongest)} % of the current",
        )
        for p in (0.1, 0.4, 1.0)
    ]
    idle = Line2D([], [], ls="", marker="o", mfc="none", mec="#aab2b9", ms=7)
    idle.set_label("little or none")
    legend_above(figure, [*strokes, idle], 2)


def _shade(volts: Any) -> Any:
    """Colour of a body by its voltage at 1 V across."""
    return ramp_map()(0.12 + 0.75 * volts)


def _opacity(part: Any) -> Any:
    """Opacity of a contact by its current over that of the strongest."""
    return 0.3 + 0.65 * np.sqrt(part)


def _stroke(part: Any) -> Any:
    """Line width of a contact by its current over that of the strongest."""
    return 0.3 + 4.4 * np.asarray(part) ** 0.8


def _current_paths(
    particles: Any,
    links: Any,
    network: Any,
    currents: NDArray[np.float64],
    along: int,
    across: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Segments (s, 2, 2) [m], centre to contact point, and the current of each."""
    n = len(particles)
    plane = (along, across)
    row_of = {(int(i), int(j)): k for k, (i, j) in enumerate(links.pairs)}
    arms_i, arms_j = links.arms
    centres = particles.centers
    legs: tuple[tuple[Any, Any], ...]
    segments: list[Any] = []
    weights: list[float] = []
    for (a, b), current in zip(network.resistors, currents, strict=True):
        if current <= 0.0:
            continue
        i, j = (int(a), int(b)) if a < b else (int(b), int(a))
        if j < n:
            k = row_of.get((i, j))
            if k is None:
                continue
            legs = ((centres[i], arms_i[k]), (centres[j], arms_j[k]))
        elif i < n and j in (network.source, network.sink):
            # An electrode contact runs straight to its face.
            leg = np.zeros(particles.box.dimension)
            face = 0.0 if j == network.source else particles.box.size[along]
            leg[along] = face - centres[i][along]
            legs = ((centres[i], leg),)
        else:
            continue
        for start, arm in legs:
            segments.append((start[list(plane)], (start + arm)[list(plane)]))
            weights.append(float(current))
    return np.array(segments, dtype=float).reshape(-1, 2, 2), np.array(weights, dtype=float)
