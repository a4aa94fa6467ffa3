"""The simulated box: its size, its periodic directions and the current direction."""

from __future__ import annotations

from dataclasses import dataclass

from percsim.values import flag, real, whole

__all__ = ["Box"]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangular box whose two faces along `axis` carry the electrodes.

    Parameters
    ----------
    size : tuple of float
        Edge lengths [m]; three entries make a 3-D box, two a 2-D box. Axis 0 lies along
        the film, axis 1 across its width, axis 2 through its thickness.
    periodic : tuple of bool
        Which directions are periodic, one entry an edge. The current direction may be
        periodic too (threshold work): then there are no electrodes.
    axis : int
        Direction of the current, default 0.

    Raises
    ------
    ValueError
        If the entries do not make a box.

    """

    size: tuple[float, ...]
    periodic: tuple[bool, ...]
    axis: int = 0

    def __post_init__(self) -> None:
        size = tuple(real("a box edge", s) for s in self.size)
        periodic = tuple(flag("periodic", p) for p in self.periodic)
        axis = whole("axis", self.axis)
        if len(size) not in (2, 3):
            raise ValueError(f"a box has 2 or 3 edges, got size {self.size}")
        if len(periodic) != len(size):
            raise ValueError(f"periodic must have {len(size)} entries, got {self.periodic}")
        if not all(0.0 < s < float("inf") for s in size):
            raise ValueError(
                f"box edges must be positive lengths in metres, got {self.size}"
            )
        if not 0 <= axis < len(size):
            raise ValueError(f"axis must be 0 to {len(size) - 1}, got {self.axis}")
        object.__setattr__(self, "size", size)
        object.__setattr__(self, "periodic", periodic)
        object.__setattr__(self, "axis", axis)

    @property
    def dimension(self) -> int:
        """2 or 3."""
        return len(self.size)

    @property
    def volume(self) -> float:
        """Volume [m^3] (area [m^2] in 2-D)."""
        volume = 1.0
        for edge in self.size:
            volume *= edge
        return volume

    @property
    def length(self) -> float:
        """Edge along the current [m]."""
        return self.size[self.axis]

    @property
    def section(self) -> float:
        """Cross-section the current passes [m^2] ([m] in 2-D)."""
        return self.volume / self.length

    @property
    def has_electrodes(self) -> bool:
        """Whether the two faces along the current carry electrodes."""
        return not self.periodic[self.axis]
