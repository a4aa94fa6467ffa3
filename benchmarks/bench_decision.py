"""Time what lies between a plan and its decision: `python -m benchmarks.bench_decision`.

Every row is printed beside what is asked of it: seconds of a decision from models that a
folder keeps, in a living process and from the shell; of a run of the example; of putting
thirty loadings together; and what one draw of the posterior costs by brute force, every
film, cup and lot a number of its own. Processor seconds, the least of a few; runs are by
the clock and want idle cores. `--folder` takes a finished run of the example in place of
one made here; `--uncompiled` runs it once more with no kernel compiled.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from reference.coverage import BENCH, rows_of, truth_at  # noqa: E402
from reference.formula_records import records  # noqa: E402
from reference.invented_films import (  # noqa: E402
    FILM,
    PRIORS,
    THRESHOLD,
    Invented,
    mixed,
)
from reference.posterior_twin import Twin  # noqa: E402
from reference.powders import POWDER  # noqa: E402

from percsim.advice import answer, stored_films  # noqa: E402
from percsim.decision.knowledge import Knowledge  # noqa: E402
from percsim.decision.outlook import Recipe, outlooks  # noqa: E402
from percsim.decision.posterior import Reading, measured  # noqa: E402
from percsim.decision.priors import (  # noqa: E402
    ContactParameters,
    Prior,
    Priors,
    contact_priors,
)
from percsim.decision.target import Target  # noqa: E402
from percsim.findings import assemble  # noqa: E402
from percsim.plan import Plan  # noqa: E402
from percsim.plan.readings import read_readings  # noqa: E402

T = TypeVar("T")
SEED = np.random.SeedSequence(8)
EXAMPLE = ROOT / "examples" / "bike_patch.toml"
READINGS = ROOT / "examples" / "bike_patch_readings.csv"
LOADINGS = 30

AT_ONCE = """
import sys
from pathlib import Path
from percsim.cli.running import _with_readings
from percsim.first_page import stored_first_page
from percsim.report.terminal import first_text
plan, folder, *readings = map(Path, sys.argv[1:])
read = _with_readings(plan, readings, False)[1]
print(first_text(stored_first_page(read, folder), folder))
print("loaded:", *sorted({"numba", "matplotlib"} & set(sys.modules)), file=sys.stderr)
"""
"""What `run` and `anchor` do until the decision is printed."""


def timed(what: Callable[[], T], repeats: int = 5) -> tuple[float, T]:
    """Least processor seconds of a few calls, and what the last one gave."""
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        found = what()
        best = min(best, time.process_time() - start)
    return best, found


def started(*words: str, **more: str) -> tuple[float, float, str]:
    """Clock and processor seconds of another Python, its children's in, and its errors."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    done = subprocess.run(
        [sys.executable, *words],
        env={**environment, "PYTHONPATH": str(ROOT), **more},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - start, spent, done.stderr


def row(what: str, found: float, asked: float | None = None, unit: str = "s") -> None:
    """Print a line of the table."""
    limit = "" if asked is None else f"{asked:10.1f} {unit}"
    print(f"{what:58} {found:8.2f} {unit} {limit}", flush=True)


def in_this_process(folder: Path) -> None:
    """Decisions of changed plans from the models of a folder."""
    plan = Plan.load(EXAMPLE)
    films = stored_films(plan, folder)
    assert films is not None, f"{folder} keeps no models of {EXAMPLE.name}"
    target = replace(plan.target, smallest_gauge_factor=12.0)
    changed = replace(plan, target=target)
    spent, found = timed(lambda: answer(changed, films))
    row(f"{len(found.recipes)} recipes, another target", spent, 0.1)
    told = changed.with_measured(read_readings(READINGS).rows, READINGS.name)
    spent, found = timed(lambda: answer(told, films))
    row(f"the same with {len(told.measured)} rows of readings", spent, 0.3)
    assert found.posterior is not None
    row("equal draws that those of its posterior are worth", found.posterior.effective_size,
        unit="  ")  # fmt: skip


def from_the_shell(folder: Path) -> None:
    """The same until the decision is printed."""
    with tempfile.TemporaryDirectory() as kept:
        changed = Path(kept) / "changed.toml"
        changed.write_text(EXAMPLE.read_text().replace("0.7 to 3 kohm", "0.7 to 2.9 kohm"))
        compiled: Mapping[str, str] = {"PYTHONPYCACHEPREFIX": kept}
        words = ("-c", AT_ONCE, str(changed), str(folder))
        for what, more, asked in (
            ("stored folder, another target, from the shell", (), 0.8),
            ("percsim anchor, six rows", (str(READINGS),), 1.0),
        ):
            runs = [started(*words, *more, **compiled) for _ in range(5)]
            assert all(errors.endswith("loaded:\n") for *_, errors in runs)
            row(what, min(spent for _, spent, _ in runs), asked)


