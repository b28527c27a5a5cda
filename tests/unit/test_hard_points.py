"""Hard points: the exact mechanism as the surface's mean, its honesty, and the file's sides."""

from __future__ import annotations

import re
import time
from dataclasses import fields, replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from sklearn.base import clone

from optimizer.advise.next_move import advise, surface_map
from optimizer.cli import main
from optimizer.errors import CallError, LinkageError
from optimizer.logbook import read_logbook
from optimizer.logbook.template import CarText, car_toml
from optimizer.measure.shape import window_weights
from optimizer.model.basis import design_matrix
from optimizer.model.exact import FOCUS_MM, TRAINING_GRID, surface_coefficients
from optimizer.model.hard_prior import hard_point_prior
from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep
from optimizer.model.population import draw_corners, tape_truth, workable
from optimizer.model.prior import corner_prior
from optimizer.model.surface import SettingCurve, ToeSurface
from optimizer.records import Logbook, Measured, MeasuredPoints, Reading, Tape, Units

CORNER = "rear-left"
NAMES = [f.name for f in fields(MeasuredPoints) if f.name != "sd_mm"]
NODE, WEIGHT = window_weights((-50.0, 50.0))


def _places(points: HardPoints) -> np.ndarray:
    """The nine points a crew would measure, (9, 3), of one mechanism."""
    inner, outer = points.inner, points.outer
    return np.array(
        [
            *(inner[0], inner[1], outer[0], inner[2], inner[3], outer[2]),
            *(inner[4], outer[4], points.hub),
        ]
    )


def _measured(
    points: HardPoints, sd_mm: float = 1.0, rng: np.random.Generator | None = None
) -> MeasuredPoints:
    places = _places(points)
    if rng is not None:
        places = places + sd_mm * rng.standard_normal(places.shape)
    named = dict(zip(NAMES, (tuple(p) for p in places.tolist()), strict=True))
    return MeasuredPoints(**named, sd_mm=sd_mm)


def _one(points: HardPoints, i: int) -> HardPoints:
    names = ("inner", "outer", "hub", "spindle", "stud", "slot")
    return replace(points, **{name: getattr(points, name)[i] for name in names})


def _change_deg(points: HardPoints, travel: np.ndarray, h: float, d: float) -> np.ndarray:
    toe = sweep(points, np.append(travel, 0.0), h, d).toe_deg[0]
    return np.asarray(toe[:-1] - toe[-1])


@pytest.mark.outside
@pytest.mark.parametrize(
    ("height", "change"), [(3.0, 0.0), (-4.0, 0.0), (0.0, 6.0), (2.0, -6.0), (6.0, -9.0)]
)
def test_exact_points_and_one_clean_run_give_the_mechanism_s_curves(
    demo_truth: ModuleType, height: float, change: float
) -> None:
    travel = np.linspace(-60.0, 60.0, 9)
    points = _measured(demo_truth.CORNER, 1e-3)
    run = SettingCurve(
        height_mm=0.0,
        length_change_mm=0.0,
        travel_mm=travel,
        toe_deg=_change_deg(demo_truth.CORNER, travel, 0.0, 0.0),
        cov_deg2=np.eye(9) * 1e-8,
    )
    surface = ToeSurface(ahead=False, points=points).fit_curves([run])
    exact = _change_deg(demo_truth.CORNER, travel, height, change)
    assert surface.curve(height, change, travel)[0] == pytest.approx(exact, abs=0.002)
    # the population is not that good, so the check can fail
    other = ToeSurface(ahead=False).fit_curves([run])
    assert np.max(np.abs(other.curve(height, change, travel)[0] - exact)) > 0.004


