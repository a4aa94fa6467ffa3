"""Sections through the placements that percsim draws, as a microscope would see them.

Graphite flakes of an invented powder for the patches on the cargo-bicycle test frame: mixed
at random, laid flat by spreading, dispersed badly, held between film faces, and hard. The
share of a section that flakes cover equals the covered volume share (Delesse 1847, from
memory): 1 - exp(-phi) where flakes overlap freely, phi itself where they cannot.
"""

from pathlib import Path

import numpy as np

import percsim as ps
from percsim.materials import Orientation
from percsim.particles.placement import Clusters

SIZES = ps.SizeDistribution(median=10e-6, spread=0.4)
SILICONE = ps.Elastomer(density=1030.0, mix_ratio=7.0)
CUBE = ps.Box(size=(90e-6, 90e-6, 90e-6), periodic=(False, True, False))
FILM = ps.Box(size=(90e-6, 90e-6, 45e-6), periodic=(False, True, False))


def place(volume_fraction, box, orientation, **options):
    """Flakes of aspect ratio 15 at a volume fraction."""
    flake = ps.Filler("flake", 2250.0, SIZES, aspect_ratio=15.0, orientation=orientation)
    recipe = ps.Recipe.from_volume_fractions([(flake, volume_fraction)], SILICONE)
    return ps.place_particles(recipe, box, np.random.default_rng(70_423), **options)


RANDOM, LYING = Orientation(), Orientation("in-plane", tilt=np.radians(12.0))
PLACEMENTS = {
    "isotropic, 15 vol%": place(0.15, CUBE, RANDOM),
    "in plane, 12 deg rms tilt": place(0.15, CUBE, LYING),
    "aligned, order 0.5": place(0.15, CUBE, Orientation("aligned", order=0.5)),
    "70 % in agglomerates of 30 um": place(
        0.15, CUBE, RANDOM, clusters=Clusters(0.7, 30e-6, solids=0.5)
    ),
    "between film faces, in plane": place(0.15, FILM, LYING, walls="confining"),
    "hard, isotropic, 30 vol%": place(0.30, CUBE, RANDOM, core=1.0),
}


def section(particles: ps.Particles, across: float, pixels: int = 300) -> np.ndarray:
    """Image of the plane y = across: True where a flake is cut; rows run upward."""
    size, p = particles.box.size, particles
    step = size[0] / pixels
    x = (np.arange(pixels) + 0.5) * step
    z = (np.arange(round(size[2] / step)) + 0.5) * step
    image = np.zeros((len(z), len(x)), dtype=bool)
    reach = p.core_sizes + p.ball_radii
    offset = across - p.centers[:, 1]
    offset -= size[1] * np.round(offset / size[1])
    for k in np.flatnonzero(abs(offset) < reach):
        cx, _, cz = p.centers[k]
        i = slice(*np.searchsorted(x, [cx - reach[k], cx + reach[k]]))
        j = slice(*np.searchsorted(z, [cz - reach[k], cz + reach[k]]))
        gx, gz = np.meshgrid(x[i] - cx, z[j] - cz)
        spots = np.stack([gx, np.full_like(gx, offset[k]), gz], axis=-1)
        up = spots @ p.axes[k]
        beside = np.linalg.norm(spots - up[..., None] * p.axes[k], axis=-1)
        gap = np.hypot(up, np.maximum(beside - p.core_sizes[k], 0.0))
        image[j, i] |= gap <= p.ball_radii[k]
    return image


def covered(particles: ps.Particles, sections: int = 12) -> float:
    """Share of the box that flakes cover, from sections away from the cut faces."""
    pitch = particles.box.size[1] / sections
    shares = []
    for k in range(sections):
        image = section(particles, (k + 0.5) * pitch, 150)
        rim = image.shape[0] // 5
        shares.append(image[rim:-rim, 30:-30].mean())
    return float(np.mean(shares))


if __name__ == "__main__":
    import matplotlib.pyplot as plt

    figure, panels = plt.subplots(2, 3, figsize=(11, 7.6), layout="constrained")
    for panel, (title, particles) in zip(panels.flat, PLACEMENTS.items(), strict=True):
        size = 1e6 * np.asarray(particles.box.size)
        image = section(particles, 0.5 * particles.box.size[1], 900)
        panel.imshow(
            image, origin="lower", cmap="Greys", extent=(0, size[0], 0, size[2]), vmax=1.15
        )
        panel.set(title=title, xlabel="along the current [um]", ylabel="thickness [um]")
        print(f"{title}: {particles}, covered {100.0 * covered(particles):.1f} %")
    target = Path("out") / "placements.png"
    target.parent.mkdir(exist_ok=True)
    figure.savefig(target, dpi=110)
    print(f"wrote {target}")
