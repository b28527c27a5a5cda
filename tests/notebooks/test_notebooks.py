"""Run every notebook's code cells and hold the printed output to what is stored.

``python tests/notebooks/test_notebooks.py`` runs them and stores the output anew.
"""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def _printed(notebook: dict[str, Any]) -> list[str]:
    """What each code cell prints, all run in one namespace from the top."""
    names: dict[str, Any] = {"__name__": "__main__"}
    out = []
    for cell in notebook["cells"]:
        if cell["cell_type"] != "code":
            continue
        said = io.StringIO()
        with contextlib.redirect_stdout(said):
            exec(compile("".join(cell["source"]), "cell", "exec"), names)
        out.append(said.getvalue())
    return out


def _stored(notebook: dict[str, Any]) -> list[str]:
    return [
        "".join(line for output in cell["outputs"] for line in output.get("text", []))
        for cell in notebook["cells"]
        if cell["cell_type"] == "code"
    ]


def _store(path: Path) -> None:
    notebook = json.loads(path.read_text(encoding="utf-8"))
    texts = iter(_printed(notebook))
    count = 0
    for cell in notebook["cells"]:
        if cell["cell_type"] != "code":
            continue
        count += 1
        text = next(texts)
        stream = {"name": "stdout", "output_type": "stream", "text": text.splitlines(keepends=True)}
        cell["outputs"] = [stream] if text else []
        cell["execution_count"] = count
    path.write_text(json.dumps(notebook, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_outputs_are_not_older_than_the_code(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    notebook = json.loads(path.read_text(encoding="utf-8"))
    assert _printed(notebook) == _stored(notebook)


if __name__ == "__main__":
    for one in NOTEBOOKS:
        _store(one)
