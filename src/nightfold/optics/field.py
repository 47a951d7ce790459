"""The sensor against the focal surface: tilt, curvature and astigmatism in micrometres, from frames at several focus positions.

Squared star sizes grow as A (z - c)^2, z the sensor's place along the axis and c the best focus where the star stands.
With free constants for each frame (seeing, wind, guiding) and for each cell of the field (aberrations that do not
change), what remains is -2 A z c: the cells' sizes lean against each other as z changes. That lean alone is used, so
nothing that blurs a whole frame alike enters. At one focus position it is zero, and nothing can be told: blur has no sign.

Lengths along the axis are micrometres, larger z farther from the objective. u and v run from -1 at the left and bottom
border of the frame to 1 at the right and top one; up is +y.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from nightfold.optics.field_cells import (
    LEAST_CELLS,
    Cells,
    StarShapes,
    TwoWay,
    cells_of,
    scatter_of_cells,
    through_window,
    two_way,
)  # fmt: skip
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]

MOST_ERROR_UM = 15.0
"""1 sigma of the tilt across the sensor beyond which it is called not measurable."""
LEAST_FRAMES = 5
ASTIGMATISM_SHARE = 0.06
"""Error of astigmatism, as a share of it: what the profile of seeing (Moffat beta 2.5 to 4.5) changes of `WINDOW`."""
CORNERS = (("lower left", -1.0, -1.0), ("lower right", 1.0, -1.0), ("upper left", -1.0, 1.0), ("upper right", 1.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """How far a corner lies from where the tilt-free sensor would be; + is too far from the objective."""

    corner: str
    offset_um: float
    uncertainty_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Whisker:
    """Elongation that belongs to one part of the field: the length is of the squared axes' difference, root, in pixels."""

    x_px: float
    y_px: float
    length_px: float
    uncertainty_px: float
    angle_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldShape:
    """Sensor and focal surface. NaN where not measurable; uncertainties are 1 sigma."""

    measured: bool
    sentence: str
    tilt_x_um: float  # across the width; + where the right side is farther from the objective
    tilt_x_uncertainty_um: float
    tilt_y_um: float  # across the height; + where the top is farther
    tilt_y_uncertainty_um: float
    curvature_um: float  # focus of the corners less that of the middle; + where it lies farther from the objective
    curvature_uncertainty_um: float
    astigmatism_um: float  # in the corners: focus of light spread along the radius less that of light across it
    astigmatism_uncertainty_um: float
    astigmatism_middle_um: float  # over the whole field: focus along `angle` less that across it, >= 0
    astigmatism_middle_uncertainty_um: float
    astigmatism_middle_angle_deg: float
    best_z_um: float  # of the middle of the field
    slope_ratio: float  # how fast stars grow out of focus, as a share of what focal ratio and pixel ask for; 1 is right
    slope_ratio_uncertainty: float
    corners: tuple[Corner, ...]
    frames: int
    cells: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ElongationMap:
    """Elongation that all stars of a frame share, and that which belongs to places of the field."""

    common_px: (
        float  # root of the mean squared axes' difference common to the stars: guiding, wind, uniform astigmatism
    )
    common_angle_deg: float  # NaN where there is no preferred direction
    common_scatter_px: float  # from frame to frame
    radial_px2: float  # difference of squared axes along and across the radius in the corners; < 0 across
    radial_uncertainty_px2: float
    whiskers: tuple[Whisker, ...]


