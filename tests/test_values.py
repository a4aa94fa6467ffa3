"""The edges of the library: what is no index, number or flag is refused, never cast."""

from __future__ import annotations

import pickle
from dataclasses import fields, replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from reference.known_cases import cube

import percsim as p

BOX = p.Box((50e-6, 50e-6, 50e-6), (False, True, True))
FLAKES: dict[str, Any] = {
    "kinds": [p.FLAKE, p.FLAKE], "centers": [[2e-6] * 3, [4e-6, 2e-6, 2.2e-6]],
    "axes": [[0, 0, 1], [0, 0, 1]], "core_sizes": [4e-6, 4e-6],
    "ball_radii": [0.2e-6, 0.2e-6], "box": BOX,
}  # fmt: skip
PARTICLES = p.Particles(**FLAKES)
LINKS = p.find_links(PARTICLES, 0.0)
WIRES: dict[str, Any] = {
    "n_nodes": 3, "resistors": [[0, 1], [1, 2]], "conductances": [1.0, 2.0],
    "source": 0, "sink": 2,
}  # fmt: skip
ELASTOMER = p.Elastomer(density=1030.0, mix_ratio=7.0)
FILLER = p.Filler("flake", 2250.0, p.SizeDistribution(1e-5, 0.4), aspect_ratio=15.0)
OPENING = p.ContactOpeningLaw(8e-5, 100.0, 0.01, 1.6e-21, 8e-5, 1e-5)
TUNNELLING = p.TunnellingLaw(1.6e-19, 1e-16, 8e-5)
NAN = float("nan")


def recipe(amount: Any) -> p.Recipe:
    return p.Recipe(((FILLER, amount),), ELASTOMER)


@pytest.mark.parametrize(
    ("make", "values"),
    [
        (lambda v: p.Box((v, 1.0, 1.0), (False,) * 3), ("1", 1j, NAN, True, None, [1.0])),
        (lambda v: p.Box((1.0,) * 3, (v, True, True)), ("no", 0, 1.0, None, "False")),
        (lambda v: p.Box((1.0,) * 3, (False,) * 3, v), (0.9, 1.0, "1", NAN, True, 3, -1)),
        (lambda v: p.Particles(**FLAKES | {"kinds": [0, v]}), (1.5, "0", 1j, NAN, 256, -1)),
        (lambda v: p.Particles(**FLAKES | {"core_sizes": [v, 1.0]}), ("1", 1j, NAN, -1.0)),
        (lambda v: p.Particles(**FLAKES | {"centers": v}), ([[1], [1, 2]], "far", None)),
        (lambda v: p.find_links(PARTICLES, v), ("0", 1j, NAN, None, True, [0.0], -1.0)),
        (lambda v: p.find_links(v, 0.0), (None, BOX, [1.0])),
        (lambda v: replace(LINKS, pairs=[[0, v]]), (0.5, 1.0, "1", 1j, 2, -1)),
        (lambda v: replace(LINKS, gaps=[v]), (NAN, "1", 1j)),
        (lambda v: replace(LINKS, source_contacts=[v]), (0.5, "1", 2, -1, [0])),
        (lambda v: replace(LINKS, normals=v), ([[1.0, 0.0]], [1.0, 0.0, 0.0])),
        (lambda v: p.Network(**WIRES | {"resistors": [[0, 1], [1, v]]}), (2.5, "2", 2j, 3)),
        (lambda v: p.Network(**WIRES | {"conductances": [1.0, v]}), ("2", 2j, NAN, -1.0)),
        (lambda v: p.Network(**WIRES | {"source": v}), (0.5, "0", 0j, NAN, False, 3)),
        (lambda v: p.Network(**WIRES | {"n_nodes": v}), (3.5, "3", NAN, 3 + 0j)),
        (lambda v: p.solve_network(cube(3).network, v), ("1", 1j, NAN, True, 0.0)),
        (lambda v: p.solve_network(v), (None, BOX)),
        (lambda v: p.State(v), ("0", 1j, NAN, True, -1.0)),
        (lambda v: p.State(0.0, v), ("300", 1j, NAN, 0.0)),
        (lambda v: p.State(axis=v), (0.9, "0", NAN, 3, -1)),
        (lambda v: p.State(gradient=((1.0, 0.0), (0.0, v))), ("1", 1j, NAN, -1.0)),
        (lambda v: p.Mounting("free", v), ("0.5", 1j, NAN, True)),
        (lambda v: p.ThermalOpening(3e-4, 253.0, v), ("0.3", 1j, NAN)),
        (lambda v: replace(OPENING, g0=v), ("1", 1j, NAN)),
        (lambda v: replace(OPENING, seed=v), (0.5, "1", NAN)),
        (lambda v: replace(TUNNELLING, area=v), ("1", 1j, NAN)),
        (lambda v: p.SizeDistribution(v), ("1", 1j, NAN)),
        (lambda v: p.Orientation("in-plane", v), ("1", 1j, NAN)),
        (lambda v: replace(FILLER, density=v), ("1", 1j, NAN)),
        (lambda v: replace(FILLER, aspect_ratio=v), ("15", 15j, NAN)),
        (lambda v: replace(ELASTOMER, mix_ratio=v), ("7", 7j, NAN)),
        (recipe, ("0.3", 0.3j, NAN, True)),
        (lambda v: p.Estimate(1.0, 0.1, v), (1.5, "2", NAN)),
    ],
)
def test_what_was_cast_in_silence_is_refused(make: Any, values: tuple[Any, ...]) -> None:
    for value in values:
        with pytest.raises(ValueError, match=r"^.{5,200}$"):
            make(value)


def test_numbers_of_every_library_are_taken() -> None:
    box = p.Box((np.float32(1.0), Fraction(1, 2), 1), (np.True_, False, False), np.int8(1))
    assert box == p.Box((1.0, 0.5, 1.0), (True, False, False), 1)
    network = p.Network(np.uint8(3), np.array([[0, 1], [1, 2]], np.uint16), [1, 2], 0, 2)
    assert p.solve_network(network).resistance == pytest.approx(1.5, rel=1e-12)
    assert len(p.Network(2, [], [], 0, 1).resistors) == 0


def arrays(instance: Any) -> dict[str, np.ndarray]:
    found = {f.name: getattr(instance, f.name) for f in fields(instance)}
    return {name: a for name, a in found.items() if isinstance(a, np.ndarray)}


def test_arrays_cannot_be_written_and_are_not_copied() -> None:
    pairs, g = np.array([[0, 1], [1, 2]], dtype=np.int32), np.array([1.0, 2.0])
    network = p.Network(3, pairs, g, 0, 2)
    solution = p.solve_network(network)
    made = (PARTICLES, LINKS, network, solution, p.find_backbone(network),
            p.critical_path(network))  # fmt: skip
    counted = [len(arrays(each)) for each in made]
    assert counted == [5, 7, 2, 2, 4, 1]
    for each in made:
        for array in arrays(each).values():
            with pytest.raises(ValueError, match="read-only"):
                array[...] = 0
    assert np.shares_memory(network.resistors, pairs)
    assert np.shares_memory(network.conductances, g)
    assert g.flags.writeable  # the caller's own array stays as it was
    again = pickle.loads(pickle.dumps(network))
    assert p.solve_network(again).resistance == solution.resistance
