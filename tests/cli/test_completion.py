"""The Tab key, as bash asks for it: commands, options, and names of the logbook."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer.demo_files import demo_folder

DEMO = demo_folder()
AXLE = DEMO / "both-wheels"


def _offered(line: str) -> list[str]:
    """What bash is offered for the last word of a line."""
    words = line.split(" ")
    env = {
        **os.environ,
        "_SHIMOPT_COMPLETE": "complete_bash",
        "COMP_WORDS": line,
        "COMP_CWORD": str(len(words) - 1),
    }
    done = subprocess.run(
        [sys.executable, "-m", "optimizer"],
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    return done.stdout.split()


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("shimopt n", ["new", "next"]),
        ("shimopt next --unt", ["--until"]),
        (f"shimopt next {DEMO} --until ", ["as-found", "joint-up", "link-short"]),
        (f"shimopt next {DEMO} --until jo", ["joint-up"]),
        (f"shimopt curves {DEMO} --leave-out link", ["link-short"]),
        (f"shimopt next {DEMO} --corner ", ["rear-left"]),
        (f"shimopt brief {AXLE} --corner rear-r", ["rear-right"]),
        (f"shimopt kit {AXLE} --corner ", ["rear-left", "rear-right"]),
        (f"shimopt axle {AXLE} --axle ", ["rear"]),
        (f"shimopt axle {DEMO} --axle ", []),
        ("shimopt sheet --paper l", ["letter"]),
        ("shimopt new my-car --gauge t", ["toe-plate", "two-dials"]),
        ("shimopt new my-car --rising toe-", ["toe-in", "toe-out"]),
    ],
)
def test_names_and_words_are_offered(line: str, offered: list[str]) -> None:
    assert sorted(_offered(line)) == offered


def test_a_logbook_that_cannot_be_read_offers_nothing(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text("[[[")
    for flag in ("--until", "--corner"):
        assert _offered(f"shimopt next {tmp_path} {flag} ") == []


def test_it_can_be_installed(tmp_path: Path) -> None:
    env = {**os.environ, "HOME": str(tmp_path)}
    for words in (["--install-completion", "bash"], ["--show-completion", "bash"]):
        done = subprocess.run(
            [sys.executable, "-m", "optimizer", *words],
            env=env, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    assert "_SHIMOPT_COMPLETE" in done.stdout
    assert (tmp_path / ".bash_completions").is_dir()
