"""Optics from files alone: focus runs, collimation and camera tests of frames that no campaign needs to know."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightfold.errors import CalibrationError, FrameError
from nightfold.frames.header import read_header
from nightfold.frames.pixels import read_all
from nightfold.frames.records import FrameHeader, HeaderRules
from nightfold.intake.scan import find_files
from nightfold.measure.cfa import superpixel
from nightfold.measure.core import measure_sub
from nightfold.measure.records import Reading
from nightfold.optics.collimation import Collimation, measure_collimation
from nightfold.optics.coma import Coma, measure_coma
from nightfold.optics.field import ElongationMap, FieldShape, elongation_map, measure_field
from nightfold.optics.field_cells import StarShapes
from nightfold.optics.focus_run import FocusRun, RunData, expected_slope_px, fit_focus_run, read_focus_csv
from nightfold.optics.same_stars import shared_radii
from nightfold.optics.shapes import Moments, star_moments
from nightfold.units import FWHM_PER_SIGMA

FloatArray = npt.NDArray[np.float64]

SATURATED_SHARE = 0.98
FULL_ADU = 65535.0
STARS_A_FRAME = 400
IN_FOCUS_GROWTH = 1.3
"""Frames whose radius is within this of the sharpest tell coma. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpticsFacts:
    """What is known of telescope, camera and focuser; NaN where it is not."""

    focal_ratio: float = float("nan")
    focal_length_mm: float = float("nan")
    pixel_um: float = float("nan")  # of the pixel as stored
    obstruction: float = 0.0  # ratio of diameters
    um_per_step: float = float("nan")
    outward: bool | None = None  # larger positions lie farther from the objective; None, not said, passes for it

    @property
    def z_um_per_step(self) -> float:
        """Micrometres away from the objective per step."""
        return -self.um_per_step if self.outward is False else self.um_per_step

    @property
    def slope_px_um(self) -> float:
        """Half-flux radius a micrometre far from focus, pixels; NaN where the optics are not known."""
        if not (np.isfinite(self.focal_ratio) and np.isfinite(self.pixel_um)):
            return float("nan")
        return expected_slope_px(
            focal_ratio=self.focal_ratio, pixel_um=self.pixel_um, um_per_step=1.0, obstruction=self.obstruction
        )

    @classmethod
    def of_header(cls, header: FrameHeader) -> OpticsFacts:
        """From what a file says."""
        focal, aperture = header.focal_length_mm, header.aperture_mm
        nan = float("nan")
        return cls(
            focal_ratio=focal / aperture if focal and aperture else nan, focal_length_mm=focal or nan,
            pixel_um=header.pixel_um or nan,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class MeasuredFrame:
    """One frame with its reading and the moments of its clean stars, in pixels as stored."""

    path: Path
    header: FrameHeader
    reading: Reading
    moments: Moments
    snr: FloatArray

    @property
    def clean_index(self) -> npt.NDArray[np.bool_]:
        return self.reading.stars.clean


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOfFiles:
    """A focus run: its points, what they tell, and the field's shape where whole frames were given."""

    data: RunData
    run: FocusRun
    field: FieldShape | None
    elongation: ElongationMap | None
    coma: Coma | None
    headers: tuple[FrameHeader, ...]
    facts: OpticsFacts


Watch = Callable[[int], None]


def measure_file(path: Path, rules: HeaderRules | None = None) -> MeasuredFrame:
    """Read and measure one frame as it is: stars stand out without darks and flats, and shapes do not need them."""
    header = read_header(path, rules)
    pixels, _ = read_all(path)
    if not np.isfinite(pixels).any():
        raise FrameError(f"{path.name} holds no finite pixel", next_step="take another copy of the file")
    full = header.saturation_adu or FULL_ADU
    saturated = pixels >= SATURATED_SHARE * full
    scale = header.e_per_adu or 1.0
    image = pixels * np.float32(scale)
    factor = 1
    if header.cfa:
        image, factor = superpixel(image, header.cfa), 2
        cells = saturated[: 2 * image.shape[0], : 2 * image.shape[1]]
        saturated = np.asarray(cells.reshape(image.shape[0], 2, image.shape[1], 2).any(axis=(1, 3)), np.bool_)
    reading = measure_sub(image, read_noise_e=1.0, saturated=saturated)
    stars = reading.stars.take(np.flatnonzero(reading.stars.clean)[:STARS_A_FRAME])
    width = reading.fwhm_px if np.isfinite(reading.fwhm_px) else 3.0
    moments = star_moments(
        image, stars.x, stars.y, sigma_px=width / FWHM_PER_SIGMA, background=stars.background_e, noise=reading.noise_e
    )
    if factor == 2:
        moments = Moments(
            x=2.0 * moments.x + 0.5, y=2.0 * moments.y + 0.5, sigma_px=2.0 * moments.sigma_px, e_x=moments.e_x, e_y=moments.e_y,
            skew_x=moments.skew_x, skew_y=moments.skew_y, skew_error=moments.skew_error, flux=moments.flux,
        )  # fmt: skip
    return MeasuredFrame(path, header, reading, moments, stars.snr)


def focus_of_files(
    paths: Sequence[Path],
    *,
    facts: OpticsFacts | None = None,
    rules: HeaderRules | None = None,
    watch: Watch | None = None,
) -> RunOfFiles:
    """The focus run in a CSV file, or in FITS frames that know the focuser's position.

    Raises
    ------
    FrameError
        Files of two kinds or two rigs, frames without a position, or unreadable ones.
    """
    all_there(paths)
    csv = [p for p in paths if p.suffix.lower() in (".csv", ".txt")]
    if csv:
        if len(csv) > 1 or len(paths) > 1:
            raise FrameError(
                "a focus run is one CSV file or a set of frames", seen=f"{len(csv)} CSV files among {len(paths)} paths",
                allowed="one CSV file alone", next_step="run the command once for each",
            )  # fmt: skip
        known = facts or OpticsFacts()
        try:
            text = csv[0].read_text(encoding="utf-8-sig")
        except UnicodeDecodeError:
            raise FrameError(
                f"{csv[0].name} is not text", seen="bytes that are no UTF-8", allowed="a CSV file in UTF-8",
                next_step="save it anew as CSV in UTF-8",
            ) from None  # fmt: skip
        data = read_focus_csv(text, name=csv[0].name)
        run = fit_focus_run(
            data.position, data.half_flux_radius_px, flux=data.flux, slope_px=known.slope_px_um * known.um_per_step
        )
        return RunOfFiles(data=data, run=run, field=None, elongation=None, coma=None, headers=(), facts=known)
    frames = _run_frames(paths, rules, watch)
    known = facts or OpticsFacts.of_header(frames[0].header)
    return focus_of_frames(frames, known)


def focus_of_frames(frames: Sequence[MeasuredFrame], facts: OpticsFacts) -> RunOfFiles:
    """The focus run of measured frames in the order taken, and the field where they are whole."""
    shared = shared_radii(
        [f.reading.stars.xy[f.clean_index] for f in frames],
        [f.reading.stars.half_flux_radius_px[f.clean_index] for f in frames],
        [f.reading.stars.flux_e[f.clean_index] / (f.header.exposure_s or 1.0) for f in frames],
    )
    alone = np.array([f.reading.half_flux_radius_px for f in frames])
    nan = float("nan")
    data = RunData(
        position=np.array([f.header.focuser_position for f in frames], np.float64),
        half_flux_radius_px=np.where(np.isfinite(shared.radius_px), shared.radius_px, alone),
        temperature_c=np.array([temperature_of(f.header, nan) for f in frames], np.float64),
        flux=shared.light,
    )
    run = fit_focus_run(
        data.position, data.half_flux_radius_px, flux=data.flux, slope_px=facts.slope_px_um * facts.um_per_step
    )
    width, height = frames[0].header.width_px, frames[0].header.height_px
    shapes = [
        StarShapes.from_moments(f.moments, f.snr, z_um=float(f.header.focuser_position or 0.0) * facts.z_um_per_step)
        for f in frames
    ]
    known = np.isfinite(facts.um_per_step)
    shape = measure_field(
        shapes if known else [],
        width_px=width,
        height_px=height,
        expected_slope_px_um=facts.slope_px_um,
        name="these frames" if known else "these frames without the focuser's step in micrometres",
    )
    sharp = sharpest(frames)
    told = run.verdict == "good"
    discs = _discs(frames, run, shape, facts) if told else []
    return RunOfFiles(
        data=data,
        run=run,
        field=shape,
        elongation=elongation_map([s for s, f in zip(shapes, frames, strict=True) if f in sharp], width_px=width, height_px=height),
        coma=coma_of_frames(frames, discs) if told else coma_of_frames(sharp),
        headers=tuple(f.header for f in frames),
        facts=facts,
    )  # fmt: skip


def _discs(frames: Sequence[MeasuredFrame], run: FocusRun, shape: FieldShape, facts: OpticsFacts) -> list[FloatArray]:
    """Radius of the disc that defocus makes of each star: where the field is known with its tilt, else from the run alone."""
    # Half the light of a full disc lies within R / sqrt(2).
    per_radius = float(np.sqrt(2.0 / (1.0 + facts.obstruction**2)))
    found = []
    for f in frames:
        at = float(f.header.focuser_position or 0.0)
        m, flat = f.moments, np.ones(f.moments.x.size)
        if shape.measured and np.isfinite(facts.slope_px_um):
            u, v = 2.0 * m.x / (f.header.width_px - 1) - 1.0, 2.0 * m.y / (f.header.height_px - 1) - 1.0
            size2 = float(f.header.width_px**2 + f.header.height_px**2)
            rho2 = ((u * f.header.width_px) ** 2 + (v * f.header.height_px) ** 2) / size2
            best = shape.best_z_um - 0.5 * (shape.tilt_x_um * u + shape.tilt_y_um * v) + shape.curvature_um * rho2
            found.append(np.abs(at * facts.z_um_per_step - best) * facts.slope_px_um * per_radius)
        else:
            found.append(flat * abs(at - run.best_position) * run.slope_px * per_radius)
    return found


def sharpest(frames: Sequence[MeasuredFrame]) -> list[MeasuredFrame]:
    """Those near enough to focus that defocus does not pass for something else."""
    radii = np.array([f.reading.half_flux_radius_px for f in frames])
    if not np.isfinite(radii).any():
        return []
    return [f for f, r in zip(frames, radii, strict=True) if r <= IN_FOCUS_GROWTH * np.nanmin(radii)]


def coma_of_frames(frames: Sequence[MeasuredFrame], discs_px: Sequence[FloatArray] = ()) -> Coma | None:
    """Coma from the frames' stars together; None without frames.

    `discs_px` are radii of the discs that defocus makes of the stars, frame by frame: in doubt none, which takes a
    blurred frame for one of longer coma.
    """
    if not frames:
        return None
    columns = []
    for k, f in enumerate(frames):
        m = f.moments
        disc = discs_px[k] if len(discs_px) else np.zeros(m.x.size)
        flat = np.ones(m.x.size)
        e = [float(np.median(v[np.isfinite(v)])) if np.isfinite(v).any() else 0.0 for v in (m.e_x, m.e_y)]
        columns.append(
            np.array([m.x, m.y, m.skew_x, m.skew_y, m.skew_error, m.sigma_px, flat * e[0], flat * e[1], disc])
        )
    header, every = frames[0].header, np.concatenate(columns, axis=1)
    return measure_coma(*every[:8], width_px=header.width_px, height_px=header.height_px, defocus_px=every[8])


def temperature_of(header: FrameHeader, unknown: float = float("nan")) -> float:
    """The focuser's temperature, else the air's."""
    value = header.focuser_c if header.focuser_c is not None else header.ambient_c
    return unknown if value is None else value


def _run_frames(paths: Sequence[Path], rules: HeaderRules | None, watch: Watch | None) -> list[MeasuredFrame]:
    files = find_files(paths)
    if not files:
        raise FrameError("no frames of a focus run found", seen=", ".join(map(str, paths)) or "no path", allowed="FITS files, a folder of them or one CSV file")  # fmt: skip
    headers = [(p, read_header(p, rules)) for p in files]
    of_one_rig(headers)
    filters = sorted({str(h.filter) for _, h in headers})
    if len(filters) > 1:
        raise FrameError(
            "the focus run goes through several filters", seen=", ".join(filters), allowed="one filter",
            next_step="run the command once for each filter",
        )  # fmt: skip
    lacking = [p.name for p, h in headers if h.focuser_position is None]
    if lacking:
        raise FrameError(
            f"{len(lacking)} of {len(headers)} frames do not say where the focuser stood", seen=lacking[0],
            allowed="FOCUSPOS or FOCPOS in the header", next_step="leave them out, or give a CSV of positions and radii",
        )  # fmt: skip
    order = sorted(
        range(len(files)), key=lambda i: (headers[i][1].start is None, headers[i][1].start or 0, files[i].name)
    )
    found = []
    for n, i in enumerate(order):
        found.append(measure_file(files[i], rules))
        if watch is not None:
            watch(n + 1)
    return found


def all_there(paths: Sequence[Path]) -> None:
    """Refuse paths at which there is nothing."""
    gone = [p for p in paths if not p.exists()]
    if gone:
        raise FrameError(
            f"there is no such file or folder: {gone[0]}", seen=f"{len(gone)} of {len(paths)} paths lead nowhere" if len(paths) > 1 else "",
            next_step="check the spelling",
        )  # fmt: skip


def of_one_rig(headers: Sequence[tuple[Path, FrameHeader]]) -> None:
    """Refuse frames of two rigs: another camera, telescope, size, binning, pixel or focal length."""
    for key, what in (
        ("camera", "camera"), ("telescope", "telescope"), ("width_px", "width"), ("height_px", "height"), ("binning", "binning"),
        ("pixel_um", "pixel size"), ("focal_length_mm", "focal length"),
    ):  # fmt: skip
        values = {getattr(h, key) for _, h in headers} - {None}
        if len(values) > 1:
            raise FrameError(
                f"these frames are of two rigs or settings: the {what} differs", seen=" and ".join(sorted(map(str, values))),
                allowed="frames of one rig", next_step="run the command once for each",
            )  # fmt: skip


def collimation_of_file(path: Path, rules: HeaderRules | None = None) -> tuple[Collimation, FrameHeader]:
    """The shadow in the brightest defocused star of a frame."""
    header = read_header(path, rules)
    pixels, _ = read_all(path)
    image = np.asarray(pixels, np.float64)
    saturation = SATURATED_SHARE * (header.saturation_adu or FULL_ADU)
    if header.cfa:
        image = np.asarray(superpixel(image, header.cfa), np.float64)
    return measure_collimation(image, saturation=saturation, name=path.name), header


@dataclass(frozen=True, slots=True)
class CalibrationFrame:
    """One frame of a camera test: its header and the middle of the frame, ADU."""

    path: Path
    header: FrameHeader
    plane: npt.NDArray[np.float32]

    @property
    def colours(self) -> list[npt.NDArray[np.float32]]:
        """Each place of the colour filters' 2x2 cell by itself; the whole plane without such filters."""
        if not self.header.cfa:
            return [self.plane]
        return [self.plane[y::2, x::2] for y in (0, 1) for x in (0, 1)]


MIDDLE_PX = 1024
"""Side of the patch in the middle of the frame that a camera test looks at: even light, and pixels enough for 0.2 %."""


def camera_frames(
    paths: Sequence[Path], rules: HeaderRules | None = None, *, watch: Watch | None = None
) -> dict[str, list[CalibrationFrame]]:
    """Flats, biases and darks by kind, of one camera and one gain; subs among them are refused."""
    all_there(paths)
    files = find_files(paths)
    headers = [(p, read_header(p, rules)) for p in files]
    if not files:
        raise CalibrationError("no frames for the camera test found", seen=", ".join(map(str, paths)) or "no path", allowed="flats, biases and darks")  # fmt: skip
    for path, header in headers:
        if header.kind == "sub":
            raise CalibrationError(
                f"{path.name} is a sub, not a calibration frame", seen="sub", allowed="flats, biases, darks",
                next_step="leave it out",
            )  # fmt: skip
    of_one_rig(headers)
    for key, what in (("gain", "gain setting"), ("offset", "offset"), ("readout_mode", "read-out mode")):
        values = {getattr(h, key) for _, h in headers} - {None}
        if len(values) > 1:
            raise CalibrationError(
                f"the {what} differs among the frames of the camera test", seen=" and ".join(sorted(map(str, values))),
                allowed="one setting", next_step="run the command once for each",
            )  # fmt: skip
    found: dict[str, list[CalibrationFrame]] = defaultdict(list)
    for path, header in headers:
        pixels, _ = read_all(path)
        height, width = pixels.shape
        side_y, side_x = min(height, MIDDLE_PX), min(width, MIDDLE_PX)
        y0, x0 = (height - side_y) // 2 // 2 * 2, (width - side_x) // 2 // 2 * 2
        plane = pixels[y0 : y0 + side_y, x0 : x0 + side_x]
        found[header.kind].append(CalibrationFrame(path, header, np.ascontiguousarray(plane)))
        if watch is not None:
            watch(sum(map(len, found.values())))
    return dict(found)
