"""Print percsim's numbers beside published ones: `python -m benchmarks.published`.

Columns: system and quantity, published value, computed value with its standard error, how
many standard errors apart (of both sides together) and by what share, and the source. An
allowance is a relative difference granted for a reason, printed below the table as remarks
are, such as values published before that of the row. `--effort` multiplies the number of
samples (1: the fast tests; 10: the slow ones), `--markdown` prints the table of the text,
and words select rows by their id.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
import tomllib
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent / "tests"
sys.path.insert(0, str(TESTS))

from published.cases import compute  # noqa: E402


def main() -> None:
    """Compute and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("words", nargs="*", help="only rows whose id holds one of these")
    parser.add_argument(
        "--effort", type=int, default=4, help="samples, 1 as in the fast tests"
    )
    parser.add_argument("--markdown", action="store_true", help="print a Markdown table")
    options = parser.parse_args()
    sheet = tomllib.loads((TESTS / "published" / "values.toml").read_text())
    rows = sheet["value"]
    if options.words:
        rows = [r for r in rows if any(word in r["id"] for word in options.words)]
    if options.markdown:
        print("| system | quantity | published | computed | s.e. apart | source |")
        print("|---|---|---|---|---|---|")
    else:
        print(
            f"{'system, quantity':78} {'published':>13} {'computed':>13} {'s.e.':>9}"
            f" {'apart':>6} {'%':>8}      source"
        )
    start = time.perf_counter()
    within = 0
    notes = []
    for row in rows:
        e = compute(row["id"], options.effort)
        apart = e.deviation_from(row["value"], row["uncertainty"])
        share = 100.0 * (e.value / row["value"] - 1.0)
        exact = abs(share) < 1e-6 and e.relative_error < 1e-6
        allowed = 100.0 * row.get("allowance", 0.0)
        error = math.hypot(e.standard_error, row["uncertainty"])
        inside = exact or abs(share) <= 400.0 * error / abs(row["value"]) + allowed
        within += inside
        mark = "" if inside else " !"
        if allowed:
            notes.append(f"{row['system']}: {allowed:g} % allowed, {row['reason']}")
        if "remark" in row:
            notes.append(f"{row['system']}: {row['remark']}")
        if allowed or "remark" in row:
            mark += " *"
        far = "exact" if exact else f"{apart:+.1f}" if math.isfinite(apart) else "-"
        if options.markdown:
            print(
                f"| {row['system']} | {row['quantity']} | {row['value']:.7g} |"
                f" {e} | {far}{mark} | {row['source']} |"
            )
        else:
            name = f"{row['system']}, {row['quantity']}"
            print(
                f"{name:78} {row['value']:13.7g} {e.value:13.7g} {e.standard_error:9.2g}"
                f" {far:>6} {share:+8.2g}{mark:4} {row['source']}",
                flush=True,
            )
    if any(row["source"] == "independent simulation" for row in rows):
        notes.append(sheet["independent"])
    print()
    for note in notes:
        print(f"* {note}")
    took = time.perf_counter() - start
    print(f"{within} of {len(rows)} within 4 standard errors and allowance, {took:.0f} s")


if __name__ == "__main__":
    main()
