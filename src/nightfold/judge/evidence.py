"""From one sub's stars to evidence: how shapes and brightness vary over the frame. Pure functions on measured stars.

Trailing draws all stars out along one line. A field that turns about the guide star draws them out across the line to it,
by the square of the distance in second moments. Tilt, curvature and defocus change the squared width along the frame and
draw stars out along the radius. Seeing adds one number to all squared widths and changes nothing else.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.judge.records import NAN, FieldShape
from nightfold.measure.records import Stars
from nightfold.robust import biweight, median
from nightfold.units import SIGMA_PER_MAD

FloatArray = npt.NDArray[np.float64]

LEAST_STARS = 12
LEAST_SNR = 15.0
MOST_STARS = 400
HALO_SNR = 30.0


def field_shape(stars: Stars, *, width_px: int, height_px: int) -> FieldShape:
    """How shapes vary over the frame, from clean stars of S/N 15 and more; NaN where fewer than 12 tell.

    Notes
    -----
    With a, b the axes as FWHM and theta the long axis, the tensor's parts are T = (a² + b²)/2, P = (a² - b²) cos 2 theta
    and Q = (a² - b²) sin 2 theta. A trail of FWHM L adds L² (cos 2 phi, sin 2 phi) to (P, Q) everywhere. A turn about
    (p, q) adds k ((y-q)² - (x-p)², -2 (x-p)(y-q)), k > 0; a radial drawing-out has k < 0. All is linear in k, k p, k q
    and two constants; fitted by least squares with Tukey's biweight.
    """
    chosen = np.flatnonzero(stars.clean & (stars.snr >= LEAST_SNR) & np.isfinite(stars.fwhm_px * stars.ellipticity))
    chosen = chosen[:MOST_STARS]
    halo = halo_ratio(stars)
    if chosen.size < LEAST_STARS:
        return FieldShape(halo=halo, stars=int(chosen.size))
    s = stars.take(chosen)
    e = np.clip(s.ellipticity, 0.0, 0.95)
    long2, short2 = s.fwhm_px**2 / (1.0 - e), s.fwhm_px**2 * (1.0 - e)
    turn = np.radians(2.0 * np.nan_to_num(s.angle_deg))
    p, q = (long2 - short2) * np.cos(turn), (long2 - short2) * np.sin(turn)
    half_diagonal = 0.5 * float(np.hypot(width_px, height_px))
    x = (s.x - 0.5 * (width_px - 1)) / half_diagonal
    y = (s.y - 0.5 * (height_px - 1)) / half_diagonal
    one, none = np.ones_like(x), np.zeros_like(x)
    design = np.concatenate(
        [np.column_stack([y * y - x * x, x, -y, one, none]), np.column_stack([-2.0 * x * y, y, x, none, one])]
    )
    drawn, drawn_error = robust_fit(design, np.concatenate([p, q]))
    u, v = x * half_diagonal / (0.5 * width_px), y * half_diagonal / (0.5 * height_px)
    width, width_error = robust_fit(np.column_stack([one, u, v, u * u + v * v]), 0.5 * (long2 + short2))
    # What all stars share: the medians, which hold also where the field turns.
    shared_p, shared_q = float(np.median(p)), float(np.median(q))
    return FieldShape(
        drawn_px2=float(np.hypot(shared_p, shared_q)),
        drawn_angle_deg=float(np.degrees(0.5 * np.arctan2(shared_q, shared_p)) % 180.0),
        turning_px2=float(drawn[0]),
        turning_error_px2=float(drawn_error[0]),
        width2_tilt_px2=(float(width[1]), float(width[2])),
        width2_bowl_px2=float(width[3]),
        error_px2=float(np.max(width_error[1:])),
        halo=halo,
        stars=int(chosen.size),
    )


def halo_ratio(stars: Stars) -> float:
    """Half-flux radius over FWHM, median over clean bright stars: 0.5 for a Gaussian, larger the more light lies far out.

    Seeing, defocus and guiding widen both; scattering by dew or a thin veil moves light from the core to a halo, which
    widens the radius alone.
    """
    bright = stars.clean & (stars.snr >= HALO_SNR)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = stars.half_flux_radius_px[bright] / stars.fwhm_px[bright]
    ratio = ratio[np.isfinite(ratio)][:MOST_STARS]
    return float(np.median(ratio)) if ratio.size >= 5 else NAN


def slope_over_frame(
    u: FloatArray, v: FloatArray, deviation: FloatArray, error: FloatArray
) -> tuple[FloatArray, float]:
    """Slopes (2,) of relative brightness along u and v (-1 to 1), and their rough 1 sigma; NaN for too few stars.

    `deviation` is each star's rate over what its brightness and the sub's scale say, less 1. Two slopes and a level by
    weighted least squares with the biweight: cloud that is thicker on one side.
    """
    good = np.isfinite(deviation) & np.isfinite(error) & (error > 0)
    if np.count_nonzero(good) < LEAST_STARS:
        return np.full(2, NAN), NAN
    design = np.column_stack([np.ones(int(good.sum())), u[good], v[good]])
    solution, errors = robust_fit(design, deviation[good], error[good])
    return solution[1:], float(np.max(errors[1:]))


def robust_fit(
    design: FloatArray, values: FloatArray, error: FloatArray | None = None, *, rounds: int = 8
) -> tuple[FloatArray, FloatArray]:
    """Least squares with Tukey's biweight; the solution and its 1 sigma errors from the residuals' own scatter."""
    scaled, aim = design, values
    if error is not None:
        scaled, aim = design / error[:, None], values / error
    weight: FloatArray = np.ones(len(values))
    solution: FloatArray = np.zeros(design.shape[1])
    sigma = 1.0
    for _ in range(rounds):
        # Normal equations: the columns are of order 1, and a handful of unknowns takes a tenth of the time so.
        weighted = (scaled * weight[:, None]).T
        solution = np.asarray(np.linalg.lstsq(weighted @ scaled, weighted @ aim, rcond=None)[0], np.float64)
        residual = aim - scaled @ solution
        residual -= median(residual)
        sigma = max(SIGMA_PER_MAD * median(np.abs(residual)), 1e-9)
        weight = biweight(residual / sigma)
    inverse = np.linalg.pinv((scaled * weight[:, None]).T @ scaled, hermitian=True)
    return solution, sigma * np.sqrt(np.maximum(np.diag(inverse), 0.0))
