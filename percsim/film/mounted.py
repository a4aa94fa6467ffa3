"""Stage 7. Films on a part: their resistance where strain differs from place to place.

Slices through the thickness conduct side by side, lengths along the current one after the
other, each by the response of the material at its own strain (`percsim.film.layers` gives
those strains).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.film.casting import Castings
from percsim.film.electrodes import Film
from percsim.film.layers import StrainTransfer, gauss_legendre
from percsim.film.visits import Visits

if TYPE_CHECKING:
    from scipy.interpolate import PchipInterpolator

__all__ = [
    "LocalResponse",
    "electrode_span",
    "mount",
    "mounted_logs",
    "read_length",
    "stretches",
]

Floats = NDArray[np.float64]

STRETCHES = 16
"""Equal lengths that the film between its electrodes is divided into."""
UNIFORM = 1e-3
"""Differences of the transfer along the film below which one length is enough."""


@dataclass(frozen=True, slots=True)
class LocalResponse:
    """R of the material over R at rest, against the local strain, at 20 C.

    Parameters
    ----------
    strains : (n,) ndarray of float
        Rising, zero among them; all conduct.
    log_ratios : (k, n) ndarray of float
        ln(R/R0): the first row from all boxes, the others from resampled ones.
    open_below, open_above : bool
        Whether the next strain computed beyond either end is an open circuit.

    Raises
    ------
    ValueError
        If the strains do not rise, lack zero, are fewer than two, or shapes disagree.

    """

    strains: Floats
    log_ratios: Floats
    open_below: bool = False
    open_above: bool = False
    _curve: PchipInterpolator = field(init=False, repr=False)

    def __post_init__(self) -> None:
        strains, logs = self.strains, self.log_ratios
        if strains.ndim != 1 or len(strains) < 2 or np.any(np.diff(strains) <= 0.0):
            raise ValueError("two or more rising strains are needed")
        if 0.0 not in strains:
            raise ValueError("zero must be among the strains")
        if logs.ndim != 2 or logs.shape[1] != len(strains) or not len(logs):
            raise ValueError(
                f"log_ratios must have shape (k, {len(strains)}), got {logs.shape}"
            )
        if not np.isfinite(logs).all():
            raise ValueError("log_ratios must be finite; leave open strains out")
        # most films lie flat, and it takes longer to import than a decision may take
        from scipy.interpolate import PchipInterpolator

        object.__setattr__(self, "_curve", PchipInterpolator(strains, logs, axis=1))

    @classmethod
    def from_castings(cls, castings: Castings) -> LocalResponse | None:
        """Response of the planned film of a candidate; None if it is open at rest.

        Resamples of the boxes that are open anywhere in the range are left out.
        """
        visits = castings.visits
        ref = visits.rest
        states = visits.along(ref)
        rest = states.index(ref)
        conducts = np.isfinite(castings.nominal[states])
        if not conducts[rest]:
            return None
        low, high = _run(conducts, rest)
        if low == high:
            return None
        kept = states[low : high + 1]
        logs = np.log(castings.nominal[kept])
        shift = castings.log_shift
        rows = shift[np.isfinite(shift[:, kept]).all(axis=1)][:, kept] + logs
        logs = np.vstack([logs[None, :], rows])
        return cls(
            np.asarray([visits.strains[s] for s in kept]),
            logs - logs[:, [rest - low]],
            low > 0,
            high < len(states) - 1,
        )

    @property
    def window(self) -> tuple[float, float]:
        """Smallest and largest strain with a computed response."""
        return float(self.strains[0]), float(self.strains[-1])

    @property
    def nominal(self) -> LocalResponse:
        """The same from all boxes alone, without resamples."""
        return LocalResponse(
            self.strains, self.log_ratios[:1], self.open_below, self.open_above
        )

    def ratio(self, strain: ArrayLike) -> Floats:
        """R/R0 (k, ...) at local strains (...).

        Between the computed strains ln R follows a monotone cubic (Fritsch & Carlson, SIAM
        J. Numer. Anal. 17, 238 (1980)); beyond them it goes on along the last step, or is
        inf where the film opens.
        """
        strain = np.asarray(strain, dtype=np.float64)
        x, y = self.strains, self.log_ratios
        inside = self._curve(np.clip(strain, x[0], x[-1]))
        tail = (len(y), *[1] * strain.ndim)
        first = ((y[:, 1] - y[:, 0]) / (x[1] - x[0])).reshape(tail)
        last = ((y[:, -1] - y[:, -2]) / (x[-1] - x[-2])).reshape(tail)
        below, above = np.minimum(strain - x[0], 0.0), np.maximum(strain - x[-1], 0.0)
        out = np.exp(inside + first * below + last * above)
        if self.open_below:
            out = np.where(strain < x[0], np.inf, out)
        if self.open_above:
            out = np.where(strain > x[-1], np.inf, out)
        return np.asarray(out)

    def film(self, along: ArrayLike, through: ArrayLike = 0.0) -> Floats:
        """R/R0 of a film whose local strain is the sum of two parts.

        Parameters
        ----------
        along : (..., nx) array_like
            Strain at the middle of equal lengths along the current.
        through : (..., nz) array_like
            Strain at the Gauss-Legendre points through the thickness (`through_thickness`),
            or one strain for all of it.

        Returns
        -------
        (k, ...) ndarray of float
            Slices in parallel, lengths in series; inf where a length has only open slices.

        """
        along = np.atleast_1d(np.asarray(along, dtype=np.float64))
        through = np.atleast_1d(np.asarray(through, dtype=np.float64))
        weights = np.ones(1)
        if through.shape[-1] > 1:
            weights = 0.5 * gauss_legendre(through.shape[-1])[1]
        ratios = self.ratio(along[..., None] + through[..., None, :])
        with np.errstate(divide="ignore"):
            return np.asarray((1.0 / ((1.0 / ratios) @ weights)).mean(axis=-1))


def read_length(film: Film) -> float:
    """Length along the film whose strain its resistance reads [m], about its middle.

    The gap, or from the first to the last of several gaps side by side.
    """
    if film.layout.name != "fingers":
        return film.electrode_gap
    return electrode_span(film)


def electrode_span(film: Film) -> float:
    """Free length from the first to the last electrode of a film [m]."""
    electrodes = film.layout.electrodes(film.electrode_gap, film.width)
    ends = sorted(electrode.x for electrode in electrodes)
    return float(ends[-1][0] - ends[0][1])


def mount(castings: Castings, transfer: StrainTransfer, through: Floats) -> Castings:
    """Put castings on a part: every state at the strain of the part, wrapped.

    Parameters
    ----------
    castings : Castings
        Flat and free of any part; the strain of a state is that of the film.
    transfer : StrainTransfer
        Strain along the film over that of the part.
    through : (nz,) ndarray of float
        Strain from wrapping at the points of `through_thickness`, or one zero.

    Returns
    -------
    Castings
        The strain of a state is that of the part now; `flat` holds the castings as they
        were. Each casting and each resample of the boxes follows its own response; where
        that is open next to the strains at which it conducts, it is open beyond them.

    """
    nominal = np.log(castings.nominal)[None, :]
    resampled = nominal + castings.log_shift
    drawn = np.log(castings.resistances)
    moved = mounted_logs(
        np.vstack([nominal, resampled, drawn]), castings.visits, castings.film, transfer,
        through,
    )  # fmt: skip
    n = len(resampled)
    at = np.where(np.isfinite(moved[0]), moved[0], 0.0)
    shift = np.where(np.isfinite(moved[:1]), moved[1 : n + 1] - at, np.inf)
    return replace(
        castings,
        nominal=np.exp(moved[0]),
        resistances=np.exp(moved[n + 1 :]),
        log_shift=shift,
        flat=castings,
    )


def mounted_logs(
    logs: Floats,
    visits: Visits,
    film: Film,
    transfer: StrainTransfer,
    through: Floats,
    wanted: Sequence[int] | None = None,
) -> Floats:
    """Ln R (k, n visits) on a part from ln R of flat films; arguments as for `mount`.

    Visits that are not among `wanted` stay as they are.
    """
    moved, along = logs.copy(), _along(film, transfer)
    e, t = np.asarray(visits.strains), np.asarray(visits.temperatures)
    kept = np.isin(np.arange(len(e)), range(len(e)) if wanted is None else wanted)
    for temperature in np.unique(t[kept]):
        states = np.flatnonzero(t == temperature)
        states = states[np.argsort(e[states])]
        moved[:, states] = _moved(logs[:, states], e[states], kept[states], along, through)
    return moved


def _along(film: Film, transfer: StrainTransfer) -> Floats:
    """Transfer at equal lengths of one half of what a film reads; both halves are alike."""
    read = read_length(film)
    along = transfer(stretches(read)[: STRETCHES // 2])
    return np.array([transfer.mean(read)]) if np.ptp(along) < UNIFORM else along


def _moved(
    logs: Floats,
    strains: Floats,
    wanted: NDArray[np.bool_],
    along: Floats,
    through: Floats,
) -> Floats:
    """Ln R (k, n) at strains of the part from ln R at strains of the film, rising."""
    if len(strains) < 2 or 0.0 not in strains:
        return logs
    rest = int(np.flatnonzero(strains == 0.0)[0])
    out = logs.copy()
    conducting = np.isfinite(logs)
    for pattern in np.unique(conducting, axis=0):
        if not pattern[rest]:
            continue
        rows = np.flatnonzero((conducting == pattern).all(axis=1))
        low, high = _run(pattern, rest)
        if low == high:
            out[rows] = np.where(np.arange(len(strains)) == rest, logs[rows], np.inf)
            continue
        mine = logs[rows, low : high + 1]
        response = LocalResponse(
            strains[low : high + 1],
            mine - mine[:, [rest - low]],
            low > 0,
            high < len(strains) - 1,
        )
        ratios = response.film(np.outer(strains[wanted], along), through)
        out[np.ix_(rows, wanted)] = logs[rows, rest, None] + np.log(ratios)
    return out


def _run(conducts: NDArray[np.bool_], rest: int) -> tuple[int, int]:
    """First and last of the conducting states around the one at rest."""
    low = high = rest
    while low > 0 and conducts[low - 1]:
        low -= 1
    while high < len(conducts) - 1 and conducts[high + 1]:
        high += 1
    return low, high


def stretches(length: float, count: int = STRETCHES) -> Floats:
    """Middles of equal lengths [m], from the middle of the film."""
    return np.asarray(((np.arange(count) + 0.5) / count - 0.5) * length)
