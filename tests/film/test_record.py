"""Records reduced to visits: against the path and the law that they were made of."""

import numpy as np
import pytest

from percsim.film.protocol import Protocol
from percsim.film.record import MeasuredFilm, Record, reduce_record
from percsim.words.films import record_words

UE = 1e-6


def bench():
    """Rising pulls, a slow one that is held, a rest, a change of temperature."""
    path = Protocol.at_rest().stay(60.0)
    for top in (1e-3, 2e-3, 3e-3, 3e-3):
        path = path.ramp(top, 1e-4, 1e-4).ramp(0.0, 1e-4, 1e-4)
    path = path.ramp(3e-3, 1e-5, 1e-4).stay(1900.0).ramp(0.0, 1e-4, 1e-4).stay(1200.0)
    return path.warm(313.15).stay(600.0)


PATH = bench()
GF, PER_KELVIN = 20.0, 1e-3


def law(times):
    """Strain, temperature and ln R of a film without memory."""
    e = np.interp(times, PATH.times, PATH.strains)
    t = np.interp(times, PATH.times, PATH.temperatures)
    return e, t, np.log(2000.0) + GF * e + PER_KELVIN * (t - 293.15)


def record(rng=None, every=0.5, noise=0.0, strain_noise=0.0, offset=0.0):
    times = np.arange(0.0, PATH.times[-1], every)
    e, t, log = law(times)
    if rng is not None:
        log = log + rng.normal(0.0, noise, len(times))
        e = e + rng.normal(offset, strain_noise, len(times))
    return Record(times, e, t, np.exp(log))


def departures(found):
    """ln R of the visits less that of the law at their times."""
    return found.log_resistances - law(found.protocol.times)[2]


def test_a_clean_record_keeps_path_and_readings():
    found = reduce_record(record())
    path = found.protocol
    tops = [path.strains[p.top] / UE for p in path.pulls]
    np.testing.assert_allclose(tops, [1000, 2000, 3000, 3000, 3000], rtol=0.005)
    assert (len(path.holds), len(path.rests), len(path.temperature_steps)) == (1, 2, 1)
    assert len(path) < 130
    assert found.readings == len(record().times) > 10_000
    assert (found.blank, found.outliers, found.gaps) == (0, 0, 0)
    e, t, _ = law(path.times)
    assert np.abs(path.strains - e).max() < 16 * UE  # half a per cent of the span
    assert np.abs(path.temperatures - t).max() < 0.5
    exact = np.log(2000.0) + GF * path.strains + PER_KELVIN * (path.temperatures - 293.15)
    assert np.abs(found.log_resistances - exact).max() < 5e-4
    hold = path.holds[0]
    into = path.times[hold.rows] - path.times[hold.first]
    assert into[-1] == pytest.approx(1900.0, abs=2.0)
    assert into[1] == pytest.approx(1.0, abs=0.1)


def test_few_readings_a_branch_are_read_where_they_were_taken():
    """Readings lie unevenly around a visit: it is read off the line through them."""
    found = reduce_record(record(every=1.7))
    path = found.protocol
    moving = (path.strains > 0.0) & (path.strains < 2.9e-3)
    exact = np.log(2000.0) + GF * path.strains
    assert moving.sum() > 30
    turns = [p.top for p in path.pulls] + [p.end for p in path.pulls]
    moving[turns] = False
    np.testing.assert_allclose(found.log_resistances[moving], exact[moving], atol=1e-9)
    grid = path.strains[moving] / (path.strains.max() / 8)
    assert np.abs(grid - grid.round()).max() < 0.01


@pytest.mark.parametrize("seed", range(6021, 6027))
def test_a_hold_stays_one_in_noise(seed):
    rng = np.random.default_rng(seed)
    found = reduce_record(record(rng, noise=1e-3, strain_noise=3 * UE))
    assert len(found.protocol.holds) == 1


def test_noise_averages_out():
    rng = np.random.default_rng(90461)
    found = reduce_record(record(rng, noise=1e-3, strain_noise=3 * UE))
    assert len(found.protocol.pulls) == 5
    assert len(found.protocol.holds) == 1
    scaled = departures(found) * np.sqrt(found.counts)
    # besides the noise, the strain of the few readings at a turn and its noise count
    assert 0.8e-3 < scaled.std() < 1.6e-3
    late = found.counts > 100
    assert late.sum() > 10
    assert np.abs(departures(found)[late]).max() < 4e-3 / 10.0


