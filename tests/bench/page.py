"""How fast the brief paints and how fast it answers a move, in the machine's own Chromium.

Run ``python tests/bench/page.py`` by hand on a quiet machine, in an environment with the
browser extra (``pip install -e '.[browser]'``) and Chromium on the path. It writes the
demo's brief with the command, opens it from disk without a network, and prints each figure
beside its bar. ``tests/browser`` holds the same bars with a margin.

First paint is the browser's own entry, counted from when it starts to open the file: the
median of some openings in fresh contexts. A move sets a slider, sends its input event and
counts what the page works for it: the event's handlers, then everything from its next
frame's first callback until layout is forced in that frame's last. The wait for the frame
is not counted, nor the raster after it. A page that has not changed its curve by then is
late and counts as a fault.
"""

from __future__ import annotations

import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
BROWSERS = ("chromium", "chromium-browser")
PAINT_BAR_MS, MOVE_BAR_MS = 200.0, 16.0
N_PAINT, N_MOVE = 9, 200

PAINT = """() => new Promise((done, fail) => {
  new PerformanceObserver(list => {
    const first = list.getEntriesByName('first-paint');
    if (first.length) done(first[0].startTime);
  }).observe({type: 'paint', buffered: true});
  setTimeout(() => fail(new Error('nothing was painted')), 10000);
})"""
MOVES = """async (n) => {
  const sliders = ['height', 'length'].map(id => document.getElementById(id));
  const drawn = () => document.getElementById('curve').getAttribute('d');
  const told = () => JSON.stringify(window.brief.at(+sliders[0].value, +sliders[1].value));
  const laidOut = () => document.getElementById('picture').getBoundingClientRect().height
    + document.body.offsetHeight;
  const ms = [];
  let late = 0, seed = 7;
  for (let k = 0; k < n; k++) {
    const slider = sliders[k % 2], was = +slider.value, before = [drawn(), told()];
    const many = +slider.max - +slider.min;
    seed = (seed * 48271) % 2147483647;
    slider.value = +slider.min + (was - slider.min + 1 + seed % many) % (many + 1);
    let begun = 0, ended = 0;
    requestAnimationFrame(() => { begun = performance.now(); });
    const start = performance.now();
    slider.dispatchEvent(new Event('input', {bubbles: true}));
    const handled = performance.now() - start;
    await new Promise(done => requestAnimationFrame(() => {
      laidOut();
      ended = performance.now();
      done();
    }));
    ms.push(handled + ended - begun);
    if (told() !== before[1] && drawn() === before[0]) late++;
  }
  return {ms, late};
}"""


def browser_path() -> str | None:
    """Where the machine's Chromium is, if it has one."""
    return next((found for found in map(shutil.which, BROWSERS) if found), None)


def launched(driver: Any, path: str) -> Any:
    """Chromium, headless; it cannot use its sandbox as root."""
    flags = ["--disable-gpu"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        flags.append("--no-sandbox")
    return driver.chromium.launch(executable_path=path, args=flags)


def first_paint_ms(browser: Any, page: Path, n: int = N_PAINT) -> list[float]:
    """First paint of each of some openings, after one that is not counted."""
    out = []
    for _ in range(n + 1):
        context = browser.new_context(offline=True)
        opened = context.new_page()
        opened.goto(page.as_uri())
        out.append(opened.evaluate(PAINT))
        context.close()
    return out[1:]


def moves_ms(browser: Any, page: Path, n: int = N_MOVE) -> tuple[list[float], int]:
    """Work of each of some moves, and how many were not drawn within their frame."""
    context = browser.new_context(offline=True)
    opened = context.new_page()
    opened.goto(page.as_uri())
    found = opened.evaluate(MOVES, n)
    context.close()
    return found["ms"], found["late"]


def main() -> None:
    """Print a line for each figure."""
    from playwright.sync_api import sync_playwright

    path = browser_path()
    if path is None:
        sys.exit(f"none of {', '.join(BROWSERS)} on this machine")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        page = Path(folder) / "brief.html"
        demo = str(ROOT / "data" / "demo")
        words = [sys.executable, "-m", "optimizer", "brief", demo, "--out", str(page)]
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
        browser = launched(driver, path)
        paint = first_paint_ms(browser, page)
        moves, late = moves_ms(browser, page)
        print(f"Chromium {browser.version}, {platform.machine()}, {os.cpu_count()} cores")
        browser.close()
        print(f"size         {page.stat().st_size / 1000:.0f} kB, at most 100")
        print(
            f"first paint  {statistics.median(paint):.0f} ms (median of {len(paint)} openings, "
            f"worst {max(paint):.0f}), at most {PAINT_BAR_MS:.0f}"
        )
        print(
            f"a move       {statistics.median(moves):.2f} ms (median of {len(moves)}, nine in ten "
            f"under {statistics.quantiles(moves, n=10)[-1]:.2f}, worst {max(moves):.2f}), "
            f"at most {MOVE_BAR_MS:.0f}; {late} late"
        )


if __name__ == "__main__":
    main()
