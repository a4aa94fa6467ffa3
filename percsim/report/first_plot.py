"""The one plot of the first page, R against weight fraction, as a drawing in the page.

Lines differ in kind as well as in colour, so that it reads in grey print. What is open, or
beyond the axis, stands at the upper edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape

from percsim.first_page import FirstPage, Plot, Read
from percsim.quantities import resistance, weight
from percsim.words.first import plot_line

__all__ = ["plot_svg", "reach"]

WIDTH, HEIGHT = 460.0, 250.0
LEFT, RIGHT, TOP, BOTTOM = 66.0, 14.0, 38.0, 40.0
"""Margins [px]."""
LINE = 13.0
"""Height of a line of text [px]."""
LETTER = 6.1
"""Width of a letter, on average [px]."""
BELOW, ABOVE = 12.0, 30.0
"""How far the axis of R reaches beyond the window, as factors."""
LONGEST = 20
"""Letters of a name; longer ones end in dots."""


@dataclass(frozen=True, slots=True)
class _Axes:
    """Where weight fractions and resistances stand [px]."""

    weights: tuple[float, float]
    ohms: tuple[float, float]

    def x(self, weight_fraction: float) -> float:
        low, high = self.weights
        share = (weight_fraction - low) / (high - low)
        return LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT - RIGHT)

    def y(self, ohms: float, beyond: float = 0.0) -> float:
        """Of R; what is open or beyond the axis at its edge, or so many axes beyond it."""
        low, high = (math.log(x) for x in self.ohms)
        value = math.log(ohms) if 0.0 < ohms < math.inf else math.copysign(999.0, ohms)
        share = min(max((value - low) / (high - low), -beyond), 1.0 + beyond)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def plot_svg(page: FirstPage) -> str:
    """Draw R against weight fraction.

    Parameters
    ----------
    page : FirstPage
        What stands on the page.

    Returns
    -------
    str
        An SVG element; names are escaped.

    """
    plot = page.plot
    axes = _Axes(*reach(page))
    cast = [cup.weight_fraction for cup in page.cups]
    parts = [
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        'aria-label="Resistance against weight fraction">',
        f'<clipPath id="frame"><rect x="{LEFT:g}" y="{TOP:g}" '
        f'width="{WIDTH - LEFT - RIGHT:g}" height="{HEIGHT - TOP - BOTTOM:g}"/></clipPath>',
        *_window(plot, axes),
        _text(4, LINE, plot_line(page)),
        *_grid(axes),
        *_known(plot, axes),
        *_threshold(plot, axes),
        *_cast(cast, plot, axes),
        *_readings(plot, axes),
        "</svg>",
    ]
    return "\n".join(parts)


def reach(page: FirstPage) -> tuple[tuple[float, float], tuple[float, float]]:
    """Ranges of both axes: window and readings, and what is known as far as it is near."""
    plot = page.plot
    cups = [cup.weight_fraction for cup in page.cups]
    weights = [
        *(p.weight_fraction for p in plot.points),
        *(r.weight_fraction for r in plot.readings),
        *cups,
    ]
    low, high = min(weights), max(weights)
    near = 0.5 * (high - low)
    if low - near < plot.threshold.median < high + near:
        low, high = min(low, plot.threshold.median), max(high, plot.threshold.median)
    room = 0.06 * (high - low) or 0.02
    window = [x for x in (plot.low, plot.high) if 0.0 < x < math.inf]
    read = [r.resistance for r in plot.readings if 0.0 < r.resistance < math.inf]
    middle = [p.resistance.median for p in plot.points if p.resistance.median < math.inf]
    around = window or middle or [1e3]
    ohms = [min(around) / BELOW, max(around) * ABOVE, *(x / 2 for x in read)]
    ohms += [2.0 * x for x in read]
    return (max(low - room, 0.0), high + room), (min(ohms), max(ohms))


def _text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    named = f' class="{kind}"' if kind else ""
    at = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{named}'
    return f"<text {at}>{escape(words)}</text>"


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}"/>'


def _window(plot: Plot, axes: _Axes) -> list[str]:
    if plot.low <= 0.0 and plot.high == math.inf:
        return []
    top, bottom = axes.y(plot.high), axes.y(plot.low or axes.ohms[0])
    edges = [y for y, x in ((top, plot.high), (bottom, plot.low)) if 0.0 < x < math.inf]
    return [
        f'<rect x="{LEFT:g}" y="{top:.1f}" width="{WIDTH - LEFT - RIGHT:g}" '
        f'height="{bottom - top:.1f}" class="asked"/>',
        *(_line(LEFT, y, WIDTH - RIGHT, y, "edge") for y in edges),
        _text(LEFT + 4, top + LINE, "asked", "of-asked"),
    ]


def _grid(axes: _Axes) -> list[str]:
    """Frame, decades of R, and whole wt%."""
    bottom = HEIGHT - BOTTOM
    parts = [
        _line(LEFT, TOP, LEFT, bottom, "axis"),
        _line(LEFT, bottom, WIDTH - RIGHT, bottom, "axis"),
        _text(LEFT + (WIDTH - LEFT - RIGHT) / 2, HEIGHT - 6, "filler, wt%", "", "middle"),
    ]
    low, high = (math.log10(x) for x in axes.ohms)
    decades = range(math.ceil(low), math.floor(high) + 1)
    for k in decades[:: max(1, len(decades) // 7)]:
        y = axes.y(10.0**k)
        parts.append(_line(LEFT, y, WIDTH - RIGHT, y, "grid"))
        parts.append(_text(LEFT - 6, y + 4, resistance(10.0**k), "", "end"))
    first, last = (100.0 * w for w in axes.weights)
    step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20) if (last - first) / s <= 9)
    for k in range(math.ceil(first / step), math.floor(last / step) + 1):
        x = axes.x(k * step / 100.0)
        parts.append(_line(x, bottom, x, bottom + 4, "axis"))
        parts.append(
            _text(x, bottom + 4 + LINE, weight(k * step / 100.0, ""), "", "middle")
        )
    return parts


def _known(plot: Plot, axes: _Axes) -> list[str]:
    """Band of castings by what is known, and its median."""
    shown = [p for p in plot.points if p.resistance.p05 < math.inf]
    if not shown:
        return []

    def line(which: str) -> list[tuple[float, float]]:
        ends = [(p.weight_fraction, getattr(p.resistance, which)) for p in shown]
        return [(axes.x(w), axes.y(ohms, 3.0)) for w, ohms in ends]

    opened = sum(p.resistance.median == math.inf for p in shown)
    return [
        f'<g clip-path="url(#frame)"><polygon class="known" '
        f'points="{_points([*line("p95"), *reversed(line("p05"))])}"/>',
        f'<polyline points="{_points(line("median")[opened:])}" class="median"/></g>',
    ]


def _points(places: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)


def _threshold(plot: Plot, axes: _Axes) -> list[str]:
    """Draw the film's own threshold and, along the lower edge, its 5-95 %."""
    low, high = axes.weights
    band, bottom = plot.threshold, HEIGHT - BOTTOM
    parts = [
        _line(axes.x(band.p05), bottom - 3, axes.x(band.p95), bottom - 3, "threshold wide")
    ]
    if not low < band.median < high:
        return parts
    x = axes.x(band.median)
    name = f"film's own threshold {weight(float(f'{band.median:.3g}'))}"
    room = x + 5 + LETTER * len(name) < WIDTH - RIGHT
    place, anchor = (x + 5, "start") if room else (x - 5, "end")
    return [
        *parts,
        _line(x, TOP, x, bottom, "threshold"),
        _text(place, bottom - 8, name, "of-threshold", anchor),
    ]


