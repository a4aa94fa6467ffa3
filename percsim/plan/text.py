"""The plan file explained: a complete plan, and one key at a time.

All of it is made from the sections and the material files, so that nothing is said twice.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Sequence

from percsim.errors import PlanError
from percsim.materials import load_material
from percsim.materials.elastomer import material_names
from percsim.plan.readers import did_you_mean
from percsim.plan.sections import GROUPS, MODELS, OPTIONAL, ROWS
from percsim.plan.sections.section import Key, words_of
from percsim.plan.write import toml_value

__all__ = ["complete_plan", "explain"]

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
            if name in GROUPS:
                parts.append(f"# {'=' * 88}\n# {GROUPS[name]}\n")
            parts.append(f"# {'-' * 88}\n{_comment(about)}\n{off}{heading}\n")
        words = words_of(model)
        for word, key in model.keys().items():
            written = key.needed or word in WRITTEN.get(name, ())
            sign = "" if written and not off else "#"
            about = _comment(_key_words(words[word], key))
            parts.append(f"{about}\n{sign}{word} = {toml_value(key.example)}\n")
    return "\n".join(parts)


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


def explain(word: str, sources: bool = True, also: Sequence[str] = ()) -> str:
    """Tell of one key, one section, or where a key stands.

    Parameters
    ----------
    word : str
        "aspect_ratio", "filler.aspect_ratio" or "filler".
    sources : bool
        Whether to add what the data files have.
    also : sequence of str
        What else may have been meant.

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
            *also,
            *(name for name in MODELS if name),
            *(key for model in MODELS.values() for key in model.keys()),
        ]
        hint = did_you_mean(key, known, 3) or "; percsim new --all - prints every key"
        raise PlanError([f"no key, section or subject is called '{word}'{hint}"])
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
