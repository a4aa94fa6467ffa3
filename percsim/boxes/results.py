"""Stage 6. What a box, a film simulated whole and a growth give, and as what it is stored.

Fields have the names that they are stored under; those that are None are not stored.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from functools import cache, partial
from typing import Any, get_args, get_type_hints

import numpy as np
from numpy.typing import NDArray

from percsim.values import real, whole

__all__ = [
    "BoxResult",
    "Currents",
    "GrowthResult",
    "SampledContacts",
    "Variations",
    "read_result",
    "stored",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
ByName = Mapping[str, Floats]


def _array(dtype: type[Any], kinds: str, name: str, value: Any) -> NDArray[Any]:
    array = np.asarray(value)
    if array.size and array.dtype.kind not in kinds:
        raise ValueError(f"{name} must hold numbers, not values of type {array.dtype}")
    array = array.astype(dtype)
    if np.isnan(array).any():
        raise ValueError(f"{name} must not hold NaN")
    array.setflags(write=False)
    return array


_floats = partial(_array, np.float64, "iuf")
_READERS: dict[Any, Callable[[str, Any], Any]] = {
    int: whole,
    float: real,
    Floats: _floats,
    Ints: partial(_array, np.int64, "iu"),
    ByName: lambda _, value: {name: _floats(name, row) for name, row in value.items()},
}


@cache
def _kinds(result: Any) -> dict[str, tuple[Any, bool]]:
    """Type of each field, and whether it may be None."""
    kinds = {name: (hint, get_args(hint)) for name, hint in get_type_hints(result).items()}
    return {
        name: (args[0], True) if type(None) in args else (hint, False)
        for name, (hint, args) in kinds.items()
    }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Result:
    """Fields are made what their types say, from plain lists too; arrays are read-only."""

    def __post_init__(self) -> None:
        own: Any = type(self)
        for name, (kind, optional) in _kinds(own).items():
            value = getattr(self, name)
            if optional and value is None:
                continue
            if kind in _READERS:
                value = _READERS[kind](name, value)
            elif not isinstance(value, kind):
                value = kind(**value)
            object.__setattr__(self, name, value)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Currents(_Result):
    """What the currents of a box at rest tell; all 0 if it is open.

    Parameters
    ----------
    hottest_share : float
        Share of the power in the hottest 1 % of the contacts that carry current.
    largest_share : float
        Share in a single contact.
    noise_index : float
        See `percsim.network.sensitivity.noise_index`.
    bottleneck_S, critical_path_S : float
        Conductance of the weakest contact of the path whose weakest contact is strongest,
        and of that path alone [S].
    effective_medium_S : float
        See `percsim.boxes.simulate.effective_medium_estimate` [S].
    power_sorted : (k,) ndarray of float
        Shares of the power at `percsim.boxes.simulate.POWER_QUANTILES` of the contacts that
        carry current, hottest first.

    """

    hottest_share: float = 0.0
    largest_share: float = 0.0
    noise_index: float = 0.0
    bottleneck_S: float = 0.0  # noqa: N815 - stored under this name, as the two below
    critical_path_S: float = 0.0  # noqa: N815
    effective_medium_S: float = 0.0  # noqa: N815
    power_sorted: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SampledContacts(_Result):
    """Some contacts spread over a box.

    Parameters
    ----------
    lifted : (c,) ndarray of float, optional
        Relative openings per unit of thermal strain through a bonded film alone, without
        strain.
    weights : (c,) ndarray of float
        Square of their length along the current over the opening length.
    visits : (k,) ndarray of int
        The first visit at each strain.
    opened, stretched : (k, c) ndarray of float
        Relative openings at those without swelling, and per unit of swelling.

    """

    lifted: Floats | None = None
    weights: Floats
    visits: Ints
    opened: Floats
    stretched: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Variations(_Result):
    """A box at other settings of the law.

    Parameters
    ----------
    settings : (n, 3) ndarray of float
        Each a `percsim.boxes.simulate.Setting`.
    visits : (k,) ndarray of int
        The visits that were varied.
    conductances : (n, k) ndarray of float
        [S], 0 for an open circuit.
    lost_shares : (n, k) ndarray of float
        Share of the links that do not conduct.
    sample : SampledContacts
        Contacts of the box.
    memories : (m, 3) ndarray of float, optional
        Each a `percsim.boxes.simulate.MemorySetting`, of a job that has any and strains.
    pulled : (p,) ndarray of int, optional
        The visits that those went past, in order.
    remembered : (m, p) ndarray of float, optional
        Conductances there [S].

    """

    settings: Floats
    visits: Ints
    conductances: Floats
    lost_shares: Floats
    sample: SampledContacts
    memories: Floats | None = None
    pulled: Ints | None = None
    remembered: Floats | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoxResult(_Result):
    """One box over its `v` visits; so is a film that is simulated whole.

    A visit is a state of the job by its index: two may be of the same strain.

    Parameters
    ----------
    n_particles, n_links : int
        Particles and their contacts.
    volume_fraction : float
        Of the box as drawn.
    conductances : (v,) ndarray of float
        [S], 0 for an open circuit.
    backbone_share : float
        Share of the particles that carry current at rest.
    lost_share : float
        Share of the links that do not conduct there.
    electrode_share : float
        Share of the resistance there that lies in the contacts to the two electrodes.
    currents : Currents
        At rest.
    flake_order, rod_order : float, optional
        Order parameters as placed, of flake normals about the thickness and of rods about
        the current; None if the recipe holds none.
    lost_shares : (v,) ndarray of float, optional
        As `lost_share`, of a job with a mounting and thermal opening.
    slopes : mapping of str to (v,) ndarray of float, optional
        By name of `percsim.network.opened.SLOPES`, of such a job.
    variations : Variations, optional
        At other settings of the law, where the job has any.
    probe_conductances : (p,) ndarray of float, optional
        One a probe of the job [S].

    Raises
    ------
    ValueError
        If a field is not what its type says, or NaN.

    """

    n_particles: int
    n_links: int
    volume_fraction: float
    conductances: Floats
    backbone_share: float
    lost_share: float
    electrode_share: float
    currents: Currents
    flake_order: float | None = None
    rod_order: float | None = None
    lost_shares: Floats | None = None
    slopes: ByName | None = None
    variations: Variations | None = None
    probe_conductances: Floats | None = None

    @property
    def numbers(self) -> dict[str, float]:
        """Its single numbers by name, then those of its currents."""
        return {
            field.name: value
            for part in (self, self.currents)
            for field in fields(part)
            if isinstance(value := getattr(part, field.name), int | float)
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrowthResult(_Result):
    """A few boxes of a threshold.

    Parameters
    ----------
    numbers : (boxes, axes) ndarray of int
        Particles at the first wrapping along each axis.

    """

    numbers: Ints


def stored(result: Any) -> dict[str, Any]:
    """Give what the store keeps of a result or a part of it, by name and in order."""
    values = {field.name: getattr(result, field.name) for field in fields(result)}
    return {
        name: stored(value) if is_dataclass(value) else value
        for name, value in values.items()
        if value is not None
    }


def read_result(key: str, value: Any) -> BoxResult | GrowthResult:
    """Read a result from what is stored of it.

    Parameters
    ----------
    key : str
        Of its job.
    value : dict
        As `stored` gives it, arrays as lists.

    Raises
    ------
    ValueError
        If it is no result of such a job.

    """
    kind = GrowthResult if key.startswith("threshold/") else BoxResult
    try:
        return kind(**value)
    except (AttributeError, TypeError) as error:  # lacks a field, or is no mapping
        raise ValueError(f"{kind.__name__}: {error}") from error
