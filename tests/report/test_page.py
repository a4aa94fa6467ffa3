"""The page: whole, self-contained, escaped, and the decision first."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from percsim.boxes.store import encode_json
from percsim.quantities import sentence, simulation_error, with_error
from percsim.report import write_report
from percsim.report.chapters import CHAPTERS
from percsim.report.figures import Drawing
from percsim.report.page import SECTIONS, render_page

PLAIN = [name for name, _ in SECTIONS if name not in {c.anchor for c in CHAPTERS}]
"""Sections of every page; chapters come when the summary has their key."""

VOID = {"meta", "link", "img", "br", "hr", "input"}


class Reader(HTMLParser):
    """Collects text, tags and attributes, and holds that tags nest."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.stack, self.tags, self.ids, self.text, self.faults = [], [], [], [], []
        self.feed(text)
        self.close()
        self.faults += self.stack

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if "id" in dict(attrs):
            self.ids.append(dict(attrs)["id"])
        if tag not in VOID:
            self.stack.append(tag)

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.faults.append(f"</{tag}>")

    def handle_data(self, data):
        if "style" not in self.stack:
            self.text.append(data)

    @property
    def words(self):
        return re.sub(r"\s+", " ", " ".join(self.text))


def external(reader):
    """What the page would fetch: nothing but data inside it and anchors of its own."""
    found = []
    for tag, attrs in reader.tags:
        for name in (
            "src",
            "href",
            "srcset",
            "data",
            "action",
            "poster",
            "xlink:href",
            "background",
        ):
            value = attrs.get(name)
            if value and not value.startswith(("data:", "#")):
                found.append((tag, name, value))
        if "url(" in (attrs.get("style") or ""):
            found.append((tag, "style", attrs["style"]))
    return found


@pytest.fixture(scope="module")
def page(tmp_path_factory, invented, sample):
    made = invented()
    folder = tmp_path_factory.mktemp("run")
    report = write_report(folder, made.summary, made.tables(), sample)
    return made, folder, report, Reader(report.page.read_text())


def rendered(summary, drawings=()):
    reader = Reader(render_page(summary, drawings))
    assert not reader.faults
    return reader


def test_page_is_whole_and_asks_nothing_of_a_network(page):
    _, folder, report, reader = page
    assert report.failures == ()
    assert not reader.faults
    assert external(reader) == []
    assert "script" not in {tag for tag, _ in reader.tags}
    source = report.page.read_text()
    style = source[source.index("<style>") : source.index("</style>")]
    assert "@import" not in style
    assert "url(" not in style
    assert "default-src 'none'" in source
    assert {p.name for p in folder.iterdir()} == {
        "boxes.csv",
        "responses.csv",
        "castings.csv",
        "figures",
        "report.html",
    }
    assert {p for p in folder.rglob("*") if p.is_file()} == set(report.files)


def test_every_figure_is_on_the_page_and_in_the_folder(page):
    _, folder, _, reader = page
    pictures = [attrs for tag, attrs in reader.tags if tag == "img"]
    assert len(pictures) == len(list((folder / "figures").glob("*.png"))) == 8
    assert all(p["src"].startswith("data:image/png;base64,") for p in pictures)
    assert all(p["alt"] and int(p["width"]) > 900 for p in pictures)


def test_sections_come_in_order_with_the_decision_first(page):
    *_, reader = page
    wanted = ["decision", "assumed", "margins", "refused", *PLAIN]
    order = [name for name in reader.ids if name in wanted]
    assert order == wanted
    anchors = {
        a["href"][1:] for t, a in reader.tags if t == "a" and a["href"].startswith("#")
    }
    assert anchors <= set(reader.ids)
    assert len(reader.ids) == len(set(reader.ids))