@pytest.mark.outside
def test_spread_is_that_of_mechanisms_drawn_anew(corner: HardPoints) -> None:
    rng = np.random.default_rng(31)
    n = 300
    off = rng.standard_normal((n, 9, 3))
    low, up = corner.outer[0] + off[:, 2], corner.outer[2] + off[:, 5]

    def wide(vector: np.ndarray) -> np.ndarray:
        return np.broadcast_to(vector, (n, 3))

    drawn = HardPoints(
        inner=corner.inner + off[:, [0, 1, 3, 4, 6]],
        outer=np.stack([low, low, up, up, corner.outer[4] + off[:, 7]], axis=1),
        hub=corner.hub + off[:, 8],
        spindle=wide(corner.spindle),
        stud=wide(corner.stud),
        slot=wide(corner.slot),
    )
    prior = hard_point_prior(_measured(corner), True, Tape())
    travel = np.array([-50.0, 50.0])
    rows = design_matrix(np.full(2, 4.0), np.zeros(2), travel)
    rows = rows - design_matrix(np.zeros(2), np.zeros(2), travel)
    promised = np.sqrt(np.diag(rows @ prior.cov[:60, :60] @ rows.T))
    seen = (surface_coefficients(drawn) @ rows.T).std(axis=0)
    # promised holds besides: rigid rods' give and the stud's and spindle's directions
    assert np.all(seen < 1.05 * promised)
    assert np.all(promised < 1.6 * seen)
    truth = tape_truth(drawn)
    sd = np.sqrt(np.diag(prior.cov))[60:]
    assert sd[0] == pytest.approx(np.log(truth.length_mm).std(), rel=0.15)
    assert sd[1] == pytest.approx(np.log(truth.arm_mm).std(), rel=0.15)
    assert sd[2] == pytest.approx(truth.rise_mm.std(), rel=0.15)


def test_tape_block_is_the_points_own_and_the_tape_sharpens_it(corner: HardPoints) -> None:
    prior = hard_point_prior(_measured(corner), True, Tape())
    # the pivots' line goes from x = 5 at z = 185 to x = -6 at z = 430; the link is square to x
    assert np.exp(prior.mean[60:62]) == pytest.approx([300.0, 115.0 - 5.0 + 11.0 * 55.0 / 245.0])
    assert prior.mean[62] == pytest.approx(0.0, abs=1e-9)
    tape = Tape(rise_mm=Measured(value=2.0, sd=0.5), stud_lean_rad=Measured(value=0.02, sd=0.01))
    taped = hard_point_prior(_measured(corner), True, tape)
    assert 1.5 < taped.mean[62] < 2.0
    assert taped.mean[64] == pytest.approx(0.02, abs=1e-3)
    # a link that rises more answers to length with more slope
    assert taped.cov[12, 12] < prior.cov[12, 12]
    assert taped.mean[12] != pytest.approx(prior.mean[12], abs=1e-6)


@pytest.mark.outside
@pytest.mark.parametrize("end", ["outer", "inner"])
def test_bands_hold_the_truth_on_corners_of_another_seed(end: str) -> None:
    rng = np.random.default_rng(606)
    travel = np.array([-50.0, -37.5, -25.0, -12.5, 12.5, 25.0, 37.5, 50.0])
    noise = np.eye(8) * 0.006**2 + 0.004**2 + np.outer(travel, travel) * (0.008 / 40) ** 2
    root = np.linalg.cholesky(noise)
    inside, n_corner = [], 0
    for ahead in (True, False):
        drawn = replace(draw_corners(rng, 40, ahead=ahead), end=end)
        drawn = workable(
            drawn,
            np.array([-60.0, 60.0]),
            np.array([-10.0, 10.0, 10.0, -10.0]),
            np.array([-15.0, 15.0, -15.0, 15.0]),
        )
        n_corner += len(drawn.hub)
        for i in range(len(drawn.hub)):
            true = _one(drawn, i)
            run = SettingCurve(
                height_mm=0.0,
                length_change_mm=0.0,
                travel_mm=travel,
                toe_deg=_change_deg(true, travel, 0.0, 0.0) + root @ rng.standard_normal(8),
                cov_deg2=noise,
            )
            surface = ToeSurface(ahead=ahead, end=end, points=_measured(true, 1.0, rng))  # type: ignore[arg-type]
            surface.fit_curves([run])
            for _ in range(3):
                h, d = rng.uniform(-4.0, 4.0), rng.uniform(-7.0, 7.0)
                mean, cov = surface.curve(h, d, travel)
                gap = np.abs(_change_deg(true, travel, h, d) - mean)
                inside.append(np.mean(gap <= 1.6449 * np.sqrt(np.diag(cov))))
    assert n_corner >= 60
    assert 0.82 < np.mean(inside) < 0.97


