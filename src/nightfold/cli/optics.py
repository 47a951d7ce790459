"""Commands about the optics: focus, field, collimation, polar axis, tracking, camera."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded, table
from nightfold.engine.core import CancelToken

if TYPE_CHECKING:
    from nightfold.charts.optics import OpticsReport
    from nightfold.optics.camera_report import CameraReport
    from nightfold.optics.reports import (
        CollimationReport,
        FieldReport,
        FocusReport,
        LawReport,
        OpticsSummary,
        PolarReport,
        TrackingReport,
    )

AnyReport = TypeVar("AnyReport", bound="OpticsReport")

optics = App(
    name="optics", help="What the stars say about the rig: focus, field, collimation, polar axis, tracking, camera."
)

Night = Annotated[date | None, Parameter(help="The night, by its evening's date; the last one when not given.")]
RigName = Annotated[str | None, Parameter(help="The rig; found from the frames when not given.")]
Trend = Annotated[Path | None, Parameter(help="Also draw the nights' trend into this file: .svg, .png or .pdf.")]
Chart = Annotated[Path | None, Parameter(help="Also draw the chart into this file: .svg, .png or .pdf.")]


def register(app: App) -> None:
    """Add these commands to the command line."""
    for command in (focus, law, field, collimation, polar, tracking, camera, summary):
        optics.command(command)
    app.command(optics)


def _run(  # the report may be any of `charts.optics.OpticsReport`
    common: Common,
    chart: Path | None,
    ask: Callable[[Campaign], AnyReport],
    tell: Callable[[AnyReport], str],
    alone: Callable[[], AnyReport] | None = None,
    trend: Path | None = None,
) -> int:
    """One call in the campaign, or on the files alone where there is none; the chart; the document or the words."""

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        folder = campaign_folder(common)
        if alone is not None and common.campaign is None and not (folder / "campaign.toml").exists():
            report: AnyReport = alone()
        else:
            with Campaign.open(folder, progress=progress, cancelled=token) as campaign:
                report = ask(campaign)
        if chart is not None:
            from nightfold.charts.optics import optics_chart
            from nightfold.charts.render import save_chart

            save_chart(optics_chart(report, ground="print"), chart)
        if trend is not None:
            from nightfold.charts.optics import trend_of
            from nightfold.charts.render import save_chart

            save_chart(trend_of(report, ground="print"), trend)
        return finish(common, report, lambda: tell(report))

    return guarded(common, work)


def focus(
    *files: Path,
    rig: RigName = None,
    chart: Chart = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Find the best focus in a run of positions, or say why the run tells none.

    Example: nightfold optics focus run.csv

    Parameters
    ----------
    files: Path
        One CSV file with the columns position, half_flux_radius_px and, if known, temperature_c; or FITS frames, or a
        folder of them, with the focuser's position in their headers.
    """

    def alone() -> FocusReport:
        from nightfold.optics.reports import focus_alone

        return focus_alone(files)

    return _run(common, chart, lambda c: c.focus_run(files, rig=rig), focus_told, alone)


def focus_told(report: FocusReport) -> str:
    """The run in sentences."""
    lines = [report.sentence]
    if report.good:
        lines.append(f"In 95 of 100 runs the truth is within {report.interval_95:.1f} steps of that.")
        lines.append(
            f"Slope far from focus: {report.slope_px_per_step:.4f} ± {report.slope_uncertainty:.4f} px a step."
        )
    if report.backlash_steps == report.backlash_steps:
        lines.append(f"Backlash: {report.backlash_steps:+.1f} ± {report.backlash_uncertainty:.1f} steps.")
    if report.field is not None and (report.good or report.field.measured):
        lines += [report.field.sentence, *report.field.try_first]
    return "\n".join([*lines, *(n[0].upper() + n[1:] + "." for n in report.notes)])


