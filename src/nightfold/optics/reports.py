"""What the optics commands tell: records whose fields are the keys of their JSON documents, and the sentences in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from nightfold.optics.camera_report import CameraReport, Stated, camera_of_frames
from nightfold.optics.collimation import Collimation
from nightfold.optics.coma import Coma
from nightfold.optics.expected import GREEN_NM, collimation_tolerance_mm
from nightfold.optics.field import ElongationMap, FieldShape, what_to_try
from nightfold.optics.files import OpticsFacts, RunOfFiles, camera_frames, collimation_of_file, focus_of_files
from nightfold.optics.polar import PolarError
from nightfold.optics.tracking import Tracking
from nightfold.rig.focus import depth_of_focus_um


def values_of(record: Any) -> dict[str, Any]:
    """The fields of a record by name, as they are."""
    return {f.name: getattr(record, f.name) for f in fields(record)}


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusPoint:
    """One point of a run."""

    position: float
    half_flux_radius_px: float
    temperature_c: float
    used: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusReport:
    """A focus run. NaN where the run does not tell; uncertainties are 1 sigma."""

    good: bool
    verdict: str
    sentence: str
    best_position: float
    uncertainty: float
    interval_95: float
    half_flux_radius_px: float
    half_width_steps: float  # from the best position to where the radius has grown by 41 %
    slope_px_per_step: float
    slope_uncertainty: float
    expected_slope_px_per_step: float
    slope_as_expected: bool | None
    backlash_steps: float
    backlash_uncertainty: float
    temperature_c: float
    filter: str | None
    rig: str | None
    night: str | None
    start: datetime | None
    points: tuple[FocusPoint, ...]
    field: FieldReport | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTrend:
    """One night's field, for the trend."""

    night: str
    tilt_x_um: float | None
    tilt_x_uncertainty_um: float | None
    tilt_y_um: float | None
    tilt_y_uncertainty_um: float | None
    curvature_um: float | None
    coma_px: float | None
    coma_angle_deg: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldReport(FieldShape):
    """Tilt, curvature, coma, astigmatism and the whiskers, with what to try first and the nights before."""

    rig: str | None
    night: str | None
    width_px: int
    height_px: int
    coma: Coma | None
    elongation: ElongationMap | None
    try_first: tuple[str, ...]
    trend: tuple[FieldTrend, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CollimationReport(Collimation):
    """The shadow in a defocused star's disc."""

    file: str
    rig: str | None
    night: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SubTrail:
    """What the axis cost one sub."""

    file: str
    night: str | None
    start: datetime | None
    hour_angle_deg: float
    corner_trail_arcsec: float  # at its hour angle; the report's own is that of the worst one
    corner_trail_px: float
    drift_arcsec: float  # of the whole field in declination, 0 where a guider held it


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarReport(PolarError):
    """Polar error of a night and what it costs."""

    rig: str | None
    target: str | None
    night: str | None
    nights: tuple[str, ...]  # whose subs are in it, the last first
    guided: bool
    subs: int
    refracted_pole_arcmin: float  # how far above the true pole the air lifts it
    corner_trail_arcsec: float  # in a corner of the frame per sub, guided on its middle
    corner_trail_px: float
    trails: tuple[SubTrail, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackingTrend:
    """One night's drift, for the flexure trend."""

    night: str
    ra_arcsec_per_h: float | None
    dec_arcsec_per_h: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackingPoint:
    """Where the field lay in one sub, from the night's middle."""

    hours: float  # from the first sub
    east_arcsec: float
    north_arcsec: float
    x_px: float = float("nan")  # where the stars lay on the frame, told where the sky is not known
    y_px: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackingReport(Tracking):
    """Drift, dithers and trailing of a night."""

    rig: str | None
    target: str | None
    night: str | None
    subs: int
    points: tuple[TrackingPoint, ...] = ()
    trend: tuple[TrackingTrend, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SubCost:
    """What a missed focus cost one sub: the share by which its stars are larger than they would have been."""

    file: str
    night: str | None
    start: datetime | None
    filter: str | None
    defocus_steps: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusLoss:
    """A stretch of a night in which focus cost sharpness."""

    night: str
    start: datetime
    end: datetime
    cost: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LawPoint:
    """A focus run as the law saw it."""

    night: str | None
    filter: str
    temperature_c: float  # with the lag
    position: float
    used: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterOffset:
    """A filter's focus against the reference filter's."""

    filter: str
    offset_steps: float
    uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LawReport:
    """Focus over temperature. NaN where not told."""

    told: bool
    sentence: str
    rig: str | None
    steps_per_c: float
    uncertainty: float
    lag_min: float
    lag_low_min: float
    lag_high_min: float
    reference_filter: str
    zero_steps: float
    filter_offsets: tuple[FilterOffset, ...]
    scatter_steps: float
    tolerance_um: float
    tolerance_share: float
    refocus_interval_c: float
    runs: int
    points: tuple[LawPoint, ...]
    subs: tuple[SubCost, ...]
    losses: tuple[FocusLoss, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpticsSummary:
    """The optics' part of a night's summary."""

    night: str | None
    sentences: tuple[str, ...]


def focus_report(
    found: RunOfFiles, *, rig: str | None = None, night: str | None = None
) -> FocusReport:  # fmt: skip
    """The report of a run, whichever way it was given."""
    run, data = found.run, found.data
    filters = {h.filter for h in found.headers} - {None}
    temperatures = data.temperature_c[np.isfinite(data.temperature_c)]
    nan = float("nan")
    notes = list(run.notes)
    if temperatures.size and np.ptp(temperatures) > 1.0:
        notes.append(f"the temperature changed by {np.ptp(temperatures):.1f} °C during the run")
    points = tuple(
        FocusPoint(position=float(p), half_flux_radius_px=float(r), temperature_c=float(t), used=bool(u))
        for p, r, t, u in zip(data.position, data.half_flux_radius_px, data.temperature_c, run.used, strict=True)
    )
    starts = [h.start for h in found.headers if h.start is not None]
    return FocusReport(
        good=run.verdict == "good", verdict=run.verdict, sentence=run.sentence, best_position=run.best_position,
        uncertainty=run.uncertainty, interval_95=run.interval_95, half_flux_radius_px=run.least_radius_px, half_width_steps=run.half_width,
        slope_px_per_step=run.slope_px, slope_uncertainty=run.slope_error_px,
        expected_slope_px_per_step=run.expected_slope_px, slope_as_expected=run.slope_as_expected,
        backlash_steps=run.backlash, backlash_uncertainty=run.backlash_error,
        temperature_c=float(np.median(temperatures)) if temperatures.size else nan,
        filter=next(iter(filters)) if len(filters) == 1 else None, rig=rig, night=night,
        start=min(starts) if starts else None, points=points,
        field=field_report_of(found, rig=rig, night=night) if found.field is not None else None, notes=tuple(notes),
    )  # fmt: skip


def field_report_of(found: RunOfFiles, *, rig: str | None, night: str | None) -> FieldReport:
    """The field that a focus run of whole frames shows."""
    assert found.field is not None
    header = found.headers[0]
    return field_report(
        found.field,
        found.coma,
        found.elongation,
        found.facts,
        size=(header.width_px, header.height_px),
        rig=rig,
        night=night,
    )


def field_report(
    shape: FieldShape, coma: Coma | None, elongation: ElongationMap | None, facts: OpticsFacts, *, size: tuple[int, int],
    rig: str | None, night: str | None,
) -> FieldReport:  # fmt: skip
    """The field with what to try first."""
    depth = depth_of_focus_um(GREEN_NM, facts.focal_ratio) if np.isfinite(facts.focal_ratio) else 0.0
    tries = list(what_to_try(shape, depth_um=depth))
    if coma is not None and coma.measured and np.isfinite(coma.size_px):
        tries.append(
            "Collimate on a star in the middle of the frame: coma is the same over the whole field, so it is not the sensor."
        )  # fmt: skip
        off_mm = np.hypot(coma.free_x_px - 0.5 * size[0], coma.free_y_px - 0.5 * size[1]) * facts.pixel_um * 1e-3
        if facts.obstruction > 0.0 and np.isfinite(off_mm * facts.focal_ratio):
            tries.append(
                f"Coma vanishes {off_mm:.1f} mm from the middle of the frame; a paraboloid of this focal ratio should keep "
                f"within {collimation_tolerance_mm(facts.focal_ratio):.2f} mm."
            )
    if shape.measured and facts.outward is None:
        line = (
            "larger focuser positions are taken to move the camera away from the objective: say `outward` in [rig.focuser]; "
            "where it is false, far and near change places"
        )
        shape = replace(shape, notes=(*shape.notes, line))
    return FieldReport(
        **values_of(shape), rig=rig, night=night, width_px=size[0], height_px=size[1], coma=coma, elongation=elongation,
        try_first=tuple(tries),
    )  # fmt: skip


def focus_alone(paths: Sequence[Path]) -> FocusReport:
    """A focus run without a campaign: telescope and pixel as the headers tell them."""
    return focus_report(focus_of_files(paths))


def collimation_alone(path: Path) -> CollimationReport:
    """The shadow in a frame without a campaign."""
    found, _ = collimation_of_file(path)
    return CollimationReport(**values_of(found), file=str(path), rig=None, night=None)


def camera_alone(paths: Sequence[Path]) -> CameraReport:
    """A camera test without a campaign to hold it against."""
    return camera_of_frames(camera_frames(paths), Stated())


def focus_losses(costs: Sequence[SubCost], clock: Any, *, least: float = 0.05) -> tuple[FocusLoss, ...]:
    """Stretches of subs in a row that paid more than `least`, each with its mean; `clock` gives local HH:MM."""
    found: list[FocusLoss] = []
    run: list[SubCost] = []
    ordered = sorted((c for c in costs if c.start is not None), key=lambda c: c.start or datetime.min)
    for cost in [*ordered, None]:
        goes_on = cost is not None and cost.cost > least and (not run or run[-1].night == cost.night)
        if run and not goes_on:
            if len(run) >= 2 and run[0].start is not None and run[-1].start is not None:
                mean = float(np.mean([c.cost for c in run]))
                found.append(
                    FocusLoss(
                        night=run[0].night or "", start=run[0].start, end=run[-1].start, cost=mean,
                        sentence=f"On {run[0].night} from {clock(run[0].start)} to {clock(run[-1].start)} focus cost {100 * mean:.0f} % of sharpness.",
                    )
                )  # fmt: skip
            run = []
        if cost is not None and cost.cost > least:
            run.append(cost)
    return tuple(found)
