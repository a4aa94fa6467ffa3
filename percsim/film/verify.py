"""Stage 7. Films simulated whole, particle by particle, against films of blocks.

The largest film that a stated number of particles allows is simulated directly, many times
over, and put beside films of the same size on the block lattice. Both are periodic across
the width, as the blocks are, and both have their electrodes through the whole section.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.simulate import BoxJob
from percsim.boxes.statistics import Estimate, cv_from_log_std
from percsim.film.block_films import FilmCastings

__all__ = ["FEWEST_FILMS", "FilmComparison", "FilmJob", "compare_films", "film_blocks"]

Floats = NDArray[np.float64]

FEWEST_FILMS = 24
"""Films simulated directly: their spread is then known to 15 %."""


@dataclass(frozen=True, slots=True)
class FilmJob(BoxJob):
    """A film to simulate directly, a box of whole blocks.

    Parameters
    ----------
    blocks : (int, int)
        Blocks along the current and across it.

    """

    blocks: tuple[int, int] = (1, 1)

    @property
    def group(self) -> str:
        """First part of the key."""
        along, across = self.blocks
        return f"film/{self.recipe.weight_fraction!r}/{along}x{across}"


def film_blocks(
    particles_per_block: float, budget: float, films: int = FEWEST_FILMS
) -> tuple[int, int]:
    """Largest film that a budget allows, in blocks along and across.

    Parameters
    ----------
    particles_per_block : float
        Particles in one block.
    budget : float
        Particles in all films together.
    films : int
        How many films.

    Returns
    -------
    (int, int)
        Two or more along, at most twice as many along as across where that many fit.

    Raises
    ------
    ValueError
        If not even two blocks fit.

    """
    blocks = int(budget / films / particles_per_block + 1e-9)
    if blocks < 2:
        needed = 2.0 * films * particles_per_block
        raise ValueError(
            f"a budget of {budget:.3g} particles is too small: {films} films of two blocks "
            f"of {particles_per_block:.0f} particles each take {needed:.2g}"
        )
    across = max(1, int(math.sqrt(blocks / 1.5)))
    return max(2, blocks // across), across


@dataclass(frozen=True, slots=True)
class FilmComparison:
    """Directly simulated films and films of blocks of the same size.

    Parameters
    ----------
    blocks : (int, int)
        Size of the films in blocks, along and across.
    particles : int
        Particles in all directly simulated films together.
    direct, lattice : tuple of Estimate
        Mean of ln R, CV of R and gauge factor of each; errors of films and boxes. Of the
        films that conduct.
    films : int
        Directly simulated films, open ones counted.
    open_fractions : (float, float)
        Share of open films at rest, of the direct ones and of those of blocks.

    """

    blocks: tuple[int, int]
    particles: int
    direct: tuple[Estimate, Estimate, Estimate]
    lattice: tuple[Estimate, Estimate, Estimate]
    films: int
    open_fractions: tuple[float, float] = (0.0, 0.0)

    def differences(self) -> tuple[Estimate, Estimate, Estimate]:
        """Lattice less direct, relative: of R, of the spread, of the gauge factor.

        Returns
        -------
        tuple of Estimate
            With the standard error of the difference; inf where one is open.

        """
        out = []
        for i, (a, b) in enumerate(zip(self.direct, self.lattice, strict=True)):
            n = min(a.n, b.n)
            if not (math.isfinite(a.value) and math.isfinite(b.value)):
                out.append(Estimate(math.inf, math.inf, n))
            elif i == 0:  # of logarithms
                apart = b.value - a.value
                error = math.hypot(a.standard_error, b.standard_error)
                out.append(Estimate(math.expm1(apart), math.exp(apart) * error, n))
            elif a.value == 0.0 or b.value == 0.0:
                out.append(Estimate(0.0 if a.value == b.value else math.inf, math.inf, n))
            else:
                ratio = b.value / a.value
                error = abs(ratio) * math.hypot(a.relative_error, b.relative_error)
                out.append(Estimate(ratio - 1.0, error, n))
        return out[0], out[1], out[2]

    def as_dict(self) -> dict[str, object]:
        """Keys as in `summary.json`."""

        def rows(values: tuple[Estimate, Estimate, Estimate]) -> dict[str, object]:
            names = ("mean_log_resistance", "resistance_cv", "gauge_factor")
            return {
                name: {"value": e.value, "standard_error": e.standard_error}
                for name, e in zip(names, values, strict=True)
            }

        return {
            "blocks_along": self.blocks[0],
            "blocks_across": self.blocks[1],
            "films": self.films,
            "open_fraction": {
                "direct": self.open_fractions[0],
                "lattice": self.open_fractions[1],
            },
            "particles": self.particles,
            "direct": rows(self.direct),
            "lattice": rows(self.lattice),
            "difference": rows(self.differences()),
        }


def compare_films(
    resistances: Floats,
    strains: Floats,
    castings: FilmCastings,
    blocks: tuple[int, int],
    particles: int,
) -> FilmComparison:
    """Put directly simulated films beside films of blocks.

    Parameters
    ----------
    resistances : (n, k) ndarray of float
        Of the directly simulated films [ohm], inf where open.
    strains : (k,) ndarray of float
        The strains, zero among them.
    castings : FilmCastings
        Films of the same size on the lattice, at the same strains.
    blocks, particles :
        As in `FilmComparison`.

    Returns
    -------
    FilmComparison

    Raises
    ------
    ValueError
        If there are fewer than two films.

    """
    if len(resistances) < 2:
        raise ValueError("two or more directly simulated films are needed")
    rest = int(np.argmin(abs(strains)))
    far = int(np.argmax(abs(strains)))
    n = len(resistances)
    at_rest = resistances[:, rest]
    logs = np.log(at_rest[np.isfinite(at_rest)])
    open_fractions = (1.0 - len(logs) / n, castings.open_fraction)
    if len(logs) < max(2.0, 0.5 * n):
        nothing = Estimate(math.inf, math.inf, n)
        return FilmComparison(
            blocks,
            particles,
            (nothing, nothing, nothing),
            (castings.mean_log, castings.cv, castings.gauge_factor),
            n,
            open_fractions,
        )
    deviation = float(logs.std(ddof=1))
    cv = cv_from_log_std(deviation)
    keep = np.isfinite(at_rest) & np.isfinite(resistances[:, far])
    gauge = Estimate(0.0, 0.0, n)
    if strains[far] != 0.0:
        gauge = Estimate(math.inf, math.inf, n)
        if keep.sum() >= max(2.0, 0.5 * n):
            chords = (resistances[keep, far] / at_rest[keep] - 1.0) / strains[far]
            error = 1.2533 * float(chords.std(ddof=1)) / math.sqrt(len(chords))
            gauge = Estimate(float(np.median(chords)), error, len(chords))
    return FilmComparison(
        blocks,
        particles,
        (
            Estimate(float(logs.mean()), deviation / math.sqrt(len(logs)), len(logs)),
            Estimate(cv, cv / math.sqrt(2.0 * (len(logs) - 1)), len(logs)),
            gauge,
        ),
        (castings.mean_log, castings.cv, castings.gauge_factor),
        n,
        open_fractions,
    )
