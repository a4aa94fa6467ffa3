"""Stored outcomes -> a sheet of patches: who works, what it reads and tells of a field."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from percsim.advice import strain_on_film
from percsim.boxes.sampling import box_seed
from percsim.decision.knowledge import Band
from percsim.film.casting import Castings
from percsim.film.mounted import mounted_logs
from percsim.film.readout import johnson_noise
from percsim.findings.judged import Findings, once
from percsim.findings.numbers import Range
from percsim.findings.operation import supply_noise
from percsim.findings.temperature import Pair, Temperature, sensitivity_across, temperature
from percsim.patches.answers import (
    Calibrated,
    Curve,
    allowed_dead,
    calibrated,
    common_curve,
    difference_told,
    scan,
)
from percsim.patches.films import Mount, PatchFilms, patch_films, patch_levels
from percsim.patches.layout import SheetLayout, strain_along
from percsim.patches.readout import Wiring, invert_floating, noise_amplification, work
from percsim.patches.scatter import Levels, PatchDraws, SheetScatter
from percsim.plan import Plan
from percsim.plan.patches import part_field, sheet_layout, sheet_scatter, sheet_wiring
from percsim.quantities import counted
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["patch_cautions", "patches", "separation"]

Floats = NDArray[np.float64]

SAMPLED = 100_000
"""Pairs of neighbours that errors are taken from, about."""
MOST_ERRORS = 1_000_000
"""Errors of a field that bands are taken from, about."""
BUDGET = 5e10
"""Operations spent on networks of sheets: some ten seconds of a core."""
INVERTED = 400
"""Patches of the largest floating matrix that is inverted."""
TIMES = (0.1, 1.0, 10.0, 100.0)
"""Reading times told, over that of the plan."""
SURE = 0.95
"""Probability of a sign from which it counts as known."""


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors of strain at full load and at all steps, and their root mean square."""

    full_load: Band
    all_steps: Band
    rms_microstrain: float
    without_reading_share: float

    @classmethod
    def of(cls, found: Sequence[Floats]) -> Errors:
        """Of errors (n, k) of strain, sheet after sheet."""
        errors = np.concatenate(found)
        whole = np.where(np.isnan(errors), np.inf, errors)
        known = np.isfinite(whole[:, -1])
        square = float(np.mean(whole[known, -1] ** 2)) if known.any() else math.inf
        bands, rms = Calibrated("", whole), 1e6 * math.sqrt(square)
        return cls(_micro(bands, -1), _micro(bands), rms, float(1.0 - known.mean()))


@dataclass(frozen=True)
class _Sheet:
    """A sheet of the chosen film, ready to be drawn and read."""

    plan: Plan
    castings: Castings = field(repr=False)
    layout: SheetLayout
    scatter: SheetScatter
    wiring: Wiring
    levels: Levels
    mounts: tuple[Mount | None, ...]
    on: NDArray[np.int64] = field(repr=False)
    seed: np.random.SeedSequence = field(repr=False)
    count: int

    @classmethod
    def of(cls, findings: Findings) -> _Sheet:
        """Sheet of the chosen or nearest candidate."""
        plan, castings = findings.plan, findings.best.castings
        assert plan.patches is not None
        layout, scatter = sheet_layout(plan), sheet_scatter(plan)
        radii = layout.curvature_radii()
        unique = sorted(set(radii), key=lambda r: r or 0.0)
        mounts = tuple(_mount(findings, r) for r in unique)
        on = np.repeat([unique.index(r) for r in radii], layout.columns)
        return cls(
            plan, castings, layout, scatter, sheet_wiring(plan),
            patch_levels(castings, scatter), mounts, on,
            box_seed(plan.seed, 0, "tolerances"), plan.patches.sheets,
        )  # fmt: skip

    def films(self, strains: Floats, temperatures: Floats) -> PatchFilms:
        """Films of its patches at steps (p or 1, k)."""
        return patch_films(
            self.castings, self.levels, strains, temperatures, self.mounts, self.on
        )

    def draws(self, films: PatchFilms) -> Iterator[tuple[int, PatchDraws]]:
        """Draw sheet after sheet."""
        for k in range(self.count):
            yield (
                k,
                PatchDraws.draw(
                    self.layout, self.scatter, self.levels, films.rank, self.seed, k
                ),
            )

    def generator(self, *key: int) -> np.random.Generator:
        """Give a stream for readings of the sheet."""
        spawn = (*self.seed.spawn_key, 10, *key)
        return np.random.default_rng(
            np.random.SeedSequence(self.seed.entropy, spawn_key=spawn)
        )