def test_the_page_says_what_the_summary_holds(page):
    made, *_, reader = page
    best = made.summary["candidates"][made.summary["chosen"]]
    words = reader.words
    assert "What to do next" in words
    headline = words.index(made.summary["decision"]["text"].replace("\xa0", " "))
    assert headline < words.index("1/g0") < words.index("Margin to each target")
    assert f"{best['resistance_ohm']['median'] / 1e3:.2f} kohm" in words
    assert made.summary["command"] in words
    assert words.rindex(made.summary["command"]) > words.index("Repeat this run")
    for entry in (
        *made.summary["not_modelled"],
        *made.summary["cautions"],
        *made.summary["reasons"],
    ):
        assert sentence(entry).replace("\u00a0", " ") in words
    for entry in made.summary["assumptions"]:
        assert entry["name"] in words
        assert entry["source"] in words
    assert words.count("no substitute") == 1
    # every candidate but the chosen is refused with its reason
    assert words.count("% of castings pass, 80 % asked") == sum(
        bool(c["refused_because"]) for c in made.summary["candidates"]
    )


def test_simulation_errors_stand_beside_what_castings_scatter(page):
    made, *_, reader = page
    best = made.summary["candidates"][made.summary["chosen"]]
    cards = reader.words[: reader.words.index("What this rests on")]
    level, factor = best["resistance_ohm"], best["gauge_factor"]
    for error in (
        simulation_error(level["standard_error"], "ohm", level["median"]),
        simulation_error(factor["standard_error"]),
        simulation_error(best["resistance_cv_se"], "fraction"),
    ):
        assert error.startswith("simulation ± ")
        assert error in cards
    table = reader.words[reader.words.index("Every candidate") :]
    assert with_error(factor["median"], factor["standard_error"]) in table
    assert "Base to curing agent 7:1 by mass." in table


def test_an_open_film_reads_nothing(invented):
    made = invented(weight_fractions=(0.14,), gaps=(3e-3,))
    words = rendered(made.summary).words
    readout = words[words.index("Readout at the supply") : words.index("For the median")]
    assert "14 3 open open – – – –" in readout
    assert "3.3" not in readout


def test_mix_ratios_that_differ_have_a_column(invented):
    made = invented(weight_fractions=(0.26, 0.30), gaps=(3e-3,))
    made.summary["candidates"][0]["mix_ratio"] = 10.0
    words = rendered(made.summary).words
    assert "base : agent by mass" in words
    assert "10:1" in words
    assert "Base to curing agent" not in words


def test_text_of_the_plan_is_escaped(invented):
    made = invented()
    evil = '<script>alert("x")</script>'
    made.summary["title"] = evil
    made.summary["plan"]["title"] = evil
    made.summary["command"] = f"percsim run {evil} --out 'a & b'"
    made.summary["reasons"] = [evil]
    made.summary["assumptions"][0]["source"] = "<img src=https://example.invalid/x.png>"
    made.summary["weigh_out"]["grams"] = {evil: 1.0, "base": 2.0}
    made.summary["failed_boxes"] = [{"box": 3, "error": evil}]
    made.summary["candidates"][0]["refused_because"] = [evil]
    made.summary["candidates"][0]["margins"][0]["target"] = evil
    drawing = Drawing("network", evil, note=evil, failed=True)
    reader = rendered(made.summary, [drawing])
    assert external(reader) == []
    assert {"script", "img"}.isdisjoint(tag for tag, _ in reader.tags)
    assert reader.words.count(evil) >= 8


def test_none_meets_the_target(invented):
    made = invented(limits=(40.0, 60.0))
    words = rendered(made.summary).words
    assert "No decision" in words
    assert made.summary["decision"]["text"] in words
    assert "What would have to change" in words
    assert sentence(made.summary["what_would_have_to_change"][0]) in words
    assert "Cast " not in words[: words.index("Margin")]


@pytest.mark.parametrize(
    "made",
    [
        {"weight_fractions": (0.12, 0.14)},
        {"weight_fractions": (0.30,), "gaps": (3e-3,), "temperatures": (293.15,)},
    ],
    ids=["all open", "one candidate"],
)
def test_unusual_runs_have_every_section(tmp_path, invented, made, monkeypatch):
    from percsim.report import figures

    monkeypatch.setattr(figures, "DPI", 60)
    run = invented(**made)
    report = write_report(tmp_path, run.summary, run.tables())
    assert report.failures == ()
    reader = Reader(report.page.read_text())
    assert not reader.faults
    assert set(PLAIN) <= set(reader.ids)
    assert "nan" not in reader.words.lower().split()
    if "temperatures" not in made:
        assert "open" in reader.words


