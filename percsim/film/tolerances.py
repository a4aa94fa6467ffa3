"""Stage 7. Standard deviations of the bench."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from percsim.film.electrodes import Film

__all__ = ["Tolerances", "variance_function"]


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Standard deviations of the bench (defaults: bench judgement, no source).

    Parameters
    ----------
    weighing : float
        Of the weight fraction between castings, relative, from the balance.
    mixing : float
        Of the mean weight fraction between castings, relative, from uneven mixing.
    thickness : float or None
        Of the film thickness, relative; None means 8 %, or 20 % for a drop-cast film.
    gap, width : float
        Of the electrode gap and the film width [m].
    contact : float
        Of the conductance of all contacts together, relative.
    aspect_ratio : float
        Of the aspect ratio between lots of powder, relative.
    mixing_within : float
        Of the weight fraction from point to point inside one casting, relative.
    skew : float
        Of the gap at one end of the electrodes less that at the other [m].
    particle_size : float
        Of the median particle size between lots of powder, at the same shape, relative.
    response : float
        Of what a strain changes ln R by, between castings, relative: bond, cure, and what
        the contacts are made of.
    tilt : float
        Of the rms tilt of the particles between castings [rad]; it acts through the
        threshold, where the thresholds of other tilts are known.
    mixing_length : float
        Correlation length of the loading inside a casting [m], > 0; no tolerance itself.
    instrument : float
        Of one reading of a resistance, relative, from trial to trial.
    strain_setting : float
        Of the strain that is set, from trial to trial.
    contact_redraw : float
        Share of the contacts that close differently in each cycle, 0 to 1.

    Raises
    ------
    ValueError
        If one is negative or not finite, the correlation length is not positive or the
        share of contacts exceeds 1.

    """

    weighing: float = 0.005
    mixing: float = 0.02
    thickness: float | None = None
    gap: float = 1e-4
    width: float = 1e-4
    contact: float = 0.12
    aspect_ratio: float = 0.08
    mixing_within: float = 0.03
    skew: float = 1e-4
    particle_size: float = 0.05
    response: float = 0.05
    tilt: float = math.radians(2.0)
    mixing_length: float = 1e-3
    instrument: float = 0.001
    strain_setting: float = 20e-6
    contact_redraw: float = 0.05

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if value is not None and not 0.0 <= value < float("inf"):
                raise ValueError(f"tolerance {name} must be 0 or more, got {value}")
        if self.mixing_length == 0.0:
            raise ValueError("mixing_length must be a positive length, got 0")
        if self.contact_redraw > 1.0:
            raise ValueError(
                f"contact_redraw is a share of contacts, 0 to 1, got {self.contact_redraw}"
            )

    @classmethod
    def none(cls) -> Tolerances:
        """Nothing scatters but the chains of particles."""
        zero = {name: 0.0 for name in cls.__dataclass_fields__ if name != "mixing_length"}
        return cls(**zero)

    def thickness_of(self, film: Film) -> float:
        """Relative tolerance of the thickness of a film."""
        if self.thickness is not None:
            return self.thickness
        return 0.20 if film.drop_cast else 0.08

    def mean_loading(self, film: Film) -> float:
        """Spread of a film's mean weight fraction from the unevenness inside it, relative.

        The point spread times the root of `variance_function` over the film's volume.
        """
        sizes = (film.electrode_gap, film.section / film.thickness, film.thickness)
        return self.mixing_within * math.sqrt(variance_function(sizes, self.mixing_length))

    def spreads(self, film: Film) -> dict[str, float]:
        """Spread of the logarithm of what each tolerance moves, by name, chains aside.

        `mixing_within` is that of the film's mean; `skew` that of the gap at one end over
        the gap at the other; `tilt` is an angle [rad] itself.
        """
        return {
            "weighing": self.weighing,
            "mixing": self.mixing,
            "thickness": self.thickness_of(film),
            "gap": self.gap / film.electrode_gap,
            "width": self.width / film.width,
            "contact": self.contact,
            "aspect_ratio": self.aspect_ratio,
            "mixing_within": self.mean_loading(film),
            "skew": self.skew / film.electrode_gap,
            "particle_size": self.particle_size,
            "response": self.response,
            "tilt": self.tilt,
        }

    def halved(self, name: str, film: Film) -> Tolerances:
        """Return the same bench with one tolerance halved."""
        if name == "thickness":
            return replace(self, thickness=0.5 * self.thickness_of(film))
        return replace(self, **{name: 0.5 * getattr(self, name)})

    def scaled(self, factor: float, film: Film) -> Tolerances:
        """Return a bench on which films scatter a factor more; instruments read alike."""
        spreads = {name: factor * getattr(self, name) for name in self.spreads(film)
                   if name != "thickness"}  # fmt: skip
        return replace(self, thickness=factor * self.thickness_of(film), **spreads)


def variance_function(sizes: Sequence[float], correlation_length: float) -> float:
    r"""Variance of the mean of a random field over a block, over that at a point.

    .. math:: \Gamma = \prod_i \frac{2 a^2}{T_i^2}
              \left( \frac{T_i}{a} - 1 + e^{-T_i/a} \right)

    for the correlation :math:`e^{-|x|/a} e^{-|y|/a} e^{-|z|/a}` [1]_: 1 for a block far
    smaller than the correlation length a, and (2 a)^3 over its volume for a large one.

    Parameters
    ----------
    sizes : sequence of float
        Edges of the block [m].
    correlation_length : float
        Length a over which the correlation falls by e [m].

    Returns
    -------
    float

    References
    ----------
    .. [1] Vanmarcke, "Random Fields: Analysis and Synthesis", MIT Press (1983), chapter 5.

    Examples
    --------
    >>> round(variance_function([1.0], 1.0), 6)
    0.735759

    """
    found = 1.0
    for size in sizes:
        u = size / correlation_length
        # the closed form loses all digits below u = 1e-5, where it is 1 - u/3
        far = 2.0 * (u + math.expm1(-u)) / u**2 if u >= 1e-3 else 0.0
        found *= far or 1.0 - u / 3.0 + u**2 / 12.0
    return found