def _cast(weights: Sequence[float], plot: Plot, axes: _Axes) -> list[str]:
    """Draw the cup to cast, over the band where it will read."""
    parts = []
    for w in weights:
        x = axes.x(w)
        name = f"cast {weight(w)}"
        right = x + 0.5 * LETTER * len(name) > WIDTH - RIGHT
        parts.append(_line(x, TOP, x, HEIGHT - BOTTOM, "cast"))
        anchor = "end" if right else "middle"
        parts.append(_text(WIDTH - RIGHT if right else x, TOP - 6, name, "of-cast", anchor))
        near = min(plot.points, key=lambda p: abs(p.weight_fraction - w))
        if near.resistance.median < math.inf:
            y = axes.y(near.resistance.median)
            place = f"{x:.1f},{y - 6:.1f} {x + 6:.1f},{y:.1f} {x:.1f},{y + 6:.1f}"
            parts.append(f'<polygon points="{place} {x - 6:.1f},{y:.1f}" class="to-cast"/>')
    return parts


def _readings(plot: Plot, axes: _Axes) -> list[str]:
    """Draw readings where they are, names beside them apart from one another.

    Films of one cup and gap have one name, but for those that the others contradict; films
    of another gap than the plot's are smaller.
    """
    marks: list[str] = []
    groups: dict[tuple[str, float, float], list[float]] = {}
    for read in plot.readings:
        x, y = axes.x(read.weight_fraction), axes.y(read.resistance)
        if read.resistance == math.inf:
            marks.append(
                f'<polygon points="{x - 5:.1f},{y + 9:.1f} {x + 5:.1f},{y + 9:.1f} '
                f'{x:.1f},{y:.1f}" class="read"/>'
            )
        else:
            size = 4.5 if _same_gap(read, plot) else 3.0
            marks.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size}" class="read"/>')
        if read.contradicted:
            marks.append(_line(x - 7, y - 7, x + 7, y + 7, "against"))
            marks.append(_line(x - 7, y + 7, x + 7, y - 7, "against"))
        shared = read.name if read.contradicted else read.name.partition(", film ")[0]
        key = _name(replace(read, name=shared), plot), x, read.electrode_gap
        groups.setdefault(key, []).append(y)
    labels = [(x, sorted(at)[len(at) // 2], name) for (name, x, _), at in groups.items()]
    return [*marks, *_apart(labels)]


def _same_gap(read: Read, plot: Plot) -> bool:
    return math.isclose(read.electrode_gap, plot.electrode_gap, rel_tol=1e-6)


def _name(read: Read, plot: Plot) -> str:
    """Name of a reading, with its gap where that is not the plot's and not in the name."""
    gap = f"{1e3 * read.electrode_gap:g} mm"
    other = not _same_gap(read, plot)
    name = read.name if len(read.name) <= LONGEST else f"{read.name[: LONGEST - 2]}.."
    return f"{name}, {gap}" if other and gap not in read.name else name


def _apart(labels: Sequence[tuple[float, float, str]]) -> list[str]:
    """Write names beside their points, each moved down from those above it."""
    parts: list[str] = []
    taken: list[tuple[float, float, float]] = []
    for x, y, name in sorted(labels, key=lambda label: label[1]):
        length = LETTER * len(name)
        left = x + 9 + length > WIDTH - RIGHT
        start = x - 9 - length if left else x + 9
        at = min(max(y + 4, TOP + LINE), HEIGHT - BOTTOM - 4)
        for low, high, line in sorted(taken, key=lambda t: t[2]):
            if start < high and low < start + length and abs(at - line) < LINE:
                at = line + LINE
        taken.append((start, start + length, at))
        parts.append(
            _text(x - 9 if left else x + 9, at, name, "name", "end" if left else "start")
        )
        if abs(at - 4 - y) > LINE:
            parts.append(_line(x, y, x - 8 if left else x + 8, at - 4, "leader"))
    return parts
