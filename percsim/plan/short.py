"""The shortest plan that runs, for a powder, an elastomer and a layout of electrodes.

Loadings and the resistances asked for are of the films to be expected, so that the first
run of any powder has something to choose from.
"""

from __future__ import annotations

from typing import Any

from percsim.materials.powder import expected_conductivity, expected_threshold
from percsim.plan.mixture import THIN_FILM
from percsim.plan.plan import Plan
from percsim.plan.sections.film import OF_LAYOUT, FilmSection
from percsim.plan.write import to_toml
from percsim.units import format_quantity

__all__ = ["short_plan"]

HEAD = "# Typical values: set your own. percsim explain KEY tells of any other key.\n"

LOADINGS = 4
"""Loadings of a short plan, from `LEAST` times the threshold to be expected to `MOST`."""

LEAST, MOST, FULLEST = 1.3, 2.5, 0.55
"""Times the threshold; the fullest film in particles by volume."""

COOL = 80.0
"""Most power per area that the supply of a short plan brings to a film [W/m^2]; skin bears
100 for long."""


GAUGE_FACTOR = 10.0
"""Asked for of flakes and spheres, about two thirds of what flakes give as simulated."""

OF_RODS = 40.0
"""Of rods over their aspect ratio; they give some 70 over it as simulated."""

MANY = 2e5
"""Particles in the longest of the usual boxes from which shorter ones are written, in place
of the strain window, which stays the usual one."""


def short_plan(filler: str, elastomer: str, layout: str) -> str:
    """Write the shortest plan that runs, for materials of percsim's data files.

    Parameters
    ----------
    filler, elastomer : str
        Names in the data files.
    layout : str
        Of electrodes.

    Returns
    -------
    str
        TOML of at most 25 lines.

    Raises
    ------
    PlanError
        With every name that is not known.

    """
    # a film of any of them, for the names to be checked by their own readers
    film: dict[str, Any] = {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"}
    if layout != "bars":
        film["layout"] = layout
        film |= {k: FilmSection.keys()[k].example for k in OF_LAYOUT.get(layout, ())}
    sections: dict[str, dict[str, Any]] = {
        "filler": {"material": filler},
        "elastomer": {"material": elastomer},
        "film": film,
        "contacts": {"closed_at": "-40 C"},
        "strain": {"window": "0 to 3000 microstrain"},
        "explore": {"weight_fraction": ["9 wt%"], "electrode_gap": ["2 mm"]},
    }
    if layout == "end plates":
        sections["explore"]["electrode_gap"] = [film["length"]]
    _fill(sections, Plan.from_dict(sections, "new"))
    sections["target"] = _target(Plan.from_dict(sections))
    return HEAD + to_toml(sections).replace("\n\n", "\n")


def _fill(sections: dict[str, dict[str, Any]], plan: Plan) -> None:
    """Set loadings, and a film that is no thinner than a particle of its powder."""
    (powder,), median = plan.fillers, plan.median_diameter
    least = LEAST * expected_threshold(powder)
    step = (min(MOST / LEAST, FULLEST / least)) ** (1.0 / (LOADINGS - 1))
    solids = [least * step**k for k in range(LOADINGS)]
    recipe = plan.recipe(0.1)
    percents = [100.0 * recipe.at_volume_fraction(x).weight_fraction for x in solids]
    loadings = [f"{x:.0f} wt%" if x >= 10.0 else f"{x:.2g} wt%" for x in percents]
    # with faces as its boxes have them
    thickness, scale = next(
        (t, scale)
        for t, scale in ((2e-4, 1), (4e-4, 1), (1e-3, 3), (2e-3, 6))
        if t >= powder.largest and not 20.0 * THIN_FILM * median < t < 60.0 * median
    )

    def mm(*lengths: float) -> list[str]:
        return [f"{scale * x:g} mm" for x in lengths]

    film = sections["film"]
    film["thickness"] = f"{1e3 * thickness:g} mm"
    film["width"], film["length"], *gaps = mm(6, 16, 2, 3, 5)
    # end plates stand at the ends of the film, and nowhere else
    own = {"fingers": mm(1, 2), "end plates": [film["length"]]}
    gaps = own.get(plan.film.layout, gaps)
    sections["explore"] = {"weight_fraction": loadings, "electrode_gap": gaps}
    if solids[-1] / powder.mean_volume() * (20.0 * median) ** 3 > MANY:
        del sections["strain"]
        sections["boxes"] = {"lengths": ["8 D", "10 D", "14 D"]}


def _target(plan: Plan) -> dict[str, Any]:
    """Resistances that the films of a plan are expected to have, and what reads them."""
    gaps, (powder,) = plan.electrode_gaps, plan.fillers
    solids = plan.recipe(plan.weight_fractions[2]).volume_fraction
    conductivity = expected_conductivity(powder, solids, plan.g0.value)
    film, smallest = plan.film_at(gaps[len(gaps) // 2]), plan.film_at(gaps[0])
    resistance = float(film.resistance(1.0 / conductivity, 0.0))
    # in series with as much again, where a film takes most
    warms = COOL * smallest.volume / smallest.thickness
    voltage = min(3.3, 2.0 * (warms * resistance) ** 0.5)
    rods = powder.kind == "rod"
    factor = OF_RODS / powder.median_aspect_ratio if rods else GAUGE_FACTOR
    return {
        "supply": format_quantity(voltage, "voltage", digits=2),
        "series_resistor": format_quantity(resistance, "resistance", digits=2),
        "resistance": " to ".join(
            format_quantity(times * resistance, "resistance", digits=2)
            for times in (1.0 / 3.0, 3.0)
        ),
        "smallest_gauge_factor": float(f"{factor:.2g}"),
    }
