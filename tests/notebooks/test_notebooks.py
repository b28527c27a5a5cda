"""Run every notebook in a kernel and hold what it shows to what is stored.

``python tests/notebooks/test_notebooks.py`` runs them all in full and stores the output
anew; names of notebooks behind it (``the-kit``) store those alone.

A notebook's first code cell is tagged ``parameters``. Its metadata may hold shorter values
for a quick run, ``"shortened": {"corners": 6}``: they are set at the end of that cell.
What depends on them is tagged ``long``, and the quick run does not hold what it shows.
"""

# mypy: untyped-calls-exclude=nbformat
from __future__ import annotations

import ast
import asyncio
import base64
import copy
import io
import os
import re
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pytest
from nbformat import NotebookNode

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
MOST_BYTES = 400_000
MOST_SECONDS = 600
PICTURE_TOLERANCE = 0.002  # as in tests/test_readme.py
N_COLOUR = 256
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
every_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)


def read(path: Path) -> NotebookNode:
    """A stored notebook."""
    notebook: NotebookNode = nbformat.read(path, as_version=4)
    return notebook


def code_cells(notebook: NotebookNode) -> list[NotebookNode]:
    """Its code cells from the top."""
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def tags(cell: NotebookNode) -> list[str]:
    """A cell's tags."""
    return list(cell.metadata.get("tags", []))


def shortened(notebook: NotebookNode) -> NotebookNode:
    """A copy whose parameters are the short ones; each must be one that is there."""
    out = copy.deepcopy(notebook)
    cell = code_cells(out)[0]
    known = assigned(cell.source)
    for name, value in out.metadata.get("shortened", {}).items():
        assert name in known, f"{name} is no parameter of this notebook"
        cell.source += f"\n{name} = {value!r}"
    return out


def assigned(source: str) -> set[str]:
    """Names that a cell sets."""
    targets = [t for s in ast.parse(source).body if isinstance(s, ast.Assign) for t in s.targets]
    return {t.id for t in targets if isinstance(t, ast.Name)}


def run(notebook: NotebookNode, folder: Path) -> NotebookNode:
    """A copy with today's outputs, by this Python's own kernel; ``folder`` is for its files.

    Neither kernels nor settings that are installed for the user or the machine have a say.
    """
    from jupyter_client.kernelspec import KernelSpecManager
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient

    env = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    env |= {
        "IPYTHONDIR": str(folder / "ipython"),
        "MPLBACKEND": "module://matplotlib_inline.backend_inline",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "PYTHONPATH": os.pathsep.join([str(ROOT), *filter(None, [env.get("PYTHONPATH")])]),
    }
    # without folders to look in there is only the kernel of ipykernel and sys.executable
    specs = KernelSpecManager(kernel_dirs=[])
    manager = AsyncKernelManager(
        kernel_name="python3",
        kernel_spec_manager=specs,
        connection_file=str(folder / "kernel.json"),
    )
    # kernels of late warn on the screen where nothing enciphers the talk with them
    if manager.has_trait("transport_encryption"):
        manager.transport_encryption = "auto"
    out = copy.deepcopy(notebook)
    client = NotebookClient(
        out,
        km=manager,
        resources={"metadata": {"path": str(ROOT)}},
        timeout=MOST_SECONDS,
        record_timing=False,
    )
    # in a thread, since the browser's tests leave an event loop running in this one
    with ThreadPoolExecutor(1) as pool:
        pool.submit(lambda: asyncio.run(client.async_execute(env=env, cleanup_kc=True))).result()
    return normalised(out)


def normalised(notebook: NotebookNode) -> NotebookNode:
    """Outputs without what differs from run to run: pieces of streams, times, addresses."""
    for count, cell in enumerate(code_cells(notebook), 1):
        cell.execution_count = count
        kept: list[NotebookNode] = []
        for output in cell.outputs:
            if output.output_type == "stream":
                last = kept[-1] if kept else None
                if last and last.output_type == "stream" and last.name == output.name:
                    last.text += output.text
                    continue
            elif "image/png" in output.get("data", {}):
                png = in_few_colours(base64.b64decode(output.data["image/png"]))
                data = {"image/png": base64.b64encode(png).decode()}
                output = nbformat.v4.new_output("display_data", data=data)
            elif output.output_type == "execute_result":
                output.execution_count = count
            kept.append(output)
        cell.outputs = kept
        cell.metadata.pop("execution", None)
    short = notebook.metadata.get("shortened", {})
    notebook.metadata = nbformat.from_dict(
        {"kernelspec": KERNEL, "language_info": {"name": "python"}, "shortened": short}
    )
    return notebook


