"""What goes wrong outside the logbook: streams, interrupts, files that cannot be written."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer.cli import main
from optimizer.demo_files import demo_folder

SHIMOPT = [sys.executable, "-m", "optimizer"]
DEMO = str(demo_folder())


@pytest.mark.parametrize("spot", ["missing/x.png", "folder.svg", "file.txt/x.pdf"])
@pytest.mark.parametrize("command", ["curves", "next"])
def test_a_picture_that_cannot_be_written_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str, spot: str
) -> None:
    (tmp_path / "folder.svg").mkdir()
    (tmp_path / "file.txt").write_text("mine")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(SystemExit) as left:
        main([command, DEMO, "--out", str(tmp_path / spot)])
    err = capsys.readouterr().err
    assert left.value.code == 1
    assert err.startswith(f"shimopt: {tmp_path / spot} cannot be written: ")
    assert "mend: name a file in a folder that exists" in err
    assert sorted(tmp_path.rglob("*")) == before


def test_a_picture_that_fails_half_way_leaves_the_old_one(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    picture = tmp_path / "x.svg"
    picture.write_text("the old one")

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(SystemExit) as left:
        main(["curves", DEMO, "--out", str(picture)])
    assert left.value.code == 1
    assert "No space left" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["x.svg"]
    assert picture.read_text() == "the old one"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize(
    "words", [["next", DEMO], ["check", DEMO, "--json"], ["curves", DEMO], ["--help"]]
)
def test_a_full_disk_is_told(words: list[str]) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*SHIMOPT, *words], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 1
    assert done.stderr == (
        "shimopt: the answer could not be written: No space left on device\n"
        "  mend: make room, or send the answer somewhere else\n"
    )


@pytest.mark.skipif(os.name == "nt", reason="needs a POSIX shell")
def test_a_closed_output_is_told_and_a_closed_pipe_is_quiet() -> None:
    shell = f'"{sys.executable}" -m optimizer next "{DEMO}"'
    done = subprocess.run(f"{shell} >&-", shell=True, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == "shimopt: standard output is closed: the answer has nowhere to go\n"
    done = subprocess.run(
        f"{shell} | head -1", shell=True, capture_output=True, text=True, check=False
    )
    (line,) = done.stdout.splitlines()  # a demo that lies deep takes a line more for its path
    heading = "rear-left, after 3 runs: try this next, for what it teaches"
    assert line.removesuffix(" (shortened)") == heading
    assert done.stderr == ""


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
@pytest.mark.parametrize("command", ["check", "curves", "next"])
def test_foreign_names_on_a_plain_terminal(demo_copy: Path, command: str, encoding: str) -> None:
    for file in demo_copy.iterdir():
        text = file.read_text(encoding="utf-8").replace("as-found", "für-前輪")
        file.write_text(text, encoding="utf-8")
    env = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": encoding}
    for extra in ([], ["--json"], ["--until", "für-前"]):
        if command == "check" and "--until" in extra:
            continue
        done = subprocess.run(
            [*SHIMOPT, command, str(demo_copy), *extra], capture_output=True, env=env, check=False
        )
        told = done.stdout + done.stderr
        assert done.returncode == (2 if "--until" in extra else 0), told
        assert b"Traceback" not in told
        assert command == "next" or b"\\u524d" in told
        assert encoding != "ascii" or told.isascii()


@pytest.mark.skipif(sys.platform != "linux", reason="needs names of any bytes")
@pytest.mark.parametrize("name", ["für-前輪".encode(), "für".encode("latin-1")])
def test_a_folder_whose_name_the_locale_lacks(demo_copy: Path, name: bytes) -> None:
    """It is read all the same; a page that would hold the name says what it lacks."""
    folder = os.fsencode(demo_copy.parent) + b"/" + name
    demo_copy.rename(os.fsdecode(folder))
    plain = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    for env in (plain, {**os.environ, "PYTHONUTF8": "1"}):
        for command in (["next"], ["check"], ["next", "--json"], ["brief", "--out", "page.html"]):
            words = [*SHIMOPT, *command[:1], folder, *command[1:]]
            done = subprocess.run(
                words, capture_output=True, env=env, cwd=demo_copy.parent, check=False
            )
            told = done.stdout + done.stderr
            assert b"Traceback" not in told, told
            assert done.returncode == 0 or (command[0] == "brief" and b"mend: " in told), told
            assert env is not plain or told.isascii()


def test_an_interrupt_while_loading_is_quiet() -> None:
    code = (
        "import os, signal, sys, time\n"
        "class Slow:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'optimizer.cli':\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "            time.sleep(10)\n"
        "from optimizer.__main__ import main\n"
        "sys.meta_path.insert(0, Slow())\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_an_interrupt_at_a_prompt_exits_with_130(tmp_path: Path) -> None:
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*SHIMOPT, "new", str(tmp_path / "car")],
        stdin=theirs,
        stdout=theirs,
        stderr=subprocess.PIPE,
        text=True,
    )
    os.close(theirs)
    shown = b""
    while b"thou,mm,mm" not in shown:
        shown += os.read(ours, 1000)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=30)
    os.close(ours)
    assert process.returncode == 130
    assert err.strip() == ""
    assert not (tmp_path / "car").exists()
