"""A whole camera test from the frames at hand: what each kind tells, and where it contradicts the campaign file."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.defects import CameraNoise, surroundings
from nightfold.errors import CalibrationError
from nightfold.optics.camera_test import (
    DarkCurrent,
    Linearity,
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

Plane = npt.NDArray[np.float32]

HOT_SIGMA = 8.0
"""As `calibrate.defects.hot_pixels`."""
MOST_PLACES = 20_000
STEADY_DEPARTURE = 0.1
"""Flats that leave a straight line by more below 70 % of their level were not taken in one light. Common practice, no source."""
CLIPPED_SHARE = 2e-3
"""Of pixels at a flat's one highest value: more than noise puts there."""
SESSION_H = 6.0
"""Flats farther apart in time may see other dust or another light."""
DIMMEST = 0.2
"""A colour lit by less than this share of the brightest does not tell linearity. Common practice, no source."""
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
class ColourGain:
    """The gain as one place of the colour filters' 2x2 cell tells it; `level_e` is how brightly its flats were lit."""

    colour: str
    e_per_adu: float
    uncertainty: float
    level_e: float


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
    colours: tuple[ColourGain, ...]  # empty without colour filters on the sensor
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
    looked_at_px: tuple[int, int]  # height and width of that patch, in the middle of the frame
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
    colours: tuple[ColourGain, ...] = ()
    rows = columns = nan
    bias_levels: list[float] = []
    if len(biases) >= 2:
        pairs_of = zip(biases[0].colours, biases[1].colours, strict=True)
        bias_levels = [0.5 * (level_adu(a) + level_adu(b)) for a, b in pairs_of]
    told = _gains(flats, biases, bias_levels, notes)
    if told:
        gain, gain_error, noise, noise_error = _together(told, flats[0].header.cfa, notes)
        if flats[0].header.cfa:
            colours = tuple(
                ColourGain(colour=c, e_per_adu=n.e_per_adu, uncertainty=n.e_per_adu_error, level_e=level * n.e_per_adu)
                for c, n, level in told
            )
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
    line, worst, well = _linearity(flats, bias_levels, scale, notes)
    hot = _hot(darks)
    differences = _differences(stated, gain, gain_error, noise, noise_error, well, points)
    return CameraReport(
        sentence=_sentence(gain, gain_error, noise, noise_error, points, differences), rig=rig, night=night,
        gain_setting=next((f.header.gain for f in (*flats, *biases, *darks)), None), e_per_adu=gain,
        e_per_adu_uncertainty=gain_error, read_noise_e=noise, read_noise_uncertainty_e=noise_error, colours=colours, dark=points,
        dark_doubling_c=doubling, dark_doubling_uncertainty_c=doubling_error, linearity=line, worst_departure=worst,
        full_well_e=well, row_noise_e=rows, column_noise_e=columns, hot_pixels=None if hot is None else len(hot[0]),
        hot_share=nan if hot is None else len(hot[0]) / hot[1], hot_per_year=nan, hot_per_year_uncertainty=nan,
        hot_places=() if hot is None or len(hot[0]) > MOST_PLACES else tuple(int(i) for i in hot[0]),
        looked_at_px=next(f.plane.shape for f in (*darks, *flats, *biases)), differs=differences, notes=tuple(notes),
    )  # fmt: skip


Told = tuple[str, CameraNoise, float]
"""A colour, what its pair of flats tells, and their level above bias in ADU."""


def _gains(
    flats: Sequence[CalibrationFrame],
    biases: Sequence[CalibrationFrame],
    bias_levels: Sequence[float],
    notes: list[str],
) -> list[Told]:
    """Gain and read noise by each colour's best pair of flats; behind a colour filter array each has its own light."""
    groups: dict[tuple[float | None, str | None, int], list[CalibrationFrame]] = defaultdict(list)
    for f, session in zip(flats, _sessions(flats), strict=True):
        exposure = None if f.header.exposure_s is None else round(f.header.exposure_s, 3)
        groups[(exposure, f.header.filter, session)].append(f)
    pairs = [pair for g in groups.values() for pair in pairwise(g)]
    if len(flats) >= 2 and not pairs:
        exposures = ", ".join(sorted({f"{k[0]:g} s" if k[0] is not None else "no exposure told" for k in groups}))
        raise CalibrationError(
            "no two of the flats were taken alike", seen=exposures, allowed="two of one exposure, filter and night",
            next_step="take flats in pairs",
        )  # fmt: skip
    if not pairs or len(biases) < 2:
        return []
    cfa = flats[0].header.cfa
    told: list[Told] = []
    refused: CalibrationError | None = None
    for k, bias in enumerate(bias_levels):
        dark = [b.colours[k] for b in biases[:2]]
        try:
            found = _best_pair(pairs, dark, k, bias)
        except CalibrationError as error:
            refused = error
            continue
        if found is not None:
            told.append((cfa[k] if cfa else "", *found))
    if not told and refused is not None:
        raise refused
    if not told:
        notes.append("the flats are too bright to tell the gain")
    elif len(told) < len(bias_levels):
        lit = ", ".join(name for name, _, _ in told)
        notes.append(f"only pixels behind {lit} have flats that tell the gain")
    return told


def _sessions(flats: Sequence[CalibrationFrame]) -> list[int]:
    """A number for each flat's stretch of flats; those without a time are of one."""
    times = sorted({f.header.start.timestamp() for f in flats if f.header.start is not None})
    breaks = [b for a, b in pairwise(times) if b - a > 3600.0 * SESSION_H]
    return [0 if f.header.start is None else bisect_right(breaks, f.header.start.timestamp()) for f in flats]


