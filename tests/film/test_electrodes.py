import numpy as np
import pytest
from reference.thin_films import (
    bars_on_a_face,
    comb_on_a_face,
    cut_through,
    fingers_from_above,
)

from percsim.film import (
    Bars,
    EndPlates,
    Film,
    Fingers,
    FourTerminal,
    film_resistance,
    read_through_series,
)


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


LAYOUTS = (
    Bars(),
    Bars("surface", 1e-3, 1e-6),
    EndPlates(contact_resistivity=2e-6),
    Fingers(5, 5e-4),
    Fingers(4, 5e-4, 3e-3, "surface", 1e-6),
    FourTerminal(5e-4, 1e-3, 1e-6),
)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda x: f"{x.name} {x.mount}")
def test_every_layout_takes_arrays_and_keeps_open_open(layout):
    rho = np.array([[1.0, 2.0, np.inf], [1.0, 1.0, 1.0]])
    excess = np.array([[1e-5, 1e-5, 0.0], [1e-5, np.inf, 0.0]])
    gap, width = np.array([[1e-3], [1.1e-3]]), np.array([[6e-3], [6.1e-3]])
    r = layout.resistance(rho, excess, gap, width, 2e-4)
    assert r.shape == (2, 3)
    assert np.isinf(r[0, 2])
    assert np.isinf(r[1, 1])
    one = layout.resistance(2.0, 1e-5, 1e-3, 6e-3, 2e-4)
    assert r[0, 1] == pytest.approx(float(one), rel=1e-14)
    film = Film(2e-4, 6e-3, 1e-3, layout=layout)
    assert film.resistance(2.0, 1e-5) == pytest.approx(float(one), rel=1e-14)


@pytest.mark.parametrize(("length", "within"), [(0.5, 0.015), (1.0, 0.003), (4.0, 1e-4)])
def test_bars_on_a_face_against_conformal_mapping(length, within):
    # film 1 thick, 5 between the bars; R w/rho
    exact = bars_on_a_face(5.0, length, 1.0)
    assert Bars("surface", length).resistance(1, 0, 5.0, 1, 1) == pytest.approx(
        exact, rel=within
    )


@pytest.mark.parametrize("finger", [1.0, 2.0, 6.0])
def test_fingers_on_a_face_against_conformal_mapping(finger):
    exact = comb_on_a_face(4.0, finger, 1.0)
    # a hundred fingers, so that the outermost two do not count
    comb = Fingers(101, finger, None, "surface").resistance(1, 0, 4.0, 1, 1)
    assert 100.0 * comb == pytest.approx(exact, rel=0.02)


@pytest.mark.parametrize("contact", [0.05, 0.3, 2.0])
@pytest.mark.parametrize("length", [1.0, 3.0])
def test_crowding_with_contact_resistance_against_finite_differences(contact, length):
    stretches = [(2.0, 2.0 + length), (5.0 + length, 5.0 + 2.0 * length)]
    _, current = cut_through(
        stretches, 7.0 + 2.0 * length, 1.0, 1.0 / 40.0, contact=contact
    )
    law = float(Bars("surface", length, contact).resistance(1, 0, 3.0, 1, 1))
    assert law - 3.0 == pytest.approx(1.0 / current - 3.0, rel=0.08)
    # far more than the contact resistance over the whole electrode
    assert law - 3.0 > 2.0 * contact / length + 0.2
    # what particles on the face cost, of both electrodes together, is such a contact
    bars = Bars("surface", length, 0.4 * contact)
    assert bars.resistance(1, 1.2 * contact, 3.0, 1, 1) == pytest.approx(law, rel=1e-12)


def test_poor_contact_of_particles_below_short_and_long_bars():
    def added(layout, excess):
        return float(layout.resistance(2.0, excess, 1.0, 1.0, 0.1)) * 0.1 - 2.0

    # far shorter than the transfer length the whole bar conducts: r_c/2 over d/t of the
    # section; far longer, a transmission line (Schroder, section 3.4): sqrt(rho r_c/2 t)
    assert added(Bars("surface", 0.1), 4e3) == pytest.approx(4e3 * 0.1 / 0.1, rel=1e-3)
    assert added(Bars("surface"), 4e3) == pytest.approx(
        2.0 * np.sqrt(2.0 * 2e3 * 0.1), rel=1e-3
    )
    # nothing jumps where shorting particles and poor contacts just cancel
    for bars in (Bars("surface", 0.1), Fingers(4, 0.2, mount="surface")):
        ends = (-1e-9, 0.0, 1e-9)
        below, at, above = (bars.resistance(2.0, e, 1.0, 1.0, 0.1) for e in ends)
        assert below < at < above
        assert below == pytest.approx(at, rel=1e-8) == above
    # particles that short a length at the electrode do so in series
    assert added(Bars("surface", 0.1), -0.1) == pytest.approx(
        added(Bars("surface", 0.1), 0.0) - 0.1, rel=1e-9
    )


@pytest.mark.parametrize("across", [0.25, 4.0])
def test_crowding_in_a_film_that_conducts_otherwise_through_its_thickness(across):
    _, current = cut_through([(2, 4), (7, 9)], 11.0, 1.0, 1.0 / 40.0, across=across)
    law = Bars("surface", 2.0, 0.0, across).resistance(1, 0, 3.0, 1, 1)
    assert law == pytest.approx(1.0 / current, rel=0.01)


