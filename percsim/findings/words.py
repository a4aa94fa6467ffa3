"""What every report says whatever the plan: what is not modelled."""

from __future__ import annotations

__all__ = ["BOND", "SELF_HEATING", "not_modelled"]

BOND = "end zones of the bond between film and part, and strain lost in a soft sheet"
"""Not modelled unless the plan has a sheet or a part."""

SELF_HEATING = "self-heating"
"""Not modelled unless the plan says how the film is fed, under [supply]."""

OF_PULLS = (
    "hysteresis, creep and the shift of the first strain cycles, which [contacts] model ="
    " 'opening' has"
)
"""Not modelled by laws whose contacts do not open."""

BEYOND_PULLS = (
    "fatigue: a contact scars once, so that equal pulls add nothing after the first; creep"
    " other than with the logarithm of time"
)
"""Not modelled by contacts that open and remember."""

OVERLAP = (
    "that solid particles cannot interpenetrate: bodies are placed at random and may "
    "overlap, and what overlaps is a contact"
)
"""Not modelled unless the plan makes particles impenetrable."""

IN_LAYERS = (
    "copper foil or tape embedded in the film: it stiffens the strip under it and"
    " concentrates strain in the gap",
    "creep of the sheet, a glue between sheet and part, partial debonding, and end zones"
    " across the patch",
)
"""Not modelled of a film on its sheet and part."""


def not_modelled(
    *, opening: bool, overlap: bool, layered: bool = False, heated: bool = False
) -> list[str]:
    """List what no chapter models.

    Parameters
    ----------
    opening : bool
        Whether contacts open and remember.
    overlap : bool
        Whether particles may overlap.
    layered : bool
        Whether the film lies on its sheet and part.
    heated : bool
        Whether it is fed, and warms.

    """
    return [
        BEYOND_PULLS if opening else OF_PULLS,
        "the change of the film's section with strain (1 + 2 nu of a plain conductor)",
        "clusters and alignment other than the plan's; settled filler, voids",
        *([] if layered else [BOND]),
        "electrodes shorter than the film is wide, and current spreading beside them",
        *([] if heated else [SELF_HEATING]),
        "ageing, moisture, and drift of the contacts",
        *([OVERLAP] if overlap else []),
        *(IN_LAYERS if layered else ()),
    ]
