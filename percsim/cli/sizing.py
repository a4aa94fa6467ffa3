"""Commands that look ahead of a run: its size, memory and time; the threshold alone."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from percsim.cli.progress import progress
from percsim.cli.shared import (
    Debug,
    Json,
    PlanArgument,
    Quiet,
    Workers,
    command,
    say,
    say_json,
)
from percsim.quantities import (
    celsius,
    columns,
    counted,
    duration,
    length,
    memory,
    mm,
    percent,
    span,
    spelt,
    three,
    weight,
    with_error,
)

if TYPE_CHECKING:
    from percsim.plan import Plan

__all__ = ["check", "memory_cautions", "size_line", "threshold", "wrapping"]


@command("percsim check patch.toml", "percsim check patch.toml --json")
def check(
    plan: PlanArgument,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Check a plan and size its run.

    Every fault of the plan is reported at once.
    """
    from percsim.plan import Plan

    loaded = Plan.load(plan)
    from percsim.jobs import check_placement
    from percsim.run import estimate

    size = estimate(loaded, workers)
    check_placement(loaded)
    if _kernels_compiled():
        size["seconds_to_compile"] = 0.0
    cautions = [*memory_cautions(loaded, size), *loaded.remarks, *wrapping(loaded)]
    if as_json:
        say_json(
            {
                **size,
                "plan": loaded.as_dict(),
                "hash": loaded.hash,
                "machine_memory_bytes": _machine_memory(),
                "cautions": cautions,
            }
        )
        return
    if quiet:
        say(size_line(loaded, size))
        return
    say(_check_text(loaded, size, cautions))


def wrapping(plan: Plan) -> list[str]:
    """One line if wrapping strains films beyond what a run computes."""
    from percsim.findings.layers import wrapping_caution

    return [line for line in (wrapping_caution(mix) for mix in plan.mixes[:1]) if line]


def _kernels_compiled() -> bool:
    """Whether kernels of this version have been compiled on this machine."""
    from percsim.kernels import cache_folder

    # index files of numba's cache
    return cache_folder is not None and any(cache_folder.rglob("*.nbi"))


def _check_text(plan: Plan, size: dict[str, Any], cautions: Sequence[str]) -> str:
    rows = [
        ("plan", f"{plan.name}, no fault: {plan.title}"),
        *_recipe_rows(plan),
        *_axis_rows(plan),
        *_work_rows(plan, size),
    ]
    other = [caution for caution in cautions if caution not in plan.size_cuts]
    _, *lines = columns(("", ""), rows, left=2)
    return "\n".join([*lines, *(f"Mind: {caution}" for caution in other)])


def _recipe_rows(plan: Plan) -> list[tuple[str, str]]:
    fillers = ", ".join(
        f"{f.name} {length(f.median_diameter)}"
        + (" (median by number)" if f.size.volume_median != f.size.median else "")
        + ("" if f.kind == "sphere" else f", aspect ratio {three(f.median_aspect_ratio)}")
        for f in plan.fillers
    )
    weights = ", ".join(weight(w, "") for w in plan.weight_fractions)
    volumes = (percent(plan.recipe(w).volume_fraction) for w in plan.weight_fractions)
    return [
        ("filler", fillers),
        *(("", cut) for cut in plan.size_cuts),
        ("loadings", f"{weights} wt%"),
        ("", f"{', '.join(volumes)} vol%"),
        ("electrode gaps", ", ".join(map(mm, plan.electrode_gaps))),
    ]


def _axis_rows(plan: Plan) -> list[tuple[str, str]]:
    """Lay out what the plan lists beside loadings and gaps."""
    from percsim.plan.sections.ask import ExploreSection
    from percsim.plan.sections.section import reader_of

    names = {
        "thickness": "film thickness",
        "diameter": "filler sizes",
        "aspect_ratio": "aspect ratios",
        "mix_ratio": "mix ratios",
    }
    rows = [
        (names[key], ", ".join(map(str, reader_of(ExploreSection, key).write(values))))
        for key, values in plan.axes.items()
    ]
    return [*rows, ("candidates", str(plan.n_candidates))] if rows else rows


def _work_rows(plan: Plan, size: dict[str, Any]) -> list[tuple[str, str]]:
    strains, temperatures = plan.strains, plan.temperatures
    ends = span(strains[0], strains[-1], "strain", digits=4)
    batches = counted(size["n_threshold_batches"], "batch", "batches")
    cores = counted(size["workers"], "core")
    in_all = float(f"{size['flakes']:.3g}")
    rows = [
        ("states", f"{size['n_states']}: {counted(len(strains), 'strain')}, {ends}"),
        (
            "",
            f"by {counted(len(temperatures), 'temperature')},"
            f" {', '.join(map(celsius, temperatures))}",
        ),
        ("contacts closed at", celsius(plan.closed_at.value)),
        ("boxes", f"{size['n_boxes']}, edges {', '.join(map(length, plan.box_lengths))}"),
        ("", f"and {batches} for the threshold"),
        ("particles", f"{_particles(size)} a box, {in_all:,.0f} in all"),
        ("time", f"about {duration(size['seconds'])} on {cores}"),
    ]
    if size["seconds_at_most"] > size["seconds"]:
        longest = duration(size["seconds_at_most"])
        more = f"at most {longest}, with {plan.boxes.most} boxes for every loading"
        rows.append(("", more))
    if size["seconds_to_compile"] > 0.0:
        compiling = duration(size["seconds_to_compile"])
        rows.append(("", f"and {compiling} more the first time here"))
    return [*rows, ("memory", f"about {memory(size['memory_bytes'])}")]


