"""The reading of one sub, from its calibrated pixels: sky, noise, stars with errors, typical shapes, streaks."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError
from nightfold.flags import StarFlag
from nightfold.measure.background import (
    LARGE_FRAME_PX,
    Binned,
    Bits,
    Plane,
    bin_frame,
    mesh_of,
    pixel_noise_e,
    sky_at,
)
from nightfold.measure.banding import banding_e
from nightfold.measure.detect import Peaks, find_stars
from nightfold.measure.dots import dots_in_rows
from nightfold.measure.neighbours import pairs_within
from nightfold.measure.records import Reading, SkyMesh, Stars, Streak
from nightfold.measure.stars import (
    PIXEL_VARIANCE,
    TOTAL_APERTURES_FWHM,
    Frame,
    Profiles,
    Shapes,
    Windows,
    aperture_flux,
    correction_surface,
    fit_profiles,
    half_flux_radii,
    measure_windows,
    moffat_energy,
    moment_shapes,
    neighbour_ratio,
)
from nightfold.measure.streaks import find_streaks
from nightfold.measure.summary import summarise
from nightfold.robust import mad_sigma, weighted_median
from nightfold.units import FWHM_PER_SIGMA

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

DEFAULT_FWHM_PX = 3.0
STAR_SIGMA = 5.0
"""What counts as a star."""
CANDIDATE_SIGMA = 4.3
"""Searched down to here, for the coarser grid of the search costs up to a tenth of a star's significance."""
LEAST_CONTRAST = 3.5
"""Below this, in sigma, a peak is a bump on a halo and not a star of its own."""
LEAST_CELL_FWHM = 12.0
"""Cells of the sky mesh are at least as many FWHM wide, or stars would pass for sky."""
LEAST_WINDOW_PX = 1.1
"""Sigma of the narrowest centroid window: pixels sample a narrower one so coarsely that centroids lean by 0.05 px."""
ENOUGH_FOR_WIDTH = 60
SURE_OF_WIDE = 20.0
"""Wide stars are believed only if one of them is this many sigma; bumps of a glow are not."""
MOST_WIDTH_PX = 8.5
"""Sigma beyond which a source is no star but a glow that the sky mesh has taken in part."""
RING = 1.35
"""Outer radius of the ring of sky around the widest aperture, in units of that."""
MOST_FITS = 80
LEAST_MEASURED = 3000
BETA_FITS = 30
ENOUGH_FOR_BETA = 8
TYPICAL_BETA = 3.5
"""Used where no star is bright enough to tell; seeing discs have 2.5 to 4.765 (Trujillo et al. 2001)."""


def measure_sub(
    image: npt.ArrayLike,
    *,
    read_noise_e: float,
    e_variance: Plane | None = None,
    saturated: BoolArray | None = None,
    saturation_e: float = math.inf,
    bad: BoolArray | None = None,
    max_stars: int = 2000,
    mesh_px: int = 64,
) -> Reading:
    """The reading of one calibrated sub.

    Parameters
    ----------
    image : array, shape (height, width), electrons
        NaN where there is nothing.
    read_noise_e : float
        Read noise, electrons; only the floor of the noise, which is measured.
    e_variance : float32 array of the same shape, optional
        Variance of each pixel, electrons^2, the stars' own light included. Left out: measured sky noise plus the light.
    saturated, bad : bool arrays of the same shape, optional
        True where a pixel is at the sensor's ceiling, or known to be bad.
    saturation_e : float
        The ceiling as one number, if `saturated` is not at hand.
    max_stars : int
        Only as many of the brightest are kept; all are counted.
    mesh_px : int
        Size of the cells of the sky mesh.

    Returns
    -------
    Reading
        Without stars, the medians are NaN; without any sky, that is NaN as well. The frame is never refused for what
        it shows.
    """
    plane = np.ascontiguousarray(image, dtype=np.float32)
    if plane.ndim != 2 or plane.size == 0:
        raise FrameError(
            "a sub to measure has two dimensions", seen=f"shape {plane.shape}", allowed="(height, width)",
            next_step="pass one plane of the cube",
        )  # fmt: skip
    frame = Frame(
        image=plane,
        bits=_bits(plane.shape, bad, saturated),
        variance=None if e_variance is None else np.ascontiguousarray(e_variance, dtype=np.float32),
        saturation_e=saturation_e,
    )
    factor = 2 if plane.size > LARGE_FRAME_PX else 1
    binned, saturated_count = bin_frame(plane, factor, bits=frame.bits, saturation_e=saturation_e)
    return measure_frame(
        frame, binned, read_noise_e=read_noise_e, saturated_count=saturated_count, max_stars=max_stars, mesh_px=mesh_px
    )