def thirty_loadings() -> None:
    """Put a summary together, what boxes give taken from a formula."""
    whole = Plan.load(EXAMPLE)
    w = np.linspace(0.16, 0.34, LOADINGS).tolist()
    plan = replace(whole, explore=replace(whole.explore, weight_fraction=w))
    known = records(plan)
    row(
        f"{LOADINGS} loadings put together", timed(lambda: assemble(plan, known), 2)[0], 3.0
    )


def by_brute_force() -> None:
    """Compare a draw of the posterior with one of the slow twin."""
    film = Invented()
    model = film.model(noise=0.08)
    rows = rows_of(film, truth_at(np.zeros(len(PRIORS.free))), 3, (0.14, 0.17, 0.21))
    learning, found = timed(lambda: measured(model, rows, PRIORS, BENCH, SEED))
    row(f"posterior of {len(rows)} rows", learning)
    twin = Twin(model, rows, PRIORS, BENCH)
    z = twin.started(found.knowledge, 1, 400)
    step, _ = timed(lambda: twin.log_likelihood(z), 2)
    # 2,000 steps of 400 chains, which are worth about 4,000 draws
    brute = 2000.0 * step / 4000.0
    row("a draw by brute force over one of these",
        brute / (learning / found.effective_size), unit="  ")  # fmt: skip


def against_the_exact() -> None:
    """Compare pass shares with those of the exact likelihood: a cup near the threshold.

    The latter from draws of every number, of cups and films too, weighed by the rows.
    """
    film = Invented()
    model = film.model(varied=False)
    g0 = contact_priors(ContactParameters(powder=POWDER), THRESHOLD, varied=False)["g0"]
    priors = Priors((g0, Prior("threshold", 1.0, 1.5)))
    window, phis = Target(300.0, 1000.0), (0.13, 0.14, 0.16)
    rows = [Reading("cup", mixed(0.13), FILM, 1000.0, 3, batch="cup")]

    def shares(known: Knowledge) -> np.ndarray:
        found = outlooks(model, [Recipe(mixed(p), FILM) for p in phis], known, BENCH)
        return 100.0 * np.array([o.weights @ o.pass_shares(window) for o in found])

    ours = [
        measured(model, rows, priors, BENCH, np.random.SeedSequence(k), n=4096).knowledge
        for k in range(4)
    ]
    twin, logs, drawn = Twin(model, rows, priors, BENCH), [], []
    for k in range(16):
        z = np.random.default_rng([8, k]).standard_normal((100_000, twin.dimension))
        told = twin.log_likelihood(z)
        logs.append(told[told > told.max() - 12.0])
        drawn.append(z[told > told.max() - 12.0])
    whole, latent = np.concatenate(logs), np.concatenate(drawn)
    weights = np.exp(whole - whole.max())
    kept = np.random.default_rng(2).choice(len(latent), 20_000, p=weights / weights.sum())
    apart = np.mean([shares(k) for k in ours], axis=0) - shares(
        twin.knowledge(ours[0], latent[kept])
    )
    row(
        "pass shares from the exact likelihood, at most", np.abs(apart).max(), 0.5, "points"
    )


def main() -> None:
    """Time and print."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--folder", type=Path, help="a finished run of the example")
    words.add_argument("--uncompiled", action="store_true", help="run it uncompiled too")
    given = words.parse_args()
    print(f"{'':58} {'now':>8}   {'asked':>10}")
    with tempfile.TemporaryDirectory() as kept:
        run = ("-m", "percsim", "run", str(EXAMPLE), "--quiet", "--out")
        if given.uncompiled:
            clock, *_ = started(*run, f"{kept}/cold", NUMBA_CACHE_DIR=f"{kept}/none")
            row("run of the example, nothing compiled, by the clock", clock, 45.0)
        folder = given.folder
        if folder is None:
            folder = Path(kept) / "warm"
            started(*run, str(folder))  # compiles what is not yet
            clock, spent, _ = started(*run, str(folder), "--fresh")
            row("run of the example, by the clock", clock, 15.0)
            row("  processor seconds of it", spent)
        from_the_shell(folder)
        in_this_process(folder)
    thirty_loadings()
    by_brute_force()
    against_the_exact()


if __name__ == "__main__":
    main()
