"""The plan file explained: a complete plan, the shortest that runs, one key at a time.

All of it is made from the sections and the material files, so that nothing is said twice.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Mapping
from typing import Any

from percsim.errors import PlanError
from percsim.materials import Elastomer, Filler, Material, Recipe, load_material
from percsim.materials.elastomer import material_names
from percsim.materials.weighing import excluded_volume
from percsim.plan.readers import did_you_mean
from percsim.plan.sections import MODELS, OPTIONAL, ROWS
from percsim.plan.sections.section import Key, words_of
from percsim.plan.write import to_toml, toml_value
from percsim.units import format_quantity

__all__ = ["LAYOUTS", "complete_plan", "explain", "short_plan"]

WIDTH = 90

WRITTEN = {
    "": ("title", "seed"),
    "filler": ("material", "diameter", "aspect_ratio"),
    "elastomer": ("material", "mix_ratio"),
    "contacts": ("closed_at",),
    "strain": ("window",),
    "explore": ("weight_fraction", "electrode_gap"),
    "target": (
        "series_resistor",
        "resistance",
        "smallest_gauge_factor",
        "largest_resistance_cv",
        "largest_gauge_factor_cv",
    ),
}
"""Keys that the complete plan sets, besides those that no plan does without."""

LAYOUTS: dict[str, Mapping[str, Any]] = {
    "bars": {},
    "end plates": {},
    "fingers": {"fingers": 4, "electrode_length": "1 mm"},
    "four-terminal": {"electrode_length": "1 mm", "sense_spacing": "1 mm"},
}
"""Electrode layouts, and the keys that a short plan needs for each."""

HEAD = """\
# A percsim plan: what to cast, what the bench does to it, what it must reach.
#
# Every key is here. A line that starts with a single # and a key is optional and shows its
# default, or an example where the default depends on other keys; take the # away to change
# it. Every quantity has its unit written: "0.2 mm", "26 wt%", "7:1".
"""


def _comment(text: str) -> str:
    return textwrap.fill(
        text, WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False
    )


def _key_words(meaning: str, key: Key) -> str:
    """Meaning, range and default of a key."""
    words = [meaning]
    if key.reader.range != "any text":
        words.append(f"Range: {key.reader.range}.")
    if key.needed:
        words.append("Needed.")
    elif key.default is not None:
        words.append(f"Default: {json.dumps(key.default)}.")
    return " ".join(words)


def complete_plan() -> str:
    """Write a plan in which every key stands with its meaning, range and default."""
    parts = [HEAD]
    for name, model in MODELS.items():
        off = "#" if name in (*OPTIONAL, *ROWS) else ""
        if name:
            heading = f"[[{name}]]" if name in ROWS else f"[{name}]"
            about = " ".join((model.__doc__ or "").split())
            parts.append(f"# {'-' * 88}\n{_comment(about)}\n{off}{heading}\n")
        words = words_of(model)
        for word, key in model.keys().items():
            written = key.needed or word in WRITTEN.get(name, ())
            sign = "" if written and not off else "#"
            about = _comment(_key_words(words[word], key))
            parts.append(f"{about}\n{sign}{word} = {toml_value(key.example)}\n")
    return "\n".join(parts)


def _loadings(filler: Filler, elastomer: Elastomer) -> list[str]:
    """Weight fractions from just above to well above the threshold to be expected.

    Each particle there has 2.74 contacts if a sphere and 2.3 if a thin disc, as simulated;
    rods of length over diameter a have 1 + 1.6 a^(-1/3), within 8 % of simulated ones from
    4 to 50.
    """
    rods = 1.0 + 1.6 * filler.median_aspect_ratio ** (-1 / 3)
    volume, excluded = excluded_volume(filler)
    contacts = {"sphere": 2.74, "flake": 2.3, "rod": rods}[filler.kind]
    threshold = contacts * volume / excluded
    recipe = Recipe(((filler, 0.1),), elastomer)
    told = []
    for times in (1.3, 1.6, 2.0, 2.5):
        if threshold * times < 0.6:
            percent = 100.0 * recipe.at_volume_fraction(threshold * times).weight_fraction
            told.append(f"{percent:.0f} wt%" if percent >= 10.0 else f"{percent:.2g} wt%")
    return list(dict.fromkeys(told))


def _window(powder: Material) -> str:
    """Resistances to ask for: a few kohm at the contacts of graphite, as 1/g0 goes."""
    g0 = powder.properties.get("g0")
    scale = 1.0 if g0 is None else 8e-5 / g0.value
    ends = (format_quantity(scale * ohm, "resistance", digits=2) for ohm in (700.0, 3e3))
    return " to ".join(ends)


def _material(option: str, name: str, kind: str) -> Material:
    try:
        found = load_material(name)
    except ValueError:
        found = None
    if found is None or found.kind != kind:
        known = material_names(kind)
        hint = did_you_mean(name, known)
        raise PlanError(
            [f"{option} '{name}' is not known{hint}; known: {', '.join(known)}"]
        )
    return found


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
    powder = _material("--filler", filler, "filler")
    rubber = _material("--elastomer", elastomer, "elastomer")
    if layout not in LAYOUTS:
        hint = did_you_mean(layout, tuple(LAYOUTS))
        raise PlanError(
            [f"--layout '{layout}' is not known{hint}; known: {', '.join(LAYOUTS)}"]
        )
    loadings = _loadings(powder.filler(), rubber.elastomer())
    film: dict[str, Any] = {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"}
    if layout != "bars":
        film |= {"layout": layout, **LAYOUTS[layout]}
    # end plates stand at the ends of the film, and nowhere else
    gaps = {"fingers": ["1 mm", "2 mm"], "end plates": [film["length"]]}.get(
        layout, ["2 mm", "3 mm", "5 mm"]
    )
    sections: dict[str, dict[str, Any]] = {
        "filler": {"material": powder.name},
        "elastomer": {"material": rubber.name},
        "film": film,
        "contacts": {"closed_at": "-40 C"},
        "strain": {"window": "0 to 3000 microstrain"},
        "explore": {"weight_fraction": loadings, "electrode_gap": gaps},
        "target": {"resistance": _window(powder), "smallest_gauge_factor": 10},
    }
    told = "# Typical values: set your own. percsim explain KEY tells of any other key."
    return told + to_toml(sections).replace("\n\n", "\n")


def _values_by_material(section: str, key: str) -> list[str]:
    """Values that the data files have for a key of a section, with their sources."""
    name = {"diameter": "size", "length": "size"}.get(key, key)
    lines = []
    for material in material_names(section):
        found = load_material(material)
        if name in found.properties:
            p = found[name]
            unit = "" if p.unit == "1" else f" {p.unit}"
            lines.append(f"  {material}: {p.value:g}{unit} ({p.basis}: {p.source})")
    return lines


def explain(word: str, sources: bool = True) -> str:
    """Tell of one key, one section, or where a key stands.

    Parameters
    ----------
    word : str
        "aspect_ratio", "filler.aspect_ratio" or "filler".
    sources : bool
        Whether to add what the data files have.

    Returns
    -------
    str
        Meaning, unit, range, default and, where data files have values, their source.

    Raises
    ------
    PlanError
        If there is no such key, with the nearest.

    """
    section, _, key = word.strip().strip("[]").rpartition(".")
    if key in MODELS and not section:
        model = MODELS[key]
        rows = [
            f"  {name}: {_first_sentence(words)}" for name, words in words_of(model).items()
        ]
        about = " ".join((model.__doc__ or "").split())
        return "\n".join([textwrap.fill(f"[{key}] {about}", 92), *map(_hang, rows)])
    found = [
        name
        for name, model in MODELS.items()
        if key in model.keys() and section in ("", name)
    ]
    if not found:
        known = [
            *(name for name in MODELS if name),
            *(key for model in MODELS.values() for key in model.keys()),
        ]
        hint = did_you_mean(key, known) or "; percsim new --all - prints every key"
        raise PlanError([f"no key or section is called '{word}'{hint}"])
    blocks = []
    for name in found:
        where = f"[{name}] {key}" if name else key
        what = MODELS[name].keys()[key]
        lines = [where, _hang(f"  {_key_words(words_of(MODELS[name])[key], what)}")]
        lines.append(f"  Written like: {key} = {toml_value(what.example)}")
        if sources:
            lines += map(_hang, _values_by_material(name, key))
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def _first_sentence(text: str) -> str:
    return re.split(r"(?<=[^.]\.)\s+(?=[A-Z])", text, maxsplit=1)[0]


def _hang(line: str) -> str:
    return textwrap.fill(line, 92, subsequent_indent="    ", break_on_hyphens=False)
