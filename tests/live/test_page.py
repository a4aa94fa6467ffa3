"""The page by a user's paths: what it says is what a run of the saved plan says."""

from __future__ import annotations

import json
import shutil
import sys

import numpy as np
import pytest
from live.conftest import PLAN, READINGS
from live.driver import ActionChains, Keys, Page, until
from quick import run_quickly

from percsim.boxes.simulate import simulate_box
from percsim.first_page import stored_first_page
from percsim.jobs import box_jobs
from percsim.plan import Plan
from percsim.plan.readings import read_readings
from percsim.quantities import resistance, units_held
from percsim.words.first import row_cells, state_line


def told(page):
    """What stands on a first page, as the page of knobs writes it."""
    rows = [
        [" ".join(filter(None, cell)) for cell in row_cells(r, page)] for r in page.rows
    ]
    return f"{units_held(state_line(page))}.", rows


def seen(page):
    return page.text("#state .state"), page.rows("#recipes")


def even(words):
    return " ".join(words.split())


def same(page, first):
    state, rows = told(first)
    assert page.text("#state .state") == even(state)
    assert page.rows("#recipes") == [[even(cell) for cell in row] for row in rows]


def run_again(folder, plan_file, tmp_path, readings=None):
    """First page that `percsim run` of a saved plan gives in a copy of the folder."""
    plan = Plan.load(plan_file)
    if readings:
        plan = plan.with_measured(read_readings(readings).rows, readings.name)
    copy = shutil.copytree(folder, tmp_path / "again", symlinks=True)
    return run_quickly(plan, copy, workers=1, add=True).first


def saved(page, what, name):
    page.press(f'[data-save="{what}"]')
    until(lambda: name in page.text("#saved"), page.text("#saved"))


def test_it_says_what_the_folder_says_and_asks_nobody_else(opened):
    plan = Plan.load(opened.server.folder / "plan.toml")
    same(opened, stored_first_page(plan, opened.server.folder))
    assert len(opened.columns("known")["x"]) > 8
    assert len(opened.columns("map")["x"]) == 24 * 9
    assert opened.text("#line") == ""


def test_turned_knobs_are_those_of_the_saved_plan(opened, tmp_path):
    before = seen(opened)
    opened.type("target.resistance.to", "9 kohm")
    opened.type("target.largest_resistance_cv", "60 %")
    opened.type("tolerances.mixing", "1 %")
    opened.type("explore.electrode_gap", "2 mm, 4 mm")
    opened.type("film.width", "8 mm")
    opened.type("film.thickness", "0.25 mm")
    opened.type("elastomer.mix_ratio", "10:1")
    assert seen(opened) != before
    assert opened.text('[data-key="tolerances.mixing"] [data-basis]') == "wish"
    assert opened.text('[data-key="tolerances.weighing"] [data-basis]') == "default"
    assert opened.text('[data-key="tolerances.aspect_ratio"] [data-basis]') == "plan"
    saved(opened, "plan", "explored.toml")
    lines = opened.text("#difference")
    assert '-width = "6 mm" # cut to strips' in lines
    assert '+width = "8 mm"' in lines
    assert "# a milled flake" in (opened.server.folder / "explored.toml").read_text()
    same(
        opened,
        run_again(opened.server.folder, opened.server.folder / "explored.toml", tmp_path),
    )


def test_a_slider_by_the_keyboard_and_reset(opened):
    before = seen(opened)
    slide = opened.find('[data-key="target.resistance.from"] input[type=range]')
    slide.send_keys(*[Keys.ARROW_LEFT] * 90)
    opened.answered()
    field = opened.find('[data-key="target.resistance.from"] input[type=text]')
    assert field.get_attribute("value").endswith(" kohm")
    assert float(field.get_attribute("value").split()[0]) < 0.4
    assert seen(opened) != before
    opened.press("#reset")
    opened.answered()
    assert seen(opened) == before
    assert field.get_attribute("value") == "0.7 kohm"


def test_a_slider_starts_from_what_was_typed(opened):
    where = '[data-key="target.resistance.to"] input[type={}]'
    opened.type("target.resistance.to", "9 kohm")
    slide, field = (opened.find(where.format(kind)) for kind in ("range", "text"))
    assert opened.driver.switch_to.active_element == slide
    slide.send_keys(Keys.ARROW_RIGHT)
    opened.answered()
    assert 9.0 < float(field.get_attribute("value").split()[0]) < 9.3


