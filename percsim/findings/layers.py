"""The film on its sheet on the part: strain that reaches it, wrapping, strain across."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.decision.candidates import Candidate
from percsim.film.casting import Castings
from percsim.film.layers import Assembly, off_axis_reading, through_thickness
from percsim.film.mounted import LocalResponse, electrode_span, read_length, stretches
from percsim.findings.judged import Findings, once
from percsim.findings.transverse import Transverse, half_width, transverse
from percsim.materials.elastomer import load_material
from percsim.materials.stiffness import (
    USUAL_ELASTOMER,
    nearly_incompressible,
    stiffenings,
)
from percsim.plan import LARGEST_FACE_STRAIN, Plan
from percsim.quantities import microstrain, span, tenths

__all__ = ["Layers", "layers", "strain_profile", "strained_across", "wrapping_caution"]

Floats = NDArray[np.float64]

MIX_RATIOS = (4.0, 5.0, 7.0, 10.0, 13.0, 16.0, 20.0, 25.0, 30.0, 33.0, 40.0)
"""Mix ratios of the sheet that the transfer is drawn against; the outer are untested."""
PROFILE = 121
"""Places along the film that the strain profile is given at."""
NOTABLE_LOSS = 0.02
"""Strain lost between the electrodes from which a caution is due (judgement)."""


@dataclass(frozen=True, slots=True)
class OnPart:
    """What a candidate reads on the part, beside what it would read flat."""

    gap_mean_transfer: float
    outside_window: bool
    computed_to: float | None
    _told: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Wrapping:
    """What laying a film around its part strains, its faces beyond a window or not."""

    strain: Mapping[str, Mapping[str, float]]
    _told: Mapping[str, object]
    window_computed: tuple[float, float] | None = None
    outside_window: bool | None = None


@dataclass(frozen=True, slots=True)
class Layers:
    """What sheet, part and wrapping make of a film."""

    cautions: tuple[str, ...]
    _told: Mapping[str, object]


def strain_profile(plan: Plan, castings: Castings) -> list[float] | None:
    """Strain of the film over that of the part, evenly from first to last electrode.

    None without a sheet or a part. Wrapping, which differs through the thickness, is not
    in it.
    """
    if not (plan.has_sheet or plan.has_part):
        return None
    film = castings.film
    span = electrode_span(film)
    assembly = plan.assembly(castings.loading.weight_fraction, film.thickness)
    transfer = assembly.transfer(length=max(plan.film.length, span))
    profile: list[float] = transfer(np.linspace(-0.5, 0.5, PROFILE) * span).tolist()
    return profile


def _with_band(value: ArrayLike, draws: ArrayLike) -> dict[str, Floats]:
    """Put 5 and 95 % of its draws beside a number, or beside each of an array."""
    rows = np.asarray(draws, dtype=np.float64)
    low, high = np.quantile(rows, (0.05, 0.95), axis=0, method="inverted_cdf")
    return {"value": np.asarray(value), "p05": low, "p95": high}


def wrapping_caution(plan: Plan) -> str:
    """Say before a run that a film on its part leaves the strains computed, empty if not.

    Parameters
    ----------
    plan : Plan
        The plan; moduli are at their best estimates.

    Returns
    -------
    str

    """
    (low, high), strains = plan.reach, plan.strains
    if low >= strains[0] - 1e-12 and high <= strains[-1] + 1e-12:
        return ""
    ends = span(strains[0], strains[-1], "strain")
    told = (
        f"wrapping and the strain of the part together strain films by"
        f" {span(low, high, 'strain')}, and only {ends} are computed: what they read on the"
        " part is then extrapolated; "
    )
    if max(-low, high) > LARGEST_FACE_STRAIN:
        return told + (
            f"beyond {100.0 * LARGEST_FACE_STRAIN:g} % nothing is, so lay them on a larger"
            " radius, or make film or sheet thinner"
        )
    colder = plan.closed_for(math.floor(1e4 * low) / 1e4)
    if colder is None:
        return told + "contacts close no further, so wrap less or compress less"
    return told + (
        "at the coldest temperature contacts are then as closed as in the reference state;"
        f" contacts.closed_at = '{colder:d} C' or colder computes the rest"
    )


@once
def layers(findings: Findings) -> Layers | None:
    """Give what sheet, part and wrapping make of the film; None without either section.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.

    """
    plan, best = findings.plan, findings.best
    if not (plan.has_sheet or plan.has_part):
        return None
    loading, film = best.fit.loading, best.castings.film
    assembly = plan.assembly(loading.weight_fraction)
    response = LocalResponse.from_castings(_flat(best))
    candidates = [_on_part(plan, c) for c in findings.choice.candidates]
    out: dict[str, object] = {
        "weight_fraction": loading.weight_fraction,
        "electrode_gap_m": film.electrode_gap,
        "read_length_m": read_length(film),
        "film_length_m": plan.film.length,
        "strain": plan.chord_strain,
        "control": plan.part.control,
        "stiffness": _stiffness(findings, assembly),
        "transfer": _transfer(plan, best, assembly),
        "candidates": candidates,
    }
    wrapping, across = None, strained_across(findings)
    if plan.part.radius is not None:
        wrapping = _wrapping(plan, plan.part.radius, assembly, response, loading.bending)
        out["wrapping"] = wrapping
    if across is not None:
        out["transverse"] = _across(plan, across)
    found = candidates[findings.choice.index]
    return Layers(_cautions(plan, assembly, found, wrapping), out)


# ------------------------------------------------------------------------------------------
# Stiffness
# ------------------------------------------------------------------------------------------


def _flat(candidate: Candidate) -> Castings:
    """Castings of a candidate off the part."""
    return candidate.castings.flat or candidate.castings


def _stiffness(findings: Findings, assembly: Assembly) -> dict[str, object]:
    plan = findings.plan
    recipe = findings.recipe
    name = plan.elastomer.material or USUAL_ELASTOMER
    bulk = load_material(name)["bulk_modulus"].value
    mixed = plan.cured_elastomer.mix_ratio
    rows: dict[str, object] = {
        "film": assembly.film.as_dict()
        | {"mix_ratio": mixed, "thickness_m": plan.film.thickness}
    }
    if plan.film.modulus is None:
        rows["elastomer"] = plan.elastomer_modulus().as_dict() | {"mix_ratio": mixed}
        rows["stiffening"] = stiffenings(recipe)
    if assembly.sheet is not None:
        rows["sheet"] = assembly.sheet.as_dict() | {
            "mix_ratio": plan.sheet.mix_ratio or mixed,
            "thickness_m": plan.sheet.thickness,
        }
    part = plan.part
    if part.modulus is not None:
        rows["part"] = {
            "value_Pa": part.modulus.value,
            "basis": part.modulus.basis,
            "source": part.modulus.source,
            "thickness_m": part.thickness,
        }
    softest = (assembly.sheet or assembly.film).value
    rows["poisson_ratio"] = {
        "used": plan.cured_elastomer.poisson_ratio,
        "bulk_modulus_Pa": bulk,
        # a stated modulus may be that of something else than a rubber
        "film_from_bulk": nearly_incompressible(min(assembly.film.value, bulk), bulk),
        "softest_from_bulk": nearly_incompressible(min(softest, bulk), bulk),
    }
    return rows


# ------------------------------------------------------------------------------------------
# Strain that reaches the film
# ------------------------------------------------------------------------------------------


def _transfer(plan: Plan, best: Candidate, assembly: Assembly) -> dict[str, object]:
    gap, length = read_length(best.castings.film), plan.film.length
    transfer = assembly.transfer()
    drawn = [assembly.transfer(scores) for scores in assembly.scores]
    x = np.linspace(-0.5, 0.5, PROFILE) * length

    out: dict[str, object] = {
        "decay_per_m": transfer.decay,
        "end_zone_m": transfer.end_zone,
        "plateau": _with_band(transfer.plateau, [t.plateau for t in drawn]),
        "gap_mean": _with_band(transfer.mean(gap), [t.mean(gap) for t in drawn]),
        "film_mean": _with_band(transfer.mean(), [t.mean() for t in drawn]),
        "profile": {"x_m": x, **_with_band(transfer(x), [t(x) for t in drawn])},
    }
    if not plan.has_sheet:
        return out
    rows = []
    tested = load_material(
        plan.sheet.material or plan.elastomer.material or USUAL_ELASTOMER
    )["mix_ratio"]
    for ratio in MIX_RATIOS:
        sheet = plan.sheet_modulus(ratio)
        many = [assembly.transfer(scores, sheet=sheet) for scores in assembly.scores]
        rows.append(
            {
                "mix_ratio": ratio,
                "tested": tested.low <= ratio <= tested.high,
                "modulus_Pa": sheet.value,
                **_with_band(
                    assembly.transfer(sheet=sheet).mean(gap), [t.mean(gap) for t in many]
                ),
            }
        )
    out["against_mix_ratio"] = rows
    lengths = np.geomspace(gap, max(3.0 * length, 10.0 * gap), 40)
    by_length = [replace(transfer, length=float(x)).mean(gap) for x in lengths]
    table = [[replace(t, length=float(x)).mean(gap) for x in lengths] for t in drawn]
    out["against_length"] = {"length_m": lengths, **_with_band(by_length, table)}
    return out


def _on_part(plan: Plan, candidate: Candidate) -> OnPart:
    """Give what a candidate reads on the part, beside what it would read flat."""
    castings = _flat(candidate)
    read, strain = read_length(castings.film), plan.chord_strain
    loading = candidate.fit.loading
    assembly = plan.assembly(loading.weight_fraction)
    transfer = assembly.transfer()
    response = LocalResponse.from_castings(castings)
    told: dict[str, object] = {
        "weight_fraction": loading.weight_fraction,
        "electrode_gap_m": castings.film.electrode_gap,
        "gauge_factor_flat": None,
        "gauge_factor": None,
        "gauge_factor_se": None,
        "zero_shift": None,
        "resistance_ohm": None,
    }
    if response is None:
        return OnPart(transfer.mean(read), False, None, told)
    through = loading.bending * assembly.bending()
    along = transfer(stretches(read))
    rest = response.film(0.0, through)
    strained = response.film(along * strain, through)
    reached = np.array([0.0, strain * along.max()])[:, None] + through
    low, high = response.window
    outside = bool(reached.min() < low - 1e-9 or reached.max() > high + 1e-9)
    spare = high - through.max() if strain > 0.0 else low - through.min()
    holds = low <= through.min() and through.max() <= high
    # the strain of the part up to which no slice leaves what was computed
    computed = spare / along.max() if holds else 0.0
    with np.errstate(invalid="ignore"):
        chords = np.where(np.isfinite(strained), strained / rest - 1.0, np.inf) / strain
    flat = response.ratio(strain)[0] - 1.0
    told |= {
        "gauge_factor_flat": float(flat / strain),
        "gauge_factor": float(chords[0]),
        "gauge_factor_se": half_width(chords[1:]),
        "zero_shift": float(rest[0] - 1.0),
        "resistance_ohm": candidate.resistance.median,
    }
    return OnPart(transfer.mean(read), outside, float(computed), told)


# ------------------------------------------------------------------------------------------
# Wrapping
# ------------------------------------------------------------------------------------------


def _wrapping(
    plan: Plan,
    radius: float,
    assembly: Assembly,
    response: LocalResponse | None,
    bending: float,
) -> Wrapping:
    wrap, window = assembly.wrap(), plan.strain.window
    drawn = [assembly.wrap(scores) for scores in assembly.scores]
    bottom, top = wrap.faces
    heights = np.array([bottom, 0.5 * (bottom + top), top])
    nominal = wrap.strain(heights, radius)
    strains = _with_band(nominal, [w.strain(heights, radius) for w in drawn])
    z = through_thickness(bottom, top)
    strain = {
        place: {name: float(ends[k]) for name, ends in strains.items()}
        for k, place in enumerate(("bottom", "middle", "top"))
    }
    told: dict[str, object] = {
        "radius_m": radius,
        "side": plan.part.side,
        "bent": plan.part.bent,
        "stack_thickness_m": wrap.above,
        "neutral_axis_m": _with_band(wrap.neutral_axis, [w.neutral_axis for w in drawn]),
        "faces_m": wrap.faces,
        "rigidity_Nm": wrap.stack.rigidity,
        # what a thin glued gauge would be given, for comparison
        "half_thickness_over_radius": wrap.above / (2.0 * radius),
        "smallest_radius_m": _with_band(
            wrap.smallest_radius(window), [w.smallest_radius(window) for w in drawn]
        ),
        "shift": None,
        "shift_se": None,
        # strain of the mounted film that reads like a unit of bending
        "bending_factor": bending,
        "through": {
            "height_m": z,
            **_with_band(wrap.strain(z, radius), [w.strain(z, radius) for w in drawn]),
        },
    }
    if response is None:
        return Wrapping(strain, told)
    smallest = 1.02 * wrap.above
    radii = np.geomspace(max(smallest, radius / 10.0), max(10.0 * radius, smallest), 41)
    radii = np.unique(np.append(radii, radius))
    simulated = response.film(0.0, bending * wrap.through(radii)) - 1.0
    through = bending * np.array([w.through(radii) for w in drawn])
    table = response.nominal.film(0.0, through)[0] - 1.0
    here = int(np.searchsorted(radii, radius))
    known = response.window

    def leaves(strains: Floats) -> bool:
        return bool(
            np.any(strains < known[0] - 1e-12) or np.any(strains > known[1] + 1e-12)
        )

    faces = np.array([bottom, top])
    told |= {
        "shift": _with_band(simulated[0, here], table[:, here]),
        "shift_se": half_width(simulated[1:, here]),
        "against_radius": {
            "radius_m": radii,
            **_with_band(simulated[0], table),
            "standard_error": [half_width(column) for column in simulated[1:].T],
            "outside_window": [leaves(bending * wrap.strain(faces, r)) for r in radii],
        },
    }
    return Wrapping(strain, told, known, leaves(bending * nominal))


# ------------------------------------------------------------------------------------------
# Strain across the current
# ------------------------------------------------------------------------------------------


@once
def strained_across(findings: Findings) -> Transverse | None:
    """Read the chosen film's material along and across, where the plan asks for it."""
    if not findings.plan.reads_across:
        return None
    return transverse(
        findings.plan, findings.jobs, findings.records, findings.best.fit.loading,
        findings.threshold,
    )  # fmt: skip


