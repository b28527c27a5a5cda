"""A headless browser with the network denied, and the logbooks whose briefs it opens.

The browser is the machine's own Chromium; the driver downloads nothing. Without browser or
driver these tests skip, and with ``SHIMOPT_BROWSER=required`` (as in CI) they fail.
"""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, NoReturn
from urllib.parse import urlsplit

import pytest

from optimizer.demo_files import demo_folder

ROOT = Path(__file__).resolve().parents[2]
# a wait past this is a fault of the page, or a browser that hangs
PATIENCE_MS = 20_000


def without(what: str) -> NoReturn:
    """Skip for want of browser or driver, or fail where they are required."""
    if os.environ.get("SHIMOPT_BROWSER") == "required":
        pytest.fail(f"SHIMOPT_BROWSER=required, but {what}", pytrace=False)
    pytest.skip(what)


@pytest.fixture(scope="session")
def page_bench() -> ModuleType:
    """tests/bench/page.py, which opens the browser and times a page."""
    spec = importlib.util.spec_from_file_location("page", ROOT / "tests" / "bench" / "page.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def browser(page_bench: ModuleType) -> Iterator[Any]:
    """One browser for all tests."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        without("no playwright: pip install -e '.[browser]'")
    path = page_bench.browser_path()
    if path is None:
        without("no chromium on this machine")
    with sync_playwright() as driver:
        opened = page_bench.launched(driver, path)
        yield opened
        opened.close()


class Watch:
    """What a page asked for and what it complained of."""

    def __init__(self) -> None:
        self.requests: list[str] = []
        self.complaints: list[str] = []

    def on(self, context: Any, own: str) -> None:
        """Abort and note every request of a context but those for the file itself and data."""

        def judged(route: Any) -> None:
            url = route.request.url
            if url == own or urlsplit(url).scheme == "data":
                route.continue_()
                return
            self.requests.append(url)
            route.abort()

        def asked(request: Any) -> None:
            # what a policy blocks never reaches the route
            if request.url != own and urlsplit(request.url).scheme != "data":
                self.requests.append(request.url)

        context.route("**/*", judged)
        context.on("request", asked)

    def hear(self, page: Any) -> None:
        """Note the page's console errors, warnings and uncaught errors."""
        page.on("pageerror", lambda error: self.complaints.append(f"uncaught: {error}"))
        page.on("dialog", self._dialog)
        page.on(
            "console",
            lambda said: said.type in ("error", "warning") and self.complaints.append(said.text),
        )

    def _dialog(self, dialog: Any) -> None:
        self.complaints.append(f"dialog: {dialog.message}")
        dialog.dismiss()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Opens a file from disk; at the end no request may have been made, no error be told.

    The function takes the path, ``width``, ``scheme`` (light or dark), ``scripts`` and
    ``forgiven``: for a test that provokes requests and errors itself.
    """
    contexts: list[Any] = []
    watches: list[Watch] = []

    def open_(
        path: Path,
        width: int = 1280,
        scheme: str = "light",
        scripts: bool = True,
        forgiven: bool = False,
    ) -> Any:
        watch = Watch()
        context = browser.new_context(
            viewport={"width": width, "height": 800},
            color_scheme=scheme,
            reduced_motion="no-preference",
            java_script_enabled=scripts,
            offline=True,
            service_workers="block",
        )
        contexts.append(context)
        if not forgiven:
            watches.append(watch)
        context.set_default_timeout(PATIENCE_MS)
        watch.on(context, path.as_uri())
        page = context.new_page()
        watch.hear(page)
        page.goto(path.as_uri())
        return page

    yield open_
    for context in contexts:
        context.close()
    assert [r for watch in watches for r in watch.requests] == []
    assert [c for watch in watches for c in watch.complaints] == []


def brief_of(folder: Path, out: Path, *words: str) -> Path:
    """Write a folder's brief with the command itself."""
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", "brief", str(folder), "--out", str(out), *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return out


@pytest.fixture(scope="session")
def books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Logbooks by name: the demo, its axle, and copies with other units, words and sizes."""
    folder = tmp_path_factory.mktemp("books")
    made = {"demo": demo_folder(), "axle": ROOT / "data" / "demo" / "both-wheels"}
    for change in (inches, long, markup, cam, fixed, many):
        made[change.__name__] = Path(shutil.copytree(demo_folder(), folder / change.__name__))
        change(made[change.__name__])
    return made


@pytest.fixture(scope="session")
def briefs(books: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Gives a logbook's brief by name, written once."""
    folder = tmp_path_factory.mktemp("briefs")
    written: dict[str, Path] = {}

    def brief(name: str) -> Path:
        if name not in written:
            words = ("--corner", CORNER[name]) if name in CORNER else ()
            written[name] = brief_of(books[name], folder / f"{name}.html", *words)
        return written[name]

    return brief


CORNER = {"axle": "rear-left"}
NASTY = (
    "<script>window.hacked=1</script></script><img src=x onerror=hacked=1>&amp; \"'🏁 javascript:x"
)
NASTY_RUN = "<b>r&amp;1</b>'🏁"


SHIMS = 'shims = "3 + 2 + 4x1 + 3x0.5 + 2x0.25"'
SLOT = """
kind = "slot"
per_mark = 1.0
inboard_left = 10
outboard_left = 12
"""


def _edit(path: Path, pairs: dict[str, str]) -> None:
    text = path.read_text(encoding="utf-8")
    for old, new in pairs.items():
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def inches(folder: Path) -> None:
    """Inches, minutes of arc and toe-out plus, for the same car and the same readings."""

    def _told(found: re.Match[str]) -> str:
        return found[1] + re.sub(r"(?<![\dx.])\d+(\.\d+)?(?!x|\d|\.)", _inch, _counts(found[2]))

    def _counts(words: str) -> str:
        return re.sub(r"(\d)x(\d+\.?\d*)", lambda f: f"{f[1]}x{float(f[2]) / 25.4:.6f}", words)

    def _inch(number: re.Match[str]) -> str:
        return f"{float(number[0]) / 25.4:.6f}"

    pairs = {
        'travel = "mm"': 'travel = "in"',
        'length = "mm"': 'length = "in"',
        'toe = "deg"': 'toe = "min"',
        'toe_in = "plus"': 'toe_in = "minus"',
    }
    _edit(folder / "car.toml", pairs)
    keys = "span|length|arm|rise|length_give_or_take|arm_give_or_take|rise_give_or_take"
    keys += "|shorter|longer|per_mark|inboard_left|outboard_left|shims|window"
    text = (folder / "car.toml").read_text(encoding="utf-8")
    text = re.sub(rf"(?m)^((?:{keys}) *= *)([^\n#a-z]*(?:x[^\n#]*)?)", _told, text)
    (folder / "car.toml").write_text(text, encoding="utf-8")
    _edit(
        folder / "runs.csv",
        {
            "shims_above": "shims_above_mm",
            "shims_below": "shims_below_mm",
            "length_change": "length_change_mm",
            "static_toe": "static_toe_deg",
            ",0.18,": ",-0.18,",
            ",0.1,": ",-0.1,",
            ",0.08,": ",-0.08,",
        },
    )


def long(folder: Path) -> None:
    """Forty runs with names and notes as long as a tired crew makes them."""
    name = "a-run-whose-name-holds-the-place-the-weather-and-what-was-changed"
    rows = (folder / "runs.csv").read_text(encoding="utf-8").splitlines()
    readings = (folder / "readings.csv").read_text(encoding="utf-8").splitlines()
    last, own = rows[-1], [r for r in readings if r.startswith("link-short,")]
    note = "tyres warm, driver and half a tank aboard, bar off on both sides; " * 5
    for k in range(4, 41):
        cell = f'"{note}body turned once"'
        rows.append(f"{name}-{k},{last.split(',', 1)[1].rsplit(',', 1)[0]},{cell}")
        readings += [r.replace("link-short", f"{name}-{k}") for r in own]
    (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join(readings) + "\n", encoding="utf-8")
    car = "Nightjar" * 9 + " with a name that nobody parts and then some words that can be parted"
    corner = "rear-left-with-the-long-link-and-the-newer-of-the-two-uprights"
    _edit(folder / "car.toml", {"Nightjar, the invented rally car": car, "rear-left": corner})
    _edit(folder / "runs.csv", {"rear-left": corner})


def markup(folder: Path) -> None:
    """Names and notes that would run, or break the page, were they taken for markup."""
    quoted, cell = NASTY.replace('"', '\\"'), NASTY.replace('"', '""')
    _edit(
        folder / "car.toml",
        {
            "Nightjar, the invented rally car": quoted,
            "corner.rear-left": f'corner."{quoted}"',
            '"as-found"': f'"{NASTY_RUN}"',
        },
    )
    _edit(folder / "readings.csv", {"as-found,": f"{NASTY_RUN},"})
    _edit(
        folder / "runs.csv",
        {
            "as-found,": f"{NASTY_RUN},",
            "rear-left": f'"{cell}"',
            "as it came off the trailer": cell,
            "a guess: body turned once": f'"{cell}"',
        },
    )


def cam(folder: Path) -> None:
    """A free cam moves the inner pivot, and lifts it as it turns."""
    throw = '\nkind = "free-cam"\nthrow = 12\ndegrees_per_mark = 6\nangle = 0\nlifts = "up"\n'
    _edit(folder / "car.toml", {SLOT: throw})
    _edit(folder / "runs.csv", {",-3,-3,": ",-3,-2.4,"})


def fixed(folder: Path) -> None:
    """No inner pivot moves: the length follows the height and is no choice."""
    _edit(folder / "car.toml", {SLOT: '\nkind = "none"\n'})


def many(folder: Path) -> None:
    """Shims for some thousand splits and a thread to match."""
    box = 'shims = "3 + 2x2 + 6x1 + 4x0.5 + 4x0.25 + 2x0.4 + 2x0.2 + 2x0.1 + 2x0.05"'
    wide = {"shorter = 12": "shorter = 20", "longer = 9": "longer = 20"}
    _edit(folder / "car.toml", {SHIMS: box, "pitch = 1.5 ": "pitch = 0.2\nflats = 12 ", **wide})
