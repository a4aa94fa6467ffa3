"""Compiled loops: arrays that grow."""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["longer"]


@njit(cache=True, nogil=True, error_model="numpy")
def longer(values, used, size):  # type: ignore[no-untyped-def]
    """Copy the first `used` values into a new array (size,).

    A loop: an assigned slice takes numba seconds to compile.
    """
    more = np.empty(size, values.dtype)
    for k in range(used):
        more[k] = values[k]
    return more
