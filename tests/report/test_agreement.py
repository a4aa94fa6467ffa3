"""A batch against its prediction, in the words of the command line."""

from __future__ import annotations

import re

from reference.findings import findings, plan_with

from percsim.advice import plan_readings
from percsim.findings.agreement import batch_agreement
from percsim.report.agreement import agreement_text

ROW = {"electrode_gap": "3 mm", "films": 3}
ROWS = [
    {**ROW, "weight_fraction": "22 wt%", "resistance": "open"},
    {**ROW, "weight_fraction": "26 wt%", "resistance": "4.4 kohm",
     "change": "8 %", "strain": "3000 microstrain"},
    {**ROW, "weight_fraction": "30 wt%", "resistance": "1.9 kohm"},
]  # fmt: skip


def test_agreement_in_words() -> None:
    rows = [{"weight_fraction": "30 wt%", "electrode_gap": "3 mm", "resistance": r}
            for r in ("1.7 kohm", "1.9 kohm", "open")]  # fmt: skip
    found = findings(ROWS)
    films = plan_readings(plan_with(rows))
    text = "\n".join(agreement_text(batch_agreement(found, films)))
    assert text.startswith(("Accept", "Doubtful", "Reject"))
    assert "3 films of 30 wt% at 3 mm gap, 1 of 3 open" in text
    assert "3 measured rows narrow the prediction" in text.replace("\n", " ")
    assert "Likeliest cause" in text
    assert max(map(len, text.splitlines())) <= 110


def test_a_cause_takes_no_more_away_than_there_is() -> None:
    rows = [{"weight_fraction": "30 wt%", "electrode_gap": "3 mm", "resistance": r}
            for r in ("18 kohm", "20 kohm", "17 kohm")]  # fmt: skip
    result = batch_agreement(findings(ROWS), plan_readings(plan_with(rows)))
    causes = {c["name"]: c for c in result["causes"]}
    ratio = result["gaps"][0]["measured_ohm"] / result["gaps"][0]["predicted_ohm"]["median"]
    assert ratio > 6.0
    for name in ("contact", "thickness"):
        # R goes as 1/g0 and 1/thickness: off by 1/ratio - 1, less what chance explains
        cause = causes[name]
        assert 1.0 / ratio - 1.0 < cause["off_by"] < -0.1
        assert -1.0 < cause["low"] < cause["off_by"] < cause["high"]
    assert causes["none"]["off_by"] == 0.0
    text = " ".join(agreement_text(result))
    percents = [float(x) for x in re.findall(r"off by ([+-][0-9.]+) %", text)]
    assert percents
    assert min(percents) > -100.0


def test_open_films_alone_have_no_likeliest_cause() -> None:
    rows = [{"weight_fraction": "34 wt%", "electrode_gap": "3 mm", "resistance": "open"}]
    found = findings(ROWS)
    text = " ".join(agreement_text(batch_agreement(found, plan_readings(plan_with(rows)))))
    assert "Open films alone do not tell causes apart" in text
    assert "nothing out of the ordinary" not in text
