"""The film on its sheet on the part: strain that reaches it, wrapping, strain across."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.decision.candidates import Candidate
from percsim.film.casting import Castings
from percsim.film.layers import Assembly, off_axis_reading, through_thickness
from percsim.film.mounted import LocalResponse, electrode_span, read_length, stretches
from percsim.film.transfer import LoadingResult
from percsim.findings.judged import Findings
from percsim.findings.transverse import half_width, transverse
from percsim.findings.words import BOND
from percsim.materials.elastomer import load_material
from percsim.materials.stiffness import (
    USUAL_ELASTOMER,
    nearly_incompressible,
    stiffenings,
)
from percsim.plan import LARGEST_FACE_STRAIN, Plan
from percsim.quantities import microstrain, span, tenths

__all__ = ["across_summary", "layers", "strain_profile", "wrapping_caution"]

Floats = NDArray[np.float64]

MIX_RATIOS = (4.0, 5.0, 7.0, 10.0, 13.0, 16.0, 20.0, 25.0, 30.0, 33.0, 40.0)
"""Mix ratios of the sheet that the transfer is drawn against; the outer are untested."""
PROFILE = 121
"""Places along the film that the strain profile is given at."""
NOTABLE_LOSS = 0.02
"""Strain lost between the electrodes from which a caution is due (judgement)."""

NOT_MODELLED_IN_LAYERS = (
    "copper foil or tape embedded in the film: it stiffens the strip under it and"
    " concentrates strain in the gap",
    "creep of the sheet, a glue between sheet and part, partial debonding, and end zones"
    " across the patch",
)


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


def _band(values: ArrayLike) -> tuple[Floats, Floats]:
    drawn = np.asarray(values, dtype=np.float64)
    low, high = np.quantile(drawn, (0.05, 0.95), axis=0, method="inverted_cdf")
    return np.asarray(low), np.asarray(high)


def _with_band(value: Any, band: tuple[Floats, Floats]) -> dict[str, Any]:
    return {"value": _plain(value), "p05": _plain(band[0]), "p95": _plain(band[1])}


def _plain(value: Any) -> Any:
    return np.asarray(value, dtype=np.float64).tolist()


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


def layers(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Give what sheet, part and wrapping make of the film; nothing without either section.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.
    summary : dict
        The summary so far, for its cautions and what it says is not modelled.

    Returns
    -------
    dict
        `layers`, and `cautions` and `not_modelled` brought up to date.

    """
    plan = findings.plan
    if not (plan.has_sheet or plan.has_part):
        return {}
    best = findings.best
    loading = best.fit.loading
    assembly = plan.assembly(loading.weight_fraction)
    response = LocalResponse.from_castings(_flat(best))
    out: dict[str, Any] = {
        "weight_fraction": loading.weight_fraction,
        "electrode_gap_m": best.castings.film.electrode_gap,
        "read_length_m": read_length(best.castings.film),
        "film_length_m": plan.film.length,
        "strain": plan.chord_strain,
        "control": plan.part.control,
        "stiffness": _stiffness(findings, assembly),
        "transfer": _transfer(plan, best, assembly),
        "candidates": [_on_part(plan, c) for c in findings.choice.candidates],
    }
    if plan.part.radius is not None:
        out["wrapping"] = _wrapping(plan, assembly, response, loading.bending)
    if plan.reads_across:
        out["transverse"] = across_summary(findings, loading)
    out["cautions"] = _cautions(findings, assembly, out)
    return {
        "layers": out,
        "not_modelled": [
            *(x for x in summary["not_modelled"] if x != BOND),
            *NOT_MODELLED_IN_LAYERS,
        ],
        "cautions": [*out["cautions"], *summary["cautions"]],
    }


# ------------------------------------------------------------------------------------------
# Stiffness
# ------------------------------------------------------------------------------------------


def _flat(candidate: Candidate) -> Castings:
    """Castings of a candidate off the part."""
    return candidate.castings.flat or candidate.castings