def _noisy(book: Logbook, truth: ModuleType, rng: np.random.Generator) -> Logbook:
    rows = truth.measured_rows(rng, "as-found", 0.0, 0.0)
    readings = tuple(
        Reading(run=r, sweep=s, travel_mm=float(z), value=float(v) * 0.0254) for r, s, z, v in rows
    )
    return replace(book.as_of("as-found"), readings=readings)


def test_points_advise_at_least_as_well_as_the_tape(
    demo_book: Logbook, demo_truth: ModuleType
) -> None:
    possible = surface_map(demo_book.as_of("as-found"), CORNER).possible

    def score(h: float, d: float) -> float:
        toe = demo_truth.true_toe_change_deg(NODE, h, d)
        return float(np.sqrt(WEIGHT @ toe**2))

    best = min(score(h, d) for h, d in possible)
    corner = demo_book.corners[CORNER]
    truth = _measured(demo_truth.CORNER)
    low = np.subtract(truth.link_outer_joint_mm, truth.link_inner_joint_mm)
    true_tape = (float(np.linalg.norm(low)), 96.5, float(low[2]))
    excess = []
    for seed in range(20):
        rng = np.random.default_rng(900 + seed)
        book = _noisy(demo_book, demo_truth, rng)
        tape = Tape(
            **{
                name: Measured(value=value + sd * rng.standard_normal(), sd=sd)
                for name, value, sd in zip(
                    ("length_mm", "arm_mm", "rise_mm"), true_tape, (2.0, 3.0, 3.0), strict=True
                )
            }
        )
        points = _measured(demo_truth.CORNER, 1.0, rng)
        row = []
        for known in (
            replace(corner, tape=tape),
            replace(corner, tape=Tape(), points=points),
        ):
            spot = advise(replace(book, corners={CORNER: known}), CORNER).move.spot
            row.append(score(spot.height_mm, spot.length_change_mm) - best)
        excess.append(row)
    by_tape, by_points = np.median(excess, axis=0)
    assert by_points < 0.5 * by_tape  # README says a third
    assert by_points < 0.01


def test_surface_is_cloned_with_its_points(corner: HardPoints) -> None:
    points = _measured(corner)
    surface = ToeSurface(points=points)
    copy = clone(surface)
    assert copy.get_params()["points"] == points
    assert copy.set_params(points=None).points is None


def test_the_prior_takes_little_time(corner: HardPoints) -> None:
    hard_point_prior(_measured(corner), True, Tape())
    took = []
    for _ in range(3):
        hard_point_prior.cache_clear()
        start = time.perf_counter()
        hard_point_prior(_measured(corner), True, Tape())
        took.append(time.perf_counter() - start)
    assert min(took) < 0.15


def test_the_wrong_side_is_refused(corner: HardPoints) -> None:
    with pytest.raises(CallError, match="ahead of the line"):
        hard_point_prior(_measured(corner), False, Tape())


def test_what_cannot_be_assembled_says_where(corner: HardPoints) -> None:
    short = _measured(corner)
    x, y, z = short.upper_ball_joint_mm
    stub = replace(
        short,
        upper_front_pivot_mm=(110.0, y - 40.0, z),
        upper_rear_pivot_mm=(-110.0, y - 40.0, z),
    )
    assert x < 0.0
    with pytest.raises(LinkageError, match="60 mm of travel either way"):
        hard_point_prior(stub, True, Tape())
    steep = replace(short, link_inner_joint_mm=(115.0, 685.0, 240.0))
    with pytest.raises(LinkageError, match="linkage that locks or does not reach"):
        hard_point_prior(steep, True, Tape())