def test_outliers_are_left_out_and_counted():
    rng = np.random.default_rng(51772)
    clean = record(rng, noise=1e-4, strain_noise=2 * UE)
    at = np.sort(rng.choice(len(clean.times), 40, replace=False))
    at = at[np.diff(at, prepend=-100) > 10]
    r, e = clean.resistances.copy(), clean.strains.copy()
    r[at[::2]] *= rng.choice([0.3, 1.4, 5.0], len(at[::2]))
    e[at[1::2]] += 5e-3
    found = reduce_record(Record(clean.times, e, clean.temperatures, r))
    assert found.outliers == len(at)
    before = reduce_record(clean)
    assert len(found.protocol.pulls) == 5
    assert np.abs(departures(found)).max() < 2.0 * np.abs(departures(before)).max()


def test_a_short_pull_is_no_outlier():
    """A pull of three readings within a long rest moves strain and R together."""
    times = np.arange(200.0)
    e = np.zeros(200)
    e[100:103] = [1e-3, 2e-3, 1e-3]
    found = reduce_record(Record(times, e, np.full(200, 293.15), np.exp(GF * e)))
    assert found.outliers == 0
    (pull,) = found.protocol.pulls
    assert found.protocol.strains[pull.top] == pytest.approx(2e-3)


def test_gaps_are_counted():
    whole = record()
    keep = (whole.times < 130.0) | (whole.times > 175.0)
    found = reduce_record(whole.part(keep))
    assert found.gaps == 1
    assert found.longest_gap == pytest.approx(46.0)
    # a break while nothing moves is no gap
    keep = (whole.times < 800.0) | (whole.times > 900.0)
    assert reduce_record(whole.part(keep)).gaps == 0


def test_open_readings_stay_open():
    whole = record()
    r = whole.resistances.copy()
    open_now = whole.strains > 2.5e-3
    r[open_now] = np.inf
    found = reduce_record(Record(whole.times, whole.strains, whole.temperatures, r))
    is_open = ~np.isfinite(found.log_resistances)
    np.testing.assert_array_equal(is_open, found.protocol.strains > 2.5e-3)
    assert np.isfinite(found.log_resistances[found.protocol.strains < 2.4e-3]).all()
    assert found.open_readings == open_now.sum()
    assert f", {open_now.sum()} readings open; " in record_words(found)


def test_a_few_open_readings_on_the_way_are_a_lead():
    """Between two readings that conduct at strains on either side a film is not open."""
    whole = record()
    before = reduce_record(whole)
    up = 1 + int(np.flatnonzero(np.diff(whole.strains) > 0.0)[5])
    for number in (1, 3):
        r = whole.resistances.copy()
        r[up : up + number] = np.inf
        found = reduce_record(Record(whole.times, whole.strains, whole.temperatures, r))
        assert found.outliers == before.outliers + number
        assert found.open_readings == 0
        assert np.isfinite(found.log_resistances).all()
    # one at a turning point is the film's own
    e = np.concatenate([np.zeros(50), [1e-3, 2e-3, 1e-3], np.zeros(50)])
    r = np.where(e > 1.5e-3, np.inf, np.exp(GF * e))
    found = reduce_record(Record(np.arange(103.0), e, np.full(103, 293.15), r))
    assert (found.outliers, found.open_readings) == (0, 1)


def test_a_record_of_a_film_that_begins_open_is_refused():
    whole = record()
    r = whole.resistances.copy()
    r[whole.times <= 60.0] = np.inf
    with pytest.raises(ValueError, match="open before the first pull"):
        reduce_record(Record(whole.times, whole.strains, whole.temperatures, r))
    protocol = reduce_record(whole).protocol
    with pytest.raises(ValueError, match="begins at 500 microstrain"):
        MeasuredFilm.of(
            Protocol(protocol.times, protocol.strains + 500 * UE, protocol.temperatures),
            np.zeros(len(protocol)),
        )


def test_a_small_strain_at_the_beginning_is_zero_a_large_one_is_refused():
    rng = np.random.default_rng(7741)
    found = reduce_record(record(rng, offset=12 * UE))
    assert found.protocol.strains[0] == 0.0
    assert sum(found.protocol.strains == 0.0) > 10
    with pytest.raises(ValueError, match="begins at 400 microstrain"):
        reduce_record(record(rng, offset=400 * UE))


def test_a_record_that_tells_nothing_is_refused():
    times = np.arange(50.0)
    with pytest.raises(ValueError, match="never changes"):
        reduce_record(Record(times, np.zeros(50), np.full(50, 293.15), np.ones(50)))
    rng = np.random.default_rng(1933)
    with pytest.raises(ValueError, match="scatters by"):
        reduce_record(
            Record(times, rng.normal(0, 1e-3, 50), np.full(50, 293.15), np.ones(50))
        )
    with pytest.raises(ValueError, match="rising time"):
        Record(times[::-1], np.zeros(50), np.full(50, 293.15))


def test_a_path_of_a_machine_alone():
    whole = record()
    found = reduce_record(Record(whole.times, whole.strains, whole.temperatures))
    assert len(found.protocol.pulls) == 5
    assert len(found.log_resistances) == 0
