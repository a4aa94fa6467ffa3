"""What every report says whatever the plan: what is not modelled."""

from __future__ import annotations

__all__ = ["BOND", "NOT_MODELLED", "OF_PULLS", "OVERLAP", "SELF_HEATING"]

BOND = "end zones of the bond between film and part, and strain lost in a soft sheet"
"""Not modelled unless the plan has a sheet or a part."""

SELF_HEATING = "self-heating"
"""Not modelled unless the plan says how the film is fed, under [supply]."""

OF_PULLS = (
    "hysteresis between loading and unloading",
    "creep and relaxation under constant strain",
    "the shift of the first strain cycles",
)
"""Not modelled by laws whose contacts do not open."""

NOT_MODELLED = (
    *OF_PULLS,
    "the change of the film's section with strain (1 + 2 nu of a plain conductor)",
    "clusters and alignment other than the plan's; settled filler, voids",
    BOND,
    "electrodes shorter than the film is wide, and current spreading beside them",
    SELF_HEATING,
    "ageing, moisture, and drift of the contacts",
)

OVERLAP = (
    "that solid particles cannot interpenetrate: bodies are placed at random and may "
    "overlap, and what overlaps is a contact"
)
"""Not modelled either, unless the plan makes particles impenetrable."""