def test_what_is_wrong_is_said_at_its_knob_and_the_rest_stands(opened):
    before = seen(opened)
    opened.type("film.width", "wide")
    assert "does not start with a number" in opened.text('[data-key="film.width"] .fault')
    assert (
        opened.find('[data-key="film.width"] input').get_attribute("aria-invalid") == "true"
    )
    assert seen(opened) == before
    opened.type("film.width", "6 mm")
    assert opened.text('[data-key="film.width"] .fault') == ""
    opened.type("target.resistance.from", "5 kohm")
    assert "must rise" in opened.text("#fault")


def test_what_was_pinned_is_seen_beside(opened):
    first = opened.text("#state .state").removesuffix(".")
    opened.press("#pin")
    opened.type("target.resistance.to", "90 kohm")
    opened.whole()
    assert opened.text("#state .pinned") == f"A {first}."
    assert opened.text("#state .state") != f"{first}."
    now, a = opened.rows("#candidate")[1:]
    assert (now[0], a[0]) == ("now", "A")
    assert now[1:5] == a[1:5]  # R does not hang on what is asked
    assert now[5] != a[5]
    assert len(opened.columns("pinned")["x"]) > 8
    opened.press("#back")
    opened.answered()
    assert opened.text("#state .state") == f"{first}."


def test_a_click_on_the_map_chooses_the_candidate_everywhere(opened):
    plot = opened.find("#plot-map")
    ActionChains(opened.driver).move_to_element(plot).click().perform()
    until(lambda: "at=" in opened.js("return location.hash"))
    opened.answered()
    opened.whole()
    (x,), (y,) = opened.columns("map_spot").values()
    name = opened.text("#candidate h2")
    assert name == f"{x:.4g} wt% at {y:g} mm gap"
    assert opened.columns("spot")["x"] == opened.columns("factor_spot")["x"] == [x]
    assert f"{y:g} mm" in opened.text('[data-title="resistance"]')
    opened.press("#recipes .pick")
    opened.answered()
    assert opened.text("#candidate h2").replace(" at", ",").removesuffix(" gap") == (
        opened.text("#recipes .pick")
    )
    opened.press("#follow")
    opened.answered()


def test_keys_alone_fill_the_table_and_choose_from_the_map(opened):
    opened.js("document.querySelector('#readings-table td input').focus()")
    for word in READINGS.splitlines()[1].split(","):
        ActionChains(opened.driver).send_keys(word, Keys.TAB).perform()
    opened.whole()
    row = "return [...document.querySelectorAll('#readings-table tr:nth-child(2) input')]"
    typed = opened.js(f"{row}.map(e => e.value)")[:6]
    assert typed == ["cup 1", "30", "2", "1.21", "3000", "1.285"]
    assert opened.js("return document.activeElement.ariaLabel") == "note, row 1"
    assert opened.columns("readings")["name"] == ["cup 1, 2 mm"]
    opened.press("#clear-readings")
    opened.whole()
    (before,) = opened.columns("map_spot")["x"]
    step = opened.columns("map")["width"][0] / 1.01
    opened.find("#plot-map").send_keys(Keys.ARROW_LEFT)
    opened.whole()
    assert opened.columns("map_spot")["x"] == [pytest.approx(before - step, abs=0.06)]
    assert opened.js("return document.activeElement.id") == "plot-map"
    opened.press("#follow")
    opened.answered()


def test_a_loading_beyond_the_boxes_says_so(opened):
    opened.type("", "35", where="#at-loading")
    assert "35 wt% lies outside the boxes" in opened.text("#candidate")
    assert len(opened.columns("outside")["left"]) == 2


def test_a_loading_is_read_whole_or_refused(opened):
    opened.type("", "30,5 wt%", where="#at-loading")
    assert opened.text("#candidate h2").startswith("30.5 wt%")
    for wrong in ("abc", "-3", "3 cm"):
        opened.type("", wrong, where="#at-loading")
        assert "must be numbers above 0" in opened.text("#fault")
        assert opened.text("#candidate h2").startswith("30.5 wt%")
    opened.type("", "30", where="#at-loading")
    assert not opened.find("#fault").is_displayed()
    opened.press("#follow")
    opened.answered()