def _across(plan: Plan, found: Transverse) -> dict[str, object]:
    """Give what a film reads across, and of a patch laid askew."""
    angle, ratio = plan.part.misalignment or 0.0, plan.part_poisson_ratio
    out: dict[str, object] = {
        "strain": plan.chord_strain,
        "n_boxes": found.n_boxes,
        "misalignment_deg": math.degrees(angle),
        "part_poisson_ratio": ratio,
        "note": found.note,
    }
    if found.note:
        return out
    along, across, sensitivity = found.along, found.across, found.sensitivity
    errors = np.array([float(off_axis_reading(angle, k, ratio)) - 1.0 for k in sensitivity])
    return out | {
        "gauge_factor_along": float(along[0]),
        "gauge_factor_along_se": half_width(along[1:]),
        "gauge_factor_pulled_across": float(found.pulled[0]),
        "gauge_factor_pressed_across": float(found.pressed[0]),
        "gauge_factor_across": float(across[0]),
        "gauge_factor_across_se": half_width(across[1:]),
        "transverse_sensitivity": float(sensitivity[0]),
        "transverse_sensitivity_se": half_width(sensitivity[1:]),
        # what the two give for the plan's bonded film, beside the states computed for it
        "gauge_factor_bonded": float(along[0] - ratio * across[0]),
        "gauge_factor_biaxial": float(along[0] + across[0]),
        "misalignment_error": float(errors[0]),
        "misalignment_error_se": half_width(errors[1:]),
    }


