"""Heat of a film for its area, in one sentence."""

from __future__ import annotations

from percsim.words.power import power_caution


def test_power_per_area_stands_beside_what_bears_it() -> None:
    told = power_caution(3.0, 10.0)
    assert told.startswith("At 3 V the film makes 1 mW/cm2: skin bears 10,")
    assert told.endswith("1.6 to 31.")
    assert len(told.split()) <= 20
    assert "45 mW/cm2: too hot for skin (10)" in power_caution(3.0, 450.0)
    assert power_caution(3.0, 0.0) == ""