def test_page_of_a_summary_read_back_is_the_same(invented):
    made = invented()
    back = json.loads(encode_json(made.summary))
    assert render_page(back, []) == render_page(made.summary, [])


def test_an_unfinished_run_says_so_and_an_empty_one_is_still_a_page(invented):
    made = invented()
    assert "not complete" not in rendered(made.summary).words
    made.summary["complete"] = False
    assert "This run is not complete" in rendered(made.summary).words
    assert "No candidate was evaluated" in rendered({}).words


def test_the_closing_caution_is_said_once_and_tolerances_in_one_word(invented):
    made = invented(weight_fractions=(0.3,), gaps=(3e-3,))
    made.summary["cautions"] = ["A simulation is no substitute for a test."]
    made.summary["assumptions"] += [
        {
            "name": f"tolerance of {x}",
            "symbol": f"tau_{x}",
            "value": 1.0,
            "basis": "assumed",
        }
        for x in ("gap", "width")
    ]
    words = rendered(made.summary).words
    assert words.count("no substitute") == 1
    assert "Also assumed: beta, delta_b, the bench tolerances." in words


def test_a_broken_figure_becomes_a_note_and_is_reported(
    tmp_path, invented, caplog, monkeypatch
):
    from percsim.report import figures

    def broken(_):
        raise RuntimeError("ink <ran> out")

    made = invented(weight_fractions=(0.26, 0.30), gaps=(3e-3,))
    kept = {name: figures.FIGURES[name] for name in ("pass_map", "castings")}
    kept["pass_map"] = type(kept["pass_map"])(broken, kept["pass_map"].caption)
    monkeypatch.setattr(figures, "FIGURES", kept)
    report = write_report(tmp_path, made.summary, made.tables())
    assert len(report.failures) == 1
    assert "ink <ran> out" in report.failures[0]
    assert "pass_map" in caplog.text
    reader = Reader(report.page.read_text())
    assert "Not drawn: RuntimeError: ink <ran> out" in reader.words
    assert not (tmp_path / "figures" / "pass_map.png").exists()
    assert (tmp_path / "figures" / "castings.png").exists()
    assert (tmp_path / "boxes.csv").exists()


def test_pictures_that_cannot_be_saved_are_still_on_the_page(
    tmp_path, invented, monkeypatch
):
    from percsim.report import figures

    monkeypatch.setattr(figures, "FIGURES", {"pass_map": figures.FIGURES["pass_map"]})
    made = invented(weight_fractions=(0.30,), gaps=(3e-3,))
    (tmp_path / "figures").write_text("a file where the folder should be")
    report = write_report(tmp_path, made.summary, made.tables())
    assert len(report.failures) == 1
    assert "pass_map" in report.failures[0]
    assert "data:image/png" in report.page.read_text()
    assert (tmp_path / "castings.csv").exists()


def test_a_page_that_breaks_keeps_the_old_one_and_the_rows(tmp_path, invented, monkeypatch):
    from percsim.report import figures
    from percsim.report import page as page_module

    made = invented(weight_fractions=(0.30,), gaps=(3e-3,))
    (tmp_path / "report.html").write_text("old")

    def broken(*_):
        raise RuntimeError("template")

    monkeypatch.setattr(page_module, "render_page", broken)
    monkeypatch.setattr(figures, "draw", lambda _: iter(()))
    with pytest.raises(RuntimeError, match="template"):
        write_report(tmp_path, made.summary, made.tables())
    assert (tmp_path / "report.html").read_text() == "old"
    assert (tmp_path / "castings.csv").exists()
    assert not list(tmp_path.rglob("*.part"))


