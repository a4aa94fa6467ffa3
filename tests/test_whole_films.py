"""Films on a patch, particle by particle, against what `percsim improve` says of them.

Two structures: three layers cast on each other, each with its own draw of the loading or
one for all, and two films in a row. A layer is six flakes thick, so that what its faces do
shows.
"""

import math

import numpy as np
import pytest
from quick import run_quickly
from reference.whole_films import GAP, LOADING, MIXING, THICKNESS, WholeFilms, stacked

from percsim.advice import film_recipe, planned_of, stored_films
from percsim.bench_changes import CHANGES, combined
from percsim.improve import _Bench
from percsim.states.strain import State

NAMED = {change.name: change for change in CHANGES}
ROW, ONE_CUP, CUPS = "2 films in series", "3 layers of one cup", "3 layers, a cup each"


def test_layers_apart_and_touching_film_by_film():
    films = WholeFilms(state=State())  # contacts closed, so that they do not differ
    rng = np.random.default_rng(60218)
    for off in ((0.0, 0.0, 0.0), (-0.05, 0.0, 0.08)):
        parts = [films.cast(rng, x) for x in off]
        ohms = np.array([films.resistance(p, rng) for p in parts])
        apart = films.resistance(stacked(parts, apart=1e-3), rng)
        touching = films.resistance(stacked(parts), rng)
        # in parallel, exactly; what touches besides only helps (Rayleigh's law)
        assert apart == pytest.approx(1.0 / (1.0 / ohms).sum(), rel=1e-6)
        assert touching < apart
        assert touching > 0.7 * apart  # as measured, 0.87
    same = [films.cast(np.random.default_rng(7)) for _ in range(3)]
    apart = films.resistance(stacked(same, apart=1e-3), rng)
    factor = apart / films.resistance(same[0], rng)
    assert factor == pytest.approx(NAMED[ONE_CUP].resistance, rel=1e-6)


@pytest.fixture(scope="module")
def predicted(shared):
    """R of a structure, deviations of ln R and of its films of one cup, from boxes."""
    plan = WholeFilms().plan
    folder = shared("whole-films", lambda folder: run_quickly(plan, folder, workers=1))
    (films,) = stored_films(plan, folder)
    base = film_recipe(plan, LOADING, GAP)
    bench = _Bench(films, base, 20, planned_of(films))
    bench.recipes = (base,)

    def of(*names):
        found = bench.structure(tuple(NAMED[name] for name in names))
        logs = [math.sqrt(math.log1p(cv**2)) for cv in found.resistance_cv]
        within = bench.spread(base, combined(found.changes), shared=False)
        return found.resistance, logs[0], logs[2] - logs[1], within

    return of


def close(ohms, told, below=0.0):
    """Whether ensembles have the mean and deviation told, to four standard errors.

    Those of the model besides: its boxes say R to 1 % and the chains to 1/sqrt(2 * 60).
    """
    logs, n = np.log(ohms), len(ohms)
    mean, spread, width, _ = told
    error = math.hypot(logs.std() / n**0.5, 0.01)
    assert -4 * error - below < logs.mean() - math.log(mean) < 4 * error
    error = math.hypot(logs.std() / (2 * n) ** 0.5, max(0.4 * width, 0.05 * spread))
    assert abs(logs.std(ddof=1) - spread) < 4 * error
    return logs


@pytest.mark.slow
def test_whole_films_of_two_structures(predicted):
    films, n = WholeFilms(), 240
    rng = np.random.default_rng(811)
    kinds = "one row beside apart touching cups_apart cups_touching thick".split()
    found = {kind: np.empty(n) for kind in kinds}
    for k in range(n):
        z = MIXING * rng.standard_normal(4)
        *parts, fourth = [films.cast(rng, z[0]) for _ in range(4)]
        ohms = [films.resistance(p, rng) for p in (*parts, fourth)]
        found["one"][k], found["row"][k] = ohms[0], ohms[0] + ohms[1]
        found["beside"][k] = ohms[2] + ohms[3]  # of the same cup
        found["apart"][k] = films.resistance(stacked(parts, apart=1e-3), rng)
        found["touching"][k] = films.resistance(stacked(parts), rng)
        parts = [films.cast(rng, x) for x in z[1:]]
        found["cups_apart"][k] = films.resistance(stacked(parts, apart=1e-3), rng)
        found["cups_touching"][k] = films.resistance(stacked(parts), rng)
        found["thick"][k] = films.resistance(films.cast(rng, z[0], 3 * THICKNESS), rng)
    close(found["one"], predicted())
    close(found["row"], predicted(ROW))
    # films of one cup differ by their chains, which average over both of a row; chains of
    # the model come from 180 boxes
    within = (np.log(found["row"]) - np.log(found["beside"])).std() / math.sqrt(2.0)
    error = math.hypot(1 / (2 * n) ** 0.5, 1 / (2 * 180) ** 0.5)
    assert within == pytest.approx(predicted(ROW)[3], rel=4 * error)
    assert within < 0.85 * predicted()[3]
    one, cups = predicted(ONE_CUP), predicted(CUPS)
    apart = close(found["apart"], one)
    cups_apart = close(found["cups_apart"], cups)
    # a cup each: what the cups do not share averages, to fewer than 0.75 of the deviation
    assert cups_apart.std() < 0.75 * apart.std()
    # touching layers lie between layers apart and one film as thick; here at the latter
    thick = np.log(found["thick"])
    error = 4 * math.hypot(thick.std(), apart.std()) / n**0.5
    for kind, told in (("touching", one), ("cups_touching", cups)):
        logs = close(found[kind], told, below=0.16)
        assert logs.mean() < apart.mean() - 0.05
        assert logs.mean() > thick.mean() - error
        assert logs.std() < 1.05 * told[1]