def _block(name: str, points: HardPoints, flip: float = 1.0, each: float = 1.0) -> str:
    """The table of a corner's points, as a crew types it."""
    lines = [f"[corner.{name}.points]"]
    for key, (x, y, z) in zip(NAMES, _places(points), strict=True):
        place = ", ".join(f"{v / each:.9g}" for v in (x, flip * y, z))
        lines.append(f"{key.removesuffix('_mm')} = [{place}]")
    return "\n".join(lines) + "\n"


def test_a_right_hand_corner_in_its_own_coordinates_gets_the_same_numbers(
    demo_copy: Path, demo_truth: ModuleType, demo_book: Logbook
) -> None:
    car = demo_copy / "car.toml"
    text = car.read_text(encoding="utf-8")
    car.write_text(f"{text}\n{_block(CORNER, demo_truth.CORNER)}give_or_take = 3\n")
    left = read_logbook(demo_copy)
    points = left.corners[CORNER].points
    assert points == _measured(demo_truth.CORNER, 1.5)
    right_text = text.replace('side = "left"', 'side = "right"')
    block = _block(CORNER, demo_truth.CORNER, flip=-1.0)
    car.write_text(f"{right_text}\n{block}give_or_take = 3\n")
    right = read_logbook(demo_copy)
    assert right.corners[CORNER].points == points
    a, b = advise(left, CORNER), advise(right, CORNER)
    assert a.move == b.move
    assert np.array_equal(a.outlook.toe_deg, b.outlook.toe_deg)
    assert a.outlook.toe_deg != pytest.approx(advise(demo_book, CORNER).outlook.toe_deg, abs=1e-6)


