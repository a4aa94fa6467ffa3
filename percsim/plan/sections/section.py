"""What every section of the plan file is: keys, each with its reader and its words."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from itertools import pairwise
from typing import Any, TypeVar

from percsim.plan.readers import Reader

__all__ = ["Key", "Section", "key", "needed", "reader_of", "usual", "words_of"]

Stage = TypeVar("Stage")


@dataclass(frozen=True, slots=True)
class Key:
    """What a key of a section is.

    Parameters
    ----------
    reader : Reader
        Turns what stands in the file into SI, and back.
    needed : bool
        Whether the key has no default.
    default : object
        Default as the file writes it; None where it depends on other keys.
    example : object
        What the complete plan shows, and what is suggested when the key is missing.
    stage : str
        Name of the value in the stage type; "" for that of the key.

    """

    reader: Reader
    needed: bool
    default: Any
    example: Any
    stage: str = ""

    def read(self, value: Any) -> Any:
        """Value in SI; none where the key may be left out."""
        left_out = value is None and self.default is None and not self.needed
        return None if left_out else self.reader.read(value)


def key(reader: Reader, example: Any, stage: str = "") -> Any:
    """Field that may be left out; its words are the docstring below it."""
    what = Key(reader, False, None, example, stage)
    return field(default=None, metadata={"key": what})


def usual(reader: Reader, default: Any, stage: str = "") -> Any:
    """Field with a default, as the file writes it."""
    what = Key(reader, False, default, default, stage)
    return field(default=reader.read(default), metadata={"key": what})


def needed(reader: Reader, example: Any) -> Any:
    """Field without which there is no section."""
    return field(metadata={"key": Key(reader, True, None, example)})


@dataclass(frozen=True, slots=True)
class Section:
    """Base of the sections."""

    @classmethod
    def keys(cls) -> dict[str, Key]:
        """Keys of the section, in the order of a complete plan."""
        return {f.name: f.metadata["key"] for f in fields(cls)}

    def given(self) -> list[str]:
        """Keys that hold a value: those written, and those with a default."""
        return [name for name in self.keys() if getattr(self, name) is not None]

    def build(self, stage: type[Stage], **more: Any) -> Stage:
        """Make a stage type of the keys that it has too, and of what else is given."""
        taken = {f.name for f in fields(stage)}  # type: ignore[arg-type]
        own = {
            what.stage or name: getattr(self, name)
            for name, what in self.keys().items()
            if what.stage or name in taken
        }
        return stage(**own | more)

    def written(self, left_out: Mapping[str, Any]) -> dict[str, Any]:
        """Keys in bench units, with values in SI for those that were left out."""
        found = {}
        for name, what in self.keys().items():
            value = getattr(self, name)
            value = left_out.get(name) if value is None else value
            if value is not None:
                found[name] = what.reader.write(value)
        return found


def reader_of(section: type[Section], name: str) -> Reader:
    """Reader behind a key: what its documentation gives as range comes from it."""
    return section.keys()[name].reader


def words_of(section: type[Section]) -> dict[str, str]:
    """Words of every key of a section: the docstring below it in the source."""
    (node,) = ast.parse(inspect.getsource(section)).body
    assert isinstance(node, ast.ClassDef)
    return {
        ast.unparse(above.target): " ".join(below.value.value.split())
        for above, below in pairwise(node.body)
        if isinstance(above, ast.AnnAssign)
        and isinstance(below, ast.Expr)
        and isinstance(below.value, ast.Constant)
        and isinstance(below.value.value, str)
    }
