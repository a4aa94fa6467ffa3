"""The sheet of a cup: what to weigh and cast, what it will read, blanks for what was read.

`plan.readings` reads it back once it is filled in.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from percsim.decision.outlook import Band
from percsim.first_page import Cups, FirstPage
from percsim.plan import Plan
from percsim.plan.axes import AXES
from percsim.plan.readings import FILM, STRAINED, WEIGHED
from percsim.quantities import grams, mix

__all__ = ["cup_sheet"]

BLANKS = (
    "resistance (ohm)", "strain (microstrain)", f"{STRAINED} (ohm)", "temperature (C)",
)  # fmt: skip
"""What is read of a film."""


def cup_sheet(plan: Plan, page: FirstPage) -> str:
    """Lay out the cups to cast as comma-separated text, a row a film.

    Parameters
    ----------
    plan : Plan
        The plan, with all its mixes.
    page : FirstPage
        What is decided.

    Returns
    -------
    str
        A heading and the rows; a remark where there is nothing to cast.

    """
    rows = [
        row
        for k, cup in enumerate(page.cups, page.cast_before + 1)
        for row in _rows(plan, cup, f"cup {k}")
    ]
    if not rows:
        return "# no cup to cast: nothing here will do\n"
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _rows(plan: Plan, cup: Cups, name: str) -> Iterable[dict[str, object]]:
    own = next(m for m in plan.mixes if m.mix_words(plan.varying) == cup.mix)
    gaps = [films for films in cup.films for _ in range(films.films)]
    for k, films in enumerate(gaps, 1):
        yield {
            "cup": name,
            FILM: k,
            "weight_fraction (wt%)": f"{100.0 * cup.weight_fraction:.6g}",
            "mix_ratio": mix(cup.mix_ratio),
            **{key: AXES[key].written(value) for key, value in own.mix},
            "electrode_gap (mm)": f"{1e3 * films.electrode_gap:.6g}",
            **{f"weigh {p.name} (g)": grams(p.reading, cup.step) for p in cup.parts},
            **_expected(films.resistance),
            "lot": "",
            **{f"{WEIGHED} {part.name} (g)": "" for part in cup.parts},
            # the pull that the gauge factor is asked of
            "pull": plan.target.pull,
            **dict.fromkeys(BLANKS, ""),
        }


def _expected(band: Band) -> dict[str, str]:
    ends = {"resistance": band.median, "5 %": band.p05, "95 %": band.p95}
    return {
        f"expected {name} (ohm)": f"{float(f'{end:.3g}'):g}" for name, end in ends.items()
    }
