import numpy as np
import pytest

from percsim.film import Film, film_resistance, read_through_series


def test_resistance_by_hand():
    # 1 ohm m over 3 mm of 6 mm x 0.2 mm: 3e-3/1.2e-6 = 2500 ohm; -2.4e-4 takes 200 off
    film = Film(thickness=0.2e-3, width=6e-3, electrode_gap=3e-3)
    assert film.resistance(1.0, 0.0) == pytest.approx(2500.0, rel=1e-14)
    assert film.resistance(1.0, -2.4e-4) == pytest.approx(2300.0, rel=1e-14)
    assert film.volume == pytest.approx(3.6e-9)


def test_open_stays_open_and_nothing_is_negative():
    r = film_resistance([1.0, np.inf, 1.0, 1.0], [0.0, 0.0, np.inf, -1.0], 1e-3, 1e-3, 1e-3)
    assert r[0] == pytest.approx(1e3)
    assert np.isinf(r[1])
    assert np.isinf(r[2])
    assert r[3] == pytest.approx(50.0)  # the path never counts less than 5 % of the gap


@pytest.mark.parametrize("size", [0.0, -1e-3, float("inf"), float("nan")])
def test_film_refuses_impossible_sizes(size):
    with pytest.raises(ValueError, match="width must be a positive length"):
        Film(thickness=1e-4, width=size, electrode_gap=1e-3)


def test_divider_by_hand():
    # 3.3 V over 1.8 + 1.8 kohm: 1.65 V, 0.91667 mA, 1.5125 mW
    row = read_through_series(1800.0, 1800.0 * 1.01, 3.3, 1800.0).as_dict()
    assert row["voltage_V"] == pytest.approx(1.65)
    assert row["current_mA"] == pytest.approx(3300.0 / 3600.0)
    assert row["power_mW"] == pytest.approx(1.5125)
    assert row["mV_per_1000_microstrain"] == pytest.approx(1e3 * 3.3 * (1.01 / 2.01 - 0.5))


def test_divider_with_an_open_film():
    row = read_through_series(np.inf, np.inf, 3.3, 1800.0).as_dict()
    assert (row["voltage_V"], row["current_mA"], row["power_mW"]) == (3.3, 0.0, 0.0)
