"""A whole camera test from the frames at hand: what each kind tells, and where it contradicts the campaign file."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.defects import surroundings
from nightfold.errors import CalibrationError
from nightfold.optics.camera_test import (
    DarkCurrent,
    dark_current,
    dark_doubling,
    differs,
    gain_and_read_noise,
    level_adu,
    linearity,
    pattern_noise,
)
from nightfold.optics.files import FULL_ADU, CalibrationFrame
from nightfold.robust import mad_sigma

HOT_SIGMA = 8.0
"""As `calibrate.defects.hot_pixels`."""
MOST_PLACES = 20_000
SAME_C = 1.0
"""Darks within this of each other are of one temperature. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the campaign file says of the camera; NaN where it does not."""

    e_per_adu: float = float("nan")
    read_noise_e: float = float("nan")
    full_well_e: float = float("nan")
    dark_e_per_s: tuple[tuple[float, float], ...] = ()  # sensor temperature, electrons per second and pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkPoint:
    """Dark current at one temperature."""

    sensor_c: float
    e_per_s: float
    uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearPoint:
    """One exposure of the flats: level above bias and departure from the straight line."""

    exposure_s: float
    level_e: float
    departure: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A number of the campaign file that the test contradicts."""

    what: str
    measured: float
    uncertainty: float
    stated: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraReport:
    """A camera test. NaN where the frames do not tell; uncertainties are 1 sigma."""

    sentence: str
    rig: str | None
    night: str | None
    gain_setting: float | None
    e_per_adu: float
    e_per_adu_uncertainty: float
    read_noise_e: float
    read_noise_uncertainty_e: float
    dark: tuple[DarkPoint, ...]
    dark_doubling_c: float
    dark_doubling_uncertainty_c: float
    linearity: tuple[LinearPoint, ...]
    worst_departure: float
    full_well_e: float
    row_noise_e: float
    column_noise_e: float
    hot_pixels: int | None
    hot_share: float
    hot_per_year: float
    hot_per_year_uncertainty: float
    hot_places: tuple[int, ...]  # of the looked-at patch, row by row; empty if there are very many
    differs: tuple[Difference, ...]
    notes: tuple[str, ...]


def camera_of_frames(
    frames: Mapping[str, Sequence[CalibrationFrame]],
    stated: Stated,
    *,
    rig: str | None = None,
    night: str | None = None,
) -> CameraReport:
    """Everything that the frames tell of the camera.

    Raises
    ------
    CalibrationError
        There is no pair of biases and no pair of flats taken alike, and no darks of two exposures: nothing can be told.
    """
    notes: list[str] = []
    biases, darks = list(frames.get("bias", ())), list(frames.get("dark", ()))
    flats = list(frames.get("flat", ()))
    nan = float("nan")
    gain = gain_error = noise = noise_error = nan
    bias_level = nan
    rows = columns = nan
    if len(biases) >= 2:
        bias_level = 0.5 * (level_adu(biases[0].plane) + level_adu(biases[1].plane))
    pair = _flat_pair(flats, bias_level, notes)
    if pair is not None and len(biases) >= 2:
        found = gain_and_read_noise(
            [f.plane for f in pair], [b.plane for b in biases[:2]],
            flat_exposures_s=[f.header.exposure_s or 0.0 for f in pair],
        )  # fmt: skip
        gain, gain_error, noise, noise_error = found.e_per_adu, found.e_per_adu_error, found.read_noise_e, found.read_noise_error_e  # fmt: skip
    elif not darks:
        raise CalibrationError(
            "these frames tell nothing of the camera", seen=f"{len(flats)} flats, {len(biases)} biases, {len(darks)} darks",
            allowed="two flats of one exposure and two biases; darks for the dark current", next_step="add what lacks",
        )  # fmt: skip
    else:
        notes.append("gain and read noise are not told: two flats of one exposure and two biases are needed")
    scale = gain if np.isfinite(gain) else stated.e_per_adu
    if not np.isfinite(scale):
        scale = 1.0
        notes.append("the gain is not known: electrons are ADU here")
    if len(biases) >= 2:
        pattern = pattern_noise(biases[0].plane, biases[1].plane)
        rows, columns = pattern.rows_adu * scale, pattern.columns_adu * scale
    points = _dark_points(darks, biases, scale, notes)
    doubling, doubling_error = nan, nan
    if len(points) >= 2:
        try:
            both = dark_doubling(
                [p.sensor_c for p in points], [p.e_per_s for p in points], [p.uncertainty for p in points]
            )
            doubling, doubling_error = both.interval_k, both.error_k
        except CalibrationError as error:
            notes.append(error.line)
    line, worst, well = _linearity(flats, bias_level, scale, notes)
    hot = _hot(darks)
    differences = _differences(stated, gain, gain_error, noise, noise_error, well, points)
    return CameraReport(
        sentence=_sentence(gain, gain_error, noise, noise_error, points, differences), rig=rig, night=night,
        gain_setting=next((f.header.gain for f in (*flats, *biases, *darks)), None), e_per_adu=gain,
        e_per_adu_uncertainty=gain_error, read_noise_e=noise, read_noise_uncertainty_e=noise_error, dark=points,
        dark_doubling_c=doubling, dark_doubling_uncertainty_c=doubling_error, linearity=line, worst_departure=worst,
        full_well_e=well, row_noise_e=rows, column_noise_e=columns, hot_pixels=None if hot is None else len(hot[0]),
        hot_share=nan if hot is None else len(hot[0]) / hot[1], hot_per_year=nan, hot_per_year_uncertainty=nan,
        hot_places=() if hot is None or len(hot[0]) > MOST_PLACES else tuple(int(i) for i in hot[0]), differs=differences,
        notes=tuple(notes),
    )  # fmt: skip