def _stiffness(findings: Findings, assembly: Assembly) -> dict[str, Any]:
    plan = findings.plan
    recipe = findings.recipe
    name = plan.elastomer.material or USUAL_ELASTOMER
    bulk = load_material(name)["bulk_modulus"].value
    rows: dict[str, Any] = {"film": assembly.film.as_dict()}
    rows["film"]["mix_ratio"] = plan.cured_elastomer.mix_ratio
    rows["film"]["thickness_m"] = plan.film.thickness
    if plan.film.modulus is None:
        rows["elastomer"] = plan.elastomer_modulus().as_dict()
        rows["elastomer"]["mix_ratio"] = plan.cured_elastomer.mix_ratio
        rows["stiffening"] = [
            {"model": s.model, "factor": s.factor, "valid": s.valid, "limit": s.limit}
            for s in stiffenings(recipe)
        ]
    if assembly.sheet is not None:
        rows["sheet"] = assembly.sheet.as_dict()
        rows["sheet"]["mix_ratio"] = plan.sheet.mix_ratio or plan.cured_elastomer.mix_ratio
        rows["sheet"]["thickness_m"] = plan.sheet.thickness
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


def _transfer(plan: Plan, best: Candidate, assembly: Assembly) -> dict[str, Any]:
    gap, length = read_length(best.castings.film), plan.film.length
    transfer = assembly.transfer()
    drawn = [assembly.transfer(scores) for scores in assembly.scores]
    x = np.linspace(-0.5, 0.5, PROFILE) * length

    out: dict[str, Any] = {
        "decay_per_m": transfer.decay,
        "end_zone_m": transfer.end_zone,
        "plateau": _with_band(transfer.plateau, _band([t.plateau for t in drawn])),
        "gap_mean": _with_band(transfer.mean(gap), _band([t.mean(gap) for t in drawn])),
        "film_mean": _with_band(transfer.mean(), _band([t.mean() for t in drawn])),
        "profile": {
            "x_m": _plain(x),
            **_with_band(transfer(x), _band([t(x) for t in drawn])),
        },
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
                    assembly.transfer(sheet=sheet).mean(gap),
                    _band([t.mean(gap) for t in many]),
                ),
            }
        )
    out["against_mix_ratio"] = rows
    lengths = np.geomspace(gap, max(3.0 * length, 10.0 * gap), 40)
    by_length = [replace(transfer, length=float(x)).mean(gap) for x in lengths]
    table = [[replace(t, length=float(x)).mean(gap) for x in lengths] for t in drawn]
    out["against_length"] = {
        "length_m": _plain(lengths),
        **_with_band(by_length, _band(table)),
    }
    return out


def _on_part(plan: Plan, candidate: Candidate) -> dict[str, Any]:
    """Give what a candidate reads on the part, beside what it would read flat."""
    castings = _flat(candidate)
    read, strain = read_length(castings.film), plan.chord_strain
    loading = candidate.fit.loading
    out: dict[str, Any] = {
        "weight_fraction": loading.weight_fraction,
        "electrode_gap_m": castings.film.electrode_gap,
        "gap_mean_transfer": None,
        "gauge_factor_flat": None,
        "gauge_factor": None,
        "gauge_factor_se": None,
        "zero_shift": None,
        "resistance_ohm": None,
        "outside_window": False,
        "computed_to": None,
    }
    assembly = plan.assembly(loading.weight_fraction)
    transfer = assembly.transfer()
    out["gap_mean_transfer"] = transfer.mean(read)
    response = LocalResponse.from_castings(castings)
    if response is None:
        return out
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
    out |= {
        "gauge_factor_flat": float(flat / strain),
        "gauge_factor": float(chords[0]),
        "gauge_factor_se": half_width(chords[1:]),
        "zero_shift": float(rest[0] - 1.0),
        "resistance_ohm": candidate.resistance.median,
        "outside_window": outside,
        "computed_to": float(computed),
    }
    return out


# ------------------------------------------------------------------------------------------
# Wrapping
# ------------------------------------------------------------------------------------------


