"""Text files that a person hands in: a plan, a table of readings or sizes."""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

__all__ = [
    "LARGEST", "lines_of_keys", "read_rows", "read_text", "rows_of", "split_heading",
]  # fmt: skip

LARGEST = 2_000_000
"""Bytes of the largest file that is read; a device without an end is refused by it."""

_MOST_COLUMNS = 200


def read_text(path: str | Path, largest: int = LARGEST) -> str:
    """Read a text file in UTF-8 of at most so many bytes.

    Raises
    ------
    ValueError
        If it cannot be read, is too large or no text; the message leaves the name out.

    """
    try:
        with Path(path).open("rb") as stream:
            raw = stream.read(largest + 1)
    except (OSError, MemoryError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise ValueError(f"cannot be read: {reason}") from None
    if len(raw) > largest:
        raise ValueError(f"is larger than {largest / 1e6:g} MB, which nothing here needs")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise ValueError(f"line {line} is not UTF-8 text; save the file as UTF-8") from None


def read_rows(path: str | Path, largest: int = LARGEST) -> list[tuple[int, list[str]]]:
    """Read a table: comma, semicolon or tab between cells, one line a row.

    Returns
    -------
    list of (int, list of str)
        Number of the line, counted from 1, and its cells; empty lines and those that begin
        with # are left out.

    Raises
    ------
    ValueError
        As `read_text`, and if a line is not CSV or names too many columns.

    """
    return rows_of(read_text(path, largest))


def rows_of(text: str) -> list[tuple[int, list[str]]]:
    """Rows of a table as `read_rows` gives them, of text that was read."""
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    between = max(",;\t", key=lines[0][1].count) if lines else ","
    rows = []
    for number, line in lines:
        try:
            cells = next(csv.reader([line], delimiter=between, strict=True))
        except csv.Error as error:
            raise ValueError(f"line {number} is not CSV: {error}") from None
        if len(cells) > _MOST_COLUMNS:
            raise ValueError(f"line {number} has more than {_MOST_COLUMNS} cells")
        rows.append((number, [cell.strip() for cell in cells]))
    return rows


def split_heading(text: str) -> tuple[str, str]:
    """Split a heading such as "resistance (kohm)" into name and unit, "" without one.

    Examples
    --------
    >>> split_heading("resistance (kohm)"), split_heading("note")
    (('resistance', 'kohm'), ('note', ''))

    """
    words = text.strip()
    name, bracket, unit = words.replace("[", "(", 1).partition("(")
    if not bracket or unit[-1:] not in (")", "]"):
        return words, ""
    return name.strip(), unit[:-1].strip()


def lines_of_keys(text: str) -> dict[str, int]:
    """Line of every table and key of TOML: "film", "film.width", "measured[2].films"."""
    found: dict[str, int] = {}
    section, entries = "", Counter[str]()
    for number, line in enumerate(text.splitlines(), 1):
        head = re.match(r"\s*\[(\[?)\s*([\w.]+)", line)
        key = re.match(r"\s*([\w.]+)\s*=", line)
        if head:
            section = head[2]
            found.setdefault(section, number)
            if head[1]:
                entries[section] += 1
                section = f"{section}[{entries[section]}]"
                found[section] = number
        elif key:
            found.setdefault(f"{section}.{key[1]}" if section else key[1], number)
    return found