def measure_field(
    frames: Sequence[StarShapes],
    *,
    width_px: int,
    height_px: int,
    expected_slope_px_um: float = float("nan"),
    slope_is_known: bool = False,
    name: str = "these subs",
) -> FieldShape:
    """Tilt, curvature and astigmatism from frames at known focus positions.

    Parameters
    ----------
    frames : StarShapes
        At five positions at least, on both sides of the best focus.
    width_px, height_px : int
        Of the frames, all of one size.
    expected_slope_px_um : float
        Half-flux radius per micrometre far from focus, `focus_run.expected_slope_px` for a step of 1 um.
    slope_is_known : bool
        Take the expected slope where these frames show theirs to no better than 5 percent: for nights that drifted little.

    Returns
    -------
    FieldShape
        Not measured where frames, cells or positions are too few, focus was not passed, or the error is above 15 um.

    Notes
    -----
    Squared half-flux radii of a defocused annulus are not quite parabolic (up to 12 % low near focus, CHECKS J5); as
    the same curve gives A and the lean, a few percent of that remain in the lengths.
    """
    z = np.array([f.z_um for f in frames], np.float64)
    kept = [f for f, known in zip(frames, np.isfinite(z), strict=True) if known]
    z = z[np.isfinite(z)]
    if np.unique(np.round(z, 2)).size < LEAST_FRAMES:
        seen = np.unique(np.round(z, 2)).size
        if seen == 0:
            why = "nothing tells where the sensor stood against the best focus"
        else:
            why = f"they stand at {seen} known focus position{'s' if seen > 1 else ''}, at least {LEAST_FRAMES} are needed"
        return _not_measured(f"Tilt is not measurable from {name}: {why}; take a focus run with whole frames.")
    cells = cells_of(kept, width_px, height_px)
    if cells.u.size < LEAST_CELLS or not _spread(cells):
        return _not_measured(f"Tilt is not measurable from {name}: stars fill only {cells.u.size} parts of the field.")
    middle = float(z.mean())
    zc = z - middle
    steeper = 0.0
    for _ in range(3):
        # The corners' stars may grow faster or slower than the middle's: the pupil looks different from there.
        local = 1.0 + steeper * cells.rho2
        extra = [zc[:, None] * t * local for t in (cells.u, cells.v, cells.rho2)] + [zc[:, None] ** 2 * cells.rho2]
        fit = two_way(cells.size, cells.error, extra)
        growth, growth_error, vertex, vertex_error = _growth(zc, fit, expected_slope_px_um, slope_is_known)
        steeper = float(np.clip(fit.values[3] / growth, -0.5, 0.5)) if growth > 4.0 * growth_error else 0.0
    if not growth > 4.0 * growth_error:
        return _not_measured(f"Tilt is not measurable from {name}: stars do not change their size with the position.")
    if not (z.min() - middle - vertex_error <= vertex <= z.max() - middle + vertex_error) and not slope_is_known:
        return _not_measured(f"Tilt is not measurable from {name}: the best focus lies outside of the positions.")
    scale = -1.0 / (2.0 * growth)
    centre_u, centre_v = scale * fit.values[0], scale * fit.values[1]
    fit = replace(fit, covariance=fit.covariance * scatter_of_cells(cells, zc, fit, extra))
    error = np.sqrt(np.diag(fit.covariance)[:3]) * abs(scale)
    share = growth_error / growth
    tilt_x, tilt_y = -2.0 * centre_u, -2.0 * centre_v
    tilt_x_error = float(np.hypot(2.0 * error[0], share * abs(tilt_x)))
    tilt_y_error = float(np.hypot(2.0 * error[1], share * abs(tilt_y)))
    if max(tilt_x_error, tilt_y_error) > MOST_ERROR_UM:
        return _not_measured(
            f"Tilt is not measurable from {name}: its uncertainty would be {max(tilt_x_error, tilt_y_error):.0f} µm "
            f"across the sensor, {MOST_ERROR_UM:.0f} µm are allowed; more stars or a wider range of positions help."
        )
    curvature = float(scale * fit.values[2])
    curvature_error = float(np.hypot(error[2], share * abs(curvature)))
    if all(f.by_window for f in kept):
        cells = through_window(cells)
    astigmatism = _astigmatism(cells, zc, scale, share, width_px=width_px, height_px=height_px)
    corners = _corners(tilt_x, tilt_y, fit.covariance * scale**2, share)
    notes = []
    ratio = float(np.sqrt(growth) / expected_slope_px_um) if np.isfinite(expected_slope_px_um) else float("nan")
    ratio_error = 0.5 * share * ratio
    if np.isfinite(ratio) and abs(ratio - 1.0) > max(0.2, 3.0 * ratio_error):
        notes.append(
            f"stars grow {ratio:.2f} times as fast as focal ratio and step size say: the micrometres are as wrong"
        )
    return FieldShape(
        measured=True,
        sentence=_sentence(corners, curvature, curvature_error),
        tilt_x_um=float(tilt_x),
        tilt_x_uncertainty_um=tilt_x_error,
        tilt_y_um=float(tilt_y),
        tilt_y_uncertainty_um=tilt_y_error,
        curvature_um=curvature,
        curvature_uncertainty_um=curvature_error,
        astigmatism_um=astigmatism[0],
        astigmatism_uncertainty_um=astigmatism[1],
        astigmatism_middle_um=astigmatism[2],
        astigmatism_middle_uncertainty_um=astigmatism[3],
        astigmatism_middle_angle_deg=astigmatism[4],
        best_z_um=middle + vertex,
        slope_ratio=ratio,
        slope_ratio_uncertainty=ratio_error,
        corners=corners,
        frames=len(kept),
        cells=int(cells.u.size),
        notes=tuple(notes),
    )


