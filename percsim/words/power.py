"""What a film makes of heat an area, beside what bears it."""

from __future__ import annotations

from percsim.film.readout import GAUGE_PRACTICE, SKIN_BEARS
from percsim.quantities import quantity, two

__all__ = ["power_caution"]

MILLIWATT_PER_CM2 = 10.0
"""In W/m^2."""


def power_caution(supply: float, density: float) -> str:
    """Say in one sentence how much heat a film makes for its area.

    Parameters
    ----------
    supply : float
        What it is fed with [V].
    density : float
        Heat an area [W/m^2].

    Returns
    -------
    str
        Empty for a film that makes none, as an open one.

    """
    if density == 0.0:
        return ""
    found, skin, *gauges = (
        two(x / MILLIWATT_PER_CM2) for x in (density, SKIN_BEARS, *GAUGE_PRACTICE)
    )
    bears = f"too hot for skin ({skin})" if density > SKIN_BEARS else f"skin bears {skin}"
    return (
        f"At {quantity(supply, 'V')} the film makes {found} mW/cm2: {bears}, gauges"
        f" on plastics run at {' to '.join(gauges)}."
    )
