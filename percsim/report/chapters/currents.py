"""What the currents tell: hot contacts, noise, estimates beside the answer, gradients."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from percsim.report.candidates import Row, Summary
from percsim.report.chapter import (
    Block,
    Chapter,
    FigureEntry,
    heading,
    paragraph,
    picture,
    table,
    table_block,
)
from percsim.report.series import Run
from percsim.report.style import (
    COPPER,
    MAIN,
    PALE,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    new_figure,
    plain_ticks,
)
from percsim.words import (
    estimate,
    length,
    number,
    percent,
    quantity,
    share,
    signed,
    two,
    weight,
)

__all__ = ["CURRENTS"]

WORDS = {
    "g0": "contact conductance, electrodes with it",
    "beta": "decay with opening",
    "delta_b": "opening at which a contact breaks",
    "lambda_T": "share of the thermal strain at contacts",
    "Ea": "activation energy",
    "threshold": "threshold of the film",
}
"""Parameters of the gradient table in words."""

SHORT = {
    "g0": "contact conductance",
    "beta": "decay",
    "delta_b": "breaking opening",
    "lambda_T": "thermal share",
    "Ea": "activation energy",
    "threshold": "threshold",
}

ESTIMATES = {
    "bottleneck": (
        "bottleneck",
        "conductance of the weakest contact on the path whose weakest is strongest; sets "
        "the scale when conductances span decades, which these do not",
    ),
    "critical_path": (
        "critical path",
        "that path alone, of all that carry current side by side",
    ),
    "effective_medium": (
        "effective medium",
        "every contact replaced by the effective-medium one in a uniform field; knows "
        "nothing of dead ends, so that it fails towards the threshold",
    ),
}
"""Estimates in words, and what each leaves out."""


def _value(row: Row) -> str:
    if row["parameter"] == "threshold":
        return f"{percent(row['value'])} vol%"
    return quantity(row["value"], {"g0": "S", "Ea": "J"}.get(row["parameter"], ""))


def _change(value: Any, factor: float = 1.0) -> str:
    """Write a change to two digits, as good as its error lets it be known."""
    x = number(value)
    if x is None or math.isinf(x):
        return "opens"
    return signed(two(x * factor)) if abs(x * factor) >= 5e-4 else "0"


def _power_sentence(currents: Summary) -> str:
    hot = currents["largest_contact_power_W"]
    mean, most = (quantity(hot[name], "W") for name in ("mean", "largest"))
    film, box = (quantity(currents[f"{name}_voltage_V"], "V") for name in ("film", "box"))
    at = (
        f"At the supply the film has {film} across at rest"
        if currents["supplied"]
        else "No supply is planned; with 1 V across the film"
    )
    return (
        f"{at}, of which a box of {length(currents['box_length_m'])} has its share "
        f"of the path, {box}. The contact that makes most heat in such a box "
        f"then makes {mean} on average and {most} in the "
        f"hottest of {currents['n_boxes']} boxes. The film holds "
        f"{currents['boxes_in_film']:.0f} times the volume of a box, so that its hottest "
        "contact may make more."
    )


def _open(currents: Summary) -> str:
    n_open = currents.get("n_open", 0)
    return f" ({n_open} more are open and carry none)" if n_open else ""


def _blocks(summary: Summary) -> Sequence[Block]:
    currents = summary["currents"]
    hottest, largest = (
        estimate(row, 100.0)
        for row in (currents["hottest_share"], currents["largest_share"])
    )
    noise = currents["noise_index_film"]
    of_film = estimate(noise, 1e6)
    rows = []
    for name, (label, leaves_out) in ESTIMATES.items():
        ratio = currents["estimates"][name]
        rows.append(
            (
                label,
                two(ratio["mean"]),
                f"{two(ratio['p05'])} to {two(ratio['p95'])}",
                leaves_out,
            )
        )
    blocks = [
        paragraph(
            f"From the {currents['n_boxes']} conducting boxes of "
            f"{length(currents['box_length_m'])} at "
            f"{weight(currents['weight_fraction'])}, at rest{_open(currents)}. The "
            f"hottest 1 % of the contacts on the backbone make {hottest} % of the heat (1 "
            f"% if all were alike), the hottest one {largest} %; +- is the standard error "
            "of the mean over the boxes. " + _power_sentence(currents)
        ),
        picture("currents"),
        paragraph(
            "Relative 1/f noise of the film over that of one contact, all contacts "
            f"fluctuating alike and apart: {of_film} millionths (+- as above; "
            f"{currents['noise_index_box']['mean']:.2g} for one box, and the film is many "
            "boxes which fluctuate apart). Times what one contact shows, it gives the "
            "film's noise; that amplitude is not predicted."
        ),
        heading("Estimates beside the full answer"),
        table_block(
            table(
                ("estimate", "#over the full answer", "#5-95 % of boxes", "~what it is"),
                rows,
                caption="Conductance of a box at rest, geometric mean over the boxes.",
            )
        ),
    ]
    if currents["gradient"]:
        blocks += _gradient_blocks(currents)
    return blocks


def _gradient_blocks(currents: Summary) -> list[Block]:
    rows = [
        (
            WORDS[row["parameter"]],
            _value(row),
            row["basis"],
            _change(row["log_slope"]),
            _change(row["resistance_change"], 100.0),
            _change(row["gauge_factor_change"]),
            two(row["gauge_factor_change_se"]),
        )
        for row in currents["gradient"]
    ]
    return [
        heading("What a tenth more of each parameter does"),
        table_block(
            table(
                (
                    "~parameter", "#as planned", "basis", "#d ln R / d ln p",
                    "#R for +10 %|%", "#gauge factor for +10 %", "#+-",
                ),
                rows,
            )
        ),
        paragraph(
            "Of the film as planned, at rest and 20 C, and for its chord gauge factor over "
            "the window. Contact conductance and activation energy act in closed form, the "
            "decay by the slope of every solved box; breaking opening, thermal share and "
            "threshold make and break contacts and come from boxes solved at other values. "
            "+- is the standard error that the change adds: scatter of those boxes and "
            "what they missed at settings kept out of the fit. The spread of these "
            "parameters themselves is far wider than a tenth where they are assumed."
        ),
    ]  # fmt: skip


def currents_figure(run: Run) -> Figure:
    """Draw the power of contacts from the hottest on, and the gradients."""
    currents = run.summary["currents"]
    gradient = currents["gradient"]
    figure = new_figure(3.1)
    if gradient:
        left, *right = figure.subplots(1, 3, width_ratios=(1.5, 1, 1))
    else:
        left, right = figure.subplots(1, 1), []
    points = [row for row in currents["power_by_contact"] if row["hottest"] > 0.0]
    x = 100.0 * np.array([row["hottest"] for row in points])
    mean, low, high = (
        100.0 * np.array([number(row[name]) or 0.0 for row in points])
        for name in ("mean", "p05", "p95")
    )
    floor = 1e-6 * mean.max()
    left.fill_between(
        x, np.maximum(low, floor), np.maximum(high, floor), color=PALE, lw=0, zorder=2
    )
    left.plot(x, np.maximum(mean, floor), "o-", color=MAIN, ms=4, lw=1.4, zorder=3)
    left.set_xscale("log")
    left.set_yscale("log")
    plain_ticks(left.xaxis)
    left.set_xlabel("contacts with more power, %")
    left.set_ylabel("power of one contact, % of its box")
    handles: list[Any] = [
        line_handle(color=MAIN, marker="o", ms=4, lw=1.4, label="mean over boxes"),
        area_handle(color=PALE, label="5-95 % of boxes"),
    ]
    keys = ("resistance_change", "gauge_factor_change")
    labels = ("change of R, %", "change of gauge factor")
    for axes, key, label in zip(right, keys, labels, strict=False):
        place = np.arange(len(gradient))
        scale = 100.0 if axes is right[0] else 1.0
        size = scale * np.array([number(row[key]) or 0.0 for row in gradient])
        error = scale * np.array([number(row.get(f"{key}_se")) or 0.0 for row in gradient])
        shown = np.isfinite(size) & np.isfinite(error)
        axes.barh(
            place[shown],
            size[shown],
            0.5,
            xerr=error[shown] if error[shown].any() else None,
            error_kw={"lw": 1.0, "capsize": 2.0},
            color=MAIN if axes is right[0] else COPPER,
            zorder=2,
        )
        axes.axvline(0.0, color="#66727d", lw=0.8, zorder=3)
        axes.set_yticks(place, [SHORT[row["parameter"]] for row in gradient])
        axes.set_ylim(len(gradient) - 0.5, -0.5)
        axes.set_xlabel(label)
        axes.grid(axis="y", visible=False)
        if axes is not right[0]:
            axes.set_yticklabels([])
    legend_above(figure, handles, 4)
    return figure


def _caption(run: Run) -> str:
    currents = run.summary["currents"]
    words = (
        "Left, power of single contacts at rest against the share of those carrying "
        "current that make more: mean and 5-95 % "
        f"over {currents['n_boxes']} boxes."
    )
    if currents["gradient"]:
        words += (
            " Middle and right, what a tenth more of each parameter does to R and to the "
            "chord gauge factor of the film; lines on bars are the standard error "
            "of the change from simulation."
        )
    return words


def _lines(summary: Summary) -> list[str]:
    currents = summary["currents"]
    hot = quantity(currents["largest_contact_power_W"]["largest"], "W")
    warm = share(currents["hottest_share"]["mean"])
    volt = quantity(currents["film_voltage_V"], "V")
    return [
        f"The hottest 1 % of the contacts make {warm} % of the heat, the hottest of "
        f"{currents['n_boxes']} boxes {hot} at {volt} across the film."
    ]


CURRENTS = Chapter(
    key="currents",
    anchor="currents",
    heading="What the currents tell",
    short="Currents",
    blocks=_blocks,
    figures={"currents": FigureEntry(currents_figure, _caption)},
    lines=_lines,
)