def elongation_map(frames: Sequence[StarShapes], *, width_px: int, height_px: int) -> ElongationMap:
    """What elongation the frames share from star to star, and what belongs to places of the field.

    Guiding, wind and seeing act on all stars of a frame alike and are taken out frame by frame; an astigmatism that is
    the same over the whole field cannot be told from them here.
    """
    cells = cells_of(frames, width_px, height_px)
    nan = float("nan")
    if cells.u.size < 3:
        return ElongationMap(
            common_px=nan, common_angle_deg=nan, common_scatter_px=nan, radial_px2=nan, radial_uncertainty_px2=nan, whiskers=()
        )  # fmt: skip
    x, y = (two_way(e, cells.error, []) for e in (cells.e_x, cells.e_y))
    along = np.arctan2(cells.v * height_px, cells.u * width_px)
    rows = np.concatenate([cells.rho2 * np.cos(2 * along), cells.rho2 * np.sin(2 * along)])
    data, errors = np.concatenate([x.of_cell, y.of_cell]), np.concatenate([x.cell_error, y.cell_error])
    weight = 1.0 / errors**2
    radial = float((weight * rows * data).sum() / (weight * rows**2).sum())
    chi2 = float((weight * (data - radial * rows) ** 2).sum() / max(rows.size - 3, 1))
    radial_error = float(np.sqrt(max(chi2, 1.0) / (weight * rows**2).sum()))
    common = np.array([np.median(x.of_frame), np.median(y.of_frame)])
    scatter = np.hypot(float(mad_sigma(x.of_frame)), float(mad_sigma(y.of_frame)))
    size = float(np.hypot(*common))
    error = np.hypot(*(f.cell_error.mean() / np.sqrt(cells.u.size) for f in (x, y))) + scatter / np.sqrt(len(frames))
    whiskers = tuple(
        Whisker(
            x_px=float((u + 1.0) * 0.5 * (width_px - 1)),
            y_px=float((v + 1.0) * 0.5 * (height_px - 1)),
            length_px=float(np.sqrt(np.hypot(a, b))),
            uncertainty_px=float(np.sqrt(np.hypot(c, d))),
            angle_deg=float(np.degrees(0.5 * np.arctan2(b, a)) % 180.0),
        )
        for u, v, a, b, c, d in zip(cells.u, cells.v, x.of_cell, y.of_cell, x.cell_error, y.cell_error, strict=True)
    )
    return ElongationMap(
        common_px=float(np.sqrt(size)),
        common_angle_deg=float(np.degrees(0.5 * np.arctan2(common[1], common[0])) % 180.0) if size > 3 * error else nan,
        common_scatter_px=float(np.sqrt(scatter)),
        radial_px2=radial,
        radial_uncertainty_px2=radial_error,
        whiskers=whiskers,
    )


def _spread(cells: Cells) -> bool:
    """True where the cells reach to both sides in both directions."""
    return all(t.min() < -0.3 and t.max() > 0.3 for t in (cells.u, cells.v))


def _growth(
    zc: FloatArray, fit: TwoWay, expected_slope: float, slope_is_known: bool
) -> tuple[float, float, float, float]:
    """A of A (z - c)^2 in the middle, px^2/um^2, with its error; and the vertex with its error, um."""
    of_frame = fit.of_frame
    rows = np.column_stack([np.ones_like(zc), zc, zc**2])
    weight = np.ones(zc.size)
    for _ in range(10):
        root = np.sqrt(weight)
        value = np.linalg.lstsq(rows * root[:, None], of_frame * root, rcond=None)[0]
        residual = of_frame - rows @ value
        scale = max(float(mad_sigma(residual)), 1e-9) * float(np.sqrt(zc.size / max(zc.size - 3, 1)))
        weight = np.maximum(biweight(residual / scale), 1e-6)
    scatter2 = float((weight * residual**2).sum() / max(float(weight.sum()) - 3.0, 1.0))
    covariance = np.linalg.pinv((rows * weight[:, None]).T @ rows) * scatter2
    growth, error = float(value[2]), float(np.sqrt(covariance[2, 2]))
    if slope_is_known and np.isfinite(expected_slope) and not 0.0 <= error <= 0.1 * growth:
        growth, error = expected_slope**2, 0.12 * expected_slope**2
    vertex = -float(value[1]) / (2.0 * growth) if growth > 0 else float("nan")
    vertex_error = float(np.sqrt(covariance[1, 1]) / (2.0 * growth)) if growth > 0 else float("nan")
    return growth, error, vertex, 3.0 * vertex_error