def _wrapping(
    plan: Plan, assembly: Assembly, response: LocalResponse | None, bending: float
) -> dict[str, Any]:
    radius, window = plan.part.radius, plan.strain.window
    assert radius is not None
    wrap = assembly.wrap()
    drawn = [assembly.wrap(scores) for scores in assembly.scores]
    bottom, top = wrap.faces
    places = {"bottom": bottom, "middle": 0.5 * (bottom + top), "top": top}
    heights = np.array(list(places.values()))
    strains = np.array([w.strain(heights, radius) for w in drawn])
    nominal = wrap.strain(heights, radius)
    low, high = _band(strains)
    out: dict[str, Any] = {
        "radius_m": radius,
        "side": plan.part.side,
        "bent": plan.part.bent,
        "stack_thickness_m": wrap.above,
        "neutral_axis_m": _with_band(
            wrap.neutral_axis, _band(np.array([w.neutral_axis for w in drawn]))
        ),
        "faces_m": [bottom, top],
        "rigidity_Nm": wrap.stack.rigidity,
        "strain": {
            name: {"value": float(v), "p05": float(a), "p95": float(b)}
            for name, v, a, b in zip(places, nominal, low, high, strict=True)
        },
        # what a thin glued gauge would be given, for comparison
        "half_thickness_over_radius": wrap.above / (2.0 * radius),
        "smallest_radius_m": _with_band(
            wrap.smallest_radius(window),
            _band(np.array([w.smallest_radius(window) for w in drawn])),
        ),
        "shift": None,
        "shift_se": None,
        # strain of the mounted film that reads like a unit of bending
        "bending_factor": bending,
    }
    z = through_thickness(bottom, top)
    out["through"] = {
        "height_m": _plain(z),
        **_with_band(wrap.strain(z, radius), _band([w.strain(z, radius) for w in drawn])),
    }
    if response is None:
        return out
    smallest = 1.02 * wrap.above
    radii = np.geomspace(max(smallest, radius / 10.0), max(10.0 * radius, smallest), 41)
    radii = np.unique(np.append(radii, radius))
    simulated = response.film(0.0, bending * wrap.through(radii)) - 1.0
    through = bending * np.array([w.through(radii) for w in drawn])
    table = response.nominal.film(0.0, through)[0] - 1.0
    here = int(np.searchsorted(radii, radius))
    known = response.window
    out |= {
        "shift": _with_band(simulated[0, here], _band(table[:, here])),
        "shift_se": half_width(simulated[1:, here]),
        "window_computed": list(known),
        "outside_window": bool(
            np.any(bending * nominal < known[0] - 1e-12)
            or np.any(bending * nominal > known[1] + 1e-12)
        ),
        "against_radius": {
            "radius_m": _plain(radii),
            **_with_band(simulated[0], _band(table)),
            "standard_error": [half_width(column) for column in simulated[1:].T],
            "outside_window": [
                bool(np.any(s < known[0] - 1e-12) or np.any(s > known[1] + 1e-12))
                for s in (bending * wrap.strain(np.array([bottom, top]), r) for r in radii)
            ],
        },
    }
    return out


# ------------------------------------------------------------------------------------------
# Strain across the current
# ------------------------------------------------------------------------------------------


def across_summary(findings: Findings, loading: LoadingResult) -> dict[str, Any]:
    """Give what a film reads across, and of a patch laid askew."""
    plan = findings.plan
    found = transverse(plan, findings.jobs, findings.records, loading, findings.threshold)
    angle, ratio = plan.part.misalignment or 0.0, plan.part_poisson_ratio
    out: dict[str, Any] = {
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


def _cautions(findings: Findings, assembly: Assembly, out: dict[str, Any]) -> list[str]:
    plan, lines = findings.plan, []
    for name, known in (("film", assembly.film), ("sheet", assembly.sheet)):
        if known is not None:
            lines += [f"{name}: {note}" for note in known.notes]
    mean = out["transfer"]["gap_mean"]["value"]
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
    best = out["candidates"][findings.choice.index]
    wrapping = out.get("wrapping")
    if wrapping and wrapping.get("outside_window"):
        faces = [microstrain(wrapping["strain"][f]["value"]) for f in ("bottom", "top")]
        low, high = wrapping["window_computed"]
        lines.append(
            f"wrapping strains the faces of the film by {faces[0]} and {faces[1]}, outside"
            f" the strains computed, {span(low, high, 'strain')}; 'percsim check' says what"
            " computes them"
        )
    elif best["outside_window"]:
        reach = best["computed_to"]
        lines.append(
            "wrapping and the largest strain of the part together strain a face of the film"
            f" beyond what was computed; all is computed to {microstrain(reach)} of the"
            " part, and from there on ln R of the outermost slices goes on along its last"
            " step, gauge factors with it; 'percsim check' says what computes the rest"
        )
    return lines
