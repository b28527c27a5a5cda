"""Everything a corner's logbook says, reduced to curves with their settings and a surface."""

from __future__ import annotations

from dataclasses import replace

from optimizer.advise.mark_worth import TOE_SD_DEG
from optimizer.advise.pivot import Pivot, pivot_of
from optimizer.advise.stacks import joint_height_mm
from optimizer.errors import CallError, LinkageError, TooFewReadingsError
from optimizer.measure.curve import ToeCurve, has_curve, toe_curve
from optimizer.model.surface import LoggedStaticToe, SettingCurve, ToeSurface
from optimizer.record import record
from optimizer.records import Corner, Logbook, Run, TravelLog

STATIC_TOE_SD_DEG = TOE_SD_DEG
# a logged static toe this many deviations off what is known is named, and not used
STATIC_TOE_DOUBT_SD = 3.0


@record
class Evidence:
    """Runs of one corner that have readings, with their curves, in file order.

    ``now`` is how the car stands: the run that car.toml names, else the last measured
    one, since a row without readings may be a plan. ``planned`` are rows after it
    without readings; ``half_entered`` are those, and ``now`` itself, that have some but
    too few for a curve. ``pivot`` is the corner's eccentric as its logged static toe has
    fitted it, as is the corner's own.
    """

    corner: Corner
    reference: Run
    now: Run
    runs: tuple[Run, ...]
    curves: tuple[ToeCurve, ...]
    planned: tuple[str, ...]
    pivot: Pivot
    half_entered: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()
    travel_log: TravelLog | None = None

    def setting_of(self, run: Run) -> tuple[float, float]:
        """Joint height and length change of a run from the reference, mm."""
        height = joint_height_mm(run, self.reference, self.corner.stack)
        return height, run.length_change_mm - self.reference.length_change_mm

    def surface_setting_of(self, run: Run) -> tuple[float, float]:
        """The same as the surface takes it: a free cam's lift counts as height."""
        height, change = self.setting_of(run)
        mark = run.eccentric_mark
        return float(self.pivot.surface_height(height, change, mark)), change

    @property
    def measured_mm(self) -> tuple[float, float]:
        """Lowest and highest travel that every run reached, or any run where they share none."""
        low = max(float(c.travel_mm[0]) for c in self.curves)
        high = min(float(c.travel_mm[-1]) for c in self.curves)
        if low >= high:
            low = min(float(c.travel_mm[0]) for c in self.curves)
            high = max(float(c.travel_mm[-1]) for c in self.curves)
        return min(0.0, low), max(0.0, high)


def corner_evidence(book: Logbook, corner: str) -> Evidence:
    """Curves of all measured runs of a corner.

    Raises
    ------
    CallError
        If the logbook has no such corner.
    TooFewReadingsError
        If the corner has no run with readings.
    """
    if corner not in book.corners:
        raise CallError(
            f"the logbook has no corner {corner!r}", f"use one of {', '.join(book.corners)}"
        )
    runs = tuple(r for r in book.runs_of(corner) if has_curve(book.readings_of(r.name)))
    if not runs:
        aside = book.set_aside_of(corner)
        raise TooFewReadingsError(
            f"corner {corner!r} has no run with readings"
            + (f" but what is left out: {', '.join(aside)}" if aside else ""),
            "leave out less" if aside else "measure one run and enter it",
        )
    named = book.corners[corner].current_run
    now = next((r for r in book.runs_of(corner) if r.name == named), runs[-1])
    rows = book.runs_of(corner)
    stated, reference = book.corners[corner], book.reference_of(corner)
    pivot = pivot_of(stated, reference, rows)
    known = {r.name for r in runs} | set(book.set_aside)
    waiting = [r.name for r in rows[rows.index(now) :] if r.name not in known]
    begun = tuple(name for name in waiting if book.readings_of(name))
    return Evidence(
        corner=replace(stated, eccentric=pivot.eccentric),
        reference=reference,
        pivot=pivot,
        now=now,
        planned=tuple(name for name in waiting if name not in (now.name, *begun)),
        half_entered=begun,
        set_aside=book.set_aside_of(corner),
        travel_log=book.travel_logs.get(corner),
        runs=runs,
        curves=tuple(toe_curve(r.name, book.readings_of(r.name), book.gauge) for r in runs),
    )


@record
class Fitted:
    """A surface, and the runs whose logged static toe did not fit and was not used."""

    surface: ToeSurface
    static_toe_in_doubt: tuple[str, ...]


def fitted(evidence: Evidence) -> Fitted:
    """Surface of a corner fitted to all its evidence.

    A logged static toe that contradicts the tape and the marks by more than three
    deviations (a mark counted the wrong way, the axle's total, a typing slip) would
    bend everything that is said of the eccentric, so it is named instead of used.

    Raises
    ------
    LinkageError
        If the corner's hard points make a linkage that cannot be assembled.
    """
    corner = evidence.corner
    surface = ToeSurface(
        ahead=corner.ahead, end=corner.stack.end, tape=corner.tape, points=corner.points
    )
    try:
        surface.fit_curves(setting_curves(evidence))
    except LinkageError as exc:
        raise LinkageError(f"corner {corner.name!r}: {exc.found}", exc.remedy) from exc
    doubtful = []
    for run, row in logged_static_toe(evidence):
        if abs(surface.static_toe_misfit(row)) > STATIC_TOE_DOUBT_SD:
            doubtful.append(run)
        else:
            surface.learn_static_toe(row)
    return Fitted(surface=surface, static_toe_in_doubt=tuple(doubtful))


def setting_curves(evidence: Evidence) -> list[SettingCurve]:
    """Curves with their settings, as the surface takes them."""
    out = []
    for run, curve in zip(evidence.runs, evidence.curves, strict=True):
        height, change = evidence.surface_setting_of(run)
        out.append(
            SettingCurve(
                height_mm=height,
                length_change_mm=change,
                travel_mm=curve.travel_mm,
                toe_deg=curve.toe_deg,
                cov_deg2=curve.cov_deg2,
            )
        )
    return out


def static_toe_doubts(book: Logbook) -> tuple[str, ...]:
    """Runs of any corner whose logged static toe fits neither their marks nor the tape."""
    found: list[str] = []
    for name in book.corners:
        runs = [r for r in book.runs_of(name) if has_curve(book.readings_of(r.name))]
        if sum(r.static_toe_deg is not None for r in runs) > 1:
            found += fitted(corner_evidence(book, name)).static_toe_in_doubt
    return tuple(found)


def logged_static_toe(evidence: Evidence) -> list[tuple[str, LoggedStaticToe]]:
    """Static toe of later runs against the reference, where the eccentric was logged too.

    None of it where a mark's worth was fitted to the same static toe.
    """
    ref, pivot = evidence.reference, evidence.pivot
    if pivot.worth or ref.static_toe_deg is None or ref.eccentric_mark is None:
        return []
    out = []
    for run in evidence.runs:
        if run.name == ref.name or run.static_toe_deg is None or run.eccentric_mark is None:
            continue
        height, change = evidence.setting_of(run)
        made = pivot.made(run.eccentric_mark)
        if made is None:
            continue
        row = LoggedStaticToe(
            height_mm=height,
            length_change_mm=change,
            shift_mm=made.shift_mm,
            toe_change_deg=run.static_toe_deg - ref.static_toe_deg - made.toe_deg,
            sd_deg=STATIC_TOE_SD_DEG * 2**0.5,
            lift_mm=made.lift_mm,
        )
        out.append((run.name, row))
    return out
