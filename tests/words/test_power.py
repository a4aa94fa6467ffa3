"""Heat of a film for its area, in one sentence."""

from __future__ import annotations

import math

from percsim.film.electrodes import Film
from percsim.film.readout import Circuit
from percsim.words.power import power_caution

FILM = Film(thickness=2e-4, width=1e-2, electrode_gap=2e-2)


def test_power_per_area_stands_beside_what_bears_it() -> None:
    # 3 V through 1 kohm and 500 ohm: 2 mA, 2 mW in 500 ohm on 2 cm2
    circuit = Circuit(3.0, 1000.0)
    told = power_caution(circuit, FILM, 500.0)
    assert told.startswith("At 3 V the film makes 1 mW/cm2: skin bears 10,")
    assert told.endswith("1.6 to 31.")
    assert len(told.split()) <= 20
    # straight at 3 V: 90 mW
    hot = power_caution(Circuit(3.0, 0.0), FILM, 100.0)
    assert "45 mW/cm2: too hot for skin (10)" in hot
    assert power_caution(circuit, FILM, math.inf) == ""
