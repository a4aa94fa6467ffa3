"""Two folders side by side: in a few lines for the command line, and on a page."""

from __future__ import annotations

import math
from collections.abc import Sequence

from percsim.compare import Comparison, Difference
from percsim.decision.outlook import Band
from percsim.first_page import FirstPage
from percsim.quantities import columns, grams, sentence, spelt, weight
from percsim.report.shown import first_html, rendered, styles
from percsim.report.terminal import WIDTH, wrapped
from percsim.words.first import (
    HEADS,
    cause_cells,
    caution_lines,
    place,
    remark_lines,
    row_cells,
    state_line,
)

__all__ = ["basis_words", "compared_page", "compared_rows", "compared_text"]


def compared_rows(found: Comparison) -> list[tuple[str, ...]]:
    """Items of both first pages, and how far apart they are."""
    a, b = found.pages
    apart = {d.what: _apart(d) for d in found.differences}
    keys = ("", "resistance", "gauge_factor", "resistance_cv", "gauge_factor_cv",
            "probability", "")  # fmt: skip
    cells = [_best(page) for page in (a, b)]
    return [
        *(
            (head, x, y, apart.get(key, ""))
            for head, x, y, key in zip(HEADS, *cells, keys, strict=True)
        ),
        ("to weigh", *(_cup(page) for page in (a, b)), ""),
        ("own threshold", *(weight(_two(p.plot.threshold)) for p in (a, b)), ""),
        *(
            (f"scatter of R, {k + 1}.", *(_cause(page, k) for page in (a, b)), "")
            for k in range(max(len(a.causes), len(b.causes)))
        ),
    ]  # fmt: skip


def _two(band: Band) -> float:
    return float(f"{band.median:.3g}")


def _best(page: FirstPage) -> list[str]:
    row = next(row for row in page.rows if row.is_best)
    told = [" ".join(filter(None, cell)) for cell in row_cells(row, page)]
    return [place(page.best), *told[1:]]


def _cup(page: FirstPage) -> str:
    parts = (f"{grams(p.reading, c.step)} g {p.name}" for c in page.cups for p in c.parts)
    return ", ".join(parts) or "nothing"


def _cause(page: FirstPage, k: int) -> str:
    if k >= len(page.causes):
        return ""
    name, sigma, part, *_ = cause_cells(page.causes[k], page)
    return f"{name} ({sigma}): {part}"


def _apart(difference: Difference) -> str:
    """Write a difference with its 5-95 %: R as a ratio, shares in points."""
    band = difference.value
    if band is None:
        return "open too often"
    if difference.what == "resistance":
        digits = 3 if band.p95 < 1.1 * band.p05 else 2
        low, middle, high = (
            {0.0: "first open", math.inf: "second open"}.get(x, f"x {_plain(x, digits)}")
            for x in (band.p05, band.median, band.p95)
        )
    else:
        factor = 1.0 if difference.what == "gauge_factor" else 100.0
        low, middle, high = (_sign(x, factor) for x in (band.p05, band.median, band.p95))
    unit = "" if difference.what in ("resistance", "gauge_factor") else " points"
    return f"{middle} ({low} to {high}){unit}"


def _plain(value: float, digits: int) -> str:
    return f"{float(f'{value:.{digits}g}'):g}"


def _sign(value: float, factor: float) -> str:
    """Write a change to whole points, or to tenths of a gauge factor."""
    written = f"{factor * value:+.{0 if factor != 1.0 else 1}f}"
    return written if float(written) else "0"


def _own_cautions(pages: Sequence[FirstPage]) -> list[list[str]]:
    """Cautions that the other does not have."""
    told = [caution_lines(page) for page in pages]
    return [[x for x in told[k] if x not in told[1 - k]] for k in (0, 1)]


def basis_words(found: Comparison) -> str:
    """Say what the differences are taken at."""
    if found.shared:
        same = (
            "contacts, threshold and bench"
            if found.same_bench
            else "contacts and threshold"
        )
        return (
            f"Differences: 5-95 % by what is known; {same} are the same on both sides, "
            "unknown as they are (R of the films as planned)"
        )
    return (
        "Differences: 5-95 % by what is known; what is not known of one side has nothing "
        "to do with the other"
    )


def compared_text(found: Comparison, names: tuple[str, str]) -> str:
    """Put two folders side by side for the command line.

    Parameters
    ----------
    found : Comparison
        Of both.
    names : (str, str)
        What they are called.

    Returns
    -------
    str
        Lines of ASCII, without a final newline.

    """
    lines = []
    for name, page in zip(names, found.pages, strict=True):
        lines += wrapped(f"{name}: {state_line(page)}.")
    heads, rows = ("", *names, "second to first"), compared_rows(found)
    table = list(rows)
    while table and max(map(len, columns(heads, table))) > WIDTH:
        table.remove(max(table, key=lambda row: max(map(len, row))))
    lines += columns(heads, table) if table else []
    for head, *cells in (row for row in rows if row not in table):
        told = (f"{n} {x}" for n, x in zip(heads[1:], cells, strict=True) if x)
        lines += wrapped(f"{head}: {'; '.join(told)}", 2)
    lines += wrapped(sentence(basis_words(found)))
    for name, page, own in zip(names, found.pages, _own_cautions(found.pages), strict=True):
        lines += wrapped(f"{name}: {' '.join([*remark_lines(page), *own])}")
    return spelt("\n".join(lines))


def compared_page(found: Comparison, names: tuple[str, str]) -> str:
    """Render both first pages and what sets them apart as one HTML document."""
    return rendered(
        "compared.html.j2",
        style=styles(), names=names, rows=compared_rows(found),
        basis=sentence(basis_words(found)),
        pages=[first_html(page, styled=False) for page in found.pages],
    )  # fmt: skip
