"""What every section of the plan file is: keys, each with its words and its reader."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from percsim.plan.readers import Reader

__all__ = ["Section", "key", "reader_of"]


class Section(BaseModel):
    """Base of the sections: unknown keys are faults, defaults are read like values."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        validate_default=True,
    )


def key(text: str, default: Any = ..., *, example: Any = None) -> Any:
    """Field with its documentation; `example` is suggested when the key is missing."""
    return Field(
        default, description=text, examples=[default if example is None else example]
    )


def reader_of(section: type[Section], field: str) -> Reader:
    """Reader behind a field: what its documentation gives as range comes from it."""
    info = section.model_fields[field]
    for item in (*info.metadata, *_flatten(info.annotation)):
        if isinstance(item, Reader):
            return item
    raise TypeError(f"{section.__name__}.{field} has no reader")


def _flatten(annotation: Any) -> Iterator[Any]:
    yield from getattr(annotation, "__metadata__", ())
    for inner in getattr(annotation, "__args__", ()):
        if not isinstance(inner, str | int):
            yield from _flatten(inner)