def test_new_boxes_are_counted_run_on_a_press_and_answered(mine):
    before = seen(mine)
    mine.type("filler.aspect_ratio.value", "18")
    until(
        lambda: "boxes of its own" in mine.text("#needs") and "job" in mine.text("#needs")
    )
    assert "about" in mine.text("#needs")
    assert seen(mine) == before
    mine.press('[data-run="start"]')
    until(lambda: mine.text("#needs") == "", "the run does not end")
    mine.whole()
    assert seen(mine) != before
    assert "Done" in mine.text("#line")
    same(
        mine,
        stored_first_page(
            Plan.load(mine.server.folder / "explored.toml"), mine.server.folder
        ),
    )
    # and back: the boxes of before are there still
    mine.press("#reset")
    mine.answered()
    assert seen(mine) == before


def test_readings_pasted_decide_at_once_and_are_saved_when_asked(opened, tmp_path):
    before = seen(opened)
    opened.paste(READINGS)
    opened.whole()
    assert seen(opened) != before
    assert "narrow" in opened.text("#readings")
    assert opened.columns("readings")["name"][:2] == ["cup 1, 2 mm", ""]
    assert not (opened.server.folder / "readings.csv").exists()
    saved(opened, "readings", "readings.csv")
    same(
        opened,
        run_again(
            opened.server.folder,
            opened.server.folder / "plan.toml",
            tmp_path,
            opened.server.folder / "readings.csv",
        ),
    )
    assert opened.text('[data-key="tolerances.weighing"] [data-basis]') in (
        "measured",
        "default",
    )
    opened.press("#undo")
    opened.answered()
    assert seen(opened) == before


def test_cells_of_a_spreadsheet_keep_their_decimal_commas(opened):
    cell = "#readings-table tr:nth-child(2) td:nth-child(4) input"
    opened.paste("1,21\t3000\t1,285\n1,32\t3000\t1,402\n", cell)
    row = "return [...document.querySelectorAll('#readings-table tr')].map("
    shown = opened.js(f"{row}r => [...r.querySelectorAll('input')].map(e => e.value))")
    assert [r[3:6] for r in shown[1:]] == [
        ["1,21", "3000", "1,285"],
        ["1,32", "3000", "1,402"],
    ]
    opened.press("#clear-readings")
    opened.answered()
    opened.paste("\n", cell)  # an empty cell; the console must stay clean
    assert opened.rows("#readings-table")[0] == [""] * 7


def test_no_readings_are_not_saved(opened):
    opened.press('[data-save="readings"]')
    until(lambda: "no readings to save" in opened.text("#saved"), "not told")
    assert not (opened.server.folder / "readings.csv").exists()


def test_a_reload_keeps_readings_and_knobs_and_saves_nothing(opened):
    before = seen(opened)
    opened.type("target.resistance.to", "9 kohm")
    opened.paste(READINGS)
    opened.whole()
    kept, cells = (
        seen(opened),
        "return [...document.querySelectorAll('td input')].map(e => e.value)",
    )
    rows = opened.js(cells)
    assert kept != before
    opened.driver.refresh()
    opened.whole()
    assert seen(opened) == kept
    assert opened.js(cells) == rows
    assert not (opened.server.folder / "readings.csv").exists()
    saved(opened, "readings", "readings.csv")
    told = (opened.server.folder / "readings.csv").read_text()
    assert told.splitlines()[1:] == READINGS.splitlines()[1:]
    opened.press("#clear-readings")
    opened.press("#reset")
    opened.whole()
    assert seen(opened) == before
    opened.driver.refresh()
    opened.whole()
    assert "".join(opened.js(cells)) == ""


def test_an_outlier_typed_into_the_table_is_named(opened):
    opened.paste(READINGS)
    first = opened.find("#readings-table tr:nth-child(2) td:nth-child(4) input")
    first.send_keys(Keys.CONTROL, "a")
    first.send_keys("900", Keys.TAB)
    opened.answered()
    assert "contradict" in opened.text("#remarks").lower()
    assert "x" in opened.columns("readings")["marker"]
    bad = opened.find("#readings-table tr:nth-child(3) td:nth-child(4) input")
    bad.send_keys(Keys.CONTROL, "a")
    bad.send_keys("many", Keys.TAB)
    opened.answered()
    assert "many" in opened.text("#readings")


