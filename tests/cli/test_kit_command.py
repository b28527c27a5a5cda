"""The command ``kit``: its screens, files and JSON, and what it refuses, nothing written."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import pytest

from optimizer.cli import main
from optimizer.present import kit as screen

HAND = "2x3+2x2+5x1+3x0.5+2x0.25"
AXLE = Path(__file__).resolve().parents[2] / "data" / "demo" / "both-wheels"


def _call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["kit", *words])
    out, err = capsys.readouterr()
    code = left.value.code
    return (code if isinstance(code, int) else 0 if code is None else 1), out, err


def _files(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_screen_and_its_files(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    listed, drawn = tmp_path / "list.csv", tmp_path / "kit.svg"
    words = [str(demo_copy), "--both-sides", "--on-hand", HAND, "--spares", "1"]
    before = _files(demo_copy)
    code, out, err = _call(capsys, *words, "--shopping", str(listed), "--out", str(drawn))
    assert code == 0
    assert err == f"wrote {listed}\ndrew {drawn}\n"
    assert _files(demo_copy) == before
    lines = out.splitlines()
    assert lines[0] == "rear-left, both sides alike, after 3 runs: which shims to buy"
    assert max(map(len, lines)) <= 80
    assert "as it is" in out
    assert "1 spare of each size in use" in " ".join(out.split())
    rows = list(csv.DictReader(io.StringIO(listed.read_text(encoding="utf-8"))))
    assert rows
    doc = json.loads(_call(capsys, *words, "--json")[1])
    (kit,) = [k for k in doc["kits"] if k["chosen"]]
    assert sum(float(r["price"]) for r in rows) == pytest.approx(float(kit["price"]))
    assert [int(r["packs"]) for r in rows] == [b["packs"] for b in kit["buys"]]
    for row in rows:
        assert float(row["price"]) == pytest.approx(int(row["packs"]) * float(row["price_of_pack"]))
    assert "take" not in kit["letter"]
    text = drawn.read_text(encoding="utf-8")
    assert "what may be asked for" in text
    assert f">{kit['letter']}" in text


def test_the_json_can_be_reckoned_again(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    words = [str(demo_copy), "--both-sides", "--on-hand", HAND]
    doc = json.loads(_call(capsys, *words, "--json", "--one-more", "--only", "few=2x3+2x2+5x1")[1])
    assert doc["schema_version"] == 1
    assert doc["command"] == "kit"
    losses = [k["loss"]["value_deg"] for k in doc["kits"]]
    prices = [float(k["price"]) for k in doc["kits"]]
    assert losses == sorted(losses, reverse=True)
    assert prices == sorted(prices)
    assert [k["letter"] for k in doc["kits"]] == [screen.letter(i) for i in range(len(losses))]
    (corner,) = doc["corners"]
    assert corner["wheels"] == 2
    (kit,) = [k for k in doc["kits"] if k["chosen"]]
    draws = corner["draws"]
    assert len(draws["loss_deg"]) == doc["terms"]["n_draw"] == 200
    assert sum(draws["loss_deg"]) / 200 == pytest.approx(kit["loss"]["value_deg"])
    fine = sum(x <= doc["terms"]["worthwhile_deg"] for x in draws["loss_deg"]) / 200
    assert fine == pytest.approx(kit["share_under_worthwhile"])
    made = {h["joint_height_mm"] for h in corner["heights"] if h["above_mm"] is not None}
    assert {round(h, 6) for h in draws["made_height_mm"]} <= {round(h, 6) for h in made}
    assert sum(h["share"] for h in corner["heights"]) == pytest.approx(1.0)
    assert doc["terms"]["within_costs_deg"] < 0.005
    assert doc["boxes"][0]["kit"]["loss"]["value_deg"] > kit["loss"]["value_deg"]
    assert {m["on_offer"] for m in doc["one_more"]} == {True, False}
    assert doc["cautions"]
    # one draw, reckoned again on the screen
    number = draws["loss_deg"].index(max(draws["loss_deg"])) + 1
    code, out, _ = _call(capsys, *words, "--draw", str(number))
    assert code == 0
    assert f"{max(draws['loss_deg']):.4f}" in out


def test_recipes_are_told_for_every_height_asked_for(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    words = [str(demo_copy), "--both-sides", "--on-hand", HAND]
    doc = json.loads(_call(capsys, *words, "--json")[1])
    code, out, _ = _call(capsys, *words, "--recipes")
    assert code == 0
    for height in doc["corners"][0]["heights"]:
        if height["share"] > 0.0:
            lines = [x for x in out.splitlines() if x.split()[:1] == [height["shown"]]]
            assert lines or height["share"] < 0.005
            for line in lines:
                told = "now" in line or ("out of reach" in line) == (height["above_mm"] is None)
                assert told
    assert "Rated stands" in out


def test_several_logbooks_share_one_box(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    axle = Path(shutil.copytree(AXLE, tmp_path / "second"))
    offers = str(demo_copy / "offers.csv")
    both = [str(demo_copy), str(axle), "--offers", offers]
    doc = json.loads(_call(capsys, *both, "--json")[1])
    labels = [c["corner"] for c in doc["corners"]]
    assert labels == ["car:rear-left", "second:rear-left", "second:rear-right"]
    one = json.loads(_call(capsys, *both, "--corner", "rear-right", "--json")[1])
    assert [c["corner"] for c in one["corners"]] == ["second:rear-right"]
    code, out, _ = _call(capsys, *both)
    assert code == 0
    assert "all corners together" in " ".join(out.split())
    code, _, err = _call(capsys, str(demo_copy), str(demo_copy), "--offers", offers)
    assert code == 2
    assert "twice" in err


def test_a_blank_list_filled_in_is_a_list(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    blank = tmp_path / "mine.csv"
    code, out, _ = _call(capsys, str(demo_copy), "--blank", str(blank))
    assert code == 0
    assert f"made {blank}" in out
    text = blank.read_text(encoding="utf-8")
    code, _, err = _call(capsys, str(demo_copy), "--blank", str(blank))
    assert code == 2
    assert "is there already" in err
    assert blank.read_text(encoding="utf-8") == text
    code, _, err = _call(capsys, str(demo_copy), "--offers", str(blank))
    assert code == 3
    assert "[L802]" in err
    blank.write_text(text.replace(",,1,", ",1.25,1,"), encoding="utf-8")
    filled = _call(capsys, str(demo_copy), "--offers", str(blank), "--json")[1]
    priced = _call(capsys, str(demo_copy), "--price", "1.25", "--json")[1]
    assert json.loads(filled)["kits"] == json.loads(priced)["kits"]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("--budget 1 --loss 0.01", 2, "name one of the two"),
        ("--budget -1", 2, "no amount of money"),
        ("--budget 1e400", 2, "no amount of money"),
        ("--budget 0.00001", 2, "decimals"),
        ("--loss nine", 2, "--loss"),
        ("--loss=-0.1", 2, "below zero"),
        ("--loss 0", 5, "the best loses"),
        ("--spares -1", 2, "from 0 to 20"),
        ("--spares 3 --budget 0.5", 5, "too small: no kit under"),
        ("--shim-tolerance 2", 2, "absurd"),
        ("--pack 0", 2, "no pack"),
        ("--pack 10", 2, "goes with --price"),
        ("--price 1 --offers x.csv", 2, "give one of the two"),
        ("--price free", 2, "no amount of money"),
        ("--offers none.csv", 3, "[L801]"),
        ("--on-hand 3+2", 2, "lack one of"),
        ("--on-hand 3+two", 2, "is no shim"),
        ("--only 3+2", 2, "names no box"),
        ("--only a=3 --only a=2", 2, "have one name"),
        ("--only a=0", 2, "holds no shim"),
        ("--corner front", 2, "no corner 'front'"),
        ("--draw 201", 2, "from 1 to 200"),
        ("--draw 2 --json", 2, "ask for one"),
        ("--recipes --json", 2, "ask for one"),
        ("--shopping none/list.csv", 2, "cannot be written"),
        ("--out CAR", 2, "cannot be written"),
        ("--shopping list.txt", 2, "does not end in .csv"),
        ("--shopping CAR/offers.csv", 2, "a file of your own"),
        ("--shopping CAR/runs.csv", 2, "a file of your own"),
        ("--out kit.doc", 2, "a picture's ending"),
        ("--goal kind=most", 2, "kind"),
        ("--until never", 2, "never"),
    ],
)
def test_a_wrong_call_says_so_and_writes_nothing(
    capsys: pytest.CaptureFixture[str],
    demo_copy: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: str,
    code: int,
    said: str,
) -> None:
    monkeypatch.chdir(demo_copy.parent)
    before = _files(demo_copy.parent)
    call = [str(demo_copy), *words.replace("CAR", str(demo_copy)).split()]
    if "--shopping" not in words:
        call += ["--shopping", "bought.csv"]
    if "--out" not in words and "--json" not in words:
        call += ["--out", "kit.png"]
    got, out, err = _call(capsys, *call)
    assert (got, out) == (code, "")
    assert said in err
    assert "mend: " in err
    assert _files(demo_copy.parent) == before


def test_no_price_at_all_says_how_to_start(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    (demo_copy / "offers.csv").unlink()
    code, out, err = _call(capsys, str(demo_copy))
    assert (code, out) == (2, "")
    assert "--blank offers.csv" in err
    # a box can be asked about without any
    code, out, _ = _call(capsys, str(demo_copy), "--only", "few=3+2+1", "--only", "none=1")
    assert code == 0
    assert "few" in out
    assert "makes nothing" in out


def test_a_stack_that_no_combination_reaches(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    """Offers that no total takes: nothing to buy, and a spare that cannot be had is refused."""
    (demo_copy / "offers.csv").write_text("thickness_mm,price\n0.7,1\n", encoding="utf-8")
    car = (demo_copy / "car.toml").read_text(encoding="utf-8")
    bare = car.replace('"3 + 2 + 4x1 + 3x0.5 + 2x0.25"', '"3 + 2 + 3x1"')
    (demo_copy / "car.toml").write_text(bare, encoding="utf-8")
    code, out, _ = _call(capsys, str(demo_copy))
    assert code == 0
    assert "nothing" in out
    code, out, err = _call(capsys, str(demo_copy), "--spares", "1")
    assert (code, out) == (5, "")
    assert "no setting can be made at every corner" in err


@pytest.mark.parametrize("width", [40, 60, 80])
def test_every_screen_fits(
    capsys: pytest.CaptureFixture[str],
    demo_copy: Path,
    monkeypatch: pytest.MonkeyPatch,
    width: int,
) -> None:
    monkeypatch.setattr("optimizer.commands.kit.columns", lambda: width)
    words = [str(demo_copy), "--both-sides", "--on-hand", HAND, "--one-more"]
    for more in (
        [],
        ["--recipes"],
        ["--draw", "3"],
        ["--only", "a very long name=3+2+2+2+1+1+1+3"],
    ):
        out = _call(capsys, *words, *more)[1]
        assert max(map(len, out.splitlines())) <= width, out
        assert "Read it" in out
