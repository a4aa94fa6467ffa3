"""Plans written for a user: complete, shortest, one key at a time."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from percsim.errors import PlanError
from percsim.film.readout import SKIN_BEARS
from percsim.materials import load_material, material_names
from percsim.plan import Plan
from percsim.plan.sections import MODELS
from percsim.plan.sections.film import OF_LAYOUT
from percsim.plan.sections.section import words_of
from percsim.plan.short import short_plan
from percsim.plan.text import complete_plan, explain


def entries_of(text: str) -> dict[tuple[str, str], tuple[str, Any]]:
    """(section, key) -> (comment above, value shown), commented-out keys included."""
    entries: dict[tuple[str, str], tuple[str, Any]] = {}
    section, comment = "", []
    for line in text.splitlines():
        header = re.fullmatch(r"#?\[?\[(\w+)\]\]?", line)
        key = re.fullmatch(r"#?(\w+) = (.*)", line)
        if header:
            section, comment = header[1], []
        elif key:
            assert (section, key[1]) not in entries
            value = tomllib.loads(f"x = {key[2]}")["x"]
            entries[section, key[1]] = (" ".join(comment), value)
            comment = []
        elif line.startswith("# "):
            comment.append(line[2:])
        else:
            comment = []
    return entries


def test_the_complete_plan_holds_every_key_with_its_words() -> None:
    entries = entries_of(complete_plan())
    assert set(entries) == {(s, k) for s, model in MODELS.items() for k in model.keys()}
    for (section, key), (comment, value) in entries.items():
        field, words = MODELS[section].keys()[key], words_of(MODELS[section])[key]
        reader = field.reader
        assert words
        assert comment.startswith(words), key
        if reader.range != "any text":
            assert f" Range: {reader.range}." in comment, key
        if field.needed:
            assert " Needed." in comment, key
        elif field.default is not None:
            assert comment.endswith(f" Default: {json.dumps(field.default)}."), key
        reader.read(value)
        if not field.needed and field.default is not None and key != "title":
            assert reader.read(value) == reader.read(field.default), key


def test_the_complete_plan_loads_without_a_caution(tmp_path: Path) -> None:
    file = tmp_path / "all.toml"
    file.write_text(complete_plan(), encoding="utf-8")
    plan = Plan.load(file)
    assert plan.remarks == ()
    assert (plan.supply, plan.vibration) == (None, None)
    assert max(map(len, complete_plan().splitlines())) <= 92
    # a key of a section whose header still has its # is told where it belongs
    text = complete_plan().replace("#amplitude", "amplitude")
    file.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=r"amplitude is not known here; .*\[vibration\]"):
        Plan.load(file)


@pytest.mark.parametrize("layout", OF_LAYOUT)
@pytest.mark.parametrize("filler", material_names("filler"))
def test_a_short_plan_of_any_material_and_layout_loads(filler: str, layout: str) -> None:
    for elastomer in material_names("elastomer"):
        text = short_plan(filler, elastomer, layout)
        assert len(text.splitlines()) <= 25
        plan = Plan.from_dict(tomllib.loads(text))
        assert plan.film.layout == layout
        # what lies in the powder is told, nothing else: no film thinner than a particle, no
        # boxes without faces where the film has them
        of_powder = ("not foreseeable", "by two terminals")
        assert all(
            r in plan.size_cuts or any(told in r for told in of_powder)
            for r in plan.remarks
        )
        assert len(plan.weight_fractions) == 4
        # the supply warms no film by more than skin bears, whatever its resistance
        for gap in plan.electrode_gaps:
            film = plan.film_at(gap)
            power = plan.circuit().film_power(plan.series_resistor)
            assert power * film.thickness / film.volume < SKIN_BEARS
        density = plan.recipe(plan.weight_fractions[0]).elastomer.density
        assert density == load_material(elastomer).density


def test_loadings_of_a_short_plan_begin_near_the_threshold() -> None:
    # simulated to 0.05 % by a program of its own: flakes of one size and aspect ratio 15
    # span at 8.354 vol%, spherocylinders of length over diameter 20 at 3.399 vol%
    for filler, aspect, found in (
        ("graphite flake", 15, 0.08354),
        ("carbon fibre", 21, 0.034),
    ):
        assert load_material(filler)["aspect_ratio"].value == aspect
        plan = Plan.from_dict(tomllib.loads(short_plan(filler, "silicone", "bars")))
        lowest = plan.recipe(plan.weight_fractions[0]).volume_fraction
        assert 1.15 * found < lowest < 1.5 * found


def test_the_window_of_a_short_plan_is_that_of_its_films() -> None:
    # medians of a run of six boxes a loading: graphite 0.2 x 6 x 3 mm at 30 wt%, fibre
    # 1 x 18 x 9 mm at 11 wt%, silver 0.3 x 6 x 3 mm at 66 wt%, nanoplatelet at 2.5 wt%,
    # nanotube as silver at 2.5 wt%, black as graphite at 68 wt%
    # and their gauge factors
    for filler, ohm, factor in (
        ("graphite flake", 3209.0, 20.0),
        ("carbon fibre", 1692.0, 3.2),
        ("silver flake", 0.134 * 0.3 / 0.4, 16.5),
        ("graphite nanoplatelet", 6106.0, 14.8),
        ("carbon nanotube", 50.4 * 0.3 / 0.4, 0.74),
        ("carbon black", 208.0, 55.0),
    ):
        plan = Plan.from_dict(tomllib.loads(short_plan(filler, "silicone", "bars")))
        low, high = plan.target.resistance or (0.0, 0.0)
        assert low < ohm < high
        assert 0.1 * factor < (plan.target.smallest_gauge_factor or 0.0) < factor
        assert plan.series_resistor == pytest.approx(ohm, rel=0.6)


def test_names_that_are_not_known_are_told_with_the_nearest() -> None:
    for arguments, words in (
        (("graphite flakes", "silicone", "bars"), "did you mean 'graphite flake'"),
        (("silicone", "silicone", "bars"), "is an elastomer, not the filler"),
        (("graphite flake", "toluene", "bars"), "is a solvent, not the elastomer"),
        (("graphite flake", "silicone", "finger"), "did you mean 'fingers'?"),
    ):
        with pytest.raises(PlanError) as told:
            short_plan(*arguments)
        assert words in told.value.faults[0]
    for word, words in (
        ("aspekt_ratio", "did you mean 'aspect_ratio'"),
        ("gap", "did you mean 'electrode_gap'?"),
        ("zzz", "new --all"),
    ):
        with pytest.raises(PlanError) as told:
            explain(word)
        assert words in told.value.faults[0]


def test_every_key_and_section_is_explained() -> None:
    for section, model in MODELS.items():
        for key, words in words_of(model).items():
            told = " ".join(explain(f"{section}.{key}" if section else key).split())
            assert (f"[{section}] {key}" if section else key) in told
            assert words in told
            assert "Written like:" in told
        if section:
            assert all(f"{key}:" in explain(section) for key in model.keys())
    everywhere = explain("aspect_ratio")
    for section in ("filler", "explore", "tolerances", "measured"):
        assert f"[{section}] aspect_ratio" in everywhere


def test_values_of_the_data_files_come_with_their_source() -> None:
    told = " ".join(explain("filler.density").split())
    for name in material_names("filler"):
        density = load_material(name)["density"]
        assert (
            f"{name}: {density.value:g} kg/m^3 ({density.basis}: {density.source})" in told
        )
