"""What a picture, page or list must never overwrite, and price lists that are too much."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.cli import main

MADE = (
    ("brief", "brief.html"),
    ("sheet", "sheet.pdf"),
    ("curves", "--out", "curves.png"),
    ("next", "--out", "next.svg"),
    ("kit", "--shopping", "list.csv"),
)


def _ended(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    code = 0
    try:
        main(words)
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 1
    return code, capsys.readouterr().err


@pytest.mark.parametrize("words", MADE, ids=lambda words: words[0])
@pytest.mark.parametrize("leads_to", ["readings.csv", "../precious.txt", "../nothing-yet.txt"])
def test_nothing_is_written_through_a_link(
    demo_copy: Path,
    words: tuple[str, ...],
    leads_to: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Somebody's logbook, unpacked, may hold a link by the name that a command writes."""
    (demo_copy.parent / "precious.txt").write_text("precious")
    name = words[-1]
    (demo_copy / name).symlink_to(leads_to)
    held = {p: p.read_bytes() for p in demo_copy.parent.rglob("*") if p.is_file()}
    monkeypatch.chdir(demo_copy)
    code, said = _ended([w for w in words if w not in ("brief.html", "sheet.pdf")], capsys)
    assert code in (1, 2)
    assert name in said
    assert "is a link" in said or "file of your own" in said
    assert (demo_copy / name).is_symlink()
    assert {p: p.read_bytes() for p in demo_copy.parent.rglob("*") if p.is_file()} == held


def test_a_history_is_not_kept_through_a_link(
    demo_copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outside = demo_copy.parent / "outside"
    outside.mkdir()
    (demo_copy / ".shimopt").symlink_to(outside, target_is_directory=True)
    wide = demo_copy.parent / "wide.csv"
    wide.write_text("travel;later\nshims above;3\nshims below;2+1\n-9;1\n0;0\n9;2\n")
    held = {p: p.read_bytes() for p in demo_copy.iterdir() if p.is_file()}
    code, said = _ended(["import", str(wide), str(demo_copy), "--yes"], capsys)
    assert code == 1
    assert "is a link" in said
    assert not list(outside.iterdir())
    assert {p: p.read_bytes() for p in demo_copy.iterdir() if p.is_file()} == held


@pytest.mark.parametrize(("first", "step", "n"), [(0.05, 0.05, 20), (0.01, 0.01, 40)])
def test_a_list_of_too_many_thicknesses_is_refused_at_once(
    demo_copy: Path, first: float, step: float, n: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Forty sizes from a hundredth up took fifteen gigabytes and did not end."""
    rows = [f"{first + k * step:.2f},{1 + k % 7},1,x" for k in range(n)]
    (demo_copy / "offers.csv").write_text("\n".join(["thickness_mm,price,pack,source", *rows, ""]))
    code, said = _ended(["kit", str(demo_copy)], capsys)
    assert code == 2
    assert "make more stacks than can be weighed" in said
    assert "mend: offer fewer" in said


@pytest.mark.parametrize(("pack", "code"), [("1000", 0), ("1001", 2)])
def test_a_large_pack_is_no_larger_a_stack(
    demo_copy: Path, pack: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    ended, said = _ended(["kit", str(demo_copy), "--price", "1", "--pack", pack], capsys)
    assert ended == code
    assert ("more than a pack may hold" in said) == (code == 2)
