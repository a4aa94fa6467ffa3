"""What measured films let be known, carried to the boxes: findings as if solved with it.

The resistance of every stored box moves by what the stored responses say of its loading
between the plan's contacts and threshold and those that the films leave likeliest; the
scatter of the boxes stays. Chapters then speak of the films that were measured without
knowing that they do, and no box is solved again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.boxes.results import BoxResult
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.anchor import TOLD, Anchoring
from percsim.decision.choose import Mix
from percsim.decision.priors import ContactParameters, Draws
from percsim.film.electrodes import Film
from percsim.film.responses import NEAREST, KnownResponses
from percsim.film.transfer import LoadingResult, LoadingThreshold
from percsim.findings.gather import Findings, Known
from percsim.jobs import across_jobs

__all__ = ["carried_findings", "carried_mix", "known_from"]

Floats = NDArray[np.float64]


def known_from(
    found: Anchoring, draws: Draws, planned: ContactParameters
) -> tuple[Known, float]:
    """Say what measured films tell of the contacts, and of the threshold.

    Parameters
    ----------
    found : Anchoring
        What the rows tell.
    draws : Draws
        Draws of equal weight from it.
    planned : ContactParameters
        As planned; what the rows tell nothing of keeps its basis.

    Returns
    -------
    known : Known
        At the centre of what is still possible, in the coordinates in which priors are
        normal; its draws of the threshold are over the second number.
    factor : float
        Threshold there over the simulated one.

    """
    mean, _ = found.draws.moments()
    centre = {k: float(v[0]) for k, v in found.priors.values(mean[None, :]).items()}
    factor = centre.pop("threshold")
    told = {name for name, left in found.narrowing.items() if left < TOLD}
    measured = (told - {"threshold"}) | ({"aspect_ratio"} if "threshold" in told else set())
    contacts = replace(
        planned,
        g0=centre["g0"],
        beta=centre["beta"],
        delta_b=centre["delta_b"],
        thermal_share=centre["lambda_T"],
        Ea=centre["Ea"],
        measured=planned.measured | measured,
        # films were read: what they leave open of the threshold is carried
        powder=replace(planned.powder, unforeseeable=""),
    )
    values = draws.values
    values["threshold"] = values["threshold"] / factor
    return Known(contacts, values), factor


@dataclass(frozen=True, slots=True)
class _Move:
    """How boxes of a loading move: whose they are, and by what, state by state."""

    source: float
    states: NDArray[np.int64]
    log_r: Floats
    rest: int
    response: float

    def conductances(self, solved: ArrayLike) -> Floats:
        """Move conductances of boxes (..., n states)."""
        factor = np.exp(-np.where(np.isfinite(self.log_r), self.log_r, 0.0))
        factor = np.where(np.isfinite(self.log_r), factor, 0.0)
        return np.asarray(np.asarray(solved, dtype=np.float64)[..., self.states] * factor)

    @property
    def at_rest(self) -> float:
        """Conductance at rest and 20 C over the one solved."""
        log_r = float(self.log_r[self.rest])
        return float(np.exp(-log_r)) if np.isfinite(log_r) else 0.0


def _moves(
    findings: Findings, film: Film, draws: Draws, loadings: Sequence[LoadingResult]
) -> dict[float, _Move]:
    """Give moves by weight fraction.

    To the median over the draws of ln R at rest, and of its change to each state. A loading
    whose own boxes say nothing of a film, because it lies below or at the threshold as
    planned, takes the boxes of the nearest above it.
    """
    responses = findings.responses
    assert responses is not None
    values = draws.values
    factors = values.pop("threshold")
    critical = findings.threshold.volume_fraction
    fits = {c.castings.fit.loading.weight_fraction: c.castings.fit
            for c in findings.decision.candidates}  # fmt: skip
    sources = [
        loading
        for loading in loadings
        if loading.volume_fraction > critical * (1.0 + NEAREST)
        and not fits[loading.weight_fraction].is_open
    ]
    moves = {}
    for loading in loadings:
        above = [x for x in sources if x.weight_fraction >= loading.weight_fraction]
        source = above[0] if above else sources[-1]
        ref = loading.reference_state
        logs = responses.log_resistance(film, loading.volume_fraction, values, factors)
        planned = responses.log_resistance(film, source.volume_fraction, {})[0]
        conducts = np.isfinite(logs)
        level = float(np.quantile(logs[:, ref], 0.5, method="inverted_cdf"))
        change = np.where(conducts, logs, np.inf)
        change -= np.where(conducts[:, [ref]], logs[:, [ref]], 0.0)
        change = change[conducts[:, ref]] if conducts[:, ref].any() else change
        steps = np.quantile(change, 0.5, axis=0, method="inverted_cdf")
        known = np.isfinite(planned)
        start = np.where(known, planned, planned[ref])
        states = np.where(known, np.arange(len(planned)), ref)
        chord = loading.chord_state
        response = 1.0
        if chord is not None and known[chord] and np.isfinite(steps[chord]):
            own = float(planned[chord] - planned[ref])
            response = float(steps[chord]) / own if own else 1.0
        moves[loading.weight_fraction] = _Move(
            source.weight_fraction, states, level + steps - start, ref, response
        )
    return moves


def carried_mix(
    findings: Findings, draws: Draws, known: Known, factor: float
) -> tuple[Mix, dict[float, _Move]]:
    """Give loadings and threshold of the mix as measured films would have them.

    Parameters
    ----------
    findings : Findings
        As planned.
    draws : Draws
        Draws of equal weight of what is still possible.
    known : Known
        Its centre.
    factor : float
        Threshold there over the simulated one.

    Returns
    -------
    mix : Mix
        To be judged anew.
    moves : dict
        By weight fraction, for `carried_findings`.

    """
    responses, mix = findings.responses, findings.mix
    assert responses is not None
    assert mix is not None
    assert not isinstance(responses, KnownResponses)
    moves = _moves(findings, mix.film, draws, mix.loadings)
    boxes = {loading.weight_fraction: loading for loading in mix.loadings}
    loadings = []
    for loading in mix.loadings:
        move = moves[loading.weight_fraction]
        source = boxes[move.source]
        loadings.append(
            replace(
                loading,
                lengths=source.lengths,
                sections=source.sections,
                conductances=tuple(move.conductances(g) for g in source.conductances),
            )
        )
    own = float(responses.own_threshold(_values(known.contacts), factor)[0])
    ratio = own / findings.threshold.volume_fraction
    threshold = LoadingThreshold(
        min(own, 1.0 - 1e-9),
        findings.threshold.standard_error * ratio,
        findings.threshold.aspect_ratio_slope,
        findings.threshold.tilt_slope,
    )
    return replace(mix, loadings=tuple(loadings), threshold=threshold), moves


def _values(contacts: ContactParameters) -> dict[str, float]:
    return {
        "g0": contacts.g0,
        "beta": contacts.beta,
        "delta_b": contacts.delta_b,
        "lambda_T": contacts.thermal_share,
        "Ea": contacts.Ea,
    }


def carried_findings(
    findings: Findings, mix: Mix, moves: Mapping[float, _Move], known: Known, factor: float
) -> Findings:
    """Give findings with boxes, threshold and responses as measured films have them.

    Parameters
    ----------
    findings : Findings
        As planned.
    mix, moves
        From `carried_mix`.
    known, factor
        From `known_from`.

    Returns
    -------
    Findings
        Its decision is still the one as planned.

    Notes
    -----
    What boxes strained across the current tell moves in proportion to the response along
    it.

    """
    responses = findings.responses
    assert responses is not None
    assert not isinstance(responses, KnownResponses)
    records = dict(findings.records)
    place = {_place(job): job for job in findings.jobs}
    across = {_place(job): job for job in across_jobs(findings.plan)}
    for jobs in (place, across):
        for (weight, length, number), job in jobs.items():
            move = moves.get(weight)
            if move is None:
                continue
            source = jobs.get((move.source, length, number))
            found = findings.records.get(source.key) if source is not None else None
            if found is None or not isinstance(found.result, BoxResult):
                records.pop(job.key, None)
            else:
                records[job.key] = _moved(job, found, move)
    for weight, move in moves.items():
        for key in [key for key in records if key.startswith(f"film/{weight!r}/")]:
            found = records.pop(key)
            # films solved whole hold the states at rest and at the chord, in rising strain
            loading = next(x for x in mix.loadings if x.weight_fraction == weight)
            pair = (loading.reference_state, loading.chord_state)
            order = np.argsort(loading.strains, kind="stable").tolist()
            ends = [s for s in order if s in pair]
            result = found.result
            if move.source == weight and isinstance(result, BoxResult):
                g = result.conductances * np.exp(-move.log_r[ends])
                moved = replace(result, conductances=g)
                records[key] = Record.of(key, moved, found.elapsed)
    return replace(
        findings,
        records=records,
        loadings=mix.loadings,
        threshold=mix.threshold,
        mix=mix,
        responses=KnownResponses(responses, _values(known.contacts), factor),
        known=known,
    )


def _place(job: BoxJob) -> tuple[float, float, int]:
    return job.recipe.weight_fraction, job.box.length, job.number


def _moved(job: BoxJob, found: Record, move: _Move) -> Record:
    """Move the record of one box."""
    result = found.result
    assert isinstance(result, BoxResult)
    solved, probe = result.conductances, result.probe_conductances
    rest = float(solved[job.rest])
    whole = len(solved) == len(move.log_r)
    if probe is not None:
        ratio = probe / rest if rest > 0.0 else np.zeros_like(probe)
        probe = rest * move.at_rest * ratio**move.response
    currents = result.currents
    moved = replace(
        result,
        conductances=move.conductances(solved) if whole else solved * move.at_rest,
        currents=replace(
            currents,
            bottleneck_S=currents.bottleneck_S * move.at_rest,
            critical_path_S=currents.critical_path_S * move.at_rest,
            effective_medium_S=currents.effective_medium_S * move.at_rest,
        ),
        slopes=None,
        variations=None,
        probe_conductances=probe,
    )
    return Record.of(job.key, moved, found.elapsed)