def test_weigh_out_masses_add_up_and_every_entry_is_there(page):
    made, *_, reader = page
    sheet = made.summary["weigh_out"]
    words = reader.words
    read = sum(sheet["readings_g"].values())
    assert f"total {sum(sheet['grams'].values()):.3f} {read:.2f}" in words
    assert "filler, of the masses on the balance 34.010 ± 0.060 wt%" in words
    assert f"filler by volume {100 * sheet['volume_fraction']:.3f} ± 0.040 vol%" in words
    assert "on the balance 7.020 ± 0.030 : 1" in words
    assert "share that stays in the cup and on the tools 10 %" in words
    assert "base : curing agent by mass 7:1" in words
    assert "solvent" not in words  # there is none
    assert sentence(sheet["cautions"][0]) in words
    made = made.copy()
    made.summary["weigh_out"] |= {"solvent": "a thinner", "wet_over_dry": 1.6}
    assert "thickness as spread over thickness when dry 1.6" in rendered(made.summary).words


def test_the_box_says_what_one_film_cannot_tell(invented):
    made = invented()
    assert "cannot tell g0 from aspect ratio" not in rendered(made.summary).words
    for row in made.summary["assumptions"]:
        if row["symbol"] == "phi_c":
            row["source"] = "simulated; aspect ratio assumed, so the real one may differ"
    words = rendered(made.summary).words
    at = words.index("Films of one loading cannot tell g0 from aspect ratio")
    assert words.index("What this rests on") < at < words.index("Margin to each target")


def test_a_tunnelling_plan_reads_nothing_of_the_opening_law(invented):
    made = invented()
    made.summary["assumptions"] = [
        {"name": "contact area", "symbol": "contact_area", "value": 100.0, "unit": "nm2",
         "basis": "assumed", "source": "", "effect": ""},
    ]  # fmt: skip
    for key in ("reasons", "not_modelled", "cautions"):
        made.summary[key] = []
    made.summary["plan"] = {}
    words = rendered(made.summary).words
    assert "The contact area of 100 nm2 is assumed" in words
    for name in ("g0", "beta", "delta_b", "lambda_T"):
        assert name not in words, name


def test_every_gauge_factor_of_the_tables_carries_its_error(page):
    made, *_, reader = page
    refused = reader.words[reader.words.index("The alternatives") :]
    refused = refused[: refused.index("Resistance against weight fraction")]
    full = reader.words[reader.words.index("Every candidate") :]
    for k, c in enumerate(made.summary["candidates"]):
        if not np.isfinite(c["resistance_ohm"]["median"]):
            continue
        factor = with_error(
            c["gauge_factor"]["median"], c["gauge_factor"]["standard_error"]
        )
        assert "±" in factor
        assert factor in full
        assert k == made.summary["chosen"] or factor in refused


@pytest.mark.parametrize(
    ("window", "said"),
    [
        ((0.0, 3e-3), "comes from the curve of R against strain at 1000 microstrain"),
        ((0.0, 5e-4), "chord to the end of the strain window, 500 microstrain, carried on"),
        ((-2e-3, 5e-4), "chord to the end of the strain window, -2000 microstrain"),
    ],
)
def test_the_readout_says_where_the_signal_is_read(invented, window, said):
    made = invented()
    made.summary["window"] = {"min": window[0], "max": window[1], "chord": window[1]}
    assert said in rendered(made.summary).words


def test_the_sheet_says_what_jamming_and_thickening_rest_on(page):
    words = page[-1].words
    sheet = words[words.index("Weigh-out sheet") : words.index("Every candidate")]
    assert "estimate from its aspect ratio alone" in sheet
    assert "(1 - solids/jamming)^-2" in sheet


def test_a_margin_within_its_error_is_said_on_the_page(invented):
    made = invented()
    assert "within its simulation error" not in rendered(made.summary).words
    best = made.summary["candidates"][made.summary["chosen"]]
    best["margins"][0]["within_error"] = True
    assert rendered(made.summary).words.count("within its simulation error") == 1
