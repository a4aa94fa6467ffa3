"""What a run leaves, at hand in Python and shown in a notebook as on the first page."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from percsim.boxes.folder import refuse_torn, results_folder
from percsim.boxes.store import decode_json
from percsim.errors import FolderError
from percsim.first_page import FirstPage, read_first_page
from percsim.report.rows import data_frame
from percsim.report.shown import first_html
from percsim.words.first import state_line

__all__ = ["Result", "open_folder"]


@dataclass(frozen=True, slots=True, repr=False)
class Result:
    """What a run leaves.

    Parameters
    ----------
    summary : dict
        What `summary.json` holds.
    folder : Path
        The results folder.
    figure_failures : tuple of str
        Figures that could not be drawn, and why.
    recomputed : tuple of str
        Rows of the store that were found damaged; what of them the plan needs was computed
        again.

    """

    summary: dict[str, Any]
    folder: Path
    figure_failures: tuple[str, ...] = ()
    recomputed: tuple[str, ...] = ()

    @property
    def first(self) -> FirstPage:
        """What stands on the first page."""
        return read_first_page(self.summary["first_page"])

    @property
    def candidates(self) -> Any:
        """Every candidate, a pandas DataFrame with the units in `attrs`."""
        return data_frame(self.folder / "candidates.csv")

    @property
    def castings(self) -> Any:
        """Castings drawn of every candidate, a pandas DataFrame."""
        return data_frame(self.folder / "castings.csv")

    @property
    def boxes(self) -> Any:
        """Simulated boxes at rest, a pandas DataFrame."""
        return data_frame(self.folder / "boxes.csv")

    @property
    def responses(self) -> Any:
        """Boxes at every strain and temperature, a pandas DataFrame."""
        return data_frame(self.folder / "responses.csv")

    def __repr__(self) -> str:
        return f"{state_line(self.first)}. In {self.folder}"

    def _repr_html_(self) -> str:
        """Show state, cups, table and plot in a notebook."""
        return first_html(self.first)


def open_folder(folder: str | os.PathLike[str]) -> Result:
    """Open what a run has left.

    Parameters
    ----------
    folder : path
        A results folder.

    Returns
    -------
    Result
        As `run_plan` returned it.

    Raises
    ------
    FolderError
        If it holds no results, those of another version, or files of two runs.

    Examples
    --------
    >>> import percsim as ps
    >>> ps.open_folder("out/patch").candidates  # doctest: +SKIP

    """
    folder = results_folder(folder)
    refuse_torn(folder)
    try:
        summary = decode_json((folder / "summary.json").read_text(encoding="utf-8"))
        read_first_page(summary["first_page"])
    except (OSError, ValueError, LookupError, TypeError, RecursionError) as error:
        raise FolderError(
            f"{folder} holds no results to read ({type(error).__name__} in summary.json); "
            "give a folder that 'percsim run' has finished"
        ) from error
    return Result(summary, folder)