def test_a_dropped_file_and_the_rows_of_the_cup(opened, tmp_path):
    file = tmp_path / "read.csv"
    file.write_text(READINGS)
    opened.find("#file").send_keys(str(file))
    opened.answered()
    until(lambda: "narrow" in opened.text("#readings"))
    opened.press("#clear-readings")
    opened.answered()
    opened.press("#from-cup")
    until(
        lambda: len(opened.js("return document.querySelectorAll('#readings-table tr')")) > 6
    )
    heads = opened.js(
        "return [...document.querySelectorAll('#readings-table th input')]"
        ".map(e => e.value)"
    )
    assert "resistance (ohm)" in heads


def test_what_it_is_worth_names_the_most_first(opened):
    opened.type("target.resistance.to", "20 kohm")
    opened.type("target.largest_resistance_cv", "25 %")
    opened.whole()
    rows = opened.rows("#worth")
    gains = [float(cells[3].split()[0]) for cells in rows if cells[3] != "–"]
    assert len(gains) > 1
    assert gains == sorted(gains, reverse=True)
    assert "Nothing beyond its error" in opened.text("#worth")


def test_the_address_brings_settings_back(opened):
    opened.type("target.resistance.to", "9 kohm")
    opened.type("", "32", where="#at-loading")
    opened.whole()
    state, name, mark = *seen(opened), opened.js("return location.hash")
    opened.open(mark)
    assert (*seen(opened), opened.js("return location.hash")) == (state, name, mark)
    assert "32 wt%" in opened.text("#candidate h2")


def test_of_200_fast_moves_the_last_is_answered(opened):
    slide = '[data-key="target.resistance.to"] input[type=range]'
    opened.js(
        "const s = document.querySelector(arguments[0]); let k = 0;"
        "const move = () => { s.value = 400 + (37 * k) % 500;"
        " s.dispatchEvent(new Event('input', {bubbles: true}));"
        " if (++k < 200) setTimeout(move, 8); else window.moved = true; }; move();",
        slide,
    )
    until(lambda: opened.js("return window.moved === true"))
    opened.answered()
    opened.whole()
    text = opened.find('[data-key="target.resistance.to"] input[type=text]').get_attribute(
        "value"
    )
    quick = seen(opened)
    opened.press("#reset")
    opened.answered()
    assert seen(opened) != quick
    opened.type("target.resistance.to", text)
    assert seen(opened) == quick


def test_an_answer_that_comes_late_is_not_shown(opened):
    opened.js(
        "window.heard = []; const take = line.onmessage;"
        "line.onmessage = e => { window.heard.push(e.data); take(e); }"
    )
    opened.type("target.resistance.to", "9 kohm")
    opened.whole()
    late, spot = opened.js("return window.heard"), opened.columns("map_spot")
    old = seen(opened)
    opened.type("target.resistance.to", "2 kohm")
    opened.type("", "33", where="#at-loading")
    opened.whole()
    before, field = seen(opened), '[data-key="target.resistance.to"] input[type=range]'
    place = opened.find(field).get_attribute("value")
    assert before != old
    assert any('"parts"' in message for message in late)
    opened.js("for (const data of arguments[0]) hear(JSON.parse(data))", late)
    assert seen(opened) == before
    assert opened.find(field).get_attribute("value") == place
    assert opened.columns("map_spot") != spot