def law(
    *,
    rig: RigName = None,
    chart: Chart = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Tell how focus follows temperature and filter, and what missed focus cost each night.

    Example: nightfold optics law

    """
    return _run(common, chart, lambda c: c.focus_law(rig=rig), law_told)


def law_told(report: LawReport) -> str:
    """The law in sentences, the filters' offsets as a table."""
    lines = [report.sentence, *(loss.sentence for loss in report.losses)]
    if len(report.filter_offsets) > 1:
        rows = [(o.filter, o.offset_steps, o.uncertainty) for o in report.filter_offsets]
        lines += ["", table(["filter", "offset, steps", "±"], rows)]
    return "\n".join([*lines, *(n[0].upper() + n[1:] + "." for n in report.notes)])


def field(
    *,
    night: Night = None,
    rig: RigName = None,
    chart: Chart = None,
    trend: Trend = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Tell tilt, curvature, coma and astigmatism from a night's subs, as far as they tell; a focus run tells more.

    Example: nightfold optics field --night 2026-05-13

    """
    return _run(common, chart, lambda c: c.optics_field(night=night, rig=rig), field_told, trend=trend)


def field_told(report: FieldReport) -> str:
    """The field in sentences."""
    lines = [report.sentence]
    if report.coma is not None:
        lines.append(report.coma.sentence)
    lines += [*report.try_first, *(n[0].upper() + n[1:] + "." for n in report.notes)]
    if len(report.trend) > 1:
        rows = [(t.night, t.tilt_x_um, t.tilt_y_um, t.curvature_um, t.coma_px) for t in report.trend]
        headings = ["night", "across the width, µm", "across the height, µm", "curvature, µm", "coma, px"]
        lines += ["", table(headings, rows)]
    return "\n".join(lines)


def collimation(
    file: Path,
    /,
    *,
    rig: RigName = None,
    chart: Chart = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Find where the secondary's shadow lies in the disc of a star far out of focus.

    Example: nightfold optics collimation defocused.fits

    Parameters
    ----------
    file: Path
        A frame, or a crop of one, with one bright defocused star.
    """

    def alone() -> CollimationReport:
        from nightfold.optics.reports import collimation_alone

        return collimation_alone(file)

    return _run(common, chart, lambda c: c.collimation(file, rig=rig), collimation_told, alone)


def collimation_told(report: CollimationReport) -> str:
    """The shadow in sentences."""
    return "\n".join([report.sentence, *(n[0].upper() + n[1:] + "." for n in report.notes)])


def polar(
    *,
    night: Night = None,
    rig: RigName = None,
    guided: Annotated[
        bool | None, Parameter(help="Whether a guider held the declination; told from the subs when not given.")
    ] = None,
    chart: Chart = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Tell how far the mount's axis is from the pole, from a night's placed subs of one target.

    Example: nightfold optics polar --night 2026-05-13

    """
    return _run(common, chart, lambda c: c.polar_error(night=night, rig=rig, guided=guided), polar_told)


def polar_told(report: PolarReport) -> str:
    """The axis in sentences."""
    lines = [report.sentence]
    if report.separable:
        lines.append(
            f"In a corner of the frame that trails each sub by {report.corner_trail_arcsec:.2f}″, {report.corner_trail_px:.2f} px."
        )  # fmt: skip
        lines.append(
            f"The air lifts the pole by {report.refracted_pole_arcmin:.1f}′ here; the errors count from the true pole."
        )
    return "\n".join([*lines, *(n[0].upper() + n[1:] + "." for n in report.notes)])


def tracking(
    *,
    night: Night = None,
    rig: RigName = None,
    chart: Chart = None,
    trend: Trend = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Tell the drift between a night's subs, its dithers, and the direction in which stars are drawn out.

    Example: nightfold optics tracking

    """
    return _run(common, chart, lambda c: c.tracking(night=night, rig=rig), tracking_told, trend=trend)


def tracking_told(report: TrackingReport) -> str:
    """The night's tracking in sentences."""
    return "\n".join(line for line in (report.sentence, report.elongation_sentence) if line)


def camera(
    *files: Path,
    rig: RigName = None,
    chart: Chart = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Measure gain, read noise, dark current and linearity from flats, biases and darks, and hold them against campaign.toml.

    Example: nightfold optics camera calibration/

    Parameters
    ----------
    files: Path
        Calibration frames of one camera and one setting, or folders of them. When none are named, the campaign's own
        frames of the rig and setting with most of them.
    """

    def alone() -> CameraReport:
        from nightfold.optics.reports import camera_alone

        return camera_alone(files)

    return _run(common, chart, lambda c: c.camera_test(files, rig=rig), camera_told, alone)


def camera_told(report: CameraReport) -> str:
    """The test in sentences."""
    lines = [report.sentence]
    if report.dark_doubling_c == report.dark_doubling_c:
        lines.append(
            f"Dark current doubles every {report.dark_doubling_c:.1f} ± {report.dark_doubling_uncertainty_c:.1f} °C."
        )
    if report.linearity:
        lines.append(f"Flats keep to a straight line within {100 * report.worst_departure:.1f} %.")
    if report.full_well_e == report.full_well_e:
        lines.append(f"Full well: {report.full_well_e:.0f} e.")
    if report.hot_pixels is not None:
        lines.append(f"{report.hot_pixels} hot pixels, {100 * report.hot_share:.3f} % of those looked at.")
    return "\n".join([*lines, *(n[0].upper() + n[1:] + "." for n in report.notes)])


def summary(
    *,
    night: Night = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Tell what is on record of the optics for a night; nothing is measured.

    Example: nightfold optics summary

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.optics_summary(night=night)
        return finish(common, report, lambda: summary_told(report))

    return guarded(common, work)


def summary_told(report: OpticsSummary) -> str:
    """The sentences, one a line."""
    return "\n".join(report.sentences) or "Nothing is on record of the optics for this night."