def measure_frame(
    frame: Frame,
    binned: Binned,
    *,
    read_noise_e: float,
    saturated_count: int,
    max_stars: int = 2000,
    mesh_px: int = 64,
) -> Reading:
    """The reading of a sub whose planes are ready, the coarser one and the count of saturated pixels included."""
    plane, ceiling_e = frame.image, 0.98 * frame.saturation_e
    mesh = mesh_of(binned, mesh_px=mesh_px, ceiling_e=ceiling_e)
    noise = pixel_noise_e(plane)
    reading_of_sky = {
        "width_px": plane.shape[1],
        "height_px": plane.shape[0],
        "saturated_fraction": saturated_count / plane.size,
    }
    rows_e, columns_e = banding_e(plane)
    reading_of_sky |= {"row_pattern_e": rows_e, "column_pattern_e": columns_e}
    if not np.isfinite(mesh.level_e).any():
        return summarise(Stars.empty(), None, mesh, noise_e=noise, star_count=0, streaks=(), **reading_of_sky)
    floor = max(read_noise_e, 1e-6) if not np.nanmedian(mesh.sigma_e) > 0 else 1e-6
    fwhm = typical_fwhm_px(frame, binned, mesh, floor_e=floor)
    if fwhm * LEAST_CELL_FWHM > mesh_px:
        mesh_px = math.ceil(fwhm * LEAST_CELL_FWHM)
        mesh = mesh_of(binned, mesh_px=mesh_px, ceiling_e=ceiling_e)
    grid = _search_grid(frame, binned, fwhm)
    peaks = find_stars(grid, mesh, fwhm_px=fwhm, threshold_sigma=CANDIDATE_SIGMA)
    stars, profiles, count = _measured(frame, mesh, peaks, fwhm, floor, max_stars, mesh_px)
    streaks = find_streaks(plane, binned, mesh, fwhm_px=fwhm, **_what_is_no_streak(frame, binned, stars, fwhm))
    count -= _mark_pieces(stars, streaks, fwhm, noise)
    return summarise(stars, profiles, mesh, noise_e=noise, star_count=count, streaks=streaks, **reading_of_sky)


