"""Stage 7. The cast film between its electrodes: how they lie, and what the film reads."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.film.path import film_resistance, path_resistance, transfer_length
from percsim.quantities import mm

__all__ = [
    "Bars",
    "Electrode",
    "EndPlates",
    "Film",
    "Fingers",
    "FourTerminal",
    "Layout",
]

Floats = NDArray[np.float64]

SHORTEST_ELECTRODE = 0.5
"""Film thicknesses a surface electrode must be long for the transfer length to hold; the
end term is then within 6 % of the conformal mapping, from 1 on within 1 %."""

MOUNTS = ("embedded", "surface")


@dataclass(frozen=True, slots=True)
class Electrode:
    """One electrode seen from above.

    Parameters
    ----------
    x : (float, float)
        From and to along the current [m]; 0 is where the film behind the first electrode
        begins.
    y : (float, float)
        From and to across [m]; 0 is an edge of the film.
    terminal : {"source", "sink", "sense high", "sense low"}
        What it is joined to.

    """

    x: tuple[float, float]
    y: tuple[float, float]
    terminal: str


def _two_bars(gap: float, width: float, length: float) -> tuple[Electrode, Electrode]:
    """Bars of a length on both sides of the gap, across the whole film."""
    return (
        Electrode((-length, 0.0), (0.0, width), "source"),
        Electrode((gap, gap + length), (0.0, width), "sink"),
    )


class Layout(Protocol):
    """How electrodes lie on a film of a given gap, width and thickness [m].

    `contact_resistivity` [ohm m^2] is that of each interface beyond the contacts of single
    particles, which the excess of the boxes already holds. `mount` says whether electrodes
    are embedded through the thickness or lie on a face (top or bottom, which read alike).
    `across` is the resistivity through the thickness over that along the film.
    """

    name: ClassVar[str]

    @property
    def mount(self) -> str:
        """How electrodes meet the film."""
        ...

    def resistance(
        self,
        resistivity: ArrayLike,
        electrode_excess: ArrayLike,
        gap: ArrayLike,
        width: ArrayLike,
        thickness: ArrayLike,
    ) -> Floats:
        """Give the reading [ohm] of a uniform film; all broadcasts, inf where open."""
        ...

    def ends(
        self, resistivity: ArrayLike, electrode_excess: ArrayLike, thickness: ArrayLike
    ) -> Floats:
        """Give what R x section holds beyond rho x gap [ohm m^2]."""
        ...

    def section(self, gap: float, width: float, thickness: float) -> float:
        """Cross-section that all current passes [m^2]."""
        ...

    def electrodes(self, gap: float, width: float) -> tuple[Electrode, ...]:
        """Electrodes seen from above, in increasing x."""
        ...

    def check(self, gap: float, width: float, thickness: float, length: float) -> None:
        """Raise ValueError with one line if the electrodes do not fit on the film."""
        ...

    def longest_gap(self, length: float) -> float:
        """Longest gap [m] for which the electrodes fit on a film."""
        ...

    def conducting(self, across: float) -> Layout:
        """Put the same layout on a film with that resistivity through over along."""
        ...


def _check_electrode(
    length: float | None, mount: str, contact: float, across: float
) -> None:
    if mount not in MOUNTS:
        raise ValueError(f"mount must be one of {', '.join(MOUNTS)}, got {mount!r}")
    if length is not None and not 0.0 < length < math.inf:
        raise ValueError(
            f"electrode length must be a positive length in metres, got {length}"
        )
    if not 0.0 <= contact < math.inf:
        raise ValueError(f"contact resistivity must be 0 or more [ohm m^2], got {contact}")
    if not 0.0 < across < math.inf:
        raise ValueError(
            f"resistivity across over along must be a positive number, got {across}"
        )


def _check_fit(needed: float, length: float, what: str) -> None:
    if needed > length * (1.0 + 1e-9):
        raise ValueError(
            f"the electrodes do not fit: {what} take {mm(needed)} along the current, and "
            f"the film is {mm(length)} long"
        )


def _check_surface(mount: str, length: float | None, thickness: float) -> None:
    if mount == "surface" and length is not None:
        if length < SHORTEST_ELECTRODE * thickness * (1.0 - 1e-9):
            raise ValueError(
                f"a surface electrode {mm(length)} long along the current is shorter than "
                f"half the film's thickness, {mm(thickness)}: make it longer or embed it"
            )


class _Straight:
    """What layouts share whose current runs straight along the film between two ends."""

    __slots__ = ()

    def ends(
        self, resistivity: ArrayLike, electrode_excess: ArrayLike, thickness: ArrayLike
    ) -> Floats:
        """Give what R x section holds beyond rho x gap [ohm m^2]."""
        raise NotImplementedError

    def resistance(
        self,
        resistivity: ArrayLike,
        electrode_excess: ArrayLike,
        gap: ArrayLike,
        width: ArrayLike,
        thickness: ArrayLike,
    ) -> Floats:
        """Give the reading [ohm] of a uniform film; all broadcasts, inf where open."""
        ends = self.ends(resistivity, electrode_excess, thickness)
        return film_resistance(resistivity, ends, gap, width, thickness)

    def section(self, gap: float, width: float, thickness: float) -> float:
        """Cross-section that all current passes [m^2]."""
        return width * thickness


@dataclass(frozen=True, slots=True)
class Bars(_Straight):
    """Two parallel bars across the whole width with the gap between them.

    Parameters
    ----------
    mount : {"embedded", "surface"}
        Through the thickness, or on the top or bottom face.
    electrode_length : float, optional
        Of each bar along the current [m]; without, long enough for all current.
    contact_resistivity : float
        Of each interface [ohm m^2], beyond the contacts of single particles.
    across : float
        Resistivity through the thickness over that along the film.

    Raises
    ------
    ValueError
        If a number is out of range.

    """

    mount: str = "embedded"
    electrode_length: float | None = None
    contact_resistivity: float = 0.0
    across: float = 1.0
    name: ClassVar[str] = "bars"

    def __post_init__(self) -> None:
        _check_electrode(
            self.electrode_length, self.mount, self.contact_resistivity, self.across
        )

    def edge(
        self,
        resistivity: ArrayLike,
        electrode_excess: ArrayLike,
        thickness: ArrayLike,
        length: float | None = None,
    ) -> Floats:
        """Resistance times section [ohm m^2] of the way into one electrode."""
        rho = np.asarray(resistivity, dtype=np.float64)
        half = 0.5 * np.asarray(electrode_excess, dtype=np.float64)
        if self.mount == "embedded":
            return np.asarray(half + self.contact_resistivity)
        length = length or self.electrode_length or math.inf
        scale = transfer_length(
            rho, electrode_excess, thickness, self.contact_resistivity, self.across
        )
        shorted = np.where(np.isinf(half), half, np.minimum(half, 0.0))
        return np.asarray(shorted + rho * scale / np.tanh(length / scale))

    def ends(
        self, resistivity: ArrayLike, electrode_excess: ArrayLike, thickness: ArrayLike
    ) -> Floats:
        """Give what R x section holds beyond rho x gap [ohm m^2]."""
        return 2.0 * self.edge(resistivity, electrode_excess, thickness)

    def electrodes(self, gap: float, width: float) -> tuple[Electrode, ...]:
        """Electrodes seen from above, in increasing x; drawn 1/8 of the gap if endless."""
        return _two_bars(gap, width, self.electrode_length or 0.125 * gap)

    def check(self, gap: float, width: float, thickness: float, length: float) -> None:
        """Raise ValueError with one line if the electrodes do not fit on the film."""
        d = self.electrode_length
        _check_surface(self.mount, d, thickness)
        _check_fit(gap + 2.0 * (d or 0.0), length, f"two bars and a gap of {mm(gap)}")

    def longest_gap(self, length: float) -> float:
        """Longest gap [m] for which the electrodes fit on a film."""
        return length - 2.0 * (self.electrode_length or 0.0)

    def conducting(self, across: float) -> Layout:
        """Put the same layout on a film with that resistivity through over along."""
        return replace(self, across=across)


@dataclass(frozen=True, slots=True)
class EndPlates(Bars):
    """Plates on the two end faces, as long as the film is thick: always head on."""

    name: ClassVar[str] = "end plates"

    def __post_init__(self) -> None:
        Bars.__post_init__(self)
        if self.mount != "embedded":
            raise ValueError("end plates stand on the end faces, not on the surface")

    def electrodes(self, gap: float, width: float) -> tuple[Electrode, ...]:
        """Plates seen from above, drawn 1/40 of the film thick."""
        return _two_bars(gap, width, gap / 40.0)

    def check(self, gap: float, width: float, thickness: float, length: float) -> None:
        """Raise ValueError with one line if the plates do not stand on the end faces."""
        if abs(gap - length) > 1e-6 * length:
            raise ValueError(
                f"end plates stand {mm(length)} apart, the length of the film; the "
                f"electrode gap must be that, got {mm(gap)}"
            )


@dataclass(frozen=True, slots=True)
class Fingers:
    r"""Two interdigitated combs of bars.

    Parameters
    ----------
    number : int
        Fingers of both combs together, 2 or more.
    finger_width : float
        Of each finger along the current [m].
    overlap : float, optional
        Length over which fingers of the two combs lie side by side [m]; without, the whole
        width of the film. Combs are joined off the film.
    mount, contact_resistivity, across :
        As in `Bars`.

    Raises
    ------
    ValueError
        If a number is out of range.

    Notes
    -----
    The number - 1 gaps conduct in parallel. Beyond its tip a finger still draws current
    from its neighbours, as if it were longer by :math:`\delta`, the fringing of a bar of
    width a between two planes 2 g + a apart [1]_ (an outermost finger is half of a bar
    twice as wide), less where the film ends m beyond the tip:

    .. math:: \delta_\infty = \frac{g}{\pi} [2 s \ln(s + 1) - (s - 1) \ln(s^2 - 1)],
              \qquad s = 1 + \frac{a}{2 g}, \qquad
              \delta = \delta_\infty \tanh(m / \delta_\infty)

    The last step is a fit; with it R comes within 3 % of finite differences.

    References
    ----------
    .. [1] Cohn, "Problems in strip transmission lines", IRE Trans. Microwave Theory
       Tech. 3, 119 (1955). https://doi.org/10.1109/TMTT.1955.1124923

    """

    number: int
    finger_width: float
    overlap: float | None = None
    mount: str = "embedded"
    contact_resistivity: float = 0.0
    across: float = 1.0
    name: ClassVar[str] = "fingers"

    def __post_init__(self) -> None:
        _check_electrode(
            self.finger_width, self.mount, self.contact_resistivity, self.across
        )
        if isinstance(self.number, bool) or not self.number >= 2:
            raise ValueError(f"fingers must be 2 or more, got {self.number}")
        if self.overlap is not None and not 0.0 < self.overlap < math.inf:
            raise ValueError(f"overlap must be a positive length, got {self.overlap}")

    def _bars(self) -> Bars:
        return Bars(self.mount, self.finger_width, self.contact_resistivity, self.across)

    def _effective_overlaps(self, gap: Floats, width: Floats) -> tuple[Floats, Floats]:
        """Overlap with the fringing of the tips, of outermost and inner gaps."""
        if self.overlap is None:
            return np.asarray(width + 0.0 * gap), np.asarray(width + 0.0 * gap)
        beyond = np.maximum(0.5 * (width - self.overlap), 0.0)

        def fringe(a: float) -> Floats:
            s = 1.0 + 0.5 * a / gap
            far = 2.0 * s * np.log(s + 1.0) - (s - 1.0) * np.log(s * s - 1.0)
            far = far * gap / math.pi
            return np.asarray(far * np.tanh(beyond / far))

        inner, outer = fringe(self.finger_width), fringe(2.0 * self.finger_width)
        straight = np.minimum(self.overlap, width)
        side = outer if self.number == 2 else inner
        return np.asarray(straight + outer + side), np.asarray(straight + 2.0 * inner)

    def ends(
        self, resistivity: ArrayLike, electrode_excess: ArrayLike, thickness: ArrayLike
    ) -> Floats:
        """Give what R x section holds beyond rho x gap [ohm m^2], of an inner gap."""
        half = None if self.number == 2 else 0.5 * self.finger_width
        return 2.0 * self._bars().edge(resistivity, electrode_excess, thickness, half)

    def resistance(
        self,
        resistivity: ArrayLike,
        electrode_excess: ArrayLike,
        gap: ArrayLike,
        width: ArrayLike,
        thickness: ArrayLike,
    ) -> Floats:
        """Give the reading [ohm] of a uniform film; all broadcasts, inf where open."""
        bars, a = self._bars(), self.finger_width
        rho = np.asarray(resistivity, dtype=np.float64)
        gaps = np.asarray(gap, dtype=np.float64)
        t = np.asarray(thickness, dtype=np.float64)
        at_sides, inside = self._effective_overlaps(gaps, np.asarray(width, np.float64))
        outer = bars.edge(rho, electrode_excess, t, a)
        if self.number == 2:
            return path_resistance(rho, 2.0 * outer, gaps, at_sides * t)
        # the two outermost fingers feed one gap, all others two
        inner = bars.edge(rho, electrode_excess, t, 0.5 * a)
        sides = 2.0 / path_resistance(rho, outer + inner, gaps, at_sides * t)
        middle = (self.number - 3) / path_resistance(rho, 2.0 * inner, gaps, inside * t)
        total = sides + middle
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / total)

    def section(self, gap: float, width: float, thickness: float) -> float:
        """Cross-section that all current passes [m^2]."""
        sides, inside = self._effective_overlaps(np.asarray(gap), np.asarray(width))
        if self.number == 2:
            return float(sides * thickness)
        return float((2.0 * sides + (self.number - 3) * inside) * thickness)

    def electrodes(self, gap: float, width: float) -> tuple[Electrode, ...]:
        """Fingers seen from above, in increasing x, the first one of the source."""
        a = self.finger_width
        margin = 0.0 if self.overlap is None else max(0.5 * (width - self.overlap), 0.0)
        reach = ((margin, width), (0.0, width - margin))
        return tuple(
            Electrode(
                (k * (a + gap) - a, k * (a + gap)),
                reach[k % 2],
                ("source", "sink")[k % 2],
            )
            for k in range(self.number)
        )

    def check(self, gap: float, width: float, thickness: float, length: float) -> None:
        """Raise ValueError with one line if the electrodes do not fit on the film."""
        _check_surface(self.mount, 0.5 * self.finger_width, thickness)
        _check_fit(
            self.number * self.finger_width + (self.number - 1) * gap,
            length,
            f"{self.number} fingers and {self.number - 1} gaps of {mm(gap)}",
        )
        if self.overlap is not None and self.overlap > width * (1.0 + 1e-9):
            raise ValueError(
                f"fingers overlap by {mm(self.overlap)}, more than the film is wide, "
                f"{mm(width)}"
            )

    def longest_gap(self, length: float) -> float:
        """Longest gap [m] for which the electrodes fit on a film."""
        return (length - self.number * self.finger_width) / (self.number - 1)

    def conducting(self, across: float) -> Layout:
        """Put the same layout on a film with that resistivity through over along."""
        return replace(self, across=across)


@dataclass(frozen=True, slots=True)
class FourTerminal(_Straight):
    r"""Four bars across the film: the outer two drive the current, the inner two sense.

    The reading is the sensed voltage over the driven current; no contact adds to it but by
    keeping current in the film. The gap is that between the two sensing bars, which lie on
    a face: current dips into them and shortens the film below, so that with the transfer
    length of `percsim.film.path`

    .. math:: R = \frac{\rho}{w t} [\ell + 2 \Lambda \tanh(d / 2 \Lambda)]

    from gap plus both lengths where the contact is poor to little more than the gap. Bars
    embedded through the thickness would carry all current through their contacts and read
    as two-terminal ones do: they are refused.

    Parameters
    ----------
    electrode_length : float
        Of each bar along the current [m].
    spacing : float
        Free length between driving and sensing bars [m].
    contact_resistivity, across :
        As in `Bars`.

    Raises
    ------
    ValueError
        If a number is out of range.

    """

    electrode_length: float
    spacing: float
    contact_resistivity: float = 0.0
    across: float = 1.0
    name: ClassVar[str] = "four-terminal"

    def __post_init__(self) -> None:
        _check_electrode(
            self.electrode_length, self.mount, self.contact_resistivity, self.across
        )
        if not 0.0 < self.spacing < math.inf:
            raise ValueError(f"spacing must be a positive length, got {self.spacing}")

    @property
    def mount(self) -> str:
        """Always on the surface."""
        return "surface"

    def below(
        self, resistivity: ArrayLike, electrode_excess: ArrayLike, thickness: ArrayLike
    ) -> Floats:
        """Length of film [m] that the film below one sensing bar counts as."""
        scale = transfer_length(
            resistivity, electrode_excess, thickness, self.contact_resistivity, self.across
        )
        return np.asarray(2.0 * scale * np.tanh(0.5 * self.electrode_length / scale))

    def ends(
        self, resistivity: ArrayLike, electrode_excess: ArrayLike, thickness: ArrayLike
    ) -> Floats:
        """Give what R x section holds beyond rho x gap [ohm m^2]."""
        rho = np.asarray(resistivity, dtype=np.float64)
        open_too = np.where(np.isfinite(np.asarray(electrode_excess)), 0.0, np.inf)
        return np.asarray(rho * self.below(rho, electrode_excess, thickness) + open_too)

    def electrodes(self, gap: float, width: float) -> tuple[Electrode, ...]:
        """Electrodes seen from above, in increasing x."""
        d, s = self.electrode_length, self.spacing
        starts = (-d, s, s + d + gap, 2.0 * (s + d) + gap)
        names = ("source", "sense high", "sense low", "sink")
        return tuple(
            Electrode((x, x + d), (0.0, width), name)
            for x, name in zip(starts, names, strict=True)
        )

    def check(self, gap: float, width: float, thickness: float, length: float) -> None:
        """Raise ValueError with one line if the electrodes do not fit on the film."""
        _check_surface("surface", self.electrode_length, thickness)
        _check_fit(
            gap + 4.0 * self.electrode_length + 2.0 * self.spacing,
            length,
            f"four bars, two spacings and a gap of {mm(gap)}",
        )

    def longest_gap(self, length: float) -> float:
        """Longest gap [m] for which the electrodes fit on a film."""
        return length - 4.0 * self.electrode_length - 2.0 * self.spacing

    def conducting(self, across: float) -> Layout:
        """Put the same layout on a film with that resistivity through over along."""
        return replace(self, across=across)


@dataclass(frozen=True, slots=True)
class Film:
    """Sizes of the cast film and its electrodes; the current runs along the gap.

    Parameters
    ----------
    thickness : float
        Dry thickness [m].
    width : float
        Width of the film [m].
    electrode_gap : float
        Free length between neighbouring electrodes, the sensing ones of four [m].
    drop_cast : bool
        Whether the film is drop-cast rather than drawn down, which widens the default
        tolerance of its thickness.
    layout : Layout
        How the electrodes lie; two embedded bars across the width by default.
    length : float, optional
        Whole length of the film [m], to check that the electrodes fit.

    Raises
    ------
    ValueError
        If a size is not a positive length or the electrodes do not fit.

    """

    thickness: float
    width: float
    electrode_gap: float
    drop_cast: bool = False
    layout: Layout = field(default_factory=Bars)
    length: float | None = None

    def __post_init__(self) -> None:
        for name in ("thickness", "width", "electrode_gap"):
            value = getattr(self, name)
            if not 0.0 < value < float("inf"):
                raise ValueError(f"{name} must be a positive length in metres, got {value}")
        if self.length is not None:
            self.layout.check(self.electrode_gap, self.width, self.thickness, self.length)

    @property
    def section(self) -> float:
        """Cross-section the current passes [m^2]."""
        return self.layout.section(self.electrode_gap, self.width, self.thickness)

    @property
    def volume(self) -> float:
        """Volume that carries the current between the electrodes [m^3]."""
        return self.section * self.electrode_gap

    def resistance(self, resistivity: ArrayLike, electrode_excess: ArrayLike) -> Floats:
        """Resistance [ohm] of this film, shapes of the two arguments broadcast."""
        return self.layout.resistance(
            resistivity, electrode_excess, self.electrode_gap, self.width, self.thickness
        )
