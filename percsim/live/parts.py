"""What is seen -> what the page is sent: text as ready parts, plots as columns."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from percsim.first_page import first_page
from percsim.live.figures import Columns, curve_columns, drawn, map_columns, view_columns
from percsim.live.knobs import Settings, basis, dials, edited
from percsim.live.session import Cell, Seen, Session, Spot, View, Worth, compared
from percsim.report.candidates import candidate_label
from percsim.report.compared import basis_words, compared_rows
from percsim.report.first import sheet_of
from percsim.report.shown import environment, first_html
from percsim.words.first import HEADS, asked_cells, row_cells
from percsim.words.live import (
    GROUPS,
    LABELS,
    NOTES,
    WORTH_HEADS,
    box_offer,
    boxes_line,
    candidate_line,
    outside_line,
    reading_lines,
    title_of,
    tolerance_label,
    worth_cells,
    worth_name,
    worthless,
)
from percsim.words.patches import field_line, sheet_claim

if TYPE_CHECKING:
    from percsim.boxes.simulate import BoxJob

__all__ = ["Asked", "box_job", "difference", "page", "seen", "steps", "waiting"]

Message = dict[str, Any]

TOLD_SHARE = 0.1
"""Share in the variance of R from which a cause is told, whatever it buys (judgement)."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One request of a page.

    Parameters
    ----------
    number : int
        Counts the requests of a page.
    settings : mapping of str to str
        Texts of the keys turned.
    at : (float, float) or None
        Loading and gap [m] looked at; None for the best.
    pin : mapping of str to str or None
        Settings of what is pinned beside.
    readings : str
        Table of readings.
    running : bool
        Whether boxes are being computed.
    locked : bool
        Whether saving is left to another page.

    """

    number: int
    settings: Settings
    at: tuple[float, float] | None = None
    pin: Settings | None = None
    readings: str = field(default="", repr=False)
    running: bool = False
    locked: bool = False


def _sheet(found: dict[str, Any] | None, maps: list[dict[str, Any]]) -> dict[str, Any]:
    """Name the maps of a sheet of patches, and the sentences of their chapter."""
    if found is None:
        return {}
    lines = (NOTES["sheet"].format(candidate_label(found)), field_line(found))
    return {
        "claim": sheet_claim(found), "lines": [line for line in lines if line],
        "panels": [(m["name"], f"{m['title']}, {m['unit']}") for m in maps],
    }  # fmt: skip


def _macro(name: str, template_name: str = "pieces.html.j2") -> Callable[..., str]:
    template = environment("percsim.live").get_template(template_name)
    found: Callable[..., str] = getattr(template.module, name)
    return found


def page(session: Session, beside: str = "") -> str:
    """Render the page, before anything is answered."""
    plan = session.plan
    groups = []
    own = dials(plan)
    for group, heading in GROUPS.items():
        mine = [(d, _label(d.knob.key)) for d in own if d.knob.group == group]
        if mine:
            groups.append((group, heading, mine))
    start = {"notes": NOTES, **drawn(session.sheet)}
    template = environment("percsim.live").get_template("live.html.j2")
    return template.render(
        title=plan.title, folder=str(session.folder), groups=groups, notes=NOTES,
        beside=beside, start=start, sheet=_sheet(session.sheet, start["sheet"]),
    )  # fmt: skip


def waiting(folder: Path) -> str:
    """Render the page of a folder that is being computed."""
    template = environment("percsim.live").get_template("waiting.html.j2")
    return template.render(folder=str(folder), notes=NOTES, start={"notes": NOTES})


def _label(key: str) -> str:
    return LABELS.get(key) or tolerance_label(key.partition(".")[2])


def steps(session: Session, asked: Asked, other: View | None) -> Iterator[Message]:
    """Answer a request piece by piece, what matters most first."""
    view = session.look(asked.settings, asked.readings)
    pinned = None if asked.pin is None else session.look(asked.pin, asked.readings)
    at = _looked_at(asked, view)
    spot = session.spot(view, *at)
    beside = None if pinned is None else session.spot(pinned, *at)
    points = session.points(view, at[1])
    line = () if pinned is None else session.points(pinned, at[1])
    yield _first(asked, view, pinned, spot, view_columns(view, points, spot, line))
    yield {"n": asked.number, "parts": _tables(view, pinned, spot, beside)}
    if view.stale:
        told = session.needed(view.asked)
        words = boxes_line(told.jobs, told.seconds, told.cores)
        needs = _macro("needs")(words, asked.running, asked.locked)
        yield {"n": asked.number, "parts": {"needs": needs}}
    curve: list[Seen] = []
    for own in session.curve(view, at[1]):
        curve.append(own)
        yield {}  # a place to leave
    yield {"n": asked.number, "plots": [curve_columns(view, curve, spot)]}
    worth: list[Worth] = []
    for bought in session.worth(view):
        worth += bought
        yield {}
    yield {"n": asked.number, "parts": {"worth": _worth(view, worth)}}
    cells: list[Cell] = []
    for more in session.cells(view):
        cells += more
        yield {}
    made = session.explored(view)
    yield {}
    columns = map_columns(view, cells, made, spot)
    yield {"n": asked.number, "plots": [columns], "done": True}
    if other is not None:
        found = compared(view, other)
        heads = ("", session.folder.name, "the other", "second to first")
        table = _macro("beside")(heads, compared_rows(found), basis_words(found))
        yield {"n": asked.number, "parts": {"beside": table}}
    # compiled code is loaded for it, which nothing before needs
    yield {"n": asked.number, "parts": {"box-offer": _offer(view, at[0])}}


def _looked_at(asked: Asked, view: View) -> tuple[float, float]:
    """Give the loading and gap that are looked at, within the map."""
    best = view.page.best
    if asked.at is None:
        return best.weight_fraction, best.electrode_gap
    (low, high), (near, far) = view.reach
    return min(max(asked.at[0], low), high), min(max(asked.at[1], near), far)


def box_job(session: Session, asked: Asked) -> BoxJob:
    """Give the box to solve of the candidate that is looked at."""
    from percsim.live.network import job_of

    view = session.look(asked.settings, asked.readings)
    return job_of(view.own, _looked_at(asked, view)[0])


def _offer(view: View, weight_fraction: float) -> str:
    from percsim.live.network import job_of

    job = job_of(view.own, weight_fraction)
    return box_offer(weight_fraction, job.expected_particles, job.seconds)


def _worth(view: View, worth: list[Worth]) -> str:
    """Say what would buy most, as a table, and what buys nothing in a line."""
    P = view.found.outlooks[view.found.decision.best].probability(view.found.target)
    rows, rest = [], []
    for w in sorted(worth, key=lambda row: -row.probability):
        gain = w.probability - P
        if (gain > 2.0 * w.error and gain > 5e-4) or w.share >= TOLD_SHARE:
            rows.append(worth_cells(w.kind, w.name, w.share, w.probability, gain, w.error))
        else:
            rest.append(worth_name(w.kind, w.name))
    return _macro("worth")(WORTH_HEADS, rows, worthless(rest))


def _first(
    asked: Asked, view: View, pinned: View | None, spot: Spot, columns: Columns
) -> Message:
    """State, P, cups and plot: what a hand that drags waits for."""
    first = sheet_of(view.stated, plotted=False)
    other = None if pinned is None else sheet_of(pinned.stated, plotted=False)
    needs = _macro("needs")(NOTES["counting"], asked.running, asked.locked)
    told = view.found.posterior
    learnt = told is not None and "scatter" in told.told
    loadings, gaps = view.reach
    at = spot.place
    return {
        "n": asked.number,
        "parts": {
            "state": _macro("state")(first, other),
            "cups": _cups(first),
            "readings": _macro("lines")(_read(view)),
            "needs": needs if view.stale else "",
        },
        "plots": [columns],
        "titles": {
            name: title_of(name, at.electrode_gap)
            for name in ("resistance", "factor", "map", "trade")
        },
        "faults": {k: v for k, v in view.faults.items() if k != "readings"},
        "knobs": {
            d.knob.key: {
                "text": d.text, "value": None if d.value != d.value else d.value,
                **({"basis": basis(view.asked, asked.settings, d.knob, learnt)}
                   if d.knob.group == "tolerances" else {}),
            }
            for d in dials(view.asked)
        },
        "at": [at.weight_fraction, at.electrode_gap],
        "reach": [*loadings, *gaps],
    }  # fmt: skip


def _tables(
    view: View, pinned: View | None, spot: Spot, beside: Spot | None
) -> dict[str, str]:
    """Candidate, recipes and remarks."""
    page, at = view.whole, spot.place
    first = sheet_of(page, plotted=False)
    rows = [("now", row_cells(spot.row, page))]
    if pinned is not None and beside is not None:
        rows.append(("A", row_cells(beside.row, pinned.whole)))
    places = [
        (f"{r.place.weight_fraction!r}", f"{r.place.electrode_gap!r}") for r in page.rows
    ]
    return {
        "candidate": _macro("candidate")(
            HEADS, candidate_line(at.weight_fraction, at.electrode_gap),
            asked_cells(page), rows,
            outside_line(at.weight_fraction, *view.explored),
        ),
        "recipes": _macro("recipes")(first, places),
        "remarks": _macro("remarks")(first),
    }  # fmt: skip


def _read(view: View) -> list[str]:
    """Say what is wrong with the table of readings, or what it tells."""
    told = view.found.posterior
    if "readings" in view.faults:
        return view.faults["readings"].splitlines()
    if told is None:
        return []
    return reading_lines(
        {name: width for name, width in told.narrowing.items() if name in told.told},
        [check.reading.label for check in told.checks if check.is_outlier],
    )


def _cups(first: Any) -> str:
    if not first.cups:
        return _macro("lines")([NOTES["no cup"]])
    return _macro("cups", "parts.html.j2")(first)


# ------------------------------------------------------------------------------------------
# Saving
# ------------------------------------------------------------------------------------------


def difference(session: Session, settings: Settings) -> tuple[str, str]:
    """Text of the changed plan, and how it differs from that of the folder."""
    view = session.look(settings)
    good = {} if view.faults else settings
    text = edited(session.plan, view.asked, good)
    lines = difflib.unified_diff(
        session.plan.text.splitlines(), text.splitlines(), "plan.toml", "explored.toml",
        lineterm="", n=1,
    )  # fmt: skip
    return text, "\n".join(lines)


def seen(session: Session, settings: Settings, readings: str) -> str:
    """Render what is seen as a page of its own."""
    view = session.look(settings, readings)
    template = environment("percsim.live").get_template("seen.html.j2")
    return template.render(
        title=view.plan.title, folder=session.folder.resolve().name,
        first=first_html(first_page(view.plan, view.films, view.found)),
        difference=difference(session, settings)[1],
    )  # fmt: skip
