"""Frozen dataclasses <-> text, for what a folder keeps; and their keys in a summary."""

from __future__ import annotations

import base64
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum, StrEnum
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

__all__ = ["of_plain", "pack", "plain", "unpack"]


def pack(value: Any) -> str:
    """Text of a value: dataclasses, tuples, arrays, numbers, strings, None.

    Parameters
    ----------
    value : object
        Dataclasses are named by their class, and read back by `unpack` alone.

    """
    arrays: dict[str, NDArray[Any]] = {}
    told = json.dumps(_told(value, arrays))
    arrays["told"] = np.frombuffer(told.encode(), dtype=np.uint8)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]
    return base64.b64encode(buffer.getvalue()).decode("ascii")


def unpack(text: str, classes: Mapping[str, type]) -> Any:
    """Read a value back.

    Parameters
    ----------
    text : str
        From `pack`.
    classes : mapping of str to type
        Dataclasses that it may hold, by name; nothing else is made.

    Raises
    ------
    ValueError
        If the text is damaged, or holds another class or other fields.

    """
    try:
        packed = io.BytesIO(base64.b64decode(text, validate=True))
        with np.load(packed, allow_pickle=False) as arrays:
            told = json.loads(arrays["told"].tobytes().decode())
            return _made(told, arrays, classes)
    except (
        ValueError,
        KeyError,
        TypeError,
        OSError,
        zipfile.BadZipFile,
        EOFError,
    ) as error:
        raise ValueError(f"cannot read a stored value: {error}") from error


def _told(value: Any, arrays: dict[str, NDArray[Any]]) -> Any:
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value
        return {"array": name}
    if is_dataclass(value) and not isinstance(value, type):
        kept = [f.name for f in fields(value) if f.init]
        parts = {name: _told(getattr(value, name), arrays) for name in kept}
        return {"class": type(value).__name__, "fields": parts}
    if isinstance(value, tuple | list):
        return {"tuple": [_told(part, arrays) for part in value]}
    if isinstance(value, Mapping):
        return {"mapping": {str(k): _told(v, arrays) for k, v in value.items()}}
    if value is None or isinstance(value, str | bool | int):
        return value
    return {"float": float(value).hex()}


def _made(told: Any, arrays: Any, classes: Mapping[str, type]) -> Any:
    if not isinstance(told, dict):
        return told
    if "array" in told:
        return arrays[told["array"]]
    if "tuple" in told:
        return tuple(_made(part, arrays, classes) for part in told["tuple"])
    if "mapping" in told:
        return {k: _made(v, arrays, classes) for k, v in told["mapping"].items()}
    if "float" in told:
        return float.fromhex(told["float"])
    parts = {k: _made(v, arrays, classes) for k, v in told["fields"].items()}
    return classes[told["class"]](**parts)


def plain(value: Any) -> Any:
    """Turn dataclasses, enumerations, tuples and arrays into what JSON knows.

    The keys of a dataclass are its fields. One that still holds its default, None, is left
    out; any other None is null. Keys that no Python reads need no field each: the mapping
    `_told` holds them, and they stand beside the others.
    """
    if is_dataclass(value) and not isinstance(value, type):
        kept = {
            f.name: plain(part)
            for f in fields(value)
            if (part := getattr(value, f.name)) is not None or f.default is not None
        }
        return kept | kept.pop("_told", {})
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    return value.item() if isinstance(value, np.generic) else value


def of_plain(kind: Any, told: Any) -> object:
    """Make a value of a type, dataclasses in it too, from what JSON tells of it."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        return None if told is None else of_plain(inner[0], told)
    if origin is tuple:
        return tuple(of_plain(inner[0], part) for part in told)
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(*(of_plain(hints[f.name], told[f.name]) for f in fields(kind)))  # type: ignore[operator]
    if kind is float or issubclass(kind, StrEnum):
        return kind(told)
    return told
