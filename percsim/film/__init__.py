"""Stage 7. The cast part: boxes -> film between its electrodes -> castings."""

from percsim.film.casting import (
    LOT_NAMES,
    TOLERANCE_NAMES,
    TRIAL_NAMES,
    CastingDraws,
    Castings,
    Tolerances,
    TrialDraws,
    cast_films,
    variance_function,
)
from percsim.film.curves import FilmCurves
from percsim.film.electrodes import (
    Bars,
    EndPlates,
    Film,
    Fingers,
    FourTerminal,
    Layout,
)
from percsim.film.path import film_resistance
from percsim.film.readout import Circuit, HeatPath, Readout, read_through_series
from percsim.film.transfer import (
    FAITHFUL_RATIO,
    SAFE_RATIO,
    LoadingFit,
    LoadingResult,
    LoadingThreshold,
    fit_loadings,
)

__all__ = [
    "FAITHFUL_RATIO",
    "LOT_NAMES",
    "SAFE_RATIO",
    "TOLERANCE_NAMES",
    "TRIAL_NAMES",
    "Bars",
    "CastingDraws",
    "Castings",
    "Circuit",
    "EndPlates",
    "Film",
    "FilmCurves",
    "Fingers",
    "FourTerminal",
    "HeatPath",
    "Layout",
    "LoadingFit",
    "LoadingResult",
    "LoadingThreshold",
    "Readout",
    "Tolerances",
    "TrialDraws",
    "cast_films",
    "film_resistance",
    "fit_loadings",
    "read_through_series",
    "variance_function",
]