def _mount(findings: Findings, radius: float | None) -> Mount | None:
    """How flat films lie on sheet and part, the current bent to a radius."""
    films, castings = findings.mix.films, findings.best.castings
    if films.mounting is None and radius is None:
        return None
    film, weight = castings.film, castings.loading.weight_fraction
    transfer, _ = strain_on_film(films, weight, film)
    known = np.array([loading.weight_fraction for loading in films.explored])
    bending = films.bending[int(np.abs(known - weight).argmin())]
    assembly = replace(films.plan.assembly(weight, film.thickness), radius=radius)
    return partial(
        mounted_logs, visits=films.model.visits, film=film, transfer=transfer,
        through=bending * assembly.bending(),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------
# Sheets at rest, and their calibration
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Ladder:
    """What the drawn sheets gave at the strains of the window at 20 C.

    Parameters
    ----------
    strains : (k,) ndarray of float
        Rising.
    rest, end : int
        Which of them is none, and which the chord.
    dead, open : (sheets,) ndarray of int
        Patches outside of the window of R, and open ones.
    taken, used : (2, n, k) ndarray of float
        ln R of pairs of neighbours, or of patches twice where there is one alone, as they
        were calibrated and as they are read later.

    """

    strains: Floats
    rest: int
    end: int
    dead: NDArray[np.int64]
    open: NDArray[np.int64]
    taken: Floats
    used: Floats


def _ladder(sheet: _Sheet, window: tuple[float, float]) -> _Ladder:
    strains = np.asarray(sheet.plan.window_strains)
    films = sheet.films(strains[None, :], np.full((1, len(strains)), ROOM_TEMPERATURE))
    rest = int(np.flatnonzero(strains == 0.0)[0])
    with np.errstate(divide="ignore"):
        low, high = np.log(window)
    pairs = sheet.layout.neighbours()
    pairs = pairs if len(pairs) else np.zeros((1, 2), dtype=np.int64)
    stride = -(-len(pairs) * sheet.count // SAMPLED)
    dead, lost, taken, used = [], [], [], []
    for k, draws in sheet.draws(films):
        logs = films.read(draws)
        at_rest = logs[:, rest]
        dead.append(int((~((at_rest >= low) & (at_rest <= high))).sum()))
        lost.append(int(np.isinf(at_rest).sum()))
        some = pairs[k % stride :: stride].T
        taken.append(logs[some])
        again = films.read(draws, some.ravel(), again=True)
        used.append(again.reshape(*some.shape, -1))
    return _Ladder(
        strains, rest, int(np.abs(strains - sheet.plan.chord_strain).argmin()),
        np.array(dead), np.array(lost), np.concatenate(taken, axis=1),
        np.concatenate(used, axis=1),
    )  # fmt: skip


def _calibrations(
    sheet: _Sheet, ladder: _Ladder, curve: Curve, noise: float
) -> list[dict[str, object]]:
    """Error of strain of every way to calibrate, and what it tells between neighbours."""
    tol, generator = sheet.castings.bench.tolerances, sheet.generator(0)
    shape = ladder.taken.shape
    read = generator.standard_normal((2, *shape)) * np.array(
        [tol.instrument, math.hypot(tol.instrument, noise)]
    ).reshape(2, 1, 1, 1)
    setting = tol.strain_setting * generator.standard_normal(shape)
    setting[:, :, ladder.rest] = 0.0
    sides = [
        calibrated(
            curve, ladder.rest, ladder.taken[i], ladder.used[i], read[:, i], setting[i]
        )
        for i in range(2)
    ]
    rows = []
    for first, second in zip(*sides, strict=True):
        both = Calibrated(first.way, np.vstack([first.errors, second.errors]))
        row: dict[str, object] = {"way": first.way, "all": _micro(both)}
        row["at_chord"] = _micro(both, ladder.end)
        if len(sheet.layout) > 1:
            told = difference_told(
                first.errors[:, ladder.end], second.errors[:, ladder.end]
            )
            row["difference_told_microstrain"] = 1e6 * told
        rows.append(row)
    return rows


def _micro(errors: Calibrated, at: int | None = None) -> Band:
    """Band in microstrain, at one step or at all."""
    return Band(*(1e6 * x for x in errors.band(at)))


# ------------------------------------------------------------------------------------------
# Reading
# ------------------------------------------------------------------------------------------


def _reading_noise(plan: Plan, resistance: float, time: float) -> float:
    """Give the standard deviation of ln R of a reading of some time."""
    circuit, supply = plan.circuit(), plan.supply
    bandwidth = 0.5 / time
    if supply is None or not circuit.has_signal:
        volts = johnson_noise(resistance, bandwidth, ROOM_TEMPERATURE)
        return volts / circuit.supply
    noise = supply_noise(supply, circuit, resistance, bandwidth)
    return noise.total / circuit.slope(resistance)


def _scans(sheet: _Sheet, resistance: float, slope: float) -> list[dict[str, float]]:
    """Time of a scan against noise and power, around the plan's reading time."""
    plan, (m, n) = sheet.plan, (sheet.layout.rows, sheet.layout.columns)
    assert plan.patches is not None
    way = sheet.wiring.way
    channels = plan.patches.channels
    at_once = {"held": min(channels, n), "floating": 1}.get(way, min(channels, m * n))
    loaded = {"held": n, "floating": 1, "common return": m * n}.get(way, at_once)
    power = sheet.wiring.supply**2 / resistance
    if way == "own pairs":
        power = plan.circuit().film_power(resistance)
    elif way == "floating":
        power *= m * n / (m + n - 1.0)
    raised = noise_amplification(m, n) if way == "floating" else 1.0
    rows = []
    for factor in TIMES:
        time = factor * plan.patches.reading_time
        noise = raised * _reading_noise(plan, resistance, time)
        found = scan(m, n, time, noise, power, at_once=at_once, loaded=loaded)
        rows.append(
            {
                "reading_time_s": found.reading_time,
                "scan_time_s": found.sheet_time,
                "noise_microstrain": 1e6 * noise / abs(slope),
                "power_W": found.power,
            }
        )
    return rows


# ------------------------------------------------------------------------------------------
# A field
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Steps:
    """Strain and temperature of every patch at every step (p, k), and what was outside."""

    strains: Floats
    temperatures: Floats
    outside: int
    given: bool

    @property
    def warms(self) -> bool:
        """Whether temperatures change."""
        return bool(np.abs(self.temperatures - ROOM_TEMPERATURE).max() > 1e-6)


def _steps(sheet: _Sheet, across: float) -> _Steps:
    plan, n = sheet.plan, len(sheet.layout)
    assert plan.patches is not None
    found = part_field(plan)
    if found is None:
        full, heat = np.full(n, plan.chord_strain), np.full(n, plan.patches.temperature)
    else:
        full = strain_along(
            found.axial, found.hoop, found.shear, sheet.layout.angle, across,
            plan.contraction,
        )  # fmt: skip
        heat = found.temperature
    share = np.linspace(0.0, 1.0, plan.patches.steps)
    return _Steps(
        full[:, None] * share,
        ROOM_TEMPERATURE + (heat - ROOM_TEMPERATURE)[:, None] * share,
        0 if found is None else found.outside,
        found is not None,
    )


def _wired(sheet: _Sheet, logs: Floats, steps: _Steps, number: int) -> Floats:
    """Ln of what patches (p, k) read through their wiring; inf where nothing positive."""
    wiring, shape = sheet.wiring, (sheet.layout.rows, sheet.layout.columns)
    if wiring == Wiring(supply=wiring.supply, diode_drop=wiring.diode_drop):
        return logs
    offsets = None
    if wiring.offset > 0.0 and number >= 0:
        offsets = wiring.offset * sheet.generator(1, number).standard_normal(shape[1])
    out = np.empty_like(logs)
    for k in range(logs.shape[1]):
        ohms = np.exp(logs[:, k]).reshape(shape)
        warming = (steps.temperatures[:, k] - ROOM_TEMPERATURE).reshape(shape)
        read = wiring.read(ohms, offsets, warming).ravel()
        with np.errstate(invalid="ignore"):
            out[:, k] = np.where(read > 0.0, np.log(np.abs(read)), np.inf)
    return out


def _field(
    sheet: _Sheet, curve: Curve, across: float, noise: float
) -> tuple[dict[str, object], int]:
    """Read all patches in a field; the strain they are taken for, and its error."""
    steps = _steps(sheet, across)
    films = sheet.films(steps.strains, steps.temperatures)
    warm = np.zeros(steps.strains.shape)
    if steps.warms:
        still = sheet.films(np.zeros_like(steps.strains), steps.temperatures).planned
        warm = np.where(np.isfinite(still), still - still[:, :1], 0.0)
    layout, wiring = sheet.layout, sheet.wiring
    each = work(layout.rows, layout.columns, wiring) * steps.strains.shape[1]
    solved = sheet.count
    if wiring.is_matrix:
        solved = int(np.clip(BUDGET / max(each, 1.0), 1, sheet.count))
    out: dict[str, object] = {
        "given": steps.given,
        "steps": steps.strains.shape[1],
        "strain_microstrain": Range.of(1e6 * steps.strains[:, -1]),
        "temperature_K": Range.of(steps.temperatures[:, -1]),
        "points_outside": steps.outside,
        "sheets": solved,
        "operations_a_sheet": each,
    }
    out |= _as_planned(sheet, films, steps, curve, warm)
    stride = -(-len(layout) * solved // MOST_ERRORS)
    generator = sheet.generator(2)
    raw, cleared, upside = [], [], []
    tol = math.hypot(sheet.castings.bench.tolerances.instrument, noise)
    for k, draws in sheet.draws(films):
        if k == solved:
            break
        logs = films.read(draws)
        logs[:, 1:] = films.read(draws, again=True)[:, 1:]
        read = _wired(sheet, logs, steps, k)
        read = read + tol * generator.standard_normal(read.shape)
        relative = _less(read, read[:, :1])
        strain = curve.strain(_less(relative, warm))
        if k == 0:
            out["map"] = _map(sheet, logs, steps, strain)
        some = slice(k % stride, None, stride)
        at = steps.strains[some]
        cleared.append(strain[some] - at)
        if steps.warms:
            raw.append(curve.strain(relative[some]) - at)
        if _inverts(sheet):
            upside.append(_inverted(sheet, curve, read, steps))
    for name, found in (("error", cleared), ("error_uncorrected", raw),
                        ("error_inverted", upside)):  # fmt: skip
        if found:
            out[name] = Errors.of(found)
    return out, films.beyond


def _less(values: Floats, base: Floats) -> Floats:
    """Difference, inf where either is."""
    known = np.isfinite(values) & np.isfinite(base)
    return np.where(
        known, np.where(known, values, 0.0) - np.where(np.isfinite(base), base, 0.0), np.inf
    )


def _as_planned(
    sheet: _Sheet, films: PatchFilms, steps: _Steps, curve: Curve, warm: Floats
) -> dict[str, object]:
    """Tell what wiring alone makes of R at rest and of strain at full load."""
    logs = films.planned
    read = _wired(sheet, logs, steps, -1)
    bare, wired = (
        curve.strain(_less(_less(x, x[:, :1]), warm))[:, -1] for x in (logs, read)
    )
    apart = np.abs(wired - bare)
    ratio = np.exp(_less(read[:, :1], logs[:, :1]))
    return {
        "cross_talk_microstrain": 1e6 * float(np.max(apart, initial=0.0)),
        "read_over_resistance": Range.of(ratio),
    }


def _inverts(sheet: _Sheet) -> bool:
    """Whether readings of the matrix are turned back into patches."""
    w = sheet.wiring
    bare = w.way == "floating" and w.line == w.switch == 0.0 and not w.diodes
    return bare and len(sheet.layout) <= INVERTED


def _inverted(sheet: _Sheet, curve: Curve, read: Floats, steps: _Steps) -> Floats:
    """Errors (p, 1) of strain at full load from a matrix turned back, inf if it fails."""
    shape = (sheet.layout.rows, sheet.layout.columns)
    try:
        rest, full = (
            np.log(invert_floating(np.exp(read[:, k]).reshape(shape))) for k in (0, -1)
        )
    except (ValueError, np.linalg.LinAlgError):
        return np.full((len(read), 1), np.inf)
    strain = curve.strain((full - rest).ravel())
    return np.asarray((strain - steps.strains[:, -1])[:, None])


def _map(sheet: _Sheet, logs: Floats, steps: _Steps, strain: Floats) -> dict[str, object]:
    """First sheet at full load, row by row."""
    shape = (sheet.layout.rows, sheet.layout.columns)

    def rows(values: Floats, digits: int) -> list[list[float]]:
        return [[float(f"{x:.{digits}g}") for x in r] for r in values.reshape(shape)]

    return {
        "along_m": sheet.layout.along[:: shape[1]],
        "around_m": sheet.layout.around[: shape[1]],
        "strain_microstrain": rows(1e6 * steps.strains[:, -1], 5),
        "read_microstrain": rows(
            1e6 * np.where(np.isnan(strain[:, -1]), np.inf, strain[:, -1]), 5
        ),
        "resistance_ohm": rows(np.exp(logs[:, 0]), 4),
    }


# ------------------------------------------------------------------------------------------
# The chapter
# ------------------------------------------------------------------------------------------


def separation(heat: Temperature) -> dict[str, object] | None:
    """Strain and temperature from two patches of different kind side by side."""
    pairs = [
        pair
        for pair in (heat.two_readings.pairs if heat.two_readings else ())
        if math.isfinite(pair.spread_strain_microstrain)
    ]
    if not pairs:
        return None
    best = min(pairs, key=lambda pair: pair.spread_strain_microstrain)
    rising = heat.prior.positive_share if heat.prior else None
    sure = bool(heat.sign_rests_on_measurement)
    if rising is not None:
        sure |= max(rising, 1.0 - rising) >= SURE
    kept: dict[str, object] = {f.name: getattr(best, f.name) for f in fields(Pair)}
    return kept | {"separable": sure, "positive_share": rising}


def patches(findings: Findings) -> dict[str, object] | None:
    """Work out the sheet of patches of a plan; None without the section."""
    return _read_sheet(findings)[0]


def patch_cautions(findings: Findings) -> list[str]:
    """Say where its field leaves what was computed."""
    _, beyond = _read_sheet(findings)
    if not beyond:
        return []
    return [
        f"the field strains or warms {counted(beyond, 'patch', 'patches')} beyond what"
        " was computed: ln R goes on along its last step there, at the last"
        " temperature; widen [strain] window or [temperature] values"
    ]


@once
def _read_sheet(findings: Findings) -> tuple[dict[str, object] | None, int]:
    """Make the chapter, and count the patches that its field takes beyond the computed."""
    plan = findings.plan
    if plan.patches is None:
        return None, 0
    castings = findings.best.castings
    out: dict[str, object] = {
        "weight_fraction": castings.loading.weight_fraction,
        "electrode_gap_m": castings.film.electrode_gap,
        "rows": plan.patches.rows,
        "columns": plan.patches.columns,
        "readout": plan.patches.readout,
        "sheets": plan.patches.sheets,
        "open": castings.is_open,
        "noise_of_resistors_alone": plan.supply is None or not plan.circuit().has_signal,
    }
    if castings.is_open:
        return out, 0
    sheet = _Sheet.of(findings)
    window = findings.target.window
    ladder = _ladder(sheet, window)
    allowed = plan.patches.dead_allowed
    out |= {
        "window_ohm": Range(*window),
        "whole_share": float(np.mean(ladder.dead == 0)),
        "dead_allowed": allowed,
        "passing_share": float(np.mean(ladder.dead <= allowed)),
        "dead_mean": float(ladder.dead.mean()),
        "dead_in_95_percent": allowed_dead(ladder.dead),
        "open_mean": float(ladder.open.mean()),
    }
    curve = common_curve(
        ladder.strains, ladder.taken.reshape(-1, len(ladder.strains)), ladder.rest
    )
    out["separation"] = separation(temperature(findings))
    if curve is None:
        return out | {"curve": None}, 0
    resistance = math.exp(curve.rest)
    noise = _reading_noise(plan, resistance, plan.patches.reading_time)
    slope = float(curve.slope(ladder.strains[[ladder.end]])[0])
    across = sensitivity_across(findings)
    out["curve"] = {
        "strain": ladder.strains,
        "ratio": np.exp(curve.logs),
        "resistance_ohm": resistance,
    }
    out["calibration"] = _calibrations(sheet, ladder, curve, noise)
    out["scan"] = _scans(sheet, resistance, slope)
    out["transverse_sensitivity"] = None if across is None else across[0]
    out["field"], beyond = _field(sheet, curve, 0.0 if across is None else across[0], noise)
    return out, beyond
