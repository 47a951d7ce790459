"""From raw counts to electrons: puts a calibration together, applies it, and says what noise it leaves.

electrons = (raw - dark) * e_per_adu / flat. What is not at hand is left out, and the calibration's `notes` say in plain
words what therefore stays in the frame.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.core import Combined, frame_level
from nightfold.calibrate.records import Calibration, MasterPlane, Plane
from nightfold.errors import CalibrationError
from nightfold.kernels.electrons import to_electrons

Master = Combined | MasterPlane
"""Any form of a master frame: mean, typical variance and noise are all that is asked of it."""

NO_PLANE: Plane = np.zeros((1, 1), np.float32)
NO_MASK: npt.NDArray[np.bool_] = np.zeros((1, 1), np.bool_)
LEAST_FLAT = 0.05
"""Where the flat passes less light than this share of its mean, the pixel is dead or vignetted away: NaN."""


def build_calibration(
    *,
    e_per_adu: float | None,
    read_noise_e: float | None,
    dark: Master | None = None,
    bias: Master | None = None,
    flat: Master | None = None,
    bad: npt.NDArray[np.bool_] | None = None,
    pedestal_adu: float = 0.0,
    dark_e_per_s: float | None = None,
    dark_exposure_s: float | None = None,
    saturation_adu: float = 65535.0,
    already_calibrated: bool = False,
    notes: tuple[str, ...] = (),
) -> Calibration:
    """The calibration that the planes and numbers at hand allow, with a note for everything that is missing.

    Parameters
    ----------
    e_per_adu, read_noise_e : float or None
        From the campaign, a header or a measurement; None is taken as 1 electron per ADU and as the noise of the bias
        (or 0), and said.
    dark, bias : Combined or MasterPlane, optional
        A dark of the subs' exposure includes the bias; a bias serves only where there is no dark. Planes in ADU.
    flat : Combined or MasterPlane, optional
        Mean 1.
    dark_exposure_s : float, optional
        With a dark and a bias it gives the dark current where the campaign does not tell it.
    already_calibrated : bool
        The files' headers say that darks and flats were applied: nothing is missing then.
    """
    told = list(notes)
    _check_sizes(dark=dark, bias=bias, flat=flat, bad=bad)
    if e_per_adu is None:
        told.append("gain not known: 1 electron per ADU taken, noise and weights are relative")
    elif not (math.isfinite(e_per_adu) and e_per_adu > 0.0):
        raise CalibrationError("gain is impossible", seen=f"{e_per_adu} e-/ADU", allowed="above 0")
    gain = 1.0 if e_per_adu is None else float(e_per_adu)

    closed = dark if dark is not None else bias
    if dark is None and not already_calibrated:
        if bias is not None:
            told.append("no dark: only the bias is taken off; dark current, hot pixels and amplifier glow stay")
        elif pedestal_adu:
            told.append(f"no dark and no bias: a constant {pedestal_adu:g} ADU is taken off; glow and hot pixels stay")
        else:
            told.append("no dark, no bias and no offset known: the zero level of these subs is not known")
    if flat is None and not already_calibrated:
        told.append("no flat: vignetting and dust shadows stay")

    if read_noise_e is None:
        noise = 0.0 if bias is None else bias.noise * gain
        told.append(
            "read noise not known: taken as 0" if bias is None else f"read noise {noise:.2f} e- measured on the biases"
        )
    else:
        noise = float(read_noise_e)

    current = dark_e_per_s
    if current is None and dark is not None and bias is not None and dark_exposure_s:
        every = max(1, dark.mean.shape[0] // 128)  # rows that stand for the frame: 800,000 pixels of a large one
        current = max(0.0, frame_level(dark.mean[::every] - bias.mean[::every]) * gain / dark_exposure_s)
    if current is None:
        current = 0.0
    return Calibration(
        e_per_adu=gain,
        read_noise_e=noise,
        pedestal_adu=float(pedestal_adu),
        dark_adu=None if closed is None else _float32(closed.mean),
        dark_variance_adu2=0.0 if closed is None else closed.typical_variance,
        flat=None if flat is None else flat.mean,
        flat_relative_variance=0.0 if flat is None else flat.typical_variance,
        dark_e_per_s=current,
        bad=bad,
        saturation_adu=float(saturation_adu),
        noise_known=e_per_adu is not None
        and (read_noise_e is not None or bias is not None)
        and (closed is not None or bool(pedestal_adu) or already_calibrated),
        notes=tuple(told),
    )


def calibrate_image(raw: npt.NDArray[np.generic], calibration: Calibration) -> Plane:
    """Electrons of a whole frame, float32, shape of `raw` (height, width) in ADU; NaN where raw or flat give nothing."""
    return calibrate_rows(raw, calibration, 0)


def calibrate_rows(
    raw: npt.NDArray[np.generic], calibration: Calibration, y0: int, *, out: Plane | None = None, spare_bad: bool = True
) -> Plane:
    """Electrons of the rows from `y0` on, float32.

    Parameters
    ----------
    raw : array, shape (rows, width), any real dtype, ADU
        Not changed. NaN stays NaN.
    calibration : Calibration
        Planes of the whole frame.
    y0 : int
        Number of the first row in the frame.
    out : float32 array of the same shape, C-contiguous, optional
        Filled and returned.
    spare_bad : bool
        False makes the known bad pixels NaN as well.
    """
    y1 = y0 + raw.shape[0]
    counts = np.ascontiguousarray(raw, dtype=np.float32)
    electrons: Plane = np.empty(counts.shape, np.float32) if out is None else out
    dark, flat, bad = NO_PLANE, NO_PLANE, NO_MASK
    if calibration.dark_adu is not None:
        dark = _rows(calibration.dark_adu, y0, y1, raw.shape, "dark")
    if calibration.flat is not None:
        flat = _rows(calibration.flat, y0, y1, raw.shape, "flat")
    if calibration.bad is not None and not spare_bad:
        check_rows(calibration.bad.shape, y1, raw.shape, "bad pixel mask")
        bad = calibration.bad[y0:y1]
    to_electrons(
        counts,
        dark,
        calibration.dark_adu is not None,
        np.float32(calibration.pedestal_adu),
        np.float32(calibration.e_per_adu),
        flat,
        calibration.flat is not None,
        np.float32(LEAST_FLAT),
        bad,
        bad is not NO_MASK,
        electrons,
    )
    return electrons


def variance_plane(electrons: Plane, calibration: Calibration, *, exposure_s: float, y0: int = 0) -> Plane:
    """Variance of calibrated pixels, electrons^2, float32, shape of `electrons`.

    Photon noise of what was caught (never negative), dark current, read noise and rounding (1/12 ADU^2, CHECKS D4),
    all scaled by the flat; the noise of the master dark and of the flat, which all subs share. The photon noise is
    taken from the pixel itself, so a low pixel claims a low variance: smooth `electrons` before using this as a weight.
    """
    gain = calibration.e_per_adu
    constant = calibration.read_noise_e**2 + gain**2 / 12.0 + calibration.dark_e_per_s * exposure_s
    constant += calibration.dark_variance_adu2 * gain**2
    if calibration.flat is None:
        variance = np.maximum(electrons, np.float32(0.0)) + np.float32(constant)
    else:
        flat = _rows(calibration.flat, y0, y0 + electrons.shape[0], electrons.shape, "flat")
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = np.maximum(electrons, np.float32(0.0)) / flat + np.float32(constant) / (flat * flat)
        variance += np.float32(calibration.flat_relative_variance) * electrons * electrons
    variance[~np.isfinite(electrons)] = np.nan
    result: Plane = variance.astype(np.float32, copy=False)
    return result


def _float32(plane: npt.NDArray[np.floating]) -> Plane:
    """As float32, in whatever order its bytes are."""
    same: Plane = plane if plane.dtype.itemsize == 4 and plane.dtype.kind == "f" else plane.astype(np.float32)
    return same


def _rows(plane: Plane, y0: int, y1: int, shape: tuple[int, ...], kind: str) -> Plane:
    check_rows(plane.shape, y1, shape, kind)
    return np.ascontiguousarray(plane[y0:y1], dtype=np.float32)


def check_rows(size: tuple[int, ...], y1: int, shape: tuple[int, ...], kind: str) -> None:
    """Refuse a plane of `size` that has no rows up to `y1` of frames as wide as `shape`."""
    if y1 > size[0] or shape[1] != size[1]:
        raise CalibrationError(
            f"the {kind} has another size than the frame",
            seen=f"{kind} {size[1]}x{size[0]} px, frame {shape[1]} px a row, rows to {y1}",
            allowed="one size",
            next_step="check binning and camera of both",
        )


def _check_sizes(
    *, dark: Master | None, bias: Master | None, flat: Master | None, bad: npt.NDArray[np.bool_] | None
) -> None:
    """All planes have one size, or an error that names the two that differ."""
    planes = {"dark": dark, "bias": bias, "flat": flat}
    sizes = {name: c.mean.shape for name, c in planes.items() if c is not None}
    if bad is not None:
        sizes["bad pixel mask"] = bad.shape
    if len(set(sizes.values())) > 1:
        seen = ", ".join(f"{name} {s[1]}x{s[0]} px" for name, s in sizes.items())
        raise CalibrationError(
            "calibration frames differ in size", seen=seen, allowed="one size", next_step="match camera and binning"
        )
