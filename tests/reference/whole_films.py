"""Whole films particle by particle: cast layers on each other, and films in a row.

Nothing of the film model is used: particles between end plates, their contacts, Kirchhoff.
"""

from dataclasses import replace

import numpy as np

from percsim.jobs import box_jobs
from percsim.links.search import find_links
from percsim.network.build import build_network
from percsim.network.solve import solve_network
from percsim.particles.bodies import Particles
from percsim.particles.box import Box
from percsim.particles.placement import place_particles
from percsim.plan import Plan

GAP, WIDTH, THICKNESS = 160e-6, 120e-6, 60e-6
LOADING, MIXING = 0.36, 0.03

PLAN = {
    "title": "whole films",
    "seed": 40177,
    "filler": {
        "density": "2250 kg/m3",
        "diameter": {"median": "10 um", "geometric_spread": 1.2},
        "aspect_ratio": 12,
    },
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "60 um", "width": "0.12 mm", "length": "0.16 mm",
             "layout": "end plates"},
    "contacts": {"g0": {"value": "80 uS", "basis": "measured"}, "closed_at": "-40 C"},
    "strain": {"points": 2},
    "explore": {"weight_fraction": ["33 wt%", "36 wt%", "39 wt%"],
                "electrode_gap": ["0.16 mm"]},
    "target": {"series_resistor": "1.8 kohm", "resistance": "1 ohm to 1 Mohm"},
    "boxes": {"lengths": ["8 D", "12 D", "16 D"], "count": 60, "threshold_count": 40,
              "variations": 0},
    "tolerances": {
        "weighing": "0 %", "mixing": f"{100 * MIXING:g} %", "mixing_within": "0 %",
        "thickness": "0 %", "electrode_gap": "0 mm", "electrode_skew": "0 mm",
        "width": "0 mm", "contact": "0 %", "aspect_ratio": "0 %", "particle_size": "0 %",
        "response": "0 %", "tilt": "0 deg", "known_within": 1, "castings": 300,
    },
}  # fmt: skip


class WholeFilms:
    """Films of a plan at rest, cast and measured one by one."""

    def __init__(self, state=None):
        self.plan = Plan.from_dict(PLAN)
        job = box_jobs(self.plan)[0]
        self.state = job.states[job.rest] if state is None else state
        self.law, self.cutoff = job.law, job.cutoff

    def cast(self, rng, off=0.0, thickness=THICKNESS):
        """Particles of a film whose weight fraction is off by a factor, as ln."""
        box = Box((GAP, WIDTH, thickness), (False, True, False))
        return place_particles(self.plan.recipe(LOADING * np.exp(off)), box, rng)

    def resistance(self, particles, rng):
        """Of particles between end plates [ohm]."""
        law = replace(self.law, seed=int(rng.integers(2**63)))
        network = build_network(find_links(particles, self.cutoff), law, self.state)
        return solve_network(network, 1e-9).resistance


def stacked(parts, apart=0.0):
    """Layers on each other in one box, their faces touching or some way apart."""
    length, width, thickness = parts[0].box.size
    step = np.array([0.0, 0.0, thickness + apart])
    high = len(parts) * thickness + (len(parts) - 1) * apart
    rows = {
        name: np.concatenate([getattr(p, name) for p in parts])
        for name in ("kinds", "axes", "core_sizes", "ball_radii")
    }
    centers = np.concatenate([p.centers + k * step for k, p in enumerate(parts)])
    box = Box((length, width, high), (False, True, False))
    return Particles(centers=centers, box=box, **rows)
