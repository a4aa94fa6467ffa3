r"""Stage 7. Layers: strain and bending of the film on its sheet on the part.

The film sits on a sheet, the sheet on a part. A strain of the part reaches the film by
shear through the sheet, all of it but for end zones; bending strains it about the neutral
axis of whatever bends as one. Both leave a strain that differs from place to place in the
film; what its resistance then is says `percsim.film.mounted`.

Heights z run from the bonded face of the lowest layer upward, away from the part; lengths x
along the current from the middle of the film.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike, NDArray

from percsim.materials.stiffness import Modulus
from percsim.quantities import mm

__all__ = [
    "Assembly",
    "Layer",
    "Stack",
    "StrainTransfer",
    "Wrap",
    "gauss_legendre",
    "off_axis_reading",
    "parallel_share",
    "score_grid",
    "through_thickness",
]

Floats = NDArray[np.float64]

SLICES = 9
"""Gauss-Legendre points through the thickness of the film."""
GRID = 15
"""Equally likely moduli of each of film and sheet."""
LIKELY = ((-1.163, 1.163), (1.163, -1.163))
"""Scores of film and sheet between which 90 % of the ratios of their moduli lie, where both
are known alike; the ratio alone sets the neutral axis."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a stack.

    Parameters
    ----------
    thickness : float
        [m], above 0.
    modulus : float
        Young's modulus [Pa], above 0.
    poisson_ratio : float
        0 to 0.5.
    name : str
        What messages call it.

    Raises
    ------
    ValueError
        If a value cannot be a layer's.

    """

    thickness: float
    modulus: float
    poisson_ratio: float = 0.495
    name: str = "layer"

    def __post_init__(self) -> None:
        if not 0.0 < self.thickness < math.inf:
            raise ValueError(
                f"{self.name}: thickness must be a positive length in metres, got"
                f" {self.thickness}"
            )
        if not 0.0 < self.modulus < math.inf:
            raise ValueError(
                f"{self.name}: modulus must be positive [Pa], got {self.modulus}"
            )
        if not 0.0 <= self.poisson_ratio <= 0.5:
            raise ValueError(
                f"{self.name}: Poisson ratio must be 0 to 0.5, got {self.poisson_ratio}"
            )

    @property
    def stiffness(self) -> float:
        """Force per width and strain, E t [N/m]."""
        return self.modulus * self.thickness

    def tension_modulus(self, wide: bool) -> float:
        r"""Modulus [Pa] in tension along, :math:`E/(1 - \nu^2)` when held across."""
        return self.modulus / (1.0 - self.poisson_ratio**2 if wide else 1.0)

    @property
    def shear_modulus(self) -> float:
        """Shear modulus [Pa]."""
        return self.modulus / (2.0 * (1.0 + self.poisson_ratio))


@dataclass(frozen=True, slots=True)
class Stack:
    r"""Layers bonded to each other that bend as one.

    Parameters
    ----------
    layers : tuple of Layer
        From the bottom, where z = 0, up.
    wide : bool
        Whether the stack cannot bow across (a plate bent to a cylinder); then
        :math:`E/(1 - \nu^2)` stands for E.

    Raises
    ------
    ValueError
        If there is no layer.

    Notes
    -----
    Plane sections stay plane (composite-beam theory; Suo, Ma, Gleskova & Wagner, Appl.
    Phys. Lett. 74, 1177 (1999) for films on foils):
    :math:`z_n = \sum E_i (z_i^2 - z_{i-1}^2) / (2 \sum E_i t_i)` and
    :math:`D = \sum E_i [(z_i - z_n)^3 - (z_{i-1} - z_n)^3]/3`.

    """

    layers: tuple[Layer, ...]
    wide: bool = False

    def __post_init__(self) -> None:
        if not self.layers:
            raise ValueError("a stack needs at least one layer")

    @property
    def edges(self) -> Floats:
        """Heights of the faces [m], one more than layers."""
        return np.concatenate([[0.0], np.cumsum([x.thickness for x in self.layers])])

    @property
    def thickness(self) -> float:
        """Whole thickness [m]."""
        return float(sum(x.thickness for x in self.layers))

    @property
    def moduli(self) -> Floats:
        """Modulus that counts in bending of each layer [Pa]."""
        return np.array([x.tension_modulus(self.wide) for x in self.layers])

    @property
    def neutral_axis(self) -> float:
        """Height that bending leaves at its length [m]."""
        z, E = self.edges, self.moduli
        return float((E * np.diff(z**2)).sum() / (2.0 * (E * np.diff(z)).sum()))

    @property
    def rigidity(self) -> float:
        """Bending moment per width and curvature [N m]."""
        third = np.diff((self.edges - self.neutral_axis) ** 3) / 3.0
        return float((self.moduli * third).sum())


def parallel_share(part: float, *bonded: float) -> float:
    """Share of its free strain that a part under a given force keeps.

    Parameters
    ----------
    part, *bonded : float
        Stiffness E t [N/m] of the part and of what is bonded to it; an infinite part keeps
        all of it.

    Returns
    -------
    float
        E t over the sum of all E t: layers in parallel strain alike.

    """
    if math.isinf(part):
        return 1.0
    return part / (part + sum(bonded))


@dataclass(frozen=True, slots=True)
class StrainTransfer:
    r"""Strain along a film bonded through a sheet, over the strain of the part far away.

    Parameters
    ----------
    decay : float
        Shear-lag constant [1/m]; inf when nothing lies between film and part.
    length : float
        Of the film along the strain [m].
    plateau : float
        Ratio far from the ends: 1 under strain control.

    Raises
    ------
    ValueError
        If a value is not positive.

    Notes
    -----
    :math:`\varepsilon(x)/\varepsilon_0 = k [1 - \cosh(b x)/\cosh(b L/2)]` with
    :math:`b^2 = (G_s/t_s)(1/(E_f t_f) + 1/(E_p t_p))`, with
    :math:`E/(1 - \nu^2)` for E where the film is wide: the sheet carries shear only, film
    and part carry tension only (Cox, Br. J. Appl. Phys. 3, 72 (1952); Volkersen,
    Luftfahrtforschung 15, 41 (1938)). It holds for films that are stiffer than the sheet
    and whose end zones are longer than the film is thick.

    """

    decay: float
    length: float
    plateau: float = 1.0

    def __post_init__(self) -> None:
        if not self.decay > 0.0:
            raise ValueError(f"decay must be positive [1/m], got {self.decay}")
        if not 0.0 < self.length < math.inf:
            raise ValueError(f"length must be positive [m], got {self.length}")
        if not 0.0 < self.plateau <= 1.0:
            raise ValueError(f"plateau must be above 0, at most 1, got {self.plateau}")

    @classmethod
    def through(
        cls,
        film: Layer,
        sheet: Layer | None,
        length: float,
        part: Layer | None = None,
        *,
        wide: bool = False,
    ) -> StrainTransfer:
        """Transfer into a film through a sheet.

        Parameters
        ----------
        film : Layer
            The film.
        sheet : Layer or None
            What it is bonded through; None for a film straight on the part.
        length : float
            Of the film along the strain [m].
        part : Layer, optional
            The part, when the force on it is given; the layers then share that force. By
            default its strain is given.
        wide : bool
            Whether film and part cannot contract across where the strain changes along
            (wider than the end zones are long), as in `Stack`.

        Returns
        -------
        StrainTransfer

        """
        stiffness = math.inf if part is None else part.stiffness
        layers = [film.stiffness] + ([] if sheet is None else [sheet.stiffness])
        decay = math.inf
        if sheet is not None:
            held = film.tension_modulus(wide) * film.thickness
            compliance = 1.0 / held
            if part is not None:
                compliance += 1.0 / (part.tension_modulus(wide) * part.thickness)
            decay = math.sqrt(sheet.shear_modulus / sheet.thickness * compliance)
        return cls(decay, length, parallel_share(stiffness, *layers))

    def __call__(self, x: ArrayLike) -> Floats:
        """Local strain over that of the part at distances from the middle [m]."""
        x = np.abs(np.asarray(x, dtype=np.float64))
        if np.any(x > 0.5 * self.length * (1.0 + 1e-12)):
            raise ValueError("x must lie on the film, within half its length of the middle")
        if math.isinf(self.decay):
            return np.full(x.shape, self.plateau)
        # cosh(bx)/cosh(bL/2) with the growing exponentials taken out
        a = self.decay
        fall = np.exp(-a * (0.5 * self.length - x))
        ratio = fall * (1.0 + np.exp(-2.0 * a * x)) / (1.0 + math.exp(-a * self.length))
        return np.asarray(self.plateau * (1.0 - ratio))

    def mean(self, over: float | None = None) -> float:
        """Mean ratio over the middle of the film, `over` long [m]; all of it by default."""
        over = self.length if over is None else over
        if not 0.0 < over <= self.length * (1.0 + 1e-12):
            raise ValueError(
                f"the length to average over must be above 0 and at most that of the film,"
                f" got {over:g} m"
            )
        if math.isinf(self.decay):
            return self.plateau
        u, v = 0.5 * self.decay * over, 0.5 * self.decay * self.length
        # sinh(u)/cosh(v) without overflow
        ratio = math.exp(u - v) * -math.expm1(-2.0 * u) / (1.0 + math.exp(-2.0 * v)) / u
        return self.plateau * (1.0 - ratio)

    @property
    def end_zone(self) -> float:
        """Distance from an end to where 95 % of the plateau is reached [m].

        Of a film longer than two of them; 0 when nothing lies between film and part.
        """
        return math.log(20.0) / self.decay


gauss_legendre = cache(leggauss)
"""Points and weights on -1 to 1 by their number; asked for at every film."""


def through_thickness(bottom: float, top: float, points: int = SLICES) -> Floats:
    """Heights [m] of the Gauss-Legendre points between two faces."""
    nodes = gauss_legendre(points)[0]
    return np.asarray(0.5 * (bottom + top) + 0.5 * (top - bottom) * nodes)


@dataclass(frozen=True, slots=True)
class Wrap:
    """A stack laid on a curved surface, and where the film is in what bends as one.

    Parameters
    ----------
    stack : Stack
        What bends as one, from the bottom up; the film is its last layer.
    below : float
        Thickness of the layers below the surface that `radius` is of [m]: that of the part
        where it bends with the stack, else 0.
    inside : bool
        Whether the stack lies inside the surface.
    held : bool
        Whether the bonded face keeps its length (on a rigid part that is bent after
        bonding); the stack then strains from that face on.

    """

    stack: Stack
    below: float = 0.0
    inside: bool = False
    held: bool = False

    @property
    def neutral_axis(self) -> float:
        """Height above the surface that keeps its length [m]."""
        return 0.0 if self.held else self.stack.neutral_axis - self.below

    @property
    def faces(self) -> tuple[float, float]:
        """Heights of the faces of the film above the surface [m]."""
        z = self.stack.edges
        return float(z[-2]) - self.below, float(z[-1]) - self.below

    @property
    def above(self) -> float:
        """Thickness of the layers above the surface [m]."""
        return self.stack.thickness - self.below

    def strain(self, height: ArrayLike, radius: ArrayLike) -> Floats:
        """Strain at heights above a surface of a radius [m], shapes broadcast.

        Raises
        ------
        ValueError
            If the radius is not above the thickness of the layers on the surface.

        """
        radius = np.asarray(radius, dtype=np.float64)
        if not np.all(radius > self.above):
            raise ValueError(
                f"radius must be above the thickness of the stack, {mm(self.above)},"
                f" got {mm(float(np.min(radius)))}"
            )
        offset = np.asarray(height, dtype=np.float64) - self.neutral_axis
        if self.inside:
            return np.asarray(-offset / (radius - self.neutral_axis))
        return np.asarray(offset / (radius + self.neutral_axis))

    def through(self, radius: ArrayLike) -> Floats:
        """Strain (..., nz) at the points of `through_thickness`, of radii (...) [m]."""
        radius = np.asarray(radius, dtype=np.float64)
        return self.strain(through_thickness(*self.faces), radius[..., None])

    def smallest_radius(self, window: tuple[float, float]) -> float:
        """Smallest radius [m] with both faces of the film inside a strain window.

        At least the thickness of the stack; inf when a face strains to a side on which the
        window ends at zero.
        """
        smallest = self.above
        side = -1.0 if self.inside else 1.0
        for height in self.faces:
            offset = side * (height - self.neutral_axis)
            limit = window[1] if offset > 0.0 else window[0]
            if offset == 0.0:
                continue
            if limit * offset <= 0.0:
                return math.inf
            smallest = max(smallest, offset / limit - side * self.neutral_axis)
        return float(smallest)


@dataclass(frozen=True, slots=True)
class Assembly:
    """A film on its sheet on a part, and how well its stiffness is known.

    Parameters
    ----------
    film : Modulus
        Of the film.
    thickness, length : float
        Of the film, across its layers and along the strain [m].
    poisson_ratio : float
        Of the film.
    sheet : Modulus, optional
        Of the sheet between film and part.
    sheet_thickness, sheet_poisson_ratio : float
        Of the sheet, where there is one.
    part : Layer, optional
        The part, where it is not rigid; it counts as exact.
    radius : float, optional
        Of the surface that the stack lies on [m]; None where it is flat.
    inside : bool
        Whether that surface is the inner one.
    bent_with_part : bool
        Whether the part is bent after bonding.
    force : bool
        Whether the force on the part is given, not its strain.

    """

    film: Modulus
    thickness: float
    length: float
    poisson_ratio: float
    sheet: Modulus | None = None
    sheet_thickness: float = 0.0
    sheet_poisson_ratio: float = 0.5
    part: Layer | None = None
    radius: float | None = None
    inside: bool = False
    bent_with_part: bool = False
    force: bool = False

    def film_layer(self, score: float = 0.0) -> Layer:
        """Film, its modulus moved by a standard normal score."""
        modulus = self.film.value * math.exp(score * self.film.log_std)
        return Layer(self.thickness, modulus, self.poisson_ratio, name="film")

    def sheet_layer(
        self, score: float = 0.0, modulus: Modulus | None = None
    ) -> Layer | None:
        """Sheet, likewise, or with another modulus; None without one."""
        if self.sheet is None:
            return None
        known = modulus or self.sheet
        return Layer(
            self.sheet_thickness,
            known.value * math.exp(score * known.log_std),
            self.sheet_poisson_ratio,
            name="sheet",
        )

    def transfer(
        self,
        scores: tuple[float, float] = (0.0, 0.0),
        length: float | None = None,
        sheet: Modulus | None = None,
    ) -> StrainTransfer:
        """Strain transfer with moduli of film and sheet moved by scores.

        Parameters
        ----------
        scores : (float, float)
            Of film and sheet.
        length : float, optional
            Of the film [m], by default its own.
        sheet : Modulus, optional
            Another one of the sheet.

        Returns
        -------
        StrainTransfer

        """
        return StrainTransfer.through(
            self.film_layer(scores[0]),
            self.sheet_layer(scores[1], sheet),
            self.length if length is None else length,
            self.part if self.force else None,
            wide=True,
        )

    def wrap(self, scores: tuple[float, float] = (0.0, 0.0)) -> Wrap:
        """How the stack bends on the part, with moduli moved by scores."""
        sheet, film = self.sheet_layer(scores[1]), self.film_layer(scores[0])
        soft = (film,) if sheet is None else (sheet, film)
        if self.bent_with_part and self.part is not None:
            below = self.part
            return Wrap(Stack((below, *soft), wide=True), below.thickness, self.inside)
        return Wrap(Stack(soft, wide=True), inside=self.inside, held=self.bent_with_part)

    def bending(self) -> Floats:
        """Strain from wrapping at the points through the film; one zero on a flat part."""
        if self.radius is None:
            return np.zeros(1)
        wrap = self.wrap()
        # advice may ask for films too thick for the part
        return wrap.through(max(self.radius, wrap.above * (1.0 + 1e-9)))

    def reach(
        self, window: tuple[float, float], bending: float = 1.0
    ) -> tuple[float, float]:
        """Smallest and largest strain of the film while its part strains over a window.

        Parameters
        ----------
        window : (float, float)
            Smallest and largest strain of the part.
        bending : float
            What a unit of bending counts for, over a unit of strain as mounted.

        Returns
        -------
        (float, float)
            At either face, moduli at their best and at `LIKELY`; the window itself for a
            film that is not wrapped, or too thick for the radius.

        """
        if self.radius is None or self.radius <= self.wrap().above:
            return window
        low, high = min(window[0], 0.0), max(window[1], 0.0)
        reached = []
        for scores in ((0.0, 0.0), *LIKELY):
            wrap, most = self.wrap(scores), float(self.transfer(scores)(0.0))
            faces = bending * wrap.strain(np.array(wrap.faces), self.radius)
            reached += [faces.min() + most * low, faces.max() + most * high]
        return float(min(reached)), float(max(reached))

    @property
    def scores(self) -> list[tuple[float, float]]:
        """Equally likely scores of film and sheet."""
        return [(float(a), float(b)) for a, b in score_grid(GRID, 2)]


def off_axis_reading(
    angle: ArrayLike, transverse_sensitivity: float, poisson_ratio: float
) -> Floats:
    r"""Compare the reading of a patch at an angle to a uniaxial load with one along it.

    Parameters
    ----------
    angle : array_like
        Between the current and the load [rad].
    transverse_sensitivity : float
        K_t, response to strain across over that to strain along.
    poisson_ratio : float
        Of the part.

    Returns
    -------
    ndarray of float
        1 at zero angle.

    Raises
    ------
    ValueError
        If a patch along the load reads nothing, K_t nu = 1.

    Notes
    -----
    :math:`\varepsilon_a = \varepsilon(\cos^2\theta - \nu \sin^2\theta)`,
    :math:`\varepsilon_t = \varepsilon(\sin^2\theta - \nu \cos^2\theta)`, and the reading
    goes as :math:`\varepsilon_a + K_t \varepsilon_t` (Mohr's circle; definition of K_t as
    in strain-gauge practice, ASTM E251, from memory).

    """
    along = 1.0 - transverse_sensitivity * poisson_ratio
    if along == 0.0:
        raise ValueError("a patch with K_t nu = 1 reads nothing along the load")
    sine = np.sin(np.asarray(angle, dtype=np.float64)) ** 2
    axial = 1.0 - (1.0 + poisson_ratio) * sine
    across = (1.0 + poisson_ratio) * sine - poisson_ratio
    return np.asarray((axial + transverse_sensitivity * across) / along)


def score_grid(count: int, dimensions: int) -> Floats:
    """Equally likely standard normal scores on a grid (count^dimensions, dimensions).

    Mid-points of equal shares of the distribution, so that plain quantiles over the rows
    are those of what is computed from them, without any draw.
    """
    from scipy.special import ndtri

    scores = ndtri((np.arange(count) + 0.5) / count)
    mesh: Sequence[Floats] = np.meshgrid(*[scores] * dimensions, indexing="ij")
    return np.column_stack([m.ravel() for m in mesh])
