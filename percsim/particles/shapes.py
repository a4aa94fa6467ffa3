"""Stage 2. Sizes and axes of the particles, drawn from uniforms one particle at a time.

Every draw maps uniforms to values through a quantile, so particle k depends on the k-th
uniforms of its stream alone and the first k particles do not change when more follow.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.materials.filler import Filler, Orientation
from percsim.particles.bodies import FLAKE, ROD, Particles

__all__ = ["draw_axes", "draw_sizes", "measure_orientation", "order_parameter"]

_PANELS = 4096


def draw_sizes(
    filler: Filler, n: int, rng_size: np.random.Generator, rng_aspect: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw the sizes of n particles.

    Parameters
    ----------
    filler : Filler
        Whose sizes.
    n : int
        How many.
    rng_size, rng_aspect : numpy.random.Generator
        Streams of the size and of the aspect ratio; n uniforms are taken from each.

    Returns
    -------
    core_sizes, ball_radii : (n,) ndarray of float
        As `Particles` wants them [m].

    """
    sizes = filler.size.quantile(rng_size.random(n))
    return filler.body_sizes(sizes, rng_aspect.random(n))


def draw_axes(
    orientation: Orientation,
    kind: str,
    n: int,
    dimension: int,
    axis: int,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Draw the axes of n particles.

    Parameters
    ----------
    orientation : Orientation
        How they lie.
    kind : {"flake", "rod", "sphere"}
        Flakes turn their normals, rods their length; spheres get axes too, of no meaning.
    n : int
        How many.
    dimension : int
        2 or 3.
    axis : int
        Direction of the current.
    rng : numpy.random.Generator
        2 n uniforms are taken in 3-D, n in 2-D.

    Returns
    -------
    (n, dimension) ndarray of float
        Unit vectors. Their sign carries no meaning.

    Raises
    ------
    ValueError
        If the tilt or order cannot be had in this arrangement.

    """
    if dimension == 2:
        return _axes_2d(orientation, n, axis, rng)
    u = rng.random((n, 2))
    azimuth = 2.0 * math.pi * u[:, 1]
    if orientation.mode == "isotropic" or kind == "sphere":
        along = 2.0 * u[:, 0] - 1.0
        across = np.sqrt(np.maximum(0.0, 1.0 - along**2))
        pole = 2
    elif orientation.mode == "in-plane" and kind == "rod":
        # rods about the film plane: the angle drawn is the one out of that plane
        pole = 2
        kappa = _strength("elevation", orientation.tilt, None)
        angle = _signed(_quantile(kappa, "elevation", 2.0 * np.abs(u[:, 0] - 0.5)), u[:, 0])
        along, across = np.sin(angle), np.cos(angle)
    else:
        pole = _director(orientation, kind, axis, dimension)
        kappa = _strength("polar", orientation.tilt, orientation.order)
        angle = _quantile(kappa, "polar", u[:, 0])
        along, across = np.cos(angle), np.sin(angle)
    axes = np.empty((n, 3))
    axes[:, pole] = along
    axes[:, (pole + 1) % 3] = across * np.cos(azimuth)
    axes[:, (pole + 2) % 3] = across * np.sin(azimuth)
    return axes


def _axes_2d(
    orientation: Orientation, n: int, axis: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    u = rng.random(n)
    if orientation.mode == "in-plane" and orientation.tilt:
        raise ValueError(
            "a 2-D box has no direction out of its plane: in-plane takes no tilt"
        )
    if orientation.mode != "aligned":
        angle, pole = math.pi * (u - 0.5), 0
    else:
        pole = _director(orientation, "rod", axis, 2)
        kappa = _strength("flat", orientation.tilt, orientation.order)
        angle = _signed(_quantile(kappa, "flat", 2.0 * np.abs(u - 0.5)), u)
    axes = np.empty((n, 2))
    axes[:, pole], axes[:, 1 - pole] = np.cos(angle), np.sin(angle)
    return axes


def _director(orientation: Orientation, kind: str, axis: int, dimension: int) -> int:
    """Index of the direction that axes line up with."""
    thickness = dimension - 1
    name = orientation.director or ("thickness" if kind == "flake" else "current")
    if orientation.mode == "in-plane":
        name = "thickness"
    if name == "current":
        return axis
    if dimension == 2:
        return 1 - axis  # "width" and "thickness" are the one other direction there is
    if name == "thickness":
        return thickness
    rest = [k for k in range(3) if k not in (axis, thickness)]
    return rest[0]  # the width; a box whose current runs through the thickness has two


def _signed(angle: NDArray[np.float64], u: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(u < 0.5, -angle, angle)


# The laws. Each is a density of an angle in 0 to pi/2, of strength kappa:
#   polar       sin t exp(-kappa sin^2 t)   3-D angle from the director
#   elevation   cos t exp(-kappa sin^2 t)   3-D angle out of a plane
#   flat        exp(-kappa sin^2 t)         2-D angle from the director
# kappa = inf is t = 0 for all; negative kappa pushes t towards pi/2.
def _weight(law: str, kappa: float, t: NDArray[np.float64]) -> NDArray[np.float64]:
    s = np.sin(t)
    # the exponent is shifted so that its largest value is 0
    w = np.exp(-kappa * s * s if kappa >= 0.0 else -kappa * (s * s - 1.0))
    if law == "polar":
        w = w * s
    elif law == "elevation":
        w = w * np.cos(t)
    return np.asarray(w)


def _range(kappa: float) -> tuple[float, float]:
    """Angles that carry the density to 1e-16 of its weight."""
    reach = (
        math.asin(min(1.0, 6.5 / math.sqrt(abs(kappa))))
        if abs(kappa) > 43.0
        else math.pi / 2
    )
    return (0.0, reach) if kappa >= 0.0 else (math.pi / 2 - reach, math.pi / 2)


def _means(law: str, kappa: float) -> tuple[float, float]:
    """Mean square angle and mean cos^2."""
    low, high = _range(kappa)
    x, w = np.polynomial.legendre.leggauss(96)
    t = 0.5 * (high - low) * (x + 1.0) + low
    p = w * _weight(law, kappa, t)
    p /= p.sum()
    return float(p @ t**2), float(p @ np.cos(t) ** 2)


@functools.lru_cache(maxsize=256)
def _strength(law: str, tilt: float, order: float | None) -> float:
    """Strength of the law that has the rms tilt or the order parameter asked."""
    from scipy.optimize import brentq

    dimension = 2 if law == "flat" else 3
    if order is not None:
        lowest = -1.0 if dimension == 2 else -0.5
        if not lowest <= order <= 1.0:
            raise ValueError(f"the order parameter lies in {lowest:g} to 1, got {order:g}")
        if order > 1.0 - 1e-9:
            return math.inf
        if order < lowest + 1e-9:
            return -math.inf

        def excess(x: float) -> float:
            # kappa = sinh(x) reaches both signs and many decades
            return _order(_means(law, math.sinh(x))[1], dimension) - order

        return math.sinh(brentq(excess, -25.0, 25.0, xtol=1e-13))
    if tilt < 1e-8:
        return math.inf
    widest = math.sqrt(_means(law, 0.0)[0])
    if tilt > widest:
        raise ValueError(
            f"an rms tilt of {math.degrees(tilt):.4g} deg is wider than isotropic,"
            f" {math.degrees(widest):.4g} deg"
        )
    if tilt > widest * (1.0 - 1e-12):
        return 0.0
    return math.exp(
        brentq(
            lambda x: math.log(_means(law, math.exp(x))[0] / tilt**2),
            -30.0,
            45.0,
            xtol=1e-13,
        )
    )


def _order(mean_square_cosine: float, dimension: int) -> float:
    return (dimension * mean_square_cosine - 1.0) / (dimension - 1.0)


@functools.lru_cache(maxsize=64)
def _table(
    law: str, kappa: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Knots, density and cumulated share of a law, the density straight between knots."""
    low, high = _range(kappa)
    t = np.linspace(low, high, _PANELS + 1)
    f = _weight(law, kappa, t)
    step = (high - low) / _PANELS
    f = f / (0.5 * step * (f[1:] + f[:-1]).sum())
    cumulated = np.concatenate(([0.0], np.cumsum(0.5 * step * (f[1:] + f[:-1]))))
    return f, cumulated / cumulated[-1], step


def _quantile(kappa: float, law: str, u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle below which a share u lies; within 1e-6 of the exact share."""
    if math.isinf(kappa):
        return np.full(u.shape, 0.0 if kappa > 0.0 else math.pi / 2)
    f, cumulated, step = _table(law, kappa)
    k = np.clip(np.searchsorted(cumulated, u, side="right") - 1, 0, _PANELS - 1)
    # inside a panel: f0 x + (f1 - f0) x^2 / (2 step) = share, solved without cancellation
    share = np.maximum(u - cumulated[k], 0.0)
    slope = (f[k + 1] - f[k]) / step
    root = np.sqrt(np.maximum(f[k] ** 2 + 2.0 * slope * share, 0.0))
    below = f[k] + root
    x = np.divide(2.0 * share, below, out=np.zeros_like(share), where=below > 0.0)
    return np.asarray(_range(kappa)[0] + k * step + np.clip(x, 0.0, step))


def order_parameter(axes: ArrayLike, director: ArrayLike) -> float:
    """Order parameter of axes about a director, as measured.

    Parameters
    ----------
    axes : (n, d) array of float
        Unit vectors, d = 2 or 3.
    director : (d,) array of float, or int
        Any length; an integer names a direction of the box.

    Returns
    -------
    float
        (3 <cos^2> - 1) / 2 in 3-D, 2 <cos^2> - 1 in 2-D; 0 for no axes.

    Raises
    ------
    ValueError
        If the shapes do not fit.

    """
    a = np.asarray(axes, dtype=np.float64)
    if a.ndim != 2 or a.shape[1] not in (2, 3):
        raise ValueError(f"axes must have shape (n, 2) or (n, 3), got {a.shape}")
    e = np.asarray(director, dtype=np.float64)
    if e.ndim == 0:
        e = np.eye(a.shape[1])[int(e)]
    if e.shape != (a.shape[1],) or not np.linalg.norm(e) > 0.0:
        raise ValueError(
            f"director must be a vector of {a.shape[1]} numbers, got {director!r}"
        )
    if not len(a):
        return 0.0
    return _order(float(((a @ (e / np.linalg.norm(e))) ** 2).mean()), a.shape[1])


def measure_orientation(particles: Particles) -> dict[str, dict[str, float]]:
    """Orientation of flakes and rods as it came out.

    Parameters
    ----------
    particles : Particles
        Any.

    Returns
    -------
    dict
        For "flake" and "rod", if there are any: `order_current` and `order_thickness`,
        order parameters of normals or directions about the current and the last axis of
        the box; `order_nematic`, the largest there is about any director (0 to 1, of
        order 1/sqrt(n) for n isotropic particles); `tilt` [rad], rms angle of flake
        normals from the last axis, of rods from the plane across it (in 2-D from the
        current).

    """
    report = {}
    d, box = particles.box.dimension, particles.box
    for kind, word in ((FLAKE, "flake"), (ROD, "rod")):
        axes = particles.axes[particles.kinds == kind]
        if not len(axes):
            continue
        highest = float(np.linalg.eigvalsh(axes.T @ axes / len(axes))[-1])
        if d == 2:
            along = axes[:, box.axis]
            angle = np.arctan2(np.sqrt(np.maximum(0.0, 1.0 - along**2)), abs(along))
        else:
            flat = np.sqrt((axes[:, :-1] ** 2).sum(axis=1))
            up = abs(axes[:, -1])
            angle = np.arctan2(flat, up) if kind == FLAKE else np.arctan2(up, flat)
        report[word] = {
            "order_current": order_parameter(axes, box.axis),
            "order_thickness": order_parameter(axes, d - 1),
            "order_nematic": _order(highest, d),
            "tilt": float(np.sqrt((angle**2).mean())),
        }
    return report