def _flat_pair(flats: Sequence[CalibrationFrame], bias: float, notes: list[str]) -> tuple[CalibrationFrame, CalibrationFrame] | None:  # fmt: skip
    """The two flats of one exposure and filter whose level is nearest to the middle of the range."""
    groups: dict[tuple[float | None, str | None], list[CalibrationFrame]] = defaultdict(list)
    for f in flats:
        exposure = None if f.header.exposure_s is None else round(f.header.exposure_s, 3)
        groups[(exposure, f.header.filter)].append(f)
    pairs = [g for g in groups.values() if len(g) >= 2]
    if len(flats) >= 2 and not pairs:
        exposures = sorted({f"{k[0]} s" for k in groups})
        raise CalibrationError(
            "no two of the flats were taken alike", seen=", ".join(exposures), allowed="two of one exposure and filter",
            next_step="take flats in pairs",
        )  # fmt: skip
    if not pairs:
        return None
    usable = [(level_adu(g[0].plane), g) for g in pairs]
    good = [(abs(level - 0.45 * FULL_ADU), g) for level, g in usable if level < 0.85 * FULL_ADU]
    if not good:
        notes.append("the flats are too bright to tell the gain")
        return None
    best = min(good, key=lambda p: p[0])[1]
    return best[0], best[1]


def _dark_points(
    darks: Sequence[CalibrationFrame], biases: Sequence[CalibrationFrame], scale: float, notes: list[str]
) -> tuple[DarkPoint, ...]:
    known = sorted((f for f in darks if f.header.sensor_c is not None), key=lambda f: float(f.header.sensor_c or 0.0))
    if len(known) < len(darks):
        notes.append(f"{len(darks) - len(known)} darks do not say their temperature and are left out")
    groups: list[list[CalibrationFrame]] = []
    for f in known:
        if groups and float(f.header.sensor_c or 0.0) - float(groups[-1][0].header.sensor_c or 0.0) <= SAME_C:
            groups[-1].append(f)
        else:
            groups.append([f])
    points = []
    for group in groups:
        planes = [f.plane for f in (*biases, *group)]
        exposures = [0.0] * len(biases) + [f.header.exposure_s or 0.0 for f in group]
        try:
            found: DarkCurrent = dark_current(planes, exposures, e_per_adu=scale)
        except CalibrationError as error:
            notes.append(error.line)
            continue
        temperature = float(np.median([f.header.sensor_c for f in group if f.header.sensor_c is not None]))
        points.append(DarkPoint(sensor_c=temperature, e_per_s=found.e_per_s, uncertainty=found.error_e_per_s))
    return tuple(points)