def _best_pair(
    pairs: Sequence[tuple[CalibrationFrame, CalibrationFrame]], biases: Sequence[Plane], k: int, bias: float
) -> tuple[CameraNoise, float] | None:
    """What the pair says whose light is nearest to the middle of the range and does not fill the pixels; None if all do."""
    levels = [0.5 * sum(level_adu(f.colours[k]) for f in pair) - bias for pair in pairs]
    ceiling = pairs[0][0].header.saturation_adu or FULL_ADU
    order = sorted(range(len(pairs)), key=lambda i: abs(levels[i] - 0.45 * ceiling))
    refused: CalibrationError | None = None

    def noise_of(i: int) -> CameraNoise:
        exposures = [f.header.exposure_s or 0.0 for f in pairs[i]]
        return gain_and_read_noise([f.colours[k] for f in pairs[i]], biases, flat_exposures_s=exposures)

    for i in order:
        if levels[i] + bias > 0.85 * ceiling or any(_clipped(f.colours[k]) for f in pairs[i]):
            continue
        try:
            found = noise_of(i)
            # Full pixels do not scatter as their light would: held against a pair in less light, if there is one.
            lower = [j for j in order if 0.1 * levels[i] < levels[j] < 0.8 * levels[i]]
            if lower and found.e_per_adu > 1.15 * noise_of(lower[0]).e_per_adu:
                continue
        except CalibrationError as error:
            refused = refused or error
            continue
        return found, levels[i]
    if refused is not None:
        raise refused
    return None


def _clipped(plane: Plane) -> bool:
    return float(np.mean(plane >= np.nanmax(plane))) > CLIPPED_SHARE


def _together(told: Sequence[Told], cfa: str, notes: list[str]) -> tuple[float, float, float, float]:
    """Gain and read noise with their errors, all colours together; told where they contradict each other."""
    out: list[float] = []
    for name, unit in (("e_per_adu", "e/ADU"), ("read_noise_e", "e")):
        values = np.array([getattr(n, name) for _, n, _ in told])
        errors = np.array([getattr(n, "e_per_adu_error" if name == "e_per_adu" else "read_noise_error_e") for _, n, _ in told])  # fmt: skip
        weights = 1.0 / errors**2
        mean, error = float((weights * values).sum() / weights.sum()), float(weights.sum() ** -0.5)
        off = np.abs(values - mean)
        if (off > 4.0 * errors).any() and off.max() > 0.02 * mean:
            each = ", ".join(f"{c} {v:.4g}" for (c, _, _), v in zip(told, values, strict=True))
            what = "gain" if name == "e_per_adu" else "read noise"
            notes.append(f"the {what} of the colours differs ({each} {unit}), and is told as their mean")
            error = float(np.hypot(error, values.std(ddof=1)))
        out += [mean, error]
    return out[0], out[1], out[2], out[3]


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
    flats: Sequence[CalibrationFrame], bias_levels: Sequence[float], scale: float, notes: list[str]
) -> tuple[tuple[LinearPoint, ...], float, float]:
    """Of the flats of one filter and one session with most exposures; the points are those of the brightest colour."""
    nan = float("nan")
    groups: dict[tuple[str | None, int], list[CalibrationFrame]] = defaultdict(list)
    for f, session in zip(flats, _sessions(flats), strict=True):
        if f.header.exposure_s:
            groups[(f.header.filter, session)].append(f)
    one = max(groups.values(), key=lambda g: len({f.header.exposure_s for f in g}), default=[])
    if not bias_levels or len({f.header.exposure_s for f in one}) < 3:
        return (), nan, nan
    exposures = [f.header.exposure_s or 0.0 for f in one]
    levels = np.array([[level_adu(c) - b for c, b in zip(f.colours, bias_levels, strict=True)] for f in one])
    brightest = levels.max(axis=0)
    found: dict[int, Linearity] = {}
    for k in np.argsort(-brightest):
        if brightest[k] < DIMMEST * brightest.max():
            continue
        try:
            found[int(k)] = linearity(exposures, levels[:, k])
        except CalibrationError as error:
            if not found:
                notes.append(error.line)
    if not found:
        return (), nan, nan
    worst = max(line.worst_departure for line in found.values())
    if worst > STEADY_DEPARTURE:
        notes.append(
            f"linearity and full well are not told: the flats' levels leave a straight line in exposure by {100 * worst:.0f} %, "
            "as they do when the light changes from flat to flat"
        )
        return (), nan, nan
    first = next(iter(found.values()))
    points = tuple(
        LinearPoint(exposure_s=float(t), level_e=float(v) * scale, departure=float(d))
        for t, v, d in zip(first.exposure_s, first.level_adu, first.departure, strict=True)
    )
    wells = [line.full_well_adu for line in found.values() if np.isfinite(line.full_well_adu)]
    return points, worst, float(np.median(wells)) * scale if wells else nan


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
            found.append(_difference(f"dark current at {_degrees(p.sensor_c)}", p.e_per_s, p.uncertainty, said, "e/s"))
    return tuple(found)


def _difference(what: str, measured: float, error: float, said: float, unit: str) -> Difference:
    sentence = f"The {what} is {measured:.3g} ± {error:.2g} {unit}, campaign.toml says {said:.3g}."
    return Difference(what=what, measured=measured, uncertainty=error, stated=said, sentence=sentence)


def _degrees(celsius: float) -> str:
    return f"{celsius:.0f} °C".replace("-", "−")


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
        places = 4 if not p.uncertainty > 0.0 else int(np.clip(np.ceil(-np.log10(p.uncertainty)), 4, 7))
        parts.append(f"Dark current {p.e_per_s:.{places}f} ± {p.uncertainty:.{places}f} e/s at {_degrees(p.sensor_c)}.")
    parts += [d.sentence for d in differences]
    return " ".join(parts) or "Nothing is told."