# ------------------------------------------------------------------------------------------
# Cautions
# ------------------------------------------------------------------------------------------


def _cautions(
    plan: Plan, assembly: Assembly, best: OnPart, wrapping: Wrapping | None
) -> tuple[str, ...]:
    lines = []
    for name, known in (("film", assembly.film), ("sheet", assembly.sheet)):
        if known is not None:
            lines += [f"{name}: {note}" for note in known.notes]
    mean = best.gap_mean_transfer
    if mean < 1.0 - NOTABLE_LOSS:
        lines.append(
            f"only {tenths(mean)} % of the part's strain reaches the film between its"
            " electrodes; gauge factors count that"
        )
    decay = assembly.transfer().decay
    if math.isfinite(decay) and decay * plan.film.thickness > 1.0:
        lines.append(
            "the end zones of the bond are shorter than the film is thick, where shear lag"
            " is a rough guide only"
        )
    if wrapping and wrapping.outside_window and wrapping.window_computed:
        faces = [microstrain(wrapping.strain[f]["value"]) for f in ("bottom", "top")]
        low, high = wrapping.window_computed
        lines.append(
            f"wrapping strains the faces of the film by {faces[0]} and {faces[1]}, outside"
            f" the strains computed, {span(low, high, 'strain')}; 'percsim check' says what"
            " computes them"
        )
    elif best.outside_window and best.computed_to is not None:
        lines.append(
            "wrapping and the largest strain of the part together strain a face of the film"
            f" beyond what was computed; all is computed to {microstrain(best.computed_to)}"
            " of the part, and from there on ln R of the outermost slices goes on along its"
            " last step, gauge factors with it; 'percsim check' says what computes the rest"
        )
    return tuple(lines)
