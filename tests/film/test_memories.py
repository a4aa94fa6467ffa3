import numpy as np
import pytest

from percsim.film.memories import Contacts, Walk, _timed, _timeless


def some(seed, n=40, v=9):
    """Contacts that strain opens or shuts, warmth opens, and draws that walk past them."""
    rng = np.random.default_rng(seed)
    strains = np.linspace(-2e-3, 3e-3, 5)
    opened = 0.004 + strains[:, None] * rng.normal(1.0, 1.5, 30)
    contacts = Contacts(
        strains, opened, rng.normal(1.0, 0.5, (5, 30)), *rng.dirichlet(np.ones(30), 2)
    )
    values = {
        "reclose": rng.choice([0.0, 0.3, 0.9, 0.99, 1.0], n),
        "healed": rng.uniform(0.1, 1.0, n),
    }
    walk = Walk.through(rng.uniform(-3e-3, 4e-3, v), np.full(v, 293.0), values, range(v))
    return contacts, walk, rng.uniform(-4e-3, 4e-3, (n, v)), rng.lognormal(-5.0, 1.0, n)


@pytest.mark.parametrize("seed", range(6))
def test_averages_without_times_are_those_of_the_compiled_walk(seed):
    """Two ways to one number: a decision takes the one that compiles nothing."""
    given = some(seed)
    found, asked = _timeless(*given), _timed(*given)
    np.testing.assert_allclose(found, asked, rtol=1e-9, atol=1e-12)
    assert (asked[..., 6] > 0.01).any()
    assert (asked[..., 0] < 0.99 * asked[..., 3]).any()
