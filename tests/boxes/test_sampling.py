import subprocess
import sys

import numpy as np
import pytest

from percsim.boxes.sampling import PURPOSES, box_generator, box_seed, integer_seed

SEED = 640297


def test_seed_is_the_documented_one():
    # the definition itself, so that any box can be repeated with NumPy alone
    for number in (0, 7, 2_000_000):
        for name, purpose in PURPOSES.items():
            expected = np.random.SeedSequence(SEED, spawn_key=(number, purpose))
            for asked in (name, purpose):
                state = box_seed(SEED, number, asked).generate_state(4)
                assert (state == expected.generate_state(4)).all()


def test_purposes_keep_their_numbers():
    # stored results hang on them: a changed number changes every digit of an old plan
    assert PURPOSES["placement"] == 0
    assert PURPOSES["contacts"] == 1
    assert len(set(PURPOSES.values())) == len(PURPOSES)
    with pytest.raises(TypeError):
        PURPOSES["placement"] = 5


def test_streams_differ_by_seed_box_and_purpose():
    first = {
        (seed, number, purpose): integer_seed(seed, number, purpose)
        for seed in (SEED, SEED + 1)
        for number in range(20)
        for purpose in PURPOSES
    }
    assert len(set(first.values())) == len(first)
    assert all(0 <= value < 2**64 for value in first.values())
    assert max(first.values()) > 2**63  # 320 values: all 64 bits are used


def test_neighbouring_boxes_are_uncorrelated():
    # mean product of n standard normal pairs: standard error 1/sqrt(n), band 4 (1 in 16000)
    n = 20_000
    a = box_generator(SEED, 0, "placement").standard_normal(n)
    for other in (
        box_generator(SEED, 1, "placement"), box_generator(SEED, 0, "contacts"),
        box_generator(SEED + 1, 0, "placement"),
    ):  # fmt: skip
        assert abs((a * other.standard_normal(n)).mean()) < 4.0 / np.sqrt(n)


def test_stream_is_the_same_in_another_process():
    code = (
        "from percsim.boxes.sampling import box_generator;"
        f"print(box_generator({SEED}, 11, 'tolerances').random(3).tolist())"
    )
    other = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert other.stdout.strip() == str(
        box_generator(SEED, 11, "tolerances").random(3).tolist()
    )


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ((-1, 0, 0), "seed"),
        ((1.5, 0, 0), "seed"),
        ((True, 0, 0), "seed"),
        ((1, -2, 0), "box_number"),
        ((1, 0.0, 0), "box_number"),
        ((1, 0, 99), "purpose must be one of placement"),
        ((1, 0, "placment"), "placment"),
        ((1, 0, None), "purpose"),
        ((1, 0, True), "purpose"),
    ],
)
def test_bad_arguments(arguments, word):
    with pytest.raises(ValueError, match=word):
        box_seed(*arguments)
