r"""Stage 4. Strain: deformation of the film, and how far it opens each contact.

Links are fixed in a reference state in which cure shrinkage and cooling press the
particles together. From there the film deforms by :math:`F = F_T F_\varepsilon`, with
:math:`F_T` the same in every direction unless a part holds the film; centres follow it,
bodies stay rigid but turn, and each contact opens by the normal component of the relative
motion of its two bodies at the contact point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from percsim.links.search import Links
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening
from percsim.values import floats, real, take_reals, whole

__all__ = [
    "Mounting",
    "State",
    "body_rotations",
    "move_affinely",
    "openings",
    "shape_factors",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mounting:
    r"""How the film is held while it is strained along the current.

    Parameters
    ----------
    mode : {"free", "bonded", "biaxial"}
        `free`: uniaxial, both transverse directions contract by the film's own Poisson
        ratio, stretch :math:`(1+e)^{-\nu}`. `bonded`: the transverse in-plane strain is
        the part's, :math:`-\nu_p e`, the thickness follows from constant volume.
        `biaxial`: the same strain along and across, thickness from constant volume.
    poisson_ratio : float
        Poisson ratio of the film, 0 to 0.5.
    part_poisson_ratio : float
        Poisson ratio of the part under a bonded film, 0 to 0.5.

    Raises
    ------
    ValueError
        If the mode is not known or a ratio is outside 0 to 0.5.

    """

    mode: Literal["free", "bonded", "biaxial"] = "bonded"
    poisson_ratio: float = 0.495
    part_poisson_ratio: float = 0.33

    def __post_init__(self) -> None:
        if self.mode not in ("free", "bonded", "biaxial"):
            raise ValueError(
                f"mode must be 'free', 'bonded' or 'biaxial', got {self.mode!r}"
            )
        take_reals(self, "poisson_ratio", "part_poisson_ratio")
        for name in ("poisson_ratio", "part_poisson_ratio"):
            if not 0.0 <= getattr(self, name) <= 0.5:
                raise ValueError(f"{name} must be 0 to 0.5, got {getattr(self, name)}")

    def stretches(self, strain: float, dimension: int = 3) -> tuple[float, ...]:
        """Stretch along, across and (3-D) through the film at an engineering strain."""
        along = 1.0 + real("strain", strain)
        if not 0.0 < along < math.inf:
            raise ValueError(f"strain must be finite and above -1, got {strain}")
        if self.mode == "free":
            across = along**-self.poisson_ratio
            through = across
        elif self.mode == "bonded":
            across = 1.0 - self.part_poisson_ratio * strain
            if across <= 0.0:
                raise ValueError(
                    f"at a strain of {strain} a part of Poisson ratio "
                    f"{self.part_poisson_ratio} would have no width left"
                )
            through = 1.0 / (along * across)
        else:
            across = along
            through = 1.0 / (along * across)
        return (along, across, through)[:dimension]

    def along_axes(self, strain: float, dimension: int = 3, axis: int = 0) -> list[float]:
        """Stretches along the axes of a box whose current goes along `axis`."""
        along, *others = self.stretches(strain, dimension)
        return [*others[:axis], along, *others[axis:]]


@dataclass(frozen=True, slots=True)
class State:
    """A strain and a temperature, as the links feel them.

    Parameters
    ----------
    strain : float
        Engineering strain along the current, tension positive.
    temperature : float
        Temperature [K].
    gradient : tuple of tuple of float
        Deformation gradient from the reference state, d x d, thermal part included.
    axis : int
        Direction of the strain, that of the current in the box, default 0.

    Raises
    ------
    ValueError
        If the strain is not above -1 or the temperature not above 0 K, or the gradient is
        not square, not finite or turns bodies inside out.

    """

    strain: float = 0.0
    temperature: float = ROOM_TEMPERATURE
    gradient: tuple[tuple[float, ...], ...] = (
        (1.0, 0.0, 0.0),
        (0.0, 1.0, 0.0),
        (0.0, 0.0, 1.0),
    )
    axis: int = 0

    def __post_init__(self) -> None:
        take_reals(self, "strain", "temperature")
        object.__setattr__(self, "axis", whole("axis", self.axis))
        if not -1.0 < self.strain < math.inf:
            raise ValueError(f"strain must be finite and above -1, got {self.strain}")
        if not 0.0 < self.temperature < math.inf:
            raise ValueError(f"temperature must be above 0 K, got {self.temperature}")
        F = floats("gradient", self.gradient)
        if F.ndim != 2 or F.shape[0] != F.shape[1]:
            raise ValueError(f"gradient must be square, got shape {F.shape}")
        if not 0 <= self.axis < len(F):
            raise ValueError(f"axis must be 0 to {len(F) - 1}, got {self.axis}")
        if not np.linalg.det(F) > 0.0:
            raise ValueError(f"gradient must have positive volume, got {F.tolist()}")

    @classmethod
    def at(
        cls,
        strain: float,
        temperature: float,
        mounting: Mounting,
        thermal: ThermalOpening | None = None,
        dimension: int = 3,
        axis: int = 0,
    ) -> State:
        """Compose the state of a mounted film strained along the current."""
        stretches = mounting.along_axes(strain, dimension, axis)
        gradient = _swollen(stretches, temperature, thermal)
        return cls(float(strain), float(temperature), gradient, axis)

    @classmethod
    def in_plane(
        cls,
        along: float,
        across: float,
        temperature: float = ROOM_TEMPERATURE,
        thermal: ThermalOpening | None = None,
        dimension: int = 3,
        axis: int = 0,
    ) -> State:
        """Compose the state of a bonded film whose two in-plane strains are imposed.

        Parameters
        ----------
        along, across : float
            Engineering strains along and across the current, above -1. The thickness
            follows from constant volume.
        temperature : float
            Temperature [K].
        thermal : ThermalOpening, optional
            Swelling since the reference state.
        dimension, axis : int
            Of the box and of its current.

        Returns
        -------
        State
            Its `strain` is the one along the current, 0 for a film strained across only.

        Raises
        ------
        ValueError
            If a strain is not finite or not above -1.

        """
        for name, strain in (("along", along), ("across", across)):
            if not -1.0 < real(f"strain {name}", strain) < math.inf:
                raise ValueError(f"strain {name} must be finite and above -1, got {strain}")
        others = [1.0 + across, 1.0 / ((1.0 + along) * (1.0 + across))]
        stretches = others[: dimension - 1]
        stretches.insert(axis, 1.0 + along)
        gradient = _swollen(stretches, temperature, thermal)
        return cls(float(along), float(temperature), gradient, axis)

    def matrix(self) -> Floats:
        """Deformation gradient as a (d, d) array."""
        return np.asarray(self.gradient, dtype=np.float64)


def _swollen(
    stretches: Sequence[float], temperature: float, thermal: ThermalOpening | None
) -> tuple[tuple[float, ...], ...]:
    """Diagonal gradient of stretches on top of thermal ones; axis 2 is the thickness."""
    plane, through = thermal.strains(temperature) if thermal else (0.0, 0.0)
    thermal_stretches = (1.0 + float(plane), 1.0 + float(plane), 1.0 + float(through))
    d = len(stretches)
    return tuple(
        tuple(thermal_stretches[i] * stretches[i] if i == j else 0.0 for j in range(d))
        for i in range(d)
    )


def shape_factors(particles: Particles) -> Floats:
    r"""How strongly the axis of each body follows a stretch, -1 to 1, shape (n,).

    :math:`(r^2 - 1)/(r^2 + 1)` with r the extent along the axis over that across it [1]_:
    near 1 for slender rods, near -1 for thin flakes, 0 for spheres.

    References
    ----------
    .. [1] Jeffery, "The motion of ellipsoidal particles immersed in a viscous fluid",
       Proc. R. Soc. Lond. A 102, 161 (1922); an ellipsoid of the same extents stands for
       the body, an incompressible solid for the fluid.

    """
    c, b = particles.core_sizes, particles.ball_radii
    squares = (c + b) ** 2 + b**2
    factors = c * (c + 2.0 * b) / np.where(squares > 0.0, squares, 1.0)
    signs = np.where(particles.kinds == FLAKE, -1.0, 1.0)
    return np.asarray(np.where(particles.kinds == SPHERE, 0.0, signs * factors))


def _turned_axes(particles: Particles, F: Floats) -> tuple[Floats, Floats, Floats]:
    """Rotation of the film, axes turned by it alone, and axes as the film carries them."""
    u, stretches, vt = np.linalg.svd(F)
    rotation = u @ vt
    powers = stretches ** shape_factors(particles)[:, None]
    axes = (particles.axes @ vt.T * powers) @ u.T
    norms = np.linalg.norm(axes, axis=1, keepdims=True)
    return (
        np.asarray(rotation),
        np.asarray(particles.axes @ rotation.T),
        np.asarray(axes / np.where(norms > 0.0, norms, 1.0)),
    )


def body_rotations(particles: Particles, F: Floats) -> Floats:
    r"""Rotation of each rigid body when the film deforms by F.

    The body turns with the film's own rotation (so that a rigid turn opens nothing) and
    then by the smallest angle that brings its axis to where the film carries it.

    Parameters
    ----------
    particles : Particles
        `n` bodies.
    F : (d, d) ndarray of float
        Deformation gradient.

    Returns
    -------
    (n, d, d) ndarray of float
        Rotation matrices.

    Notes
    -----
    With :math:`F = R U` an axis p goes to :math:`R\, U^\lambda p`, :math:`\lambda` from
    `shape_factors`: what Jeffery's rate :math:`\lambda (E p - (p \cdot E p)\, p)` adds up
    to when the stretch keeps its directions, F p for endless rods, :math:`F^{-T} p` for
    endless flakes.

    """
    n, d = particles.centers.shape
    rotation, before, after = _turned_axes(particles, F)
    out = np.broadcast_to(np.eye(d), (n, d, d)).copy()
    if d == 2:
        cos = (before * after).sum(axis=1)
        sin = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turning = particles.kinds == ROD
        out[turning, 0, 0] = out[turning, 1, 1] = cos[turning]
        out[turning, 0, 1], out[turning, 1, 0] = -sin[turning], sin[turning]
        return np.asarray(out @ rotation)
    # Rodrigues' formula in the form 1 + [v] + [v]^2 / (1 + cos), v = before x after
    v = np.cross(before, after)
    cos = (before * after).sum(axis=1)
    cross = np.zeros((n, 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = -v[:, 2], v[:, 1], -v[:, 0]
    cross[:, 1, 0], cross[:, 2, 0], cross[:, 2, 1] = v[:, 2], -v[:, 1], v[:, 0]
    out += cross + cross @ cross / (1.0 + np.maximum(cos, 0.0))[:, None, None]
    return np.asarray(out @ rotation)


def openings(links: Links, state: State) -> Floats:
    r"""How far each contact has opened since the reference state.

    Parameters
    ----------
    links : Links
        `m` contacts found in the reference state.
    state : State
        Strain and temperature.

    Returns
    -------
    (m,) ndarray of float
        Opening [m], negative where the contact is pressed together.

    Raises
    ------
    ValueError
        If the state and the box differ in dimension or in the direction of the current.

    Notes
    -----
    With :math:`a` the arm from a body's centre to the contact point and :math:`\Omega` the
    body's rotation, the opening is
    :math:`u \cdot [(F - I)(c_j - c_i) + (\Omega_j - I) a_j - (\Omega_i - I) a_i]`,
    and since :math:`c_j - c_i = a_i - a_j` this is
    :math:`u \cdot [(F - \Omega_i) a_i - (F - \Omega_j) a_j]`. It vanishes for a rigid turn
    of the whole film.

    """
    F, box = state.matrix(), links.particles.box
    # pure swelling is the same in any dimension and direction
    swelling = np.count_nonzero(F - F[0, 0] * np.eye(F.shape[0])) == 0
    if F.shape[0] != box.dimension and not swelling:
        raise ValueError(
            f"a {F.shape[0]}-D state cannot open links of a {box.dimension}-D box"
        )
    if state.axis != box.axis and not swelling:
        raise ValueError(
            f"the state strains along axis {state.axis}, but the current runs along axis "
            f"{box.axis}"
        )
    if not len(links):
        return np.zeros(0)
    arms_i, arms_j = links.arms
    if swelling:
        # pure swelling turns nothing; saves the rotations for the many unstrained states
        return np.asarray((F[0, 0] - 1.0) * ((arms_i - arms_j) * links.normals).sum(axis=1))
    stretch = F - body_rotations(links.particles, F)
    first = np.einsum("mij,mj->mi", stretch[links.pairs[:, 0]], arms_i)
    second = np.einsum("mij,mj->mi", stretch[links.pairs[:, 1]], arms_j)
    return np.asarray(((first - second) * links.normals).sum(axis=1))


def move_affinely(particles: Particles, state: State) -> Particles:
    """Carry rigid bodies with the film: centres by F, axes turned, box deformed.

    For comparison with the contact-opening law: links are searched again in the moved box.
    Measured while the law was chosen, this gives random steps for micron flakes and is
    meaningful for absolute gaps between nano-sized fillers only.

    Parameters
    ----------
    particles : Particles
        Bodies in the reference state.
    state : State
        Strain and temperature; its gradient must be diagonal.

    Returns
    -------
    Particles
        The same bodies in the deformed box.

    """
    F = state.matrix()
    if np.count_nonzero(F - np.diag(np.diag(F))):
        raise ValueError("move_affinely needs a gradient along the box edges")
    box = particles.box
    size = tuple(float(s) for s in np.asarray(box.size) * np.diag(F))
    return Particles(
        particles.kinds,
        particles.centers @ F.T,
        _turned_axes(particles, F)[2],
        particles.core_sizes,
        particles.ball_radii,
        Box(size, box.periodic, box.axis),
    )