def in_few_colours(png: bytes) -> bytes:
    """A PNG of a third of the size that an eye takes for the same; its maker's name is kept."""
    from PIL import Image, PngImagePlugin

    with Image.open(io.BytesIO(png)) as picture:
        if picture.mode == "P":
            return png
        maker, out = PngImagePlugin.PngInfo(), io.BytesIO()
        maker.add_text("Software", str(picture.info.get("Software")))
        # of the ways to pick colours the one that keeps rare ones: a star is a few dots
        way, dither = Image.Quantize.MAXCOVERAGE, Image.Dither.NONE
        few = picture.convert("RGB").quantize(N_COLOUR, way, dither=dither)
        few.save(out, "png", pnginfo=maker, optimize=True)
    return out.getvalue()


def said(cell: NotebookNode) -> str:
    """All that a cell prints."""
    return "".join(
        output.text if output.output_type == "stream" else output.data.get("text/plain", "")
        for output in cell.outputs
    )


def pictures(cell: NotebookNode) -> list[bytes]:
    """The PNG pictures that a cell shows."""
    return [
        base64.b64decode(output.data["image/png"])
        for output in cell.outputs
        if "image/png" in output.get("data", {})
    ]


def loud(notebook: NotebookNode) -> list[str]:
    """What went to standard error: warnings, and what a reader should not see."""
    return [
        output.text
        for cell in code_cells(notebook)
        for output in cell.outputs
        if output.output_type == "stream" and output.name != "stdout"
    ]


def other_words(stored: NotebookNode, fresh: NotebookNode, *, quick: bool) -> list[str]:
    """Ids of cells that print something else than is stored; quick leaves out long ones."""
    return [
        cell.id
        for cell, now in zip(code_cells(stored), code_cells(fresh), strict=True)
        if not (quick and "long" in tags(cell)) and said(cell) != said(now)
    ]


def other_pictures(stored: NotebookNode, fresh: NotebookNode) -> list[str]:
    """Ids of cells whose pictures differ, as far as one matplotlib drew both."""
    return [
        cell.id
        for cell, now in zip(code_cells(stored), code_cells(fresh), strict=True)
        if len(pictures(cell)) != len(pictures(now))
        or any(
            drawn_by(a) == drawn_by(b) and apart(a, b) > PICTURE_TOLERANCE
            for a, b in zip(pictures(cell), pictures(now), strict=True)
        )
    ]


def drawn_by(png: bytes) -> str:
    """The program and version that a PNG names as its maker."""
    from PIL import Image

    with Image.open(io.BytesIO(png)) as picture:
        return str(picture.info.get("Software"))


def apart(one: bytes, other: bytes) -> float:
    """Mean difference of two pictures, 0 to 1; 1 where their sizes differ."""
    from PIL import Image

    a, b = (np.asarray(Image.open(io.BytesIO(x)).convert("RGB"), float) for x in (one, other))
    return float(np.abs(a - b).mean()) / 255.0 if a.shape == b.shape else 1.0


def test_there_are_three_notebooks() -> None:
    assert [p.stem for p in NOTEBOOKS] == ["a-weekend-with-the-car", "how-it-decides", "the-kit"]


@every_notebook
def test_what_is_stored_is_whole_and_small(path: Path) -> None:
    notebook = read(path)
    nbformat.validate(notebook)
    assert path.stat().st_size < MOST_BYTES
    assert normalised(copy.deepcopy(notebook)) == notebook
    assert "parameters" in tags(code_cells(notebook)[0])
    assert all("parameters" not in tags(cell) for cell in code_cells(notebook)[1:])
    assert any(pictures(cell) for cell in code_cells(notebook))
    assert not loud(notebook)
    assert len({cell.id for cell in notebook.cells}) == len(notebook.cells)
    text = path.read_text(encoding="utf-8")
    for place in (ROOT, Path.home(), Path(tempfile.gettempdir()), Path(sys.prefix)):
        assert str(place) + os.sep not in text, "a machine's path is stored"


