"""What a folder keeps reads back as it was, to the last bit, or is refused."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from percsim.boxes.store import encode_json
from percsim.packing import pack, plain, unpack


@dataclass(frozen=True)
class Pair:
    """Something with parts."""

    left: object
    right: object


CLASSES = {"Pair": Pair}


@pytest.mark.parametrize(
    "value",
    [
        None, True, 7, "45 wt%", 0.1, float("inf"), -0.0, 5e-324,
        (1, (2.5, None), ()), {"a": 0.3, "b": "c"}, Pair(Pair(1, "x"), (0.1 + 0.2,)),
    ],
)  # fmt: skip
def test_values_read_back_as_they_were(value):
    back = unpack(pack(value), CLASSES)
    assert back == value
    assert repr(back) == repr(value)


def test_numbers_that_are_no_number_and_arrays_read_back():
    values = np.array([[1.0, np.inf, np.nan], [-0.0, 5e-324, 1 / 3]])
    back = unpack(pack(Pair(values, (np.arange(3), float("nan")))), CLASSES)
    assert back.left.tobytes() == values.tobytes()
    assert back.left.dtype == values.dtype
    assert back.left.shape == values.shape
    np.testing.assert_array_equal(back.right[0], [0, 1, 2])
    assert np.isnan(back.right[1])


@dataclass(frozen=True)
class Other:
    """Something that a reader does not expect."""

    left: object


@pytest.mark.parametrize(
    "text",
    [
        "", "not a value", pack(Pair(1, 2))[:-40], pack(Pair(1, 2))[40:], pack(Other(1)),
        pack(Pair(1, 2)) + "é",
    ],
)  # fmt: skip
def test_what_is_damaged_or_unknown_is_refused(text):
    with pytest.raises(ValueError, match="cannot read a stored value"):
        unpack(text, CLASSES)


def test_fields_of_another_version_are_refused():
    @dataclass(frozen=True)
    class Pair:
        only: object

    with pytest.raises(ValueError, match="cannot read a stored value"):
        unpack(pack(Pair(1)), CLASSES)


@dataclass(frozen=True, slots=True)
class Told:
    """Something whose keys are not all fields."""

    value: float | None
    array: object
    _told: Mapping[str, object]
    spare: float | None = None


def test_keys_are_fields_and_what_is_told_besides():
    found = Told(None, np.array([np.float64(1.5), np.inf]), {"more": Pair(np.int64(3), ())})
    # None is null, unless it is the default that a field still holds
    assert plain(found) == {
        "value": None, "array": [1.5, math.inf], "more": {"left": 3, "right": []},
    }  # fmt: skip
    whole = plain(Told(2.0, np.float64(0.1), {"null": None}, 4.0))
    assert whole == {"value": 2.0, "array": 0.1, "spare": 4.0, "null": None}
    assert encode_json(whole) == '{"value": 2.0, "array": 0.1, "spare": 4.0, "null": null}'