def typical_fwhm_px(frame: Frame, binned: Binned, mesh: SkyMesh, *, floor_e: float = 1e-6) -> float:
    """FWHM of the stars from windowed moments of the brightest, the window growing or shrinking to their size.

    Of large frames a sixth in the middle is enough if it holds bright stars. `DEFAULT_FWHM_PX` if there is no star to tell.
    """
    height = binned.pixels.shape[0]
    peaks: Peaks | None = None
    if frame.image.size > LARGE_FRAME_PX:
        band = slice(5 * height // 12, 7 * height // 12)
        peaks = find_stars(binned, mesh, fwhm_px=DEFAULT_FWHM_PX, threshold_sigma=12.0, rows=band)
        if len(peaks) < ENOUGH_FOR_WIDTH:
            peaks = None
    if peaks is None:
        peaks = find_stars(binned, mesh, fwhm_px=DEFAULT_FWHM_PX, threshold_sigma=STAR_SIGMA)
    x, y = peaks.x[:400], peaks.y[:400]
    background = sky_at(mesh, x, y)
    variance = _sky_variance(mesh, x, y, peaks.noise_scale, floor_e)
    width, settled_width, surest = 1.5, float("nan"), 0.0
    for _ in range(12):
        w = measure_windows(
            frame, x, y, background_e=background, sky_variance_e2=variance, width_px=width, radius_px=2.0 * width
        )
        usable = w.settled & (w.saturated == 0) & (w.outside == 0) & (w.holes == 0) & (w.around_e > 0.3 * w.peak_e)
        usable &= (w.significance >= STAR_SIGMA) & (w.contrast_snr >= LEAST_CONTRAST)
        if not usable.any():
            break
        usable &= w.significance >= min(15.0, 0.3 * float(np.max(w.significance[usable])))
        sizes = moment_shapes(w, width, pixel_variance=0.0).fwhm_px[usable][:120] / FWHM_PER_SIGMA
        sizes = np.clip(np.where(np.isfinite(sizes), sizes, np.inf), 0.4, 2.0 * width)
        new = float(np.median(sizes))
        settled_width = new
        surest = float(np.max(w.significance[usable]))
        if abs(new - width) < 0.03 * width:
            break
        width = new
    glow = settled_width > 2.0 * DEFAULT_FWHM_PX / FWHM_PER_SIGMA and surest < SURE_OF_WIDE
    if not math.isfinite(settled_width) or settled_width > MOST_WIDTH_PX or glow:
        return DEFAULT_FWHM_PX
    return FWHM_PER_SIGMA * math.sqrt(max(settled_width**2 - PIXEL_VARIANCE, 0.06))


def _bits(shape: tuple[int, ...], bad: BoolArray | None, saturated: BoolArray | None) -> Bits | None:
    """One byte a pixel: 1 bad, 2 saturated; None if neither is known."""
    for name, mask in (("bad", bad), ("saturated", saturated)):
        if mask is not None and mask.shape != shape:
            raise FrameError(
                f"the mask of {name} pixels does not fit the sub", seen=f"{mask.shape}", allowed=f"{shape}",
                next_step="use masks of the same binning and read-out window",
            )  # fmt: skip
    if bad is None and saturated is None:
        return None
    bits: Bits = np.zeros(shape, np.uint8) if bad is None else np.ascontiguousarray(bad, dtype=np.bool_).view(np.uint8)
    if saturated is not None:
        bits = bits | np.where(saturated, np.uint8(2), np.uint8(0))
    return bits


def _search_grid(frame: Frame, binned: Binned, fwhm_px: float) -> Binned:
    """The grid to search: full size for stars that a coarser one would lose, coarser for stars much wider than it."""
    if binned.factor == 2 and fwhm_px < 1.8:
        return bin_frame(frame.image, 1, bits=frame.bits)[0]
    while fwhm_px / binned.factor > 6.0 and min(binned.pixels.shape) >= 64:
        halved, _ = bin_frame(binned.pixels, 2)
        binned = Binned(halved.pixels, binned.factor * 2)
    return binned


def _sky_variance(mesh: SkyMesh, x: FloatArray, y: FloatArray, noise_scale: float, floor_e: float) -> FloatArray:
    return np.maximum(sky_at(mesh, x, y, scatter=True) * noise_scale, floor_e) ** 2


def _measured(
    frame: Frame, mesh: SkyMesh, peaks: Peaks, fwhm: float, floor_e: float, max_stars: int, mesh_px: int
) -> tuple[Stars, Profiles | None, int]:
    """The stars among the peaks, brightest first, the fits of the first of them, and how many stars there are."""
    width = max(math.sqrt((fwhm / FWHM_PER_SIGMA) ** 2 + PIXEL_VARIANCE), LEAST_WINDOW_PX)
    radius = max(fwhm, 2.0)
    # In a crowded field only the higher peaks are measured, half as many again as are kept; the rest are counted by their share.
    most = max(3 * max_stars // 2, LEAST_MEASURED)
    beyond = int(np.count_nonzero(peaks.significance[most:] >= STAR_SIGMA))
    peaks = Peaks(peaks.x[:most], peaks.y[:most], peaks.significance[:most], peaks.noise_scale)
    background = sky_at(mesh, peaks.x, peaks.y)
    variance = _sky_variance(mesh, peaks.x, peaks.y, peaks.noise_scale, floor_e)
    w = measure_windows(
        frame, peaks.x, peaks.y, background_e=background, sky_variance_e2=variance, width_px=width, radius_px=radius
    )
    kept = w.settled & (w.significance >= STAR_SIGMA) & (w.contrast_snr >= LEAST_CONTRAST)
    kept &= (w.holes + w.outside < 0.5 * math.pi * radius**2) & (w.aperture_e > 0)
    index = np.flatnonzero(kept)
    index = index[np.argsort(-w.aperture_e[index], kind="stable")]
    index = index[_first_of_each(w.x[index], w.y[index], w.saturated[index], fwhm)]
    w = Windows(**{name: getattr(w, name)[index] for name in Windows.__dataclass_fields__})
    background, variance = background[index], variance[index]
    if index.size == 0:
        return Stars.empty(), None, 0

    shapes = moment_shapes(w, width)
    flags = _flags(w, shapes, variance, fwhm)
    clean = np.flatnonzero(flags == 0)
    flags[clean[dots_in_rows(w.x[clean], w.y[clean], shape=frame.image.shape, fwhm_px=fwhm)]] |= int(
        StarFlag.NOT_A_STAR
    )
    count = int(np.count_nonzero((flags & int(StarFlag.NOT_A_STAR | StarFlag.ELONGATED)) == 0))
    count += round(beyond * count / max(1, len(peaks)))
    fits, profiles = _profiles(frame, w, shapes, flags, background, variance, fwhm)
    good = profiles.fitted
    fwhm_fitted = float(np.median(profiles.fwhm_px[good])) if good.any() else fwhm
    beta = float(np.median(profiles.beta[good])) if good.any() else TYPICAL_BETA
    correction = _aperture_correction(frame, w, flags, background, variance, radius, fwhm_fitted, beta)
    flux = w.aperture_e * correction
    area = math.pi * radius**2
    # The mode of a cell has 2.1 times the error of its mean; the 3x3 median takes most of that back.
    sky_error = 0.9 * np.sqrt(variance) / mesh_px
    flux_error = correction * np.sqrt(w.aperture_variance_e2 + (area * sky_error) ** 2)

    fwhm_px, ellipticity, angle = shapes.fwhm_px.copy(), shapes.ellipticity.copy(), shapes.angle_deg.copy()
    if good.any():
        ratio = profiles.fwhm_px[good] / shapes.fwhm_px[fits[good]]
        if np.isfinite(ratio).any():
            fwhm_px *= float(np.nanmedian(ratio))
    fwhm_px[fits[good]] = profiles.fwhm_px[good]
    ellipticity[fits[good]] = profiles.ellipticity[good]
    angle[fits[good]] = profiles.angle_deg[good]
    flags[fits[~good]] |= int(StarFlag.NO_FIT)

    stars = Stars(
        x=w.x,
        y=w.y,
        position_error_px=_position_errors(w, flags, width),
        flux_e=flux,
        flux_error_e=flux_error,
        peak_e=w.peak_e,
        background_e=background,
        snr=w.snr,
        fwhm_px=fwhm_px,
        half_flux_radius_px=np.full(w.x.size, np.nan),
        ellipticity=ellipticity,
        angle_deg=angle,
        flags=flags,
    )
    order = np.argsort(-flux, kind="stable")[:max_stars]
    place = np.full(w.x.size, -1)
    place[order] = np.arange(order.size)
    inside = place[fits] >= 0
    stars = stars.take(order)
    radii = half_flux_radii(
        frame, stars.x, stars.y, flux_e=stars.flux_e, background_e=stars.background_e, most_px=3.0 * fwhm + 2.0
    )
    stars.half_flux_radius_px[:] = radii
    kept_fits = Profiles(**{name: getattr(profiles, name)[inside] for name in Profiles.__dataclass_fields__})
    return stars, kept_fits, count


def _first_of_each(x: FloatArray, y: FloatArray, saturated: FloatArray, fwhm: float) -> IntArray:
    """Indices of stars without the later (fainter) ones that are the same star: on it, or on its saturated core."""
    dropped = np.zeros(x.size, bool)
    _, later = pairs_within(x, y, 0.6 * fwhm)
    dropped[later] = True
    for i in np.flatnonzero(saturated > 0):
        if not dropped[i]:
            reach = 1.5 * fwhm + 2.0 * math.sqrt(saturated[i] / math.pi)
            dropped[i + 1 :] |= (x[i + 1 :] - x[i]) ** 2 + (y[i + 1 :] - y[i]) ** 2 <= reach**2
    return np.flatnonzero(~dropped)


def _flags(w: Windows, shapes: Shapes, variance: FloatArray, fwhm: float) -> IntArray:
    """What the windows alone tell against each star."""
    flags = np.zeros(w.x.size, np.int64)
    flags[w.saturated > 0] |= int(StarFlag.SATURATED)
    flags[w.holes > 0] |= int(StarFlag.BAD_PIXELS)
    flags[w.outside > 0] |= int(StarFlag.EDGE)
    flags[_blended(w, fwhm)] |= int(StarFlag.BLENDED)

    expected = neighbour_ratio(w.x, w.y, fwhm) * w.peak_e
    doubt = np.sqrt(8.0 * variance + np.maximum(w.around_e, 0.0)) + neighbour_ratio(w.x, w.y, fwhm) * np.sqrt(variance)
    sharp = w.around_e < 0.5 * expected - 2.0 * doubt
    ellipticity = np.where(np.isfinite(shapes.ellipticity), shapes.ellipticity, 0.0)
    narrow = shapes.fwhm_px * np.sqrt(1.0 - ellipticity)
    plain = (flags == 0) & ~sharp & (w.snr > 10) & np.isfinite(shapes.fwhm_px)
    if fwhm >= 2.0 and np.count_nonzero(plain) >= 5:
        sharp |= (w.snr > 15) & (
            (narrow < 0.5 * np.median(narrow[plain])) | ~np.isfinite(shapes.fwhm_px) & (w.around_e < 0.6 * expected)
        )
    flags[sharp & (w.saturated == 0)] |= int(StarFlag.NOT_A_STAR)

    if plain.any():
        typical = float(np.median(ellipticity[plain]))
        spread = float(mad_sigma(ellipticity[plain])) if np.count_nonzero(plain) > 4 else 0.1
        limit = typical + max(0.3 * (1.0 - typical), 6.0 * spread)
        flags[(w.snr > 8) & (ellipticity > limit + 3.0 / np.maximum(w.snr, 1.0))] |= int(StarFlag.ELONGATED)
    return flags


def _blended(w: Windows, fwhm: float) -> BoolArray:
    """True where another source of at least a twentieth of the star's light lies within its window."""
    blended = np.zeros(w.x.size, bool)
    i, j = pairs_within(w.x, w.y, 2.2 * fwhm + 1.0)
    blended[i[w.aperture_e[j] > 0.05 * w.aperture_e[i]]] = True
    blended[j[w.aperture_e[i] > 0.05 * w.aperture_e[j]]] = True
    return blended


def _profiles(
    frame: Frame, w: Windows, shapes: Shapes, flags: IntArray, background: FloatArray, variance: FloatArray, fwhm: float
) -> tuple[IntArray, Profiles]:
    """Indices of the brightest clean stars, and their Moffat fits with one common beta."""
    most = MOST_FITS if fwhm < 6.0 else MOST_FITS // 2
    fits = np.flatnonzero((flags == 0) & (w.snr >= 10.0))[:most]

    def fitted(index: IntArray, beta: float | None) -> Profiles:
        return fit_profiles(
            frame, w.x[index], w.y[index], peak_e=w.peak_e[index],
            shapes=Shapes(**{name: getattr(shapes, name)[index] for name in Shapes.__dataclass_fields__}),
            background_e=background[index], sky_variance_e2=variance[index], fwhm_px=fwhm, beta=beta,
        )  # fmt: skip

    bright = fits[w.snr[fits] >= 30.0][:BETA_FITS]
    if bright.size < ENOUGH_FOR_BETA:
        # Where the brightest stars are faint, many of them together still tell a Gaussian from wide wings; a beta taken for
        # granted would make the stars of a dark sky, whose wings weigh most, up to 17 % too narrow.
        bright = fits[w.snr[fits] >= 15.0][:BETA_FITS]
    free = fitted(bright, None).beta
    free = free[np.isfinite(free)]
    return fits, fitted(fits, float(np.median(free)) if free.size else TYPICAL_BETA)


def _aperture_correction(
    frame: Frame, w: Windows, flags: IntArray, background: FloatArray, variance: FloatArray, radius_px: float,
    fwhm: float, beta: float,
) -> FloatArray:  # fmt: skip
    """What turns each star's aperture sum into its whole light, from the curves of growth of clean bright stars."""
    inner = radius_px / fwhm
    clean = np.flatnonzero((flags == 0) & (w.snr >= 20.0))[:200]
    for wide in TOTAL_APERTURES_FWHM:
        radius = wide * fwhm
        bright = clean[_alone(w, clean, RING * radius + fwhm)]
        if bright.size >= 8 or (bright.size and wide == TOTAL_APERTURES_FWHM[-1]):
            break
    else:
        return np.full(w.x.size, 1.0 / moffat_energy(inner, beta))
    half, total, ring = (
        aperture_flux(frame, w.x[bright], w.y[bright], radius_px=r, background_e=background[bright])
        for r in (0.5 * radius, radius, RING * radius)
    )
    whole = ring[1] > 0.97 * math.pi * (RING * radius) ** 2
    if not whole.any():
        return np.full(w.x.size, 1.0 / moffat_energy(inner, beta))
    # Over so wide an aperture the mesh is not good enough: the sky comes from a ring around it.
    offset = (ring[0] - total[0]) / (ring[1] - total[1])
    total_e = total[0] - offset * math.pi * radius**2
    half_e = half[0] - offset * math.pi * (0.5 * radius) ** 2
    aperture_e = w.aperture_e[bright] - offset * math.pi * radius_px**2
    # What lies farther out, or in the ring, is taken from the profile as far as the measured growth bears that out.
    near, far, last = (moffat_energy(r * wide, beta) for r in (0.5, 1.0, RING))
    in_ring = (last - far) / (RING**2 - 1.0)
    near, far = near - 0.25 * in_ring, far - in_ring
    # Sky noise of the aperture and of the ring's mean; 0.3 % for what varies from star to star.
    area = math.pi * radius**2
    noise = np.sqrt(area * (1.0 + 1.0 / (RING**2 - 1.0)) * variance[bright]) / np.maximum(aperture_e, 1e-6)
    weight = np.where(whole & (aperture_e > 0) & (noise < 0.2), 1.0 / (noise**2 + 0.003**2), 0.0)
    if not weight.any():
        weight = np.where(whole & (aperture_e > 0), 1.0 / (noise**2 + 0.003**2), 0.0)
    growth = weighted_median(total_e / half_e, weight) - 1.0
    beyond = (1.0 / far - 1.0) * float(np.clip(growth / max(far / near - 1.0, 1e-6), 0.0, 1.0))
    ratio = np.where(weight > 0, total_e * (1.0 + beyond) / aperture_e, np.nan)
    return correction_surface(w.x[bright], w.y[bright], ratio, weight, w.x, w.y, float(max(frame.image.shape)))


def _alone(w: Windows, index: IntArray, reach: float) -> BoolArray:
    """True for stars of `index` with no other of more than 1 % of their light within `reach`."""
    i, j = pairs_within(w.x, w.y, reach)
    alone = np.ones(w.x.size, bool)
    alone[i[w.aperture_e[j] >= 0.01 * w.aperture_e[i]]] = False
    alone[j[w.aperture_e[i] >= 0.01 * w.aperture_e[j]]] = False
    return np.asarray(alone[index])


def _position_errors(w: Windows, flags: IntArray, width: float) -> FloatArray:
    """Errors of the centroids: noise, and the lean that coarse sampling gives the centroids of narrow stars.

    The mean offset under the window moves by 1 - m / width^2 of the star's own move, m the windowed moment. Sampling
    adds 4 pi m exp(-2 pi^2 m) sin(2 pi phase) to it (Poisson's sum of a Gaussian of variance m), an rms of 1/sqrt 2.
    """
    plain = (flags == 0) & (w.snr > 10)
    moment = float(np.median(0.5 * (w.xx[plain] + w.yy[plain]))) if plain.any() else 0.5 * width**2
    follows = float(np.clip(1.0 - moment / width**2, 0.1, 1.0))
    lean = 4.0 * math.pi * moment * math.exp(-2.0 * math.pi**2 * moment) / math.sqrt(2.0) / follows
    return np.hypot(w.position_error_px * 0.5 / follows, lean)


def _mark_pieces(stars: Stars, streaks: tuple[Streak, ...], fwhm: float, noise_e: float) -> int:
    """Flag faint peaks on a streak as pieces of it; return how many were taken for stars before."""
    pieces = np.zeros(len(stars), bool)
    for s in streaks:
        length = math.hypot(s.x1 - s.x0, s.y1 - s.y0)
        ux, uy = (s.x1 - s.x0) / length, (s.y1 - s.y0) / length
        along = (stars.x - s.x0) * ux + (stars.y - s.y0) * uy
        across = np.abs((stars.y - s.y0) * ux - (stars.x - s.x0) * uy)
        pieces |= (across < 0.5 * (fwhm + s.width_px)) & (along > -5 * fwhm) & (along < length + 5 * fwhm)
    pieces &= stars.peak_e < 2.0 * max((s.brightness_e for s in streaks), default=0.0) + 4.0 * noise_e
    before = stars.flags & int(StarFlag.NOT_A_STAR | StarFlag.ELONGATED) != 0
    stars.flags[pieces] |= int(StarFlag.ELONGATED)
    return int(np.count_nonzero(pieces & ~before))


def _saturated_places(bits: Bits) -> IntArray:
    """Flat indices of saturated pixels; eight pixels are looked at together, since hardly any is."""
    flat = bits.ravel()
    whole = flat.size // 8 * 8
    hit = np.flatnonzero(flat[:whole].view(np.uint64) & np.uint64(0x0202020202020202))
    near = np.concatenate([(hit[:, None] * 8 + np.arange(8)).ravel(), np.arange(whole, flat.size)])
    return np.asarray(near[(flat[near] & 2) != 0], np.int64)


def _what_is_no_streak(frame: Frame, binned: Binned, stars: Stars, fwhm: float) -> dict[str, FloatArray]:
    """What to leave out when streaks are sought: bright stars that are no pieces of one, and where pixels are saturated."""
    piece = (stars.flags & int(StarFlag.ELONGATED | StarFlag.NOT_A_STAR)) != 0
    star = stars.take(~piece & (stars.snr > 15.0))
    where = frame.saturated_at
    if math.isfinite(frame.saturation_e):
        y, x = (np.asarray(v, np.float64) for v in np.nonzero(binned.pixels >= 0.7 * frame.saturation_e))
        x, y = binned.to_full(x), binned.to_full(y)
    else:
        if where is None:
            where = np.zeros(0, np.int64) if frame.bits is None else _saturated_places(frame.bits)
        y, x = (np.asarray(v, np.float64) for v in np.divmod(where, frame.image.shape[1]))
    return {
        "star_x": star.x,
        "star_y": star.y,
        "star_radius_px": fwhm * (1.0 + 0.5 * np.log10(np.maximum(star.snr, 10.0))),
        "spike_x": x,
        "spike_y": y,
    }