def _linearity(
    flats: Sequence[CalibrationFrame], bias: float, scale: float, notes: list[str]
) -> tuple[tuple[LinearPoint, ...], float, float]:
    nan = float("nan")
    one = [f for f in flats if f.header.exposure_s and f.header.filter == flats[0].header.filter]
    if not np.isfinite(bias) or len({f.header.exposure_s for f in one}) < 3:
        return (), nan, nan
    try:
        found = linearity([f.header.exposure_s or 0.0 for f in one], [level_adu(f.plane) - bias for f in one])
    except CalibrationError as error:
        notes.append(error.line)
        return (), nan, nan
    points = tuple(
        LinearPoint(exposure_s=float(t), level_e=float(v) * scale, departure=float(d))
        for t, v, d in zip(found.exposure_s, found.level_adu, found.departure, strict=True)
    )
    return points, found.worst_departure, found.full_well_adu * scale


def _hot(darks: Sequence[CalibrationFrame]) -> tuple[npt.NDArray[np.int64], int] | None:
    """Places of hot pixels in the longest of the coldest darks, and how many pixels were looked at."""
    if not darks:
        return None
    coldest = min((f.header.sensor_c for f in darks if f.header.sensor_c is not None), default=None)
    if coldest is not None:
        darks = [f for f in darks if f.header.sensor_c is not None and f.header.sensor_c <= coldest + SAME_C]
    longest = max(f.header.exposure_s or 0.0 for f in darks)
    planes = [f.plane for f in darks if (f.header.exposure_s or 0.0) >= 0.95 * longest][:8]
    mean = np.ascontiguousarray(np.median(planes, axis=0) if len(planes) > 2 else np.min(planes, axis=0), np.float32)
    rest = mean - surroundings(mean)
    sigma = max(float(mad_sigma(rest)), 1e-6)
    return np.flatnonzero(rest.ravel() > HOT_SIGMA * sigma), int(mean.size)


def _differences(
    stated: Stated, gain: float, gain_error: float, noise: float, noise_error: float, well: float,
    points: Sequence[DarkPoint],
) -> tuple[Difference, ...]:  # fmt: skip
    found = []
    for what, measured, error, said, unit in (
        ("gain", gain, gain_error, stated.e_per_adu, "e/ADU"),
        ("read noise", noise, noise_error, stated.read_noise_e, "e"),
        ("full well", well, 0.05 * well, stated.full_well_e, "e"),
    ):
        if np.isfinite(measured) and np.isfinite(said) and differs(measured, error, said):
            found.append(_difference(what, measured, error, said, unit))
    table = sorted(stated.dark_e_per_s)
    for p in points:
        if not table or not table[0][0] - 3.0 <= p.sensor_c <= table[-1][0] + 3.0:
            continue
        logs = np.log([max(v, 1e-9) for _, v in table])
        said = float(np.exp(np.interp(p.sensor_c, [t for t, _ in table], logs)))
        # Sensors of one type differ by tens of percent: a difference counts from a fifth on.
        if differs(p.e_per_s, p.uncertainty, said, share=0.2):
            found.append(_difference(f"dark current at {p.sensor_c:.0f} °C", p.e_per_s, p.uncertainty, said, "e/s"))
    return tuple(found)


def _difference(what: str, measured: float, error: float, said: float, unit: str) -> Difference:
    sentence = f"The {what} is {measured:.3g} ± {error:.2g} {unit}, campaign.toml says {said:.3g}."
    return Difference(what=what, measured=measured, uncertainty=error, stated=said, sentence=sentence)


def _sentence(
    gain: float, gain_error: float, noise: float, noise_error: float, points: Sequence[DarkPoint],
    differences: Sequence[Difference],
) -> str:  # fmt: skip
    parts = []
    if np.isfinite(gain):
        parts.append(
            f"Gain {gain:.4f} ± {gain_error:.4f} e/ADU, read noise {noise:.2f} ± {noise_error:.2f} e."
        )  # fmt: skip
    for p in points[:1]:
        parts.append(f"Dark current {p.e_per_s:.4f} ± {p.uncertainty:.4f} e/s at {p.sensor_c:.0f} °C.")
    parts += [d.sentence for d in differences]
    return " ".join(parts) or "Nothing is told."