def size_line(plan: Plan, size: dict[str, Any]) -> str:
    """Say in one line what a run computes and how long it takes."""
    boxes, batches = size["n_boxes"], size["n_threshold_batches"]
    mixes = f" x {counted(len(plan.mixes), 'mix', 'mixes')}" if len(plan.mixes) > 1 else ""
    at_most = ""
    if size["seconds_at_most"] > size["seconds"]:
        at_most = f", at most {duration(size['seconds_at_most'])}"
    return (
        f"{counted(len(plan.weight_fractions), 'loading')} x"
        f" {counted(len(plan.electrode_gaps), 'gap')}{mixes}:"
        f" {counted(boxes + batches, 'job')},"
        f" {counted(boxes, 'box', 'boxes')} of {_particles(size)} particles in"
        f" {counted(size['n_states'], 'state')} each and"
        f" {counted(batches, 'batch', 'batches')} for the threshold;"
        f" about {duration(size['seconds'])}{at_most} on"
        f" {counted(size['workers'], 'core')}"
    )


def _particles(size: dict[str, Any]) -> str:
    low, high = (f"{n:,.0f}" for n in size["flakes_per_box"])
    return low if low == high else f"{low} to {high}"


def _machine_memory() -> float | None:
    """Memory of this machine [bytes], None where the system does not say."""
    try:
        pages, page = os.sysconf("SC_PHYS_PAGES"), os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):  # not on every system
        return None
    return float(pages * page) if pages > 0 and page > 0 else None


def memory_cautions(plan: Plan, size: dict[str, Any]) -> list[str]:
    """One line if a run would not fit into memory."""
    needed, there = size["memory_bytes"], _machine_memory()
    if there is None or needed <= there:
        return []
    help_ = "smaller boxes"
    if needed / size["workers"] <= there:
        help_ += ", fewer --workers"
    if len(plan.fillers) > 1:
        recipe = plan.recipe(plan.weight_fractions[-1])
        numbers = [
            volume / filler.mean_volume()
            for (filler, _), volume in zip(
                recipe.fillers, recipe.volume_fractions, strict=True
            )
        ]
        name = recipe.filler_names[numbers.index(max(numbers))]
        help_ += f", or a larger or agglomerated {name} in place of its single particles"
    else:
        help_ += ", or a larger filler"
    return [
        f"the run takes about {memory(needed)} of memory, with boxes of"
        f" {_particles(size)} particles, and this machine has {memory(there)};"
        f" {help_} would help"
    ]


@command("percsim threshold patch.toml", "percsim threshold patch.toml --aspect-ratios")
def threshold(
    plan: PlanArgument,
    aspect_ratios: Annotated[
        bool,
        typer.Option("--aspect-ratios", help="Also for aspect ratios of 10 to 25."),
    ] = False,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Find the threshold of the plan's filler.

    The digits are those of a run.
    """
    from percsim.plan import Plan

    loaded = Plan.load(plan)
    import numpy as np

    from percsim.boxes.growth import grown_numbers
    from percsim.boxes.simulate import run_job
    from percsim.boxes.workers import run_jobs
    from percsim.jobs import is_own
    from percsim.run import threshold_jobs

    jobs = [job for job in threshold_jobs(loaded) if aspect_ratios or is_own(job.name)]
    with progress(quiet) as report:
        found = run_jobs(run_job, jobs, workers=workers, progress=report).by_key()
    rows: list[dict[str, Any]] = []
    for name in dict.fromkeys(job.name for job in jobs):
        mine = [job for job in jobs if job.name == name]
        grown = mine[0].plan.estimate(np.array(grown_numbers(mine, found)))
        phi, w = grown.volume_fraction, grown.weight_fraction
        assert w is not None  # grown from a recipe
        rows.append(
            {
                "filler": _grown(name),
                "volume_fraction": phi.value,
                "volume_standard_error": phi.standard_error,
                "weight_fraction": w.value,
                "weight_standard_error": w.standard_error,
                "n": phi.n,
            }
        )
    if as_json:
        say_json(rows)
    elif quiet:
        say(weight(rows[0]["weight_fraction"]))
    else:
        say(_threshold_text(loaded, rows))


def _threshold_text(plan: Plan, rows: Sequence[dict[str, Any]]) -> str:
    own = rows[0]
    lines = [
        f"Threshold {_with_error(own, 'weight')} wt%, {_with_error(own, 'volume')} vol%"
        f" ({counted(own['n'], 'box', 'boxes')}, seed {plan.seed})"
    ]
    if len(rows) > 1:
        cells = [
            (row["filler"], _with_error(row, "weight"), _with_error(row, "volume"))
            for row in rows
        ]
        lines += ["", *columns(("filler", "wt%", "vol%"), cells)]
    if plan.threshold_remark:
        lines.append(f"Mind: {plan.threshold_remark}")
    return "\n".join(lines)


def _grown(name: str) -> str:
    """Say which filler a threshold belongs to."""
    mix, _, what = name.rpartition("/")
    words = "as planned" if what == "own" else what.replace(" ", " ratio ")
    return f"{mix.replace('_', ' ').replace('/', ', ')}, {words}" if mix else words


def _with_error(row: dict[str, Any], kind: str) -> str:
    value, error = row[f"{kind}_fraction"], row[f"{kind}_standard_error"]
    return spelt(with_error(value, error, 100.0))
