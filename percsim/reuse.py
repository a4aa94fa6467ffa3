"""Stored boxes and the plan that asks for them: which are its own, and what if none is.

The key of a box says all it was computed from, so a plan finds its boxes in any folder.
What is judged afterwards (target, tolerances, supply, batch), the loadings, the gaps and
how many boxes are planned may change; another filler, contact or state makes boxes of its
own, and a folder that holds none of them belongs to something else.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from copy import deepcopy
from dataclasses import replace
from typing import Any

from percsim.boxes.store import Store
from percsim.errors import FolderError, PlanError
from percsim.jobs import box_jobs, first_boxes
from percsim.plan import Plan
from percsim.units import show_value

__all__ = ["refuse_other_boxes", "stored_plan"]

MOST_NAMED = 3
"""Differences between two plans that a message names."""

NOT_OF_BOXES = ("title", "measured", "explore", "boxes")
"""Parts of a plan that say which boxes there are and not what they are made of."""


def stored_plan(store: Store) -> Plan | None:
    """Plan that the results of a folder belong to, None if it has none that can be read."""
    told = store.load_artefact("plan")
    try:
        return None if told is None else Plan.from_dict(told, name="plan.toml")
    except PlanError:
        return None


def refuse_other_boxes(plan: Plan, store: Store) -> None:
    """Refuse a folder whose boxes are all of other films, contacts or states.

    Parameters
    ----------
    plan : Plan
        The plan to carry out or to judge.
    store : Store
        What the folder holds. One without boxes suits every plan.

    Raises
    ------
    FolderError
        Naming what differs.

    """
    stored = {key for key in store.keys() if key.startswith("box/")}
    if not stored or any(job.key in stored for job in box_jobs(plan)):
        return
    earlier = stored_plan(store)
    if earlier is not None:
        # other loadings or lengths of the same film: none of its boxes, and nothing wrong
        as_before = replace(plan, explore=earlier.explore, boxes=earlier.boxes)
        if _has_boxes(as_before, stored):
            return
        if not _has_boxes(earlier, stored):
            raise FolderError(
                f"{store.folder} holds boxes computed by laws that percsim has since "
                "changed; choose another folder, or restart with --fresh"
            )
    apart = [] if earlier is None else _differences(earlier, plan, stored)
    named = "; ".join(apart[:MOST_NAMED])
    more = len(apart) - MOST_NAMED
    raise FolderError(
        f"{store.folder} holds the results of another plan"
        + (f" ({named}{f'; and {more} more' if more > 0 else ''})" if named else "")
        + "; choose another folder, or restart with --fresh"
    )


def _has_boxes(plan: Plan, stored: AbstractSet[str]) -> bool:
    """Whether the first box of any loading and length of a plan is stored."""
    try:
        jobs = box_jobs(plan, dict.fromkeys(first_boxes(plan), 1))
    except ValueError:  # what was changed does not go with the rest
        return False
    return any(job.key in stored for job in jobs)


def _differences(earlier: Plan, plan: Plan, stored: AbstractSet[str]) -> list[str]:
    """Name the keys of a plan that, changed alone, leave none of the stored boxes."""
    before, now = earlier.as_dict(), plan.as_dict()
    found = []
    for path in _paths(before) | _paths(now):
        there, here = _at(before, path), _at(now, path)
        if there == here or path[0] in NOT_OF_BOXES:
            continue
        changed = deepcopy(before)
        section = changed
        for name in path[:-1]:
            section = section.setdefault(name, {})
        section[path[-1]] = here
        if here is None:
            del section[path[-1]]
        try:
            alone = Plan.from_dict(changed)
        except PlanError:
            pass  # it cannot have been changed alone
        else:
            if _has_boxes(alone, stored):
                continue
        where = f"[{path[0]}] {path[1]}" if len(path) > 1 else path[0]
        found.append(f"{where}: {_shown(there)} there, {_shown(here)} here")
    return found


def _shown(value: Any) -> str:
    """Value of a key as a message shows it, without basis and source."""
    if isinstance(value, dict) and "value" in value:
        value = value["value"]
    return "not set" if value is None else show_value(value)


def _paths(mapping: dict[str, Any]) -> dict[tuple[str, ...], None]:
    """Sections and their keys, in order; a list of sections counts as one key."""
    return {
        path: None
        for name, value in mapping.items()
        for path in (
            [(name, key) for key in value] if isinstance(value, dict) else [(name,)]
        )
    }


def _at(mapping: dict[str, Any], path: tuple[str, ...]) -> Any:
    value: Any = mapping
    for name in path:
        value = value.get(name) if isinstance(value, dict) else None
    return value