@every_notebook
def test_a_picture_has_its_words_and_a_figure_in_prose_is_printed(path: Path) -> None:
    notebook = read(path)
    for cell, after in pairwise(notebook.cells):
        if cell.cell_type == "code" and pictures(cell):
            assert len(pictures(cell)) == 1, cell.id
            assert after.cell_type == "markdown", cell.id
            assert "picture" in after.source.lower(), cell.id
    seen = "\n".join(f"{cell.source}\n{said(cell)}" for cell in code_cells(notebook))
    known = set(re.findall(r"\d+\.\d+", seen))
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            for figure in re.findall(r"\d+\.\d+", cell.source):
                assert figure in known, f"{figure} in {cell.id} is printed nowhere"


@every_notebook
def test_a_shortened_run_says_what_is_stored(path: Path, tmp_path: Path) -> None:
    stored = read(path)
    fresh = run(shortened(stored), tmp_path)
    assert not loud(fresh)
    assert other_words(stored, fresh, quick=True) == []
    for cell, now in zip(code_cells(stored), code_cells(fresh), strict=True):
        assert len(pictures(cell)) == len(pictures(now)), cell.id
        assert bool(said(cell)) == bool(said(now)), cell.id


@pytest.mark.slow
@every_notebook
def test_the_whole_run_shows_what_is_stored(path: Path, tmp_path: Path) -> None:
    stored = read(path)
    fresh = run(stored, tmp_path)
    assert not loud(fresh)
    assert other_words(stored, fresh, quick=False) == []
    assert other_pictures(stored, fresh) == []


def test_old_output_is_found() -> None:
    """What the tests above look with sees a changed line, a changed and a missing picture."""
    stored = read(NOTEBOOKS[0])
    assert other_words(stored, stored, quick=False) == other_pictures(stored, stored) == []
    spoken = next(c for c in code_cells(stored) if said(c) and "long" not in tags(c))
    drawn = next(c for c in code_cells(stored) if pictures(c))
    old = copy.deepcopy(stored)
    next(c for c in old.cells if c.id == spoken.id).outputs = [
        nbformat.v4.new_output("stream", text=said(spoken) + "and more\n")
    ]
    assert other_words(old, stored, quick=True) == [spoken.id]
    old = copy.deepcopy(stored)
    other = next(c for c in old.cells if c.id == drawn.id)
    other.outputs = [o for o in other.outputs if "image/png" not in o.get("data", {})]
    assert other_pictures(old, stored) == [drawn.id]
    other.outputs += [_with_a_line(drawn)]
    assert other_pictures(old, stored) == [drawn.id]


def test_few_colours_keep_a_rare_one() -> None:
    from PIL import Image, ImageDraw

    shades = np.add.outer(np.arange(200), np.arange(300)) // 2
    picture = Image.fromarray(np.stack([shades, shades, 250 - shades], -1).astype(np.uint8))
    ImageDraw.Draw(picture).rectangle((90, 90, 98, 98), fill="#e76300")
    out = io.BytesIO()
    picture.save(out, "png")
    few = np.asarray(Image.open(io.BytesIO(in_few_colours(out.getvalue()))).convert("RGB"), float)
    assert np.abs(few - np.asarray(picture, float)).max() < 12
    assert in_few_colours(in_few_colours(out.getvalue())) == in_few_colours(out.getvalue())


def _with_a_line(cell: NotebookNode) -> Any:
    """A cell's picture with a line drawn across it, as a curve that moved would be."""
    from PIL import Image, ImageDraw, PngImagePlugin

    (png,) = pictures(cell)
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    ImageDraw.Draw(picture).line((0, 0, *picture.size), fill=(0, 0, 0), width=3)
    named, out = PngImagePlugin.PngInfo(), io.BytesIO()
    named.add_text("Software", drawn_by(png))
    picture.save(out, "png", pnginfo=named)
    data = {"image/png": base64.b64encode(out.getvalue()).decode()}
    return nbformat.v4.new_output("display_data", data=data)


def store(path: Path) -> None:
    """Run one notebook in full and write it with its outputs."""
    with tempfile.TemporaryDirectory() as folder:
        nbformat.write(run(read(path), Path(folder)), path)


if __name__ == "__main__":
    for one in NOTEBOOKS:
        if not sys.argv[1:] or one.stem in sys.argv[1:]:
            store(one)