@pytest.mark.skipif(sys.platform != "linux", reason="limits of a running process")
def test_where_nothing_can_be_written_nothing_is_lost(mine):
    import resource

    folder, pid = mine.server.folder, mine.server.process.pid
    limits = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    mine.type("target.resistance.to", "9 kohm")
    saved(mine, "plan", "explored.toml")
    mine.paste(READINGS)
    before = {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    # as a full disk does: files can be made, and not filled
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, limits[1]))
    mine.type("target.resistance.to", "8 kohm")
    for what in ("plan", "report", "readings"):
        mine.js("document.querySelector('#saved').textContent = ''")
        mine.press(f'[data-save="{what}"]')
        until(lambda: mine.text("#saved"), "no word of it")
        assert mine.text("#saved").startswith("cannot write ")
        assert "\n" not in mine.js("return document.querySelector('#saved').textContent")
    assert before == {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    mine.type("target.resistance.to", "7 kohm")  # it answers still
    resource.prlimit(pid, resource.RLIMIT_FSIZE, limits)
    saved(mine, "plan", "explored.toml")
    assert "7 kohm" in (folder / "explored.toml").read_text()
    saved(mine, "readings", "readings.csv")
    assert len((folder / "readings.csv").read_text().splitlines()) == 7


def test_a_second_page_is_told_and_saves_nothing(opened):
    own = opened.driver.current_window_handle
    opened.driver.switch_to.new_window("tab")
    try:
        opened.driver.get(opened.server.url)
        opened.whole()
        assert "open in another page" in opened.text("#line")
        assert opened.find('[data-save="plan"]').get_attribute("disabled")
        # not even by the line itself
        opened.js("tell({save: 'plan'})")
        until(lambda: "first" in opened.text("#saved"))
        assert not (opened.server.folder / "explored.toml").exists()
        opened.type("target.resistance.to", "9 kohm")  # it is live all the same
    finally:
        opened.driver.close()
        opened.driver.switch_to.window(own)


def test_a_killed_server_is_missed_and_taken_up_again(mine):
    mine.type("target.resistance.to", "9 kohm")
    before = seen(mine)
    mine.server.end(9)
    until(lambda: "Not connected" in mine.text("#line"))
    mine.server.start()
    until(lambda: mine.text("#line") == "")
    mine.whole()
    assert seen(mine) == before
    mine.faults()  # of the line that was cut


def test_a_box_is_drawn_and_reads_what_the_engine_gives(opened, tmp_path):
    from matplotlib.image import imread

    opened.type("", "30", where="#at-loading")
    opened.whole()
    until(lambda: opened.text("#box-offer").startswith("One box of 30 wt%, "))
    opened.press("#box-open")
    until(lambda: opened.text("#box-words"), "no box")
    jobs = box_jobs(Plan.load(opened.server.folder / "plan.toml"))
    mine = [j for j in jobs if j.recipe.weight_fraction == pytest.approx(0.3)]
    longest = max(mine, key=lambda j: (j.box.length, -j.number))
    R = 1.0 / simulate_box(longest).conductances
    assert f"0 microstrain: this box {resistance(R[0])}, " in opened.text("#box-words")
    slide = opened.find("#box-strain")
    slide.send_keys(Keys.END)
    until(lambda: opened.text("#box-words").startswith("3000 microstrain: "))
    assert f"this box {resistance(R[-1])}, " in opened.text("#box-words")
    assert resistance(R[0]) != resistance(R[-1])
    slide.send_keys(Keys.ARROW_LEFT)
    until(lambda: "not solved between" in opened.text("#box-words"))
    assert slide.get_attribute("aria-valuetext") == opened.text("#box-words")
    pictures = []
    for turns in (0, 9):
        opened.find("#box-canvas").send_keys(*[Keys.ARROW_RIGHT] * turns)
        place = {"behavior": "allow", "downloadPath": str(tmp_path / f"{turns}")}
        opened.driver.execute_cdp_cmd("Browser.setDownloadBehavior", place)
        opened.press("#box-save")
        until((tmp_path / f"{turns}" / "box.png").exists, "no picture")
        pictures.append(imread(tmp_path / f"{turns}" / "box.png")[:, :, :3])
    still, turned = pictures
    paper = np.abs(still - still[0, 0]).max(axis=2) < 0.01
    assert 0.3 < paper.mean() < 0.9
    red, _, blue = np.moveaxis(still, 2, 0)
    # voltage falls from left to right
    x = np.arange(still.shape[1])
    sides = [(~paper & part).sum(axis=0) for part in (red > blue + 0.25, blue > red + 0.25)]
    ends = [(side * x).sum() / side.sum() for side in sides]
    assert ends[0] < ends[1] - 0.1 * still.shape[1]
    assert np.abs(still - turned).max(axis=2).mean() > 0.05


def test_a_sheet_of_patches_shows_its_maps(driver, serve, finished, tmp_path):
    folder = shutil.copytree(finished, tmp_path / "patch", symlinks=True)
    found = {
        "weight_fraction": 0.3, "electrode_gap_m": 2e-3, "rows": 3, "columns": 2,
        "readout": "held", "open": False, "dead_allowed": 0, "whole_share": 0.42,
        "window_ohm": {"min": 700.0, "max": 3000.0},
        "field": {
            "error": {"full_load": {"p05": -20.0, "median": 0.0, "p95": 30.0}},
            "cross_talk_microstrain": 5.0,
            "map": {
                "along_m": [-0.02, 0.0, 0.02], "around_m": [-0.01, 0.01],
                "strain_microstrain": [[100.0, 200.0], [300.0, 400.0], [500.0, 600.0]],
                "read_microstrain": [[110.0, 190.0], ["inf", 400.0], [500.0, 610.0]],
                "resistance_ohm": [[1e3, 1.1e3], ["inf", 1.2e3], [1.3e3, 1.4e3]],
            },
        },
    }  # fmt: skip
    summary = json.loads((folder / "summary.json").read_text())
    (folder / "summary.json").write_text(json.dumps(summary | {"patches": found}))
    server = serve(folder)
    page = Page(driver, server)
    page.open()
    assert page.text("#sheet h2").startswith("42 % of sheets of 3 x 2 patches have every")
    assert "30 wt%, 2 mm gap" in page.text("#sheet")
    read = page.columns("sheet-read")
    assert read["x"] == [-20.0, -20.0, 0.0, 0.0, 20.0, 20.0]
    assert read["y"] == [-10.0, 10.0] * 3
    assert [read["value"][k] for k in (0, 1, 3, 5)] == [110.0, 190.0, 400.0, 610.0]
    assert read["read"][1:3] == ["190 microstrain", "none"]
    assert page.columns("sheet-rest")["read"][5] == "1.4 kohm"
    assert page.columns("sheet-strain")["value"] == [100.0 * k for k in range(1, 7)]
    page.close()
    server.end()


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("dark", [False, True])
def test_it_fits_its_window(opened, width, dark):
    opened.open(width=width, dark=dark)
    assert opened.js("return document.documentElement.scrollWidth") <= width
    colour = opened.js("return getComputedStyle(document.body).backgroundColor")
    assert (colour == "rgb(22, 28, 33)") is dark
    cut = opened.js(
        "return [...document.querySelectorAll('button, label, h2, legend, summary')]"
        ".filter("
        "e => e.offsetParent && e.scrollWidth > e.clientWidth + 1 && e.clientWidth)"
        ".map(e => e.textContent)"
    )
    assert cut == []


def test_the_report_of_what_is_seen_and_a_place_that_cannot_be_written(mine):
    mine.type("target.resistance.to", "9 kohm")
    state = mine.text("#state .state")
    saved(mine, "report", "explored.html")
    page = even((mine.server.folder / "explored.html").read_text())
    assert state in page
    assert "+resistance = " in page.replace("&#34;", '"')
    (mine.server.folder / "explored.toml").mkdir()
    mine.press('[data-save="plan"]')
    until(lambda: "cannot write" in mine.text("#saved"))


def test_a_second_folder_is_put_beside(driver, serve, home, finished, tmp_path):
    folder = shutil.copytree(finished, tmp_path / "patch", symlinks=True)
    server = serve(folder, "--beside", home.folder)
    page = Page(driver, server)
    page.open()
    until(lambda: page.rows("#beside"))
    assert page.rows("#beside")[1][3] == "x 1 (x 1 to x 1)"
    page.close()
    server.end()


def test_a_plan_is_run_first(driver, serve, tmp_path):
    plan = tmp_path / "patch.toml"
    plan.write_text(PLAN)
    page = Page(driver, serve(plan, "--out", tmp_path / "out"))
    page.open()
    state, rows = told(stored_first_page(Plan.load(plan), tmp_path / "out"))
    assert page.text("#state .state") == even(state)
    assert page.rows("#recipes") == [[even(cell) for cell in row] for row in rows]
    assert page.text("#line") == ""
    page.faults()
