"""The file of a survey: a plan, what varies, the design -> all its plans."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from percsim.errors import PlanError
from percsim.files import read_text
from percsim.plan import Plan
from percsim.plan.read import parse_toml
from percsim.plan.readers import did_you_mean
from percsim.plan.sections import SECTIONS
from percsim.plan.tables import PLAN_FOLDER
from percsim.survey.design import Axis, Point, grid, sobol
from percsim.units import show_value

__all__ = ["MOST_PLANS", "Survey", "label", "number_and_unit", "read_survey"]

MOST_PLANS = 20_000
"""A survey may have."""

Kind = Literal["grid", "sobol"]


@dataclass(frozen=True)
class Survey:
    """A survey, read and checked.

    Parameters
    ----------
    title : str
        What it is about.
    base : Plan
        The plan that all of its plans come from.
    axes : tuple of Axis
        What varies.
    kind : {"grid", "sobol"}
        Design.
    points : tuple of tuple
        Of each plan, the value of each axis as a plan says it.
    path : str
        Its file.
    text : str
        As written.

    """

    title: str
    base: Plan
    axes: tuple[Axis, ...]
    kind: Kind
    points: tuple[Point, ...]
    path: str
    text: str = field(repr=False)
    _mapping: Mapping[str, Any] = field(repr=False)

    @cached_property
    def plans(self) -> tuple[Plan, ...]:
        """Plans, one a point.

        Raises
        ------
        PlanError
            With the faults of the first plan that has some, and how many have.

        """
        plans, faulty = [], []
        folder = PLAN_FOLDER.set(Path(self.base.path).parent)
        try:
            for point in self.points:
                try:
                    plans.append(Plan.from_dict(self._at(point), name=self.words(point)))
                except PlanError as error:
                    faulty.append(error)
        finally:
            PLAN_FOLDER.reset(folder)
        if faulty:
            more = f" (as {len(faulty)} of {len(self.points)} plans)" if faulty[1:] else ""
            name = Path(self.path).name
            raise PlanError([f"{name}: {fault}{more}" for fault in faulty[0].faults])
        return tuple(plans)

    def words(self, point: Point) -> str:
        """Name a point: "filler.aspect_ratio 15, film.thickness 0.2 mm"."""
        return ", ".join(
            f"{axis.name} {label(value)}"
            for axis, value in zip(self.axes, point, strict=True)
        )

    def _at(self, point: Point) -> dict[str, Any]:
        mapping = deepcopy(dict(self._mapping))
        for axis, value in zip(self.axes, point, strict=True):
            section, _, key = axis.name.partition(".")
            if key:
                mapping.setdefault(section, {})[key] = value
            else:
                mapping[section] = value
        mapping.pop("measured", None)  # they tell of one mix
        mapping.get("boxes", {}).pop("most", None)  # boxes are shared out over all plans
        return mapping

    def __repr__(self) -> str:
        names = ", ".join(axis.name for axis in self.axes)
        return f"Survey {self.title!r}: {len(self.points)} plans over {names}"


def label(value: Any) -> str:
    """Word for a value: what a table is called, else what stands there."""
    if isinstance(value, Mapping):
        return str(value.get("name") or ", ".join(f"{k} {v}" for k, v in value.items()))
    if isinstance(value, list):
        return " + ".join(map(label, value))
    return str(value)


def read_survey(path: str | Path) -> Survey:
    """Read the file of a survey.

    Parameters
    ----------
    path : str or Path
        A TOML file: `plan`, the plan beside it; `[vary]`, by section and key a list of
        values or a range `{ from, to, points, scale }`; `[design]`, with `kind` "grid" or
        "sobol", and of the latter `points` and `seed`.

    Returns
    -------
    Survey

    Raises
    ------
    PlanError
        With every fault of the file, one line each, or those of its plan.

    """
    path = Path(path)
    try:
        text = read_text(path)
    except ValueError as error:
        raise PlanError([f"{path}: {error}"]) from None
    mapping = parse_toml(text, path.name)
    faults = [
        f"{path.name}: {key} is not known{did_you_mean(key, _KEYS)};"
        f" a survey has {', '.join(_KEYS)}"
        for key in mapping
        if key not in _KEYS
    ]
    beside = mapping.get("plan")
    if not isinstance(beside, str):
        faults.append(
            f"{path.name}: plan is missing; name a file, like plan = 'patch.toml'"
        )
    kind, points, seed = _design(mapping.get("design", {}), faults)
    axes = tuple(_axes(mapping.get("vary"), kind, faults))
    if not axes and not faults:
        faults.append(f"{path.name}: [vary] is empty; list values of a key there")
    _refuse(path.name, faults)
    assert isinstance(beside, str)
    base = Plan.load(path.parent / beside)
    if base.axes:
        listed = ", ".join(base.axes)
        faults.append(f"{path.name}: [explore] of {beside} lists {listed}; vary it here")
    content = parse_toml(base.text, base.name)
    n = 1
    for axis in axes:
        section, _, key = axis.name.partition(".")
        if key and isinstance(content.get(section), list):
            faults.append(
                f"[vary] {axis.name}: {beside} has several [[{section}]]; vary {section} as"
                " a whole, a list of lists"
            )
        n *= len(axis.values) if kind == "grid" else 1
    if max(n, points) > MOST_PLANS:
        faults.append(f"{path.name}: {max(n, points)} plans are more than {MOST_PLANS}")
    _refuse(path.name, faults)
    chosen = grid(axes) if kind == "grid" else sobol(axes, points, seed)
    return Survey(
        str(mapping.get("title", base.title)), base, axes, kind, tuple(chosen), str(path),
        text, content,
    )  # fmt: skip


_KEYS = ("title", "plan", "vary", "design")


def _refuse(name: str, faults: Sequence[str]) -> None:
    if faults:
        start = f"{name}: "
        raise PlanError([start + fault.removeprefix(start) for fault in faults])


def _design(told: Any, faults: list[str]) -> tuple[Kind, int, int]:
    if not isinstance(told, Mapping):
        told = {}
        faults.append("[design] must be a section")
    for key in told:
        if key not in ("kind", "points", "seed"):
            faults.append(f"[design] {key} is not known; it has kind, points, seed")
    kind = told.get("kind", "grid")
    if kind not in ("grid", "sobol"):
        faults.append(f"[design] kind = {show_value(kind)} must be 'grid' or 'sobol'")
        kind = "grid"
    found = []
    for key, usual in (("points", 64), ("seed", 1)):
        value = told.get(key, usual)
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            faults.append(f"[design] {key} = {show_value(value)} must be a whole number")
            value = usual
        elif key in told and kind == "grid":
            faults.append(f"[design] {key} goes with kind = 'sobol'")
        found.append(value)
    return kind, found[0] if kind == "sobol" else 0, found[1]


def _axes(vary: Any, kind: Kind, faults: list[str]) -> Iterator[Axis]:
    """Read what varies; `[vary]` holds sections with keys, or whole sections."""
    if not isinstance(vary, Mapping):
        return
    for section, keys in vary.items():
        if section not in SECTIONS:
            near = did_you_mean(section, tuple(SECTIONS))
            faults.append(f"[vary] {section} is no section of a plan{near}")
            continue
        if isinstance(keys, list):
            found = _list(section, keys, faults)
            if found is not None:
                yield found
            continue
        if not isinstance(keys, Mapping):
            faults.append(f"[vary] {section} must be a list, or hold keys")
            continue
        known = tuple(SECTIONS[section].keys())
        for key, told in keys.items():
            name = f"{section}.{key}"
            if key not in known:
                near = did_you_mean(key, known)
                faults.append(f"[vary] {name} is no key of a plan{near}")
                continue
            found = (
                _list(name, told, faults)
                if isinstance(told, list)
                else _range(name, told, kind, faults)
            )
            if found is not None:
                yield found


def _list(name: str, values: list[Any], faults: list[str]) -> Axis | None:
    if not values or any(value in values[:k] for k, value in enumerate(values)):
        faults.append(f"[vary] {name} must list values, each once")
        return None
    return Axis(name, tuple(values))


def _range(name: str, told: Any, kind: Kind, faults: list[str]) -> Axis | None:
    example = "like { from = '5 um', to = '20 um', points = 4, scale = 'log' }"
    if not isinstance(told, Mapping) or not {"from", "to"} <= set(told):
        faults.append(f"[vary] {name} must be a list, or a range {example}")
        return None
    own = len(faults)
    more = set(told) - {"from", "to", "points", "scale"}
    if more:
        faults.append(f"[vary] {name} has {', '.join(sorted(more))}; write it {example}")
    ends = [number_and_unit(told[end]) for end in ("from", "to")]
    scale = told.get("scale", "linear")
    if scale not in ("linear", "log"):
        faults.append(f"[vary] {name}: scale must be 'linear' or 'log'")
    points = told.get("points", 0)
    whole = isinstance(points, int) and not isinstance(points, bool)
    if kind == "grid" and not (whole and points >= 1):
        faults.append(f"[vary] {name}: a grid needs points, a whole number")
    if kind == "sobol" and "points" in told:
        faults.append(f"[vary] {name}: points of a Sobol sequence stand under [design]")
    low, high = ends
    if low is None or high is None or low[1] != high[1] or not low[0] < high[0]:
        faults.append(f"[vary] {name}: from and to must rise, in one unit, {example}")
    elif scale == "log" and low[0] <= 0.0:
        faults.append(f"[vary] {name}: a scale of 'log' begins above 0")
    if len(faults) > own or low is None or high is None:
        return None
    axis = Axis(name, (), low[0], high[0], low[1], scale == "log")
    if kind == "sobol":
        return axis
    return Axis(name, axis.stepped(points), low[0], high[0], low[1], scale == "log")


def number_and_unit(value: Any) -> tuple[float, str] | None:
    """Split "5 um" into 5 and "um", a plain number into itself and none; else None."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value), ""
    found = re.fullmatch(r"\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*(\S.*?)?\s*", str(value))
    try:
        return None if found is None else (float(found[1]), found[2] or "")
    except ValueError:
        return None
