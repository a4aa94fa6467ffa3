"""A headless Chromium, to see pages as a reader does; None where there is none.

Nothing is installed for it: it is told on its command line what to do.
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)

MEASURE = """
<!DOCTYPE html><html><body><pre id="told"></pre>
<iframe id="wide" width="1280" height="900" style="border:0" srcdoc="{page}"></iframe>
<iframe id="phone" width="360" height="800" style="border:0" srcdoc="{page}"></iframe>
<script>
function seen(frame) {{
  const page = document.getElementById(frame).contentDocument;
  const first = page.getElementById("first"), text = first.cloneNode(true);
  text.querySelectorAll("table, svg").forEach(part => part.remove());
  const box = e => e.getBoundingClientRect();
  const apart = [...page.querySelectorAll("#first svg text")].map(e => {{
    const r = box(e); return [r.left, r.top, r.right, r.bottom, e.textContent];
  }});
  const svg = box(page.querySelector("#first svg"));
  return {{
    bottom: box(first).bottom, width: page.documentElement.scrollWidth,
    words: text.textContent, labels: apart,
    svg: [svg.left, svg.top, svg.right, svg.bottom],
    cut: [...page.querySelectorAll("#first .wide")].filter(
      e => e.scrollWidth > e.clientWidth + 1).length,
  }};
}}
window.onload = () => {{
  document.getElementById("told").textContent =
    JSON.stringify({{wide: seen("wide"), phone: seen("phone")}});
}};
</script></body></html>
"""


def chromium(*options: str, page: Path) -> subprocess.CompletedProcess[str]:
    """Run it on a page; whatever it fetches from a network is refused."""
    assert CHROMIUM is not None
    return subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu",
            "--disable-background-networking", "--disable-component-update",
            "--no-first-run", f"--user-data-dir={page.parent / 'profile'}",
            "--host-resolver-rules=MAP * ~NOTFOUND", "--enable-logging=stderr",
            *options, page.as_uri(),
        ],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip


def measured(page: Path) -> dict[str, dict[str, object]]:
    """Give sizes and words of the first page, at 1280 and at 360 pixels."""
    outer = page.with_name(f"measure_{page.name}")
    outer.write_text(MEASURE.format(page=html.escape(page.read_text())))
    dom = chromium("--window-size=1800,1800", "--dump-dom", page=outer).stdout
    told = re.search(r'<pre id="told">(.*?)</pre>', dom, re.DOTALL)
    assert told is not None
    found: dict[str, dict[str, object]] = json.loads(html.unescape(told[1]))
    return found


def said(page: Path) -> list[str]:
    """Give messages of the console.

    What a page asks for outside itself is refused by its own policy, and told here.
    """
    ended = chromium("--dump-dom", page=page)
    return [line for line in ended.stderr.splitlines() if "CONSOLE" in line]


def printed(page: Path) -> bytes:
    """Give the page as it is printed, a PDF."""
    sheet = page.with_suffix(".pdf")
    chromium(f"--print-to-pdf={sheet}", "--no-pdf-header-footer", page=page)
    return sheet.read_bytes()