def _astigmatism(
    cells: Cells, zc: FloatArray, scale: float, share: float, *, width_px: int, height_px: int
) -> tuple[float, float, float, float, float]:  # fmt: skip
    """Of the corners with its error; of the whole field with error and angle: the lean of elongation with z."""
    along = 2.0 * np.arctan2(cells.v * height_px, cells.u * width_px)  # the radius as it lies on the sensor
    fits = [
        two_way(e, cells.error, [zc[:, None] * cells.rho2 * turn, zc[:, None] ** 2 * cells.rho2 * turn])
        for e, turn in ((cells.e_x, np.cos(along)), (cells.e_y, np.sin(along)))
    ]
    weights = np.array([1.0 / f.covariance[0, 0] for f in fits])
    radial = float((weights * [f.values[0] for f in fits]).sum() / weights.sum()) * scale
    radial_error = float(np.hypot(abs(scale) / np.sqrt(weights.sum()), max(share, ASTIGMATISM_SHARE) * radial))
    rows = np.column_stack([np.ones_like(zc), zc, zc**2])
    inverse = np.linalg.pinv(rows.T @ rows)
    leans, errors = [], []
    for f in fits:
        value = inverse @ rows.T @ f.of_frame
        residual = f.of_frame - rows @ value
        leans.append(float(value[1]) * scale)
        errors.append(float(np.sqrt((residual**2).sum() / max(zc.size - 3, 1) * inverse[1, 1])) * abs(scale))
    size = float(np.hypot(leans[0], leans[1]))
    angle = float(np.degrees(0.5 * np.arctan2(leans[1], leans[0])) % 180.0)
    return radial, radial_error, size, float(np.mean(errors)), angle


def _corners(tilt_x: float, tilt_y: float, covariance: FloatArray, share: float) -> tuple[Corner, ...]:
    found = []
    for name, u, v in CORNERS:
        offset = 0.5 * (tilt_x * u + tilt_y * v)
        own = float(np.array([u, v]) @ covariance[:2, :2] @ np.array([u, v]))
        found.append(
            Corner(
                corner=name, offset_um=float(offset), uncertainty_um=float(np.sqrt(max(own, 0.0) + (share * offset) ** 2))
            )
        )  # fmt: skip
    return tuple(found)


def _sentence(corners: Sequence[Corner], curvature: float, curvature_error: float) -> str:
    worst = max(corners, key=lambda c: c.offset_um)
    if worst.offset_um > 3.0 * worst.uncertainty_um:
        opposite = min(corners, key=lambda c: c.offset_um)
        tilt = (
            f"The {worst.corner} corner is {worst.offset_um:.0f} ± {worst.uncertainty_um:.0f} µm too far from the objective, "
            f"the {opposite.corner} one as much too near."
        )
    else:
        tilt = f"No tilt beyond {3 * worst.uncertainty_um + worst.offset_um:.0f} µm at a corner."
    if abs(curvature) > 3.0 * curvature_error:
        where = "farther from" if curvature > 0 else "nearer to"
        tilt += (
            f" The corners focus {abs(curvature):.0f} ± {curvature_error:.0f} µm {where} the objective than the middle."
        )
    return tilt


def what_to_try(shape: FieldShape, *, depth_um: float) -> tuple[str, ...]:
    """What to do first about tilt and curvature that exceed the depth of focus; empty where nothing needs doing."""
    if not shape.measured:
        return ()
    found = []
    worst = max(shape.corners, key=lambda c: c.offset_um)
    if worst.offset_um > max(depth_um, 3.0 * worst.uncertainty_um):
        found.append(
            f"Bring the {worst.corner} corner of the sensor {worst.offset_um:.0f} µm nearer to the objective; first turn "
            "the camera half a turn and measure again: if the same corner of the frame stays far, the camera is tilted, "
            "if the opposite one is, the focuser or the adapters are."
        )
    if abs(shape.curvature_um) > max(depth_um, 3.0 * shape.curvature_uncertainty_um):
        found.append(
            "Change the distance of corrector and sensor by 0.5 mm, measure again and keep the way in which the curvature "
            "shrinks: which way that is depends on the corrector."
        )
    if shape.astigmatism_middle_um > max(depth_um, 3.0 * shape.astigmatism_middle_uncertainty_um):
        found.append("Stars are drawn out alike over the whole field: look for pinched optics or a tilted corrector.")
    return tuple(found)


def _not_measured(sentence: str) -> FieldShape:
    nan = float("nan")
    return FieldShape(
        measured=False, sentence=sentence, tilt_x_um=nan, tilt_x_uncertainty_um=nan, tilt_y_um=nan, tilt_y_uncertainty_um=nan,
        curvature_um=nan, curvature_uncertainty_um=nan, astigmatism_um=nan, astigmatism_uncertainty_um=nan,
        astigmatism_middle_um=nan, astigmatism_middle_uncertainty_um=nan, astigmatism_middle_angle_deg=nan, best_z_um=nan,
        slope_ratio=nan, slope_ratio_uncertainty=nan, corners=(), frames=0, cells=0, notes=(),
    )  # fmt: skip
