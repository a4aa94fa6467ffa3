"""How long the page of knobs takes from the hand to the painted answer.

    python -m benchmarks.bench_explore out/bike_patch

Knobs are moved in a headless Chromium, one after the other; a move is timed from its event
to the end of the frame that shows its state, P, cup and plot, and how much of that the page
itself takes, from the message to the frame. Beside it stands the time of the processor that
the answer takes, which a busy machine does not lengthen.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time

import numpy as np
from selenium import webdriver

from percsim.live.parts import Asked, steps
from percsim.live.session import Session

MOVES = {
    "target.resistance.to": "kohm", "target.largest_resistance_cv": "%",
    "tolerances.mixing": "%", "film.width": "mm",
}  # fmt: skip
"""Knobs moved, and the unit that their values are in."""
EACH = 25

SCRIPT = """
const [key, share, done] = arguments;
const slide = document.querySelector(`[data-key="${key}"] input[type=range]`);
const ink = CanvasRenderingContext2D.prototype, stroke = ink.stroke, take = line.onmessage;
const before = +document.body.dataset.n;
let heard = 0, painted = 0;
ink.stroke = function (...path) { painted = performance.now(); stroke.apply(this, path); };
line.onmessage = (event) => {
  const told = JSON.parse(event.data);
  if (!told.knobs || told.n <= before) { take(event); return; }
  line.onmessage = take;
  heard = performance.now();
  const other = Object.entries(told.plots[0]).some(
    ([name, data]) => JSON.stringify(kept[name]) !== JSON.stringify(data));
  take(event);
  // to the end of the frame in which the plot, where it is another, was painted
  const frame = () => requestAnimationFrame(() => setTimeout(() => {
    if (other && painted < heard) { frame(); return; }
    ink.stroke = stroke;
    done([performance.now() - start, performance.now() - heard]);
  }));
  frame();
};
const start = performance.now();
slide.value = share;
slide.dispatchEvent(new Event('input', {bubbles: true}));
"""


def in_the_browser(folder: str) -> None:
    """Print the time from event to paint of every knob."""
    command = [sys.executable, "-m", "percsim", "explore", folder, "--no-browser"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    options = webdriver.ChromeOptions()
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(word)
    start = time.monotonic()
    page = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(shutil.which("chromedriver"))
    )
    try:
        assert server.stdout is not None
        page.get(server.stdout.readline().strip())
        whole = "return document.body.dataset.done === document.body.dataset.n"
        while not page.execute_script(whole):
            time.sleep(0.1)
        print(f"whole page after {time.monotonic() - start:.1f} s, browser included")
        for key in MOVES:
            shares = np.random.default_rng(3).permutation(np.linspace(200, 700, EACH))
            times = [page.execute_async_script(SCRIPT, key, int(share)) for share in shares]
            (p50, own), (p95, _) = np.percentile(times, (50, 95), axis=0)
            print(
                f"{key:32} event to paint: median {p50:4.0f} ms, 95 % {p95:4.0f} ms; in "
                f"the page {own:.0f} ms of it"
            )
    finally:
        page.quit()
        server.terminate()
        server.wait()


def on_the_processor(folder: str) -> None:
    """Print the time of the processor of every first answer, and of the rest."""
    session = Session(folder)
    list(steps(session, Asked(0, {}), None))
    for key, unit in MOVES.items():
        first, rest = [], []
        for k in range(EACH):
            asked = Asked(k, {key: f"{4.0 + 0.11 * k:g} {unit}"})
            start = time.process_time()
            pieces = steps(session, asked, None)
            next(pieces)
            middle = time.process_time()
            list(pieces)
            first.append(middle - start)
            rest.append(time.process_time() - middle)
        print(
            f"{key:32} processor: answer {1e3 * np.median(first):4.0f} ms, then curves, "
            f"map and worth {1e3 * np.median(rest):4.0f} ms"
        )


if __name__ == "__main__":
    on_the_processor(sys.argv[1])
    in_the_browser(sys.argv[1])
