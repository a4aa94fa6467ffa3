r"""Stage 7. Resistance of a uniform film: its path, and the way into its electrodes.

Every layout reads one film of resistivity :math:`\rho` whose electrodes add
:math:`r_c` (both together, ohm m^2, from the fit of the boxes). What a layout adds of its
own is the current's way into an electrode. Electrodes embedded through the thickness take
it head on. Electrodes on a face crowd it at their edge: over the transfer length

.. math:: \Lambda^2 = \left(\rho_c + \frac{\max(r_c, 0)}{2}\right) \frac{t}{\rho}
          + \left(\frac{2 \ln 2}{\pi}\, t\right)^2 \frac{\rho_z}{\rho}, \qquad
          A R_{end} = \rho \Lambda \coth(d / \Lambda) + \frac{\min(r_c, 0)}{2}

with :math:`\rho_c` the contact resistivity of the interface beyond the contacts of single
particles, d the length of the electrode along the current and :math:`\rho_z` the
resistivity through the thickness. Particles that touch a face poorly do so all along the
electrode, so that what they cost lies below it, as :math:`\rho_c` does. The first term is
the transmission line of Berger [1]_ and Schroder [2]_, the second what the film's own
thickness costs below a long electrode (conformal mapping of a half strip).

References
----------
.. [1] Berger, "Models for contacts to planar devices", Solid-State Electronics 15, 145
   (1972). https://doi.org/10.1016/0038-1101(72)90048-2
.. [2] Schroder, Semiconductor Material and Device Characterization, 3rd ed., Wiley (2006),
   section 3.4.

"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SHORTEST_SHARE", "film_resistance", "path_resistance", "transfer_length"]

Floats = NDArray[np.float64]

SHORTEST_SHARE = 0.05
"""Smallest share of rho x gap that counts as path: electrodes never short a whole gap."""

CORNER = 2.0 * math.log(2.0) / math.pi
"""Film thicknesses of extra path into a long electrode without contact resistance that
covers one face: the end of a half strip, by conformal mapping. With both terms the end is
within 8 % of finite differences at any contact resistivity."""


def transfer_length(
    resistivity: ArrayLike,
    electrode_excess: ArrayLike,
    thickness: ArrayLike,
    contact: float,
    across: float,
) -> Floats:
    """Length [m] over which current enters an electrode on a face, see the module.

    `contact` is the contact resistivity [ohm m^2] beyond the contacts of single particles.
    That of a film that is open does not count.
    """
    rho = np.asarray(resistivity, dtype=np.float64)
    excess = np.asarray(electrode_excess, dtype=np.float64)
    t = np.asarray(thickness, dtype=np.float64)
    under = contact + 0.5 * np.where(np.isfinite(excess), np.maximum(excess, 0.0), 0.0)
    safe = np.where(np.isfinite(rho), rho, 1.0)
    return np.asarray(np.sqrt(under * t / safe + (CORNER * t) ** 2 * across))


def path_resistance(rho: Floats, ends: Floats, gap: Floats, area: Floats | float) -> Floats:
    """(rho gap + ends)/area [ohm] with the shortest path there can be; inf where open."""
    straight = rho * gap
    return np.asarray(np.maximum(straight + ends, SHORTEST_SHARE * straight) / area)


def film_resistance(
    resistivity: ArrayLike,
    electrode_excess: ArrayLike,
    electrode_gap: ArrayLike,
    width: ArrayLike,
    thickness: ArrayLike,
) -> Floats:
    r"""Resistance of a film whose two electrodes cover its width.

    .. math:: R = \frac{\rho \, \ell + r_c}{w \, t}

    Parameters
    ----------
    resistivity : array_like
        Volume resistivity of the composite [ohm m], inf when open.
    electrode_excess : array_like
        Resistance times area that the two electrodes add together [ohm m^2]; negative when
        particles on the electrodes short more length than the contacts to them cost.
    electrode_gap, width, thickness : array_like
        Sizes of the film [m]; everything broadcasts.

    Returns
    -------
    ndarray of float
        Resistance [ohm]; inf where the resistivity or the excess is inf.

    Notes
    -----
    An excess below -95 % of rho x gap belongs to a gap of a few particles, where the fit it
    comes from does not hold; the path then counts as 5 % of the gap, so that no film comes
    out negative.

    """
    rho = np.asarray(resistivity, dtype=np.float64)
    excess = np.asarray(electrode_excess, dtype=np.float64)
    area = np.asarray(width, dtype=np.float64) * np.asarray(thickness, dtype=np.float64)
    return path_resistance(rho, excess, np.asarray(electrode_gap, dtype=np.float64), area)
