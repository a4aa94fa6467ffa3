"""Stage 7. The cast part: boxes -> film between its electrodes -> castings."""

from percsim.film.bench import Bench
from percsim.film.casting import Castings, cast_films
from percsim.film.curves import FilmCurves
from percsim.film.draws import (
    LOT_NAMES,
    TOLERANCE_NAMES,
    TRIAL_NAMES,
    CastingDraws,
    TrialDraws,
)
from percsim.film.electrodes import (
    Bars,
    EndPlates,
    Film,
    Fingers,
    FourTerminal,
    Layout,
)
from percsim.film.model import FilmModel, Loading
from percsim.film.path import film_resistance
from percsim.film.readout import Circuit, HeatPath, Readout, read_through_series
from percsim.film.tolerances import Tolerances, variance_function
from percsim.film.transfer import (
    FAITHFUL_RATIO,
    SAFE_RATIO,
    LoadingFit,
    LoadingResult,
    LoadingThreshold,
    fit_loadings,
)
from percsim.film.visits import Visits

__all__ = [
    "FAITHFUL_RATIO",
    "LOT_NAMES",
    "SAFE_RATIO",
    "TOLERANCE_NAMES",
    "TRIAL_NAMES",
    "Bars",
    "Bench",
    "CastingDraws",
    "Castings",
    "Circuit",
    "EndPlates",
    "Film",
    "FilmCurves",
    "FilmModel",
    "Fingers",
    "FourTerminal",
    "HeatPath",
    "Layout",
    "Loading",
    "LoadingFit",
    "LoadingResult",
    "LoadingThreshold",
    "Readout",
    "Tolerances",
    "TrialDraws",
    "Visits",
    "cast_films",
    "film_resistance",
    "fit_loadings",
    "read_through_series",
    "variance_function",
]
