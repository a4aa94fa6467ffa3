"""A powder with widths of its own, so that no test hangs on the data files."""

from __future__ import annotations

from percsim.materials import Powder, Property

POWDER = Powder(
    Property(1.0, "1", 0.5, 2.0, "judgement", "for tests"),
    Property(1.0, "1", 1.0 / 1.1, 1.1, "judgement", "for tests"),
    Property(8e-5, "S", 8e-6, 8e-4, "judgement", "for tests"),
)
TUBES = Powder(
    Property(3.0, "1", 0.03, 300.0, "judgement", "for tests"),
    Property(3.0, "1", 0.03, 300.0, "judgement", "for tests"),
    unforeseeable="tubes of tests: they curl",
)