def test_the_page_s_example_reads_clean(demo_copy: Path) -> None:
    page = (Path(__file__).parents[2] / "docs/car.md").read_text(encoding="utf-8")
    block = page.split("<!-- hard points -->\n")[1].split("\n\n")[0]
    with (demo_copy / "car.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + re.sub(r"(?m)^    ", "", block) + "\n")
    points = read_logbook(demo_copy).corners[CORNER].points
    assert points is not None
    assert points.sd_mm == 1.0


def test_points_in_inches_are_the_same_points(demo_copy: Path, demo_truth: ModuleType) -> None:
    car = demo_copy / "car.toml"
    text = re.sub(r"(?s)\[corner.rear-left.tape\].*?\n\n", "", car.read_text(encoding="utf-8"))
    text = text.replace('length = "mm"', 'length = "in"').replace("span = 300", "span = 12")
    text = text.replace("per_mark = 1.0", "per_mark = 0.04")
    text = re.sub(r"(?m)^shims = .*$", "", text)
    car.write_text(f"{text}\n{_block(CORNER, demo_truth.CORNER, each=25.4)}")
    runs = demo_copy / "runs.csv"
    header, _, rest = runs.read_text(encoding="utf-8").partition("\n")
    header = re.sub(r"(shims_above|shims_below|length_change)", r"\1_mm", header)
    runs.write_text(f"{header}\n{rest}")
    points = read_logbook(demo_copy).corners[CORNER].points
    assert points is not None
    assert points.sd_mm == 1.0
    assert points.wheel_centre_mm == pytest.approx((0.0, 742.0, 302.0), abs=1e-5)


@pytest.mark.outside
def test_what_the_basis_leaves_out_is_spread_over_its_coefficients() -> None:
    """On the grid, weighted as the fit is, numpy's average of the variance is the misfit's."""
    h, d, z = (x.ravel() for x in np.meshgrid(
        TRAINING_GRID.heights_mm, TRAINING_GRID.changes_mm, TRAINING_GRID.travels_mm,
        indexing="ij",
    ))  # fmt: skip
    toe = 0.3 * np.sin(z / 9.0) + 0.01 * np.cos(h * d / 20.0)
    weight = np.exp(-0.5 * sum((x / s) ** 2 for x, s in zip((h, d, z), FOCUS_MM, strict=True)))
    rows = design_matrix(h, d, z)
    coefficients = TRAINING_GRID.fitted(toe[None])
    cov = TRAINING_GRID.misfit_cov(toe[None], coefficients)
    variance = np.einsum("pi,ij,pj->p", rows, cov, rows)
    missed = np.average((toe - rows @ coefficients[0]) ** 2, weights=weight)
    assert missed > 1e-4
    assert np.average(variance, weights=weight) == pytest.approx(missed)
    # and the fit is weighted least squares
    root, scale = np.sqrt(weight), np.abs(rows).max(axis=0)
    wanted = np.linalg.lstsq(rows / scale * root[:, None], toe * root, rcond=1e-12)[0] / scale
    assert rows @ coefficients[0] == pytest.approx(rows @ wanted, abs=1e-7)


def test_only_corners_that_reach_every_setting_are_kept() -> None:
    at = np.linspace(-60.0, 60.0, 5), np.zeros(1), np.zeros(1)
    good = workable(draw_corners(np.random.default_rng(3), 6, ahead=True), *at)
    n = len(good.hub)
    assert n > 2
    inner = good.inner.copy()
    # a link of 20 mm follows no wheel over 60 mm
    inner[1, TOE_LINK] = good.outer[1, TOE_LINK] + np.array([0.0, -20.0, 0.0])
    kept = workable(replace(good, inner=inner), *at)
    assert np.array_equal(kept.hub, np.delete(good.hub, 1, axis=0))
    assert np.array_equal(kept.inner, np.delete(inner, 1, axis=0))


def test_a_linkage_that_locks_ends_with_words(
    demo_copy: Path, demo_truth: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    inner = demo_truth.CORNER.inner.copy()
    inner[2:4, 1] = 640.0  # an upper arm of 28 mm
    block = _block(CORNER, replace(demo_truth.CORNER, inner=inner))
    with (demo_copy / "car.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n{block}")
    with pytest.raises(SystemExit) as left:
        main(["next", str(demo_copy)])
    assert left.value.code == 1
    said = capsys.readouterr().err
    assert "corner 'rear-left': the hard points make a linkage that locks" in said
    assert "Traceback" not in said


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("link", ["ahead", "behind"])
@pytest.mark.parametrize("length", ["mm", "in"])
def test_the_example_of_a_new_car_toml_is_a_corner_that_works(
    tmp_path: Path, side: str, link: str, length: str
) -> None:
    text = car_toml(
        CarText(
            name="new",
            units=Units(travel="mm", reading="mm", length=length, toe="deg"),
            toe_out_plus=False,
            droop_plus=False,
            span="400" if length == "mm" else "16",
            gauge="one-dial",
            rising="toe-in",
            reference="",
            corner=f"rear-{side}",
            side=side,
            link=link,
            steered=False,
            run="run1",
            shims="0.1",
            most_shims=4,
        )
    )
    text = re.sub(r"(?m)^# (\w+ = )", r"\1", text).replace("least-change", "toe-at-travel", 1)
    (tmp_path / "car.toml").write_text(text)
    (tmp_path / "runs.csv").write_text("run,corner,shims_above,shims_below\nrun1,,0,0\n")
    (tmp_path / "readings.csv").write_text("run,pass,travel,reading\n")
    corner = read_logbook(tmp_path).corners[f"rear-{side}"]
    assert corner.points is not None
    by_points = hard_point_prior(corner.points, corner.ahead, Tape()).mean[60:63]
    by_tape = corner_prior(corner.ahead, corner.tape).mean[60:63]
    assert by_points[:2] == pytest.approx(by_tape[:2], abs=0.05)
    assert by_points[2] == pytest.approx(by_tape[2], abs=1.0)
