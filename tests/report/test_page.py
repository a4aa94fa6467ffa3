"""The page: whole, self-contained, escaped, and the decision first."""

from __future__ import annotations

import json

import pytest
from reference.findings import findings
from report.reader import Reader, external

from percsim.boxes.store import encode_json
from percsim.first_page import read_first_page
from percsim.packing import plain
from percsim.report import drawings, write_report
from percsim.report.chapters import chapters_of
from percsim.report.figures import Drawing
from percsim.report.page import render_page
from percsim.words.first import state_line


@pytest.fixture(scope="module")
def page(tmp_path_factory, invented, sample):
    made = invented()
    made.summary["first_page"] = plain(findings().first)
    folder = tmp_path_factory.mktemp("run")
    report = write_all(folder, made, sample)
    return made, folder, report, Reader(report.page.read_text())


def write_all(folder, made, sample=None):
    tables = made.tables()
    return write_report(
        folder, made.summary, tables, drawings(made.summary, tables, sample)
    )


def rendered(summary, drawings=()):
    reader = Reader(render_page(summary, chapters_of(summary), drawings))
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
    made, folder, _, reader = page
    pictures = [attrs for tag, attrs in reader.tags if tag == "img"]
    names = {c.figure for c in chapters_of(made.summary) if c.figure}
    assert names == {path.stem for path in (folder / "figures").glob("*.png")}
    assert len(pictures) == len(names) >= 3
    assert all(p["src"].startswith("data:image/png;base64,") for p in pictures)
    assert all(p["alt"] and int(p["width"]) > 600 for p in pictures)


def test_every_chapter_is_a_heading_that_opens(page):
    made, *_, reader = page
    chapters = chapters_of(made.summary)
    details = [attrs for tag, attrs in reader.tags if tag == "details"]
    assert [attrs["id"] for attrs in details] == [c.anchor for c in chapters]
    assert not any("open" in attrs for attrs in details)
    assert [tag for tag, _ in reader.tags].count("summary") == len(chapters)
    assert reader.ids.index("first") < reader.ids.index("all")
    anchors = {
        a["href"][1:] for t, a in reader.tags if t == "a" and a["href"].startswith("#")
    }
    # the way to open all of them, on screen and on paper
    assert "all" in anchors <= set(reader.ids)
    assert len(reader.ids) == len(set(reader.ids))


def test_the_page_says_what_the_summary_holds(page):
    made, *_, reader = page
    words = reader.words
    assert state_line(read_first_page(made.summary["first_page"])) in words
    assert made.summary["command"] in words
    for entry in (*made.summary["not_modelled"], *made.summary["cautions"]):
        assert words.count(entry) == 1
    for entry in made.summary["assumptions"]:
        assert entry["name"] in words
        assert entry["source"] in words


def test_mix_ratios_that_differ_have_a_column(invented):
    made = invented(weight_fractions=(0.26, 0.30), gaps=(3e-3,))
    assert "base : agent" not in rendered(made.summary).words
    made.summary["candidates"][0]["mix_ratio"] = 10.0
    words = rendered(made.summary).words
    assert "base : agent" in words
    assert "10:1" in words


def test_text_of_the_plan_is_escaped(invented):
    made = invented()
    evil = '<script>alert("x")</script>'
    made.summary["title"] = evil
    made.summary["command"] = f"percsim run {evil} --out 'a & b'"
    made.summary["cautions"] = [evil]
    made.summary["assumptions"][0]["source"] = "<img src=https://example.invalid/x.png>"
    made.summary["weigh_out"]["grams"] = {evil: 1.0, "base": 2.0}
    made.summary["failed_boxes"] = [{"box": 3, "message": evil}]
    made.summary["not_modelled"] = [evil]
    drawing = Drawing("loadings", note=evil, failed=True)
    reader = rendered(made.summary, [drawing])
    assert external(reader) == []
    assert {"script", "img"}.isdisjoint(tag for tag, _ in reader.tags)
    assert reader.words.count(evil) >= 6


def test_none_meets_the_target(invented):
    made = invented(limits=(40.0, 60.0))
    words = rendered(made.summary).words
    assert "meets every limit as planned" in words
    assert "comes nearest" in words


@pytest.mark.parametrize(
    "made",
    [
        {"weight_fractions": (0.12, 0.14)},
        {"weight_fractions": (0.30,), "gaps": (3e-3,), "temperatures": (293.15,)},
    ],
    ids=["all open", "one candidate"],
)
def test_unusual_runs_have_a_page(tmp_path, invented, made, monkeypatch):
    from percsim.report import figures

    monkeypatch.setattr(figures, "DPI", 60)
    run = invented(**made)
    report = write_all(tmp_path, run)
    assert report.failures == ()
    reader = Reader(report.page.read_text())
    assert not reader.faults
    assert {"candidates", "loadings", "boxes"} <= set(reader.ids)
    assert "nan" not in reader.words.lower().split()
    if "temperatures" not in made:
        assert "open" in reader.words


def test_page_of_a_summary_read_back_is_the_same(invented):
    made = invented()
    back = json.loads(encode_json(made.summary))
    pages = [render_page(s, chapters_of(s), []) for s in (back, made.summary)]
    assert pages[0] == pages[1]


def test_an_unfinished_run_says_so_and_an_empty_one_is_still_a_page(invented):
    made = invented()
    assert "not complete" not in rendered(made.summary).words
    made.summary["complete"] = False
    assert "This run is not complete" in rendered(made.summary).words
    assert "Nothing was evaluated" in rendered({}).words


def test_a_broken_figure_becomes_a_note_and_is_reported(
    tmp_path, invented, caplog, monkeypatch
):
    from percsim.report import figures

    def broken(_):
        raise RuntimeError("ink <ran> out")

    made = invented(weight_fractions=(0.26, 0.30), gaps=(3e-3,))
    entry = figures.FigureEntry(broken, ("candidates",))
    monkeypatch.setattr(figures, "FIGURES", {**figures.FIGURES, "loadings": entry})
    report = write_all(tmp_path, made)
    assert len(report.failures) == 1
    assert "ink <ran> out" in report.failures[0]
    assert "loadings" in caplog.text
    reader = Reader(report.page.read_text())
    assert "Not drawn: RuntimeError: ink <ran> out" in reader.words
    assert not (tmp_path / "figures" / "loadings.png").exists()
    assert (tmp_path / "figures" / "castings.png").exists()
    assert (tmp_path / "boxes.csv").exists()


def test_pictures_that_cannot_be_saved_are_still_on_the_page(tmp_path, invented):
    made = invented(weight_fractions=(0.30,), gaps=(3e-3,))
    (tmp_path / "figures").write_text("a file where the folder should be")
    report = write_all(tmp_path, made)
    assert any("castings" in failure for failure in report.failures)
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
    monkeypatch.setattr(figures, "draw", lambda *_: iter(()))
    with pytest.raises(RuntimeError, match="template"):
        write_all(tmp_path, made)
    assert (tmp_path / "report.html").read_text() == "old"
    assert (tmp_path / "castings.csv").exists()
    assert not list(tmp_path.rglob("*.part"))


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
    assert "contact area" in words
    for name in ("g0", "beta", "delta_b", "lambda_T"):
        assert name not in words, name
