"""The shortest plan that runs, for a powder, an elastomer and a layout of electrodes.

Loadings and the resistances asked for are of the films to be expected, so that the first
run of any powder has something to choose from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any

from percsim.errors import PlanError
from percsim.materials import Recipe, load_material, material_names
from percsim.materials.powder import expected_threshold
from percsim.plan.mixture import THIN_FILM
from percsim.plan.plan import Plan
from percsim.plan.readers import did_you_mean
from percsim.plan.write import to_toml
from percsim.units import format_quantity

__all__ = ["LAYOUTS", "short_plan"]

LAYOUTS: dict[str, Mapping[str, Any]] = {
    "bars": {},
    "end plates": {},
    "fingers": {"fingers": 4, "electrode_length": "1 mm"},
    "four-terminal": {"electrode_length": "1 mm", "sense_spacing": "1 mm"},
}
"""Electrode layouts, and the keys that a short plan needs for each."""

HEAD = "# Typical values: set your own. percsim explain KEY tells of any other key.\n"

LOADINGS = 4
"""Loadings of a short plan, from `LEAST` times the threshold to be expected to `MOST`."""

LEAST, MOST, FULLEST = 1.3, 2.5, 0.55
"""Times the threshold; the fullest film in particles by volume."""

CONDUCTS = {"flake": 0.06, "rod": 0.04, "sphere": 0.15}
"""Conductivity over g0 n L^2 (phi/phi_c - 1)^2, for n particles a volume of median size L:
within 1.3 times either way at twice the threshold as simulated for the powders of the data
files."""

COOL = 80.0
"""Most power per area that the supply of a short plan brings to a film [W/m^2]; skin bears
100 for long."""


MANY = 2e5
"""Particles in the longest of the usual boxes from which shorter ones are written, in place
of the strain window, which stays the usual one."""


def _named(option: str, name: str, known: Sequence[str]) -> str:
    if name in known:
        return name
    hint = did_you_mean(name, known)
    raise PlanError([f"{option} '{name}' is not known{hint}; known: {', '.join(known)}"])


def _material(option: str, name: str, kind: str) -> str:
    with suppress(ValueError):
        found = load_material(name)
        if found.kind == kind:
            return found.name
    return _named(option, name, material_names(kind))


def short_plan(filler: str, elastomer: str, layout: str) -> str:
    """Write the shortest plan that runs, for materials of percsim's data files.

    Parameters
    ----------
    filler, elastomer : str
        Names in the data files.
    layout : str
        One of `LAYOUTS`.

    Returns
    -------
    str
        TOML of at most 25 lines.

    Raises
    ------
    PlanError
        If a name is not known.

    """
    names = (
        _material("--filler", filler, "filler"),
        _material("--elastomer", elastomer, "elastomer"),
        _named("--layout", layout, tuple(LAYOUTS)),
    )
    sections = _draft(*names)
    sections["target"] = _target(Plan.from_dict(sections))
    return HEAD + to_toml(sections).replace("\n\n", "\n")


def _target(plan: Plan) -> dict[str, Any]:
    """Resistances that the films of a plan are expected to have, and what reads them."""
    gaps, (powder,) = plan.electrode_gaps, plan.fillers
    solids = plan.recipe(plan.weight_fractions[2]).volume_fraction
    number = solids / powder.mean_volume()
    beyond = solids / expected_threshold(powder) - 1.0
    each = CONDUCTS[powder.kind] * plan.g0.value * powder.median_diameter**2
    film, smallest = plan.film_at(gaps[len(gaps) // 2]), plan.film_at(gaps[0])
    resistance = float(film.resistance(1.0 / (each * number * beyond**2), 0.0))
    # in series with as much again, where a film takes most
    warms = COOL * smallest.volume / smallest.thickness
    voltage = min(3.3, 2.0 * (warms * resistance) ** 0.5)
    return {
        "supply": format_quantity(voltage, "voltage", digits=2),
        "series_resistor": format_quantity(resistance, "resistance", digits=2),
        "resistance": " to ".join(
            format_quantity(times * resistance, "resistance", digits=2)
            for times in (1.0 / 3.0, 3.0)
        ),
        "smallest_gauge_factor": 10,
    }


def _draft(filler: str, elastomer: str, layout: str) -> dict[str, dict[str, Any]]:
    """Sections of a plan that asks for nothing yet."""
    powder = load_material(filler).filler()
    recipe = Recipe(((powder, 0.1),), load_material(elastomer).elastomer())
    least = LEAST * expected_threshold(powder)
    step = (min(MOST / LEAST, FULLEST / least)) ** (1.0 / (LOADINGS - 1))
    filled = [recipe.at_volume_fraction(least * step**k) for k in range(LOADINGS)]
    percents = [100.0 * mix.weight_fraction for mix in filled]
    loadings = [f"{x:.0f} wt%" if x >= 10.0 else f"{x:.2g} wt%" for x in percents]
    # no thinner than a particle, and with faces as its boxes have them
    median = powder.median_diameter
    thickness, scale = next(
        (t, scale)
        for t, scale in ((2e-4, 1), (4e-4, 1), (1e-3, 3), (2e-3, 6))
        if t >= powder.largest and not 20.0 * THIN_FILM * median < t < 60.0 * median
    )

    def mm(*lengths: float) -> list[str]:
        return [f"{scale * x:g} mm" for x in lengths]

    width, length, *gaps = mm(6, 16, 2, 3, 5)
    film: dict[str, Any] = {
        "thickness": f"{1e3 * thickness:g} mm", "width": width, "length": length,
    }  # fmt: skip
    if layout != "bars":
        film |= {"layout": layout, **LAYOUTS[layout]}
    # end plates stand at the ends of the film, and nowhere else
    gaps = {"fingers": mm(1, 2), "end plates": [length]}.get(layout, gaps)
    also: dict[str, dict[str, Any]] = {"strain": {"window": "0 to 3000 microstrain"}}
    if filled[-1].volume_fraction / powder.mean_volume() * (20.0 * median) ** 3 > MANY:
        also = {"boxes": {"lengths": ["8 D", "10 D", "14 D"]}}
    return {
        "filler": {"material": filler},
        "elastomer": {"material": elastomer},
        "film": film,
        "contacts": {"closed_at": "-40 C"},
        **also,
        "explore": {"weight_fraction": loadings, "electrode_gap": gaps},
    }  # fmt: skip
