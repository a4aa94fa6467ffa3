"""Film models -> what would halve the scatter of the film that is decided for."""

from __future__ import annotations

from percsim.findings.judged import Findings
from percsim.improve import Improvement, Structure, improve
from percsim.words.improve import assumed

__all__ = ["improved_rows", "improvement"]

TRIED_TOGETHER = 2
"""Changes of a structure on the page; `percsim improve` tries more."""

SMALLEST = 0.01
"""CV of R that is worth halving (judgement)."""


def improved_rows(
    found: Improvement, prices: tuple[float, float] = (0.0, 0.0)
) -> dict[str, object]:
    """Lay it out as plain values, SI but for minutes; cost where prices are given."""

    def row(s: Structure) -> dict[str, object]:
        band = ("median", "p05", "p95")
        return {
            "changes": list(s.names),
            "weight_fraction": s.recipe.loading.weight_fraction,
            "electrode_gap_m": s.recipe.film.electrode_gap,
            "resistance_ohm": s.resistance,
            "resistance_cv": dict(zip(band, s.resistance_cv, strict=True)),
            "gauge_factor_cv": dict(zip(band, s.gauge_factor_cv, strict=True)),
            "gauge_factor": s.gauge_factor,
            "kept_share": s.kept_share,
            "cups": s.cups,
            "films": s.films,
            "minutes": s.minutes,
            "material": s.material,
            "cost": s.cost(*prices) if any(prices) else None,
            "cups_of_their_own": s.shared,
            "films_to_tell": found.films_to_tell(s) if s.changes else None,
            "assumed": assumed(s),
        }

    half = found.halving
    return {
        "patches": found.patches,
        "base": row(found.base),
        "halving": None if half is None else row(half),
        "least": row(found.least),
        "first": [row(s) for s in found.first],
        "front": [row(s) for s in found.front],
        "tried": len(found.tried),
        "needing_boxes": [change.name for change in found.needing_boxes],
    }


def improvement(findings: Findings) -> dict[str, object] | None:
    """Search what would halve the scatter of the film that is decided for.

    Parameters
    ----------
    findings : Findings
        Of the plan.

    Returns
    -------
    dict or None
        `base`, `halving`, `least`, `patches` as in the JSON of `percsim improve`; None
        where R hardly scatters, or is open.

    """
    base = findings.recipes[findings.decision.best]
    films = next(mix.films for mix in findings.mixes if mix.index == base.mix)
    found = improve(films, base, most=TRIED_TOGETHER)
    if not SMALLEST < found.base.resistance_cv[0] < float("inf"):
        return None
    rows = improved_rows(found)
    return {k: rows[k] for k in ("patches", "base", "halving", "least")}
