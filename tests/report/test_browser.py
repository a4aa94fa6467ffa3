"""The page in a real browser: its size, its words, its print, and what it asks for."""

from __future__ import annotations

import re

import pytest
from report.browser import CHROMIUM, measured, printed, said
from report.test_chapters import READINGS, summary_of

from percsim.report.chapters import chapters_of
from percsim.report.page import render_page

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")

PLANS = {
    "day one": {},
    "anchored": {"measured": READINGS},
    "fingers": {
        "film": {"layout": "fingers", "fingers": 4, "electrode_length": "0.8 mm",
                 "overlap": "5 mm"},
        "explore": {"electrode_gap": ["0.5 mm", "1 mm"]},
    },
}  # fmt: skip


@pytest.fixture(scope="module", params=PLANS)
def page(request, tmp_path_factory):
    """Page of a plan; pictures below the first page are left out."""
    summary, _ = summary_of("bike_patch", **PLANS[request.param])
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(render_page(summary, chapters_of(summary), []))
    return file


def test_the_first_page_fits_its_window_and_tables_scroll_in_frames(page):
    found = measured(page)
    wide, phone = found["wide"], found["phone"]
    assert wide["bottom"] <= 900
    assert wide["width"] <= 1280
    assert phone["width"] <= 360
    words = [word for word in wide["words"].split() if re.search(r"\w", word)]
    assert len(words) <= 250
    left, top, right, bottom = wide["svg"]
    labels = wide["labels"]
    for x1, y1, x2, y2, text in labels:
        assert left - 1 <= x1 <= x2 <= right + 1, text
        assert top - 1 <= y1 <= y2 <= bottom + 1, text
    for k, (x1, y1, x2, y2, text) in enumerate(labels):
        for u1, v1, u2, v2, other in labels[:k]:
            apart = x2 <= u1 or u2 <= x1 or y2 - 3 <= v1 or v2 - 3 <= y1
            assert apart, (text, other)


def test_nothing_is_complained_of_or_asked_of_a_network(page):
    assert said(page) == []
    curious = page.with_name("curious.html")
    picture = '<img src="https://example.invalid/x.png"></main>'
    curious.write_text(page.read_text().replace("</main>", picture))
    assert len(said(curious)) == 1


def test_printed_it_is_one_sheet_of_a4(page):
    sheet = printed(page)
    assert len(re.findall(rb"/Type\s*/Page\b", sheet)) == 1
    (box,) = set(re.findall(rb"/MediaBox\s*\[([^]]*)\]", sheet))
    assert [round(float(x)) for x in box.split()] == [0, 0, 595, 842]