@pytest.mark.parametrize("contact", [0.0, 0.05, 0.3, 5.0])
@pytest.mark.parametrize("length", [1.0, 3.0])
def test_four_terminals_against_finite_differences(contact, length):
    d = length
    bars = [(0, 1), (3, 3 + d), (6 + d, 6 + 2 * d), (8 + 2 * d, 9 + 2 * d)]
    voltages, current = cut_through(bars, 9 + 2 * d, 1.0, 1.0 / 40.0, contact=contact)
    read = (voltages[1] - voltages[2]) / current
    assert FourTerminal(d, 2.0, contact).resistance(1, 0, 3.0, 1, 1) == pytest.approx(
        read, rel=0.02
    )


def test_four_terminals_do_not_read_the_excess_of_the_electrodes():
    layout = FourTerminal(1e-3, 1e-3, 1e-5)

    def read(excess, layout=layout):
        return float(layout.resistance(1.0, excess, 3e-3, 6e-3, 2e-4))

    assert read(-5e-4) == pytest.approx(read(0.0), rel=1e-14)
    # but poor contacts keep the current from dipping into the bars, as an interface does
    assert read(4e-5) == pytest.approx(read(0.0, FourTerminal(1e-3, 1e-3, 3e-5)), rel=1e-14)
    assert read(4e-5) > read(0.0)


@pytest.mark.parametrize(
    ("number", "finger", "gap", "overlap", "width"),
    [(2, 0.5, 1.0, 3.0, 6.0), (5, 0.5, 1.0, 3.0, 6.0), (4, 1.0, 0.5, 3.0, 4.0)],
)
def test_tips_of_fingers_against_finite_differences(number, finger, gap, overlap, width):
    exact = fingers_from_above(number, finger, gap, overlap, width, 0.05)
    law = Fingers(number, finger, overlap).resistance(1, 0, gap, width, 1)
    assert law == pytest.approx(exact, rel=0.03)
    straight = gap / (number - 1) / overlap
    assert law < 0.95 * straight


def test_fingers_without_tips_are_gaps_side_by_side():
    # 4 gaps of 1 mm, 5 mm long, 0.2 mm thick: 1e-3/(4 x 1e-6) = 250 ohm for 1 ohm m
    film = Film(2e-4, 5e-3, 1e-3, layout=Fingers(5, 5e-4))
    assert film.resistance(1.0, 0.0) == pytest.approx(250.0, rel=1e-12)
    assert film.volume == pytest.approx(4 * 1e-3 * 5e-3 * 2e-4)


@pytest.mark.parametrize("size", [0.0, -1e-3, float("inf"), float("nan")])
def test_film_refuses_impossible_sizes(size):
    with pytest.raises(ValueError, match="width must be a positive length"):
        Film(thickness=1e-4, width=size, electrode_gap=1e-3)


@pytest.mark.parametrize(
    ("layout", "gap", "what"),
    [
        (Bars("embedded", 4e-3), 3e-3, "two bars and a gap of 3 mm take 11 mm"),
        (Fingers(6, 1e-3), 1e-3, "6 fingers and 5 gaps of 1 mm take 11 mm"),
        (Fingers(3, 1e-3, 7e-3), 1e-3, "overlap by 7 mm, more than the film is wide, 6 mm"),
        (FourTerminal(1e-3, 2e-3), 3e-3, "a gap of 3 mm take 11 mm"),
        (EndPlates(), 3e-3, "end plates stand 10 mm apart"),
        (Bars("surface", 5e-5), 3e-3, "shorter than half the film's thickness, 0.2 mm"),
    ],
)
def test_electrodes_that_do_not_fit_are_refused_in_one_line(layout, gap, what):
    with pytest.raises(ValueError, match=what) as error:
        Film(2e-4, 6e-3, gap, layout=layout, length=1e-2)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("layout", "length"),
    [
        (Bars("embedded", 2e-3), 1e-2),
        (Fingers(4, 1e-3), 1e-2),
        (FourTerminal(1e-3, 1e-3), 1e-2),
    ],
)
def test_the_longest_gap_just_fits(layout, length):
    gap = layout.longest_gap(length)
    Film(2e-4, 6e-3, gap, layout=layout, length=length)
    with pytest.raises(ValueError, match="do not fit"):
        Film(2e-4, 6e-3, 1.001 * gap, layout=layout, length=length)
    assert layout.electrodes(gap, 6e-3)[-1].x[1] - layout.electrodes(gap, 6e-3)[0].x[
        0
    ] == pytest.approx(length)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Bars("glued"),
        lambda: Bars("surface", -1.0),
        lambda: Bars("surface", 1e-3, -1e-6),
        lambda: Bars("surface", 1e-3, 0.0, 0.0),
        lambda: EndPlates("surface"),
        lambda: Fingers(1, 1e-3),
        lambda: Fingers(3, 1e-3, 0.0),
        lambda: FourTerminal(1e-3, 0.0),
    ],
)
def test_impossible_layouts_are_refused(make):
    with pytest.raises(ValueError, match=r"must|stand"):
        make()


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
