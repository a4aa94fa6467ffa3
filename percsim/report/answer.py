"""What a summary lacks, in sentences."""

from __future__ import annotations

from percsim.quantities import listed
from percsim.report.candidates import Summary

__all__ = ["left_out"]


def left_out(summary: Summary) -> list[str]:
    """Sentences on boxes that the numbers lack: failed ones, and damaged rows."""
    again = "The command of the run tries them again."
    failed, damaged = summary.get("failed_boxes") or [], summary.get("damaged_rows") or []
    lines = []
    if failed:
        lines.append(
            f"Boxes that failed and are left out: {len(failed)}, the first of them by "
            f"{failed[0].get('message')}. {again}"
        )
    if damaged:
        lines.append(
            f"Stored rows that are damaged and left out: {listed(damaged, most=5)}. {again}"
        )
    return lines
