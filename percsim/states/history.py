r"""Stage 4. What a film goes through in time, and what contacts and strain remember of it.

A film in which contacts remember is not at a state but on a path. Contacts, which close
again only some way below the opening that broke them, follow the order of the visits; the
elastomer between them follows their times: what a film feels of a strain fades with the
logarithm of the time since,

.. math:: e_\mathrm{felt}(t) = e(t) - r \int \ln\left(1 + \frac{t - s}{t_0}\right) de(s),

`relaxed` r a share for each factor e of time. One relaxation time covers about a decade,
and filled rubbers creep over many, which a logarithm sums up. Under an imposed strain it is
the stress that relaxes: this describes how R drifts, it is no mechanism. It is meant for
constant temperature, less than 1 % of strain, and 1 to 1e5 s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.values import floats, freeze, take_reals

__all__ = ["MOST_RELAXED", "T0", "History", "Memory"]

Floats = NDArray[np.float64]

T0 = 0.1
"""Time from which strain and contacts fade with the logarithm of time [s] (judgement: what
is faster is over when a bench reads)."""

MOST_RELAXED = 0.5
"""Share of a strain that may have faded by the end of a history: a law that is linear in
the logarithm of time holds no further (judgement)."""


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class History:
    """Strain and temperature of a film at times, in straight lines between them.

    Parameters
    ----------
    times : (v,) ndarray of float
        Of the visits [s], from 0 or any other start, not falling; a time that comes twice
        is a jump.
    strains : (v,) ndarray of float
        Engineering strain along the current, tension positive.
    temperatures : (v,) ndarray of float
        [K].

    Raises
    ------
    ValueError
        If there is no visit, the three differ in length, a time falls, or a strain or
        temperature is none.

    Notes
    -----
    A film arrives at its first visit rested: what it stood at then has faded, and contacts
    that are open there have never closed.

    """

    times: Floats
    strains: Floats
    temperatures: Floats
    _faded: Floats = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for name in ("times", "strains", "temperatures"):
            values = floats(name, getattr(self, name))
            if values.ndim != 1 or not len(values) or not np.isfinite(values).all():
                raise ValueError(f"{name} must be one finite number a visit, (v,)")
            object.__setattr__(self, name, np.ascontiguousarray(values))
        if not len(self.times) == len(self.strains) == len(self.temperatures):
            raise ValueError(
                f"times, strains and temperatures must be as many, got {len(self.times)}, "
                f"{len(self.strains)} and {len(self.temperatures)}"
            )
        falls = np.flatnonzero(np.diff(self.times) < 0.0)
        if len(falls):
            k = int(falls[0])
            raise ValueError(
                f"times must not fall, visit {k + 1} is at {self.times[k + 1]:g} s after "
                f"{self.times[k]:g} s"
            )
        if not (self.strains > -1.0).all():
            raise ValueError(f"strains must be above -1, got {self.strains.min():g}")
        if not (self.temperatures > 0.0).all():
            raise ValueError(
                f"temperatures must be above 0 K, got {self.temperatures.min():g}"
            )
        from percsim.kernels.memory import faded  # models are read without compiling

        # copies, as kernels compile anew for arrays that may not be written
        gone = faded(self.times / T0, np.array(self.strains))
        object.__setattr__(self, "_faded", gone)
        freeze(self)

    def __len__(self) -> int:
        return len(self.times)

    def __repr__(self) -> str:
        e, t = 1e6 * self.strains, self.temperatures - 273.15
        return (
            f"History: {len(self)} visits in {self.times[-1] - self.times[0]:.4g} s, "
            f"{e.min():.6g} to {e.max():.6g} microstrain, {t.min():.4g} to {t.max():.4g} C"
        )

    @property
    def most_relaxed(self) -> float:
        """What `relaxed` must be below for less than `MOST_RELAXED` to fade; inf if any."""
        span = float(self.times[-1] - self.times[0]) / T0
        return MOST_RELAXED / math.log(span) if span > 1.0 else math.inf

    def felt(self, relaxed: ArrayLike = 0.0) -> Floats:
        r"""Strain that the contacts feel at every visit.

        Parameters
        ----------
        relaxed : float or (n,) array_like
            Share of a strain that fades for each factor e of time, 0 or more.

        Returns
        -------
        (v,) or (n, v) ndarray of float
            :math:`e(t) - r \int \ln(1 + (t - s)/t_0)\,de(s)`, exact for straight lines.

        Raises
        ------
        ValueError
            If `relaxed` is negative, or so large that half of a strain and more fades.

        """
        share = np.asarray(relaxed, dtype=np.float64)
        if not ((share >= 0.0) & (share < self.most_relaxed)).all():
            worst = share.max() if (share >= 0.0).all() else share.min()
            raise ValueError(
                f"relaxed must be 0 to less than {self.most_relaxed:.3g} over "
                f"{self.times[-1] - self.times[0]:.4g} s, where half of a strain would "
                f"fade, got {worst:g}"
            )
        return np.asarray(self.strains - share[..., None] * self._faded)

    @property
    def rested(self) -> Floats:
        """How long the film has been without strain at each visit [s], 0 under one."""
        out = np.zeros(len(self))
        for k in range(1, len(self)):
            if self.strains[k] == 0.0 == self.strains[k - 1]:
                out[k] = out[k - 1] + self.times[k] - self.times[k - 1]
        return out


@dataclass(frozen=True, slots=True)
class Memory:
    r"""How contacts remember that they were broken.

    Parameters
    ----------
    reclose : float
        Share of the opening that broke a contact at or below which it closes again, 0 to 1.
    healed : float
        Share of its conductance that a contact has once it closed again, however often it
        broke, above 0 to 1.
    recovery : float
        Share of scars and of the way back to closing that returns at rest for each factor
        e of time, 0 or more.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    ``Memory()`` is the law without memory. A contact that has never closed closes at the
    same opening as a broken one and has no scar then. At rest, without strain for a time t,
    :math:`q = \min(1, \mathrm{recovery} \ln(1 + t/t_0))` of each scar
    :math:`-\ln\,\mathrm{healed}` goes, and contacts close at or below
    :math:`\mathrm{reclose} + q\,(1 - \mathrm{reclose})`.

    """

    reclose: float = 1.0
    healed: float = 1.0
    recovery: float = 0.0

    def __post_init__(self) -> None:
        take_reals(self, "reclose", "healed", "recovery")
        if not 0.0 <= self.reclose <= 1.0:
            raise ValueError(f"reclose must be 0 to 1, got {self.reclose}")
        if not 0.0 < self.healed <= 1.0:
            raise ValueError(f"healed must be above 0 to 1, got {self.healed}")
        if not 0.0 <= self.recovery < math.inf:
            raise ValueError(f"recovery must not be negative, got {self.recovery}")

    def along(self, history: History) -> tuple[Floats, Floats]:
        """Where contacts close at every visit, and what scars keep until then, (v,) each.

        Openings over those that broke the contacts, and shares of the scars of the visit
        before.
        """
        back = returned(np.array([self.recovery]), history)[0]
        before = np.where(history.rested > 0.0, np.roll(back, 1), 0.0)
        had = np.where(before < 1.0, 1.0 - before, 1.0)  # where all is back 0 of 1 is left
        return self.reclose + back * (1.0 - self.reclose), (1.0 - back) / had


def returned(recovery: Floats, history: History) -> Floats:
    """Share of scars and of the way to closing that has returned at each visit, (n, v)."""
    waited = np.log1p(history.rested / T0)
    return np.asarray(np.minimum(recovery[:, None] * waited, 1.0))
