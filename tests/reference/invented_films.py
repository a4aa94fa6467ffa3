"""Boxes whose film is known by a formula, and the model that is made of them.

Contacts open by swelling and strain; the share S that holds moves the threshold as 1/S, the
mean opening m of those weakens them, and ln R = -t ln(phi/phi_c - 1) + k m - ln g0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from reference.powders import POWDER
from scipy.constants import Boltzmann, elementary_charge
from scipy.special import ndtr

from percsim.decision.knowledge import Knowledge
from percsim.decision.priors import ContactParameters, contact_priors
from percsim.film import Film, FilmModel, Loading, LoadingThreshold, fit_loadings
from percsim.film.noise import NOISES
from percsim.film.surface import ContactSample, ContactSurface, LoadingSurface
from percsim.film.transfer import LoadingResult
from percsim.jobs import law_settings
from percsim.plan import Plan
from percsim.states.temperature import ThermalOpening

CRITICAL = 0.09
FILLER, ELASTOMER = 2250.0, 1030.0
FILM = Film(0.2e-3, 6e-3, 3e-3)
EXPANSION, CLOSED_AT = 3e-4, 233.15
LIFTS = 0.25  # opening by thickening alone, over that by swelling
LEVEL = 0.12  # ohm m
OWN = {"g0": 8e-5, "beta": 100.0, "delta_b": 0.01, "lambda_T": 0.3,
       "Ea": 10e-3 * elementary_charge}  # fmt: skip
LAW = ("beta", "delta_b", "lambda_T")
THRESHOLD = LoadingThreshold(CRITICAL, 0.002 * CRITICAL, -0.85)
# films by formula remember nothing
CONTACTS = ContactParameters(reclose=1.0, healed=1.0, relaxed=0.0, powder=POWDER)
PRIORS = contact_priors(CONTACTS, THRESHOLD)
SEED = np.random.SeedSequence(4711)
VISITS = ((0.0, 293.15), (1e-3, 293.15), (2e-3, 293.15), (3e-3, 293.15), (0.0, 333.15))


def mixed(volume_fraction: float) -> Loading:
    filler = volume_fraction * FILLER
    w = filler / (filler + (1.0 - volume_fraction) * ELASTOMER)
    return Loading(w, volume_fraction, (1.0 - volume_fraction) / (1.0 - w))


PLAN = {
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C"},
    "explore": {"weight_fraction": ["30 wt%"], "electrode_gap": ["3 mm"]},
}


@cache
def settings_around():
    """Settings of the law that boxes are solved at again."""
    return np.array(law_settings(Plan.from_dict(PLAN)))


def nested(phi, n, seed):
    """What n boxes are off by at a loading: smooth, as boxes of a lower one are a part.

    Normal with a correlation of exp(-1/2 (d ln phi / 0.15)^2) (a sum of random waves).
    """
    rng = np.random.default_rng(seed)
    waves, phases = rng.standard_normal((n, 40)) / 0.15, rng.uniform(0, 2 * np.pi, (n, 40))
    return np.sqrt(2.0 / 40) * np.cos(waves * np.log(phi) + phases).sum(axis=1)


_RNG = np.random.default_rng(1)
# opening of each contact per unit of swelling, and per unit of strain
OPENS, PULLED = 0.5 * _RNG.random(300), 0.4 * (_RNG.random(300) - 0.25)


@lru_cache(maxsize=4096)
def _contacts(setting, temperature, strain, bond):
    beta, delta_b, share, *shut = setting
    opening = ThermalOpening(EXPANSION, *(shut or [CLOSED_AT]), share, bond)
    plane, through = opening.strains(temperature)
    delta = (plane + LIFTS * (through - plane)) * OPENS + strain * PULLED
    delta = np.maximum(delta, 1e-12)
    holds = ndtr(np.log(delta_b / delta))
    return holds.mean(), beta * (holds * delta).sum() / holds.sum()


@dataclass(frozen=True)
class Invented:
    """A film by formula."""

    exponent: float = 1.7
    weakening: float = 0.9
    bond: object = None
    visits: tuple = VISITS

    def contacts(self, setting, temperature, strain):
        """Conducting share, and how far contacts that hold have weakened."""
        return _contacts(tuple(setting), temperature, strain, self.bond)

    def log_rho(self, phi, setting, strain, temperature):
        """Ln of the resistivity, inf below the threshold; phi may be an array."""
        held, _ = self.contacts([OWN[n] for n in LAW], 293.15, 0.0)
        share, m = self.contacts(setting, temperature, strain)
        ratio = np.asarray(phi) / CRITICAL * share / held
        above = ratio > 1.0
        logs = np.log(np.where(above, ratio - 1.0, 1.0))
        rho = np.log(LEVEL) - self.exponent * logs + self.weakening * m
        return np.where(above, rho, np.inf)

    def log_films(self, film, phi, values, factor=1.0):
        """Ln R (n, visits) of films of loadings (n,) at given contacts."""
        v = {**OWN, "closed_at": CLOSED_AT, **values}
        setting = [v[n] for n in (*LAW, "closed_at")]
        phi = np.atleast_1d(phi) / factor
        out = []
        for strain, t in self.visits:
            logs = self.log_rho(phi, setting, strain, t)
            activated = (v["Ea"] - OWN["Ea"]) / Boltzmann * (1.0 / t - 1.0 / 293.15)
            out.append(logs - np.log(v["g0"] / OWN["g0"]) + activated)
        size = film.electrode_gap / (film.width * film.thickness)
        return np.stack(out, axis=1) + np.log(size)

    def boxes(self, phis, noise=0.0, seed=1, n_boxes=6):
        """Boxes of loadings, solved at settings besides; all of a box scatters alike."""
        settings = settings_around()
        own = [OWN[n] for n in LAW]
        lengths, sections = (1e-4, 2e-4), (1e-8, 4e-8)
        strains, temperatures = zip(*self.visits, strict=True)
        loadings, surfaces = [], []
        for phi in phis:
            scatter = noise * nested(phi, n_boxes, seed)[:, None]
            rest = np.array([float(self.log_rho(phi, own, e, t)) for e, t in self.visits])
            g = 2e-4 * np.exp(-rest - scatter)
            loading = mixed(phi)
            loadings.append(
                LoadingResult(
                    loading.weight_fraction, phi, loading.log_slope, lengths, sections,
                    (0.5 * g, g), strains, temperatures, 1e-5,
                )
            )  # fmt: skip
            again = np.array([
                [float(self.log_rho(phi, s, e, t)) for e, t in self.visits]
                for s in settings
            ])  # fmt: skip
            surfaces.append(
                LoadingSurface(
                    tuple(range(len(self.visits))), settings, g,
                    2e-4 * np.exp(-again - scatter[:, :, None]), 0.0, EXPANSION,
                )
            )  # fmt: skip
        return loadings, surfaces

    def model(
        self, phis=(0.12, 0.15, 0.19, 0.24), noise=0.0, seed=1, threshold=THRESHOLD,
        varied=True, **boxes,
    ):  # fmt: skip
        """The model of such boxes."""
        loadings, surfaces = self.boxes(phis, noise, seed, **boxes)
        fits = fit_loadings(loadings, threshold, seed=SEED)
        used = FilmModel.conducting(fits, threshold)
        surface = None
        if varied and used:
            kept = [s for f, s in zip(fits, surfaces, strict=True) if f in used]
            strains = sorted({e for e, _ in self.visits})
            surface = ContactSurface.fit(
                used, kept, threshold, base=OWN, closed_at=CLOSED_AT,
                sample=ContactSample(
                    np.ones(300), {e: e * PULLED for e in strains},
                    dict.fromkeys(strains, OPENS), LIFTS * OPENS,
                ),
                bond=self.bond,
            )  # fmt: skip
        return FilmModel.of(fits, threshold, level=("g0", OWN["g0"]), surface=surface)


def exact_knowledge(values=None, n=1, scale=1.0):
    """Knowledge without doubt: every draw the same, no simulation error."""
    given = {**OWN, "threshold": 1.0, **(values or {})}
    return Knowledge(
        "planned", PRIORS, np.zeros((n, len(PRIORS.free))),
        {k: np.full(n, v) for k, v in given.items()}, np.full(n, 1.0 / n),
        np.zeros((n, NOISES)), np.full(n, scale),
    )  # fmt: skip


def simulated(model, phi, values=None, n=4000):
    """Ln R (n, visits) of a film of a loading over the simulation error."""
    z = np.random.default_rng(5).standard_normal((n, NOISES))
    given = {k: np.full(n, v) for k, v in {**model.parameters, **(values or {})}.items()}
    material, visits = model.material(given, z), range(len(model.visits))
    return material.log_resistance(FILM, np.full((n, 1), np.log(phi)), visits)[:, 0]
