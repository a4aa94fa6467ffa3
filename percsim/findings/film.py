"""The chosen film and its electrodes; put together from blocks when that is asked for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.simulate import finished
from percsim.boxes.statistics import Estimate
from percsim.film.block_films import FilmCastings, cast_lattice
from percsim.film.blocks import Blocks
from percsim.film.casting import Castings
from percsim.film.electrodes import Film
from percsim.film.transfer import LoadingFit
from percsim.film.verify import compare_films
from percsim.findings.across import Across, gather_across
from percsim.findings.judged import Findings, once
from percsim.findings.layers import strain_profile
from percsim.jobs import films_of
from percsim.particles.box import Box
from percsim.particles.placement import expected_counts

__all__ = ["FILMS", "across_row", "blocks", "film"]

FILMS = 200
"""Films put together from blocks, with and without uneven mixing."""


def film(findings: Findings) -> dict[str, object] | None:
    """Size and electrodes of the chosen or nearest candidate, and how it conducts across.

    None where no loading conducts.
    """
    if findings.best.fit.is_open:
        return None
    return _described(findings) | {"across": across_row(_across(findings))}


def blocks(findings: Findings) -> dict[str, object]:
    """Films of the same candidate put together from blocks, beside those simulated whole.

    A check that no choice rests on, made when asked: it solves hundreds of films.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.

    Returns
    -------
    dict
        What `film` holds besides, or why blocks are `refused`.

    """
    if findings.plan.contacts.model == "affine":
        return {
            "refused": "with model = 'affine' a box has no response that would carry over"
            " to a block"
        }
    castings = findings.best.castings
    try:
        made = _blocks(findings, _across(findings))
        found = _lattice_films(findings, castings, made)
    except ValueError as error:
        return {"refused": str(error)}
    verified = _verified(findings, castings, made)
    return found | ({"verified": verified} if verified else {})


@once
def _across(findings: Findings) -> Across:
    mix = findings.mix
    return gather_across(findings.plan, findings.records, mix.loadings, mix.films.threshold)


def across_row(across: Across) -> dict[str, object]:
    """Resistivity across the film over that along it, at every loading that tells."""
    return {
        "direction": {None: "alike", 1: "width", 2: "thickness"}[across.axis],
        "ratio": across.ratio,
        "boxes": across.n_boxes,
        "open_boxes": across.n_open_boxes,
        "by_loading": [
            {"weight_fraction": w, "ratio": r.value, "standard_error": r.standard_error}
            for w, r in zip(across.weight_fractions, across.ratios, strict=True)
        ],
    }


def _described(findings: Findings) -> dict[str, object]:
    """Size of the film, its electrodes and what a direct simulation would take."""
    castings, plan = findings.best.castings, findings.plan
    film, rho = castings.film, float(castings.resistivity[castings.visits.rest])
    layout = film.layout
    electrodes = layout.electrodes(film.electrode_gap, film.width)
    return {
        "layout": layout.name,
        "electrodes_on": layout.mount,
        "gap_m": film.electrode_gap,
        "width_m": film.width,
        "thickness_m": film.thickness,
        "length_m": plan.film.length,
        "particles": _particles(findings, film),
        "electrodes": [
            {"x_m": e.x, "y_m": e.y, "terminal": e.terminal} for e in electrodes
        ],
        "resistivity_ohm_m": rho,
        "threshold_ratio": findings.best.threshold_ratio,
    }


def _particles(findings: Findings, film: Film) -> float:
    """Particles between the electrodes of a film."""
    side = film.volume ** (1.0 / 3.0)
    box = Box((side, side, side), (False, False, False))
    return sum(expected_counts(findings.recipe, box))


def _rows(findings: Findings, fits: tuple[LoadingFit, ...]) -> list[NDArray[np.int64]]:
    """For each loading the boxes of numbers that every conducting loading has."""
    longest = findings.plan.box_lengths[-1]
    numbers = [
        [
            job.number
            for job, _ in finished(findings.jobs, findings.records)
            if job.box.length == longest
            and job.recipe.weight_fraction == fit.loading.weight_fraction
        ]
        for fit in fits
    ]
    used = [set(n) for n, fit in zip(numbers, fits, strict=True) if not fit.is_open]
    shared = set.intersection(*used) if used else set()
    return [
        np.array([i for i, k in enumerate(n) if k in shared], dtype=np.int64)
        for n in numbers
    ]


def _blocks(findings: Findings, across: Across) -> Blocks:
    fits, threshold = findings.mix.fits, findings.mix.films.threshold
    width = across.ratio if across.axis == 1 else 1.0
    return Blocks.from_fits(fits, threshold, width, _rows(findings, fits))


def _estimate(found: Estimate) -> dict[str, float]:
    return {"value": found.value, "standard_error": found.standard_error}


def _words(found: FilmCastings) -> dict[str, object]:
    log = found.mean_log
    median = float(np.exp(log.value))
    error = median * log.standard_error if np.isfinite(median) else float("inf")
    return {
        "mean_log_resistance": _estimate(log),
        "resistance_ohm": {"value": median, "standard_error": error},
        "resistance_cv": _estimate(found.cv),
        "gauge_factor": _estimate(found.gauge_factor),
        "open_fraction": found.open_fraction,
    }


def _strains(findings: Findings) -> list[float]:
    return sorted({0.0, findings.plan.chord_strain})


def _lattice_films(
    findings: Findings, castings: Castings, blocks: Blocks
) -> dict[str, object]:
    plan, fit, film = findings.plan, findings.best.fit, castings.film
    phi = fit.loading.volume_fraction
    spread, reach = _unevenness(findings)

    # the strain that reaches the film; wrapping, through the thickness, is not in it
    profile = strain_profile(plan, castings)

    def cast(loading_spread: float) -> FilmCastings:
        return cast_lattice(
            blocks,
            film,
            phi,
            castings=FILMS,
            seed=plan.seed,
            strains=_strains(findings),
            loading_spread=loading_spread,
            correlation_length=reach,
            strain_profile=profile,
            near_threshold=plan.film.near_threshold,
        )

    chains, mixed = cast(0.0), cast(spread)
    ref = fit.loading.reference_state
    analytic = float(np.log(castings.factors()["chains"]).std(ddof=1))
    uniform = float(film.resistance(fit.resistivity[ref], fit.electrode_excess[ref]))
    links, particles, states = 0.0, 0.0, len(chains.strains)
    for job, result in finished(findings.jobs, findings.records):
        if job.recipe.weight_fraction == fit.loading.weight_fraction:
            links += result.n_links
            particles += result.n_particles
    whole = sum(
        expected_counts(findings.recipe, Box((1.0, 1.0, film.volume), (False,) * 3))
    )
    direct = whole * links / max(particles, 1.0) * states * FILMS
    x, y, potential, density = mixed.lattice.maps(mixed.first)
    mean = 1.0 / (mixed.first.resistance * film.section)
    return {
        "films": FILMS,
        "block_m": blocks.length,
        "boxes": len(blocks),
        "blocks_along": chains.lattice.shape[0],
        "blocks_across": chains.lattice.shape[1],
        "blocks_through": chains.lattice.shape[2],
        "strains": [float(e) for e in chains.strains],
        "chains": _words(chains),
        "uneven": _words(mixed) | {"loading_spread": spread, "correlation_length_m": reach},
        "analytic_chains_cv": analytic,
        "uniform_resistance_ohm": uniform,
        "model_log_error": chains.model_log_error,
        "model_spread_error": chains.model_spread_error,
        "resistors_solved": chains.resistor_solves,
        "resistors_direct": direct,
        "map": {
            "x_m": _short(x),
            "y_m": _short(y),
            "potential": [_short(row) for row in potential],
            "current_density_relative": [_short(row / mean) for row in density],
        },
    }


def _unevenness(findings: Findings) -> tuple[float, float]:
    """Deviation of ln(volume fraction) within a film, and its correlation length [m]."""
    tolerances = findings.plan.tolerances
    slope = findings.best.castings.loading.log_slope
    return tolerances.mixing_within * slope, tolerances.mixing_length


def _short(values: NDArray[np.float64]) -> list[float]:
    return [float(f"{v:.5g}") for v in values]


def _verified(
    findings: Findings, castings: Castings, blocks: Blocks
) -> dict[str, object] | None:
    """Directly simulated films that are stored, beside films of blocks of their size."""
    plan, loading = findings.plan, castings.loading.weight_fraction
    stored: dict[tuple[int, int], int] = {}
    for key in findings.records:
        if key.startswith("film/"):
            _, _, blocks_of, _, number = key.split("/")
            along, across = map(int, blocks_of.split("x"))
            films = max(int(number) + 1, stored.get((along, across), 0))
            stored[along, across] = films
    sizes = {
        size: [x for _, x in finished(films_of(plan, loading, size, n), findings.records)]
        for size, n in stored.items()
    }
    usable = {size: rows for size, rows in sizes.items() if len(rows) >= 2}
    if not usable:
        return None
    size = max(usable, key=lambda s: s[0] * s[1])
    rows = usable[size]
    strains = np.array(_strains(findings))
    conductances = np.array([row.conductances for row in rows])
    resistances = np.full(conductances.shape, np.inf)
    np.divide(1.0, conductances, out=resistances, where=conductances > 0.0)
    length = blocks.length
    small = Film(
        castings.film.thickness if blocks.dimension == 2 else blocks.section / length,
        size[1] * length,
        size[0] * length,
    )
    lattice = cast_lattice(
        blocks,
        small,
        castings.loading.volume_fraction,
        castings=max(FILMS, 400),
        seed=findings.plan.seed,
        strains=strains.tolist(),
        wrapped=True,
        near_threshold=findings.plan.film.near_threshold,
    )
    found = compare_films(
        resistances, strains, lattice, size, sum(row.n_particles for row in rows)
    )
    return found.as_dict() | {
        "gap_m": small.electrode_gap,
        "width_m": small.width,
        "thickness_m": small.thickness,
    }
