"""Stars apart: a nebula layer and a star layer whose sum is the input.

Stars are found on the filters' common signal-to-noise image, freed of its smooth part, so that ridges of nebula do not
pass for stars. In each filter a radial profile is measured on the bright ones, every star's amplitude is fitted with all
others subtracted, and the models are taken off. Where a model stands far above the noise its errors would show; those
cores, saturated ones with them, are filled from what surrounds them. The star layer is what the nebula layer lacks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.flags import StarFlag
from nightfold.kernels.star_layer import add_stars, blend_doubled, fit_stars, halve_weighted, mark_cores, relax
from nightfold.measure.background import LARGE_FRAME_PX, bin_frame, evaluate, mesh_of, sky_mesh
from nightfold.measure.core import measure_sub, typical_fwhm_px
from nightfold.measure.stars import Frame
from nightfold.picture.records import Plane
from nightfold.picture.wavelets import decompose, smooth

Plane32 = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

PER_PX = 8.0
"""Entries of a profile table per pixel of radius."""
REACH_FWHM = 14.0
"""Radius to which a star's wings are followed, in FWHM."""
LEAST_STARS = 5
"""With fewer stars no profile is measured, and nothing is taken apart."""
MOST_STARS = 60_000
EDGE_PX = 16
"""How far the frame is mirrored over its edges for the search."""
COMPACT = 0.65
"""See `_compactness`. On simulated fields stars have 0.85 and more, bumps of nebula mostly less."""
MOST_FLAT = 0.02
"""With a greater share of the frame cut off flat it is not only stars that are, and none is bridged for it."""
BRIGHT_SIGMA = 3.0
"""A core is filled where its model exceeds this, in sigma of the pixel: there 5 % of error begin to show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StarPlaces:
    """Stars found: positions in pixels, shape (n,), brightest first; their typical FWHM, NaN without stars."""

    x: FloatArray
    y: FloatArray
    snr: FloatArray
    fwhm_px: float

    def __len__(self) -> int:
        return int(self.x.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """`nebula` + `stars` is the input, float32 (height, width); `filled` is True where the nebula was bridged."""

    nebula: Plane32
    stars: Plane32
    filled: npt.NDArray[np.bool_]
    profile: FloatArray | None = None  # of the stars, as `radial_profile` gives it; None if there were none


def find_star_places(
    planes: Mapping[str, Plane], *, threshold_sigma: float = 5.0, fwhm_px: float | None = None
) -> StarPlaces:
    """Stars that all filters together show; without NaN in the planes.

    With `fwhm_px` the bright ones are taken to be off already: what is smooth on twice that size is then subtracted,
    which follows nebula more closely than a mesh can beside bright stars.
    """
    first = next(iter(planes.values()), None)
    if first is None or first.image.size < 1024:
        return _no_stars()
    total = np.zeros(first.image.shape, np.float32)
    flat_topped = np.zeros(first.image.shape, bool)
    weights = 0.0
    for plane in planes.values():
        flat_topped |= plane.image >= _ceiling(plane.image)
        sigma = np.sqrt(np.maximum(plane.variance, 1e-30))
        sigma = np.maximum(sigma, np.float32(0.05) * np.median(sigma[::4, ::4]))
        unit = (plane.image - np.median(plane.image[::2, ::2])) / sigma
        # Filters count by how far stars stand out in them, which is the best sum for stars of one colour.
        small = smooth(unit, 0)
        weight = float(np.percentile((small - smooth(smooth(small, 1), 2))[::2, ::2], 99.7))
        total += np.float32(weight) * unit
        weights += weight**2
    if not weights > 0:
        return _no_stars()
    total /= np.float32(math.sqrt(weights))
    if fwhm_px is None:
        # Nebula goes with all that is smooth on several times the stars' size; for that the size must be known first.
        fwhm = _first_fwhm(total)
        mesh = max(16, round(6.0 * fwhm))
        flat = total - evaluate(sky_mesh(total, mesh_px=mesh), _shape(total))
    else:
        fwhm = fwhm_px
        flat = total - decompose(total, max(2, round(math.log2(fwhm)) + 1))[-1]
    # Mirrored over its edges, the frame shows stars whole that the edge cuts through.
    reading = measure_sub(
        np.pad(flat, EDGE_PX, mode="symmetric"),
        read_noise_e=1.0,
        saturated=np.pad(flat_topped, EDGE_PX, mode="symmetric"),
        max_stars=MOST_STARS,
        mesh_px=max(48, round(13.0 * fwhm)),
    )
    stars = reading.stars
    stars = replace(stars, x=stars.x - EDGE_PX, y=stars.y - EDGE_PX)
    height, width = _shape(total)
    stars = stars.take((stars.x > -1) & (stars.y > -1) & (stars.x < width) & (stars.y < height))
    if len(stars) == 0:
        return _no_stars()
    typical = reading.fwhm_px if math.isfinite(reading.fwhm_px) and fwhm_px is None else fwhm
    saturated = (stars.flags & int(StarFlag.SATURATED)) != 0
    elongated = (stars.flags & int(StarFlag.ELONGATED)) != 0
    # Ridges of nebula are long and wide. Close pairs may be so, too, but have little light on greater scales.
    slim = (stars.fwhm_px < 1.7 * typical) & ((stars.ellipticity < 0.5) | (stars.snr < 8.0)) & ~elongated
    pairs = (stars.snr > 10.0) & (
        (stars.fwhm_px < 1.5 * typical) | (_compactness(flat, stars.x, stars.y, typical) > COMPACT)
    )
    good = (slim | pairs | saturated) & (stars.snr >= threshold_sigma)
    kept = stars.take(good)
    if len(kept) < (LEAST_STARS if fwhm_px is None else 1):
        return _no_stars()
    x, y, snr = kept.x, kept.y, kept.snr
    # A clump of cut-off stars has no peak to be found by: its middle stands for it.
    for cx, cy in _flat_tops(flat_topped):
        if np.min(np.hypot(x - cx, y - cy)) > typical:
            x, y, snr = np.append(x, cx), np.append(y, cy), np.append(snr, float(snr.max()))
    return StarPlaces(x=x, y=y, snr=snr, fwhm_px=float(typical))


def _compactness(flat: Plane32, x: FloatArray, y: FloatArray, fwhm_px: float) -> FloatArray:
    """Share of the light at (x, y) that lies on the stars' scales, of that on up to four times greater ones; about 0.9 for stars."""
    levels = max(2, round(math.log2(fwhm_px)) + 1)
    planes = decompose(flat, levels + 2)[:-1]
    at = (_pixel(y, flat.shape[0]), _pixel(x, flat.shape[1]))
    fine = np.sum([p[at] for p in planes[:levels]], axis=0, dtype=np.float64)
    both = fine + np.sum([p[at] for p in planes[levels:]], axis=0, dtype=np.float64)
    return np.where(both > 0, fine / np.where(both > 0, both, 1.0), 0.0)


def _flat_tops(flat_topped: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Middles (x, y) of the spots that are cut off flat; none where that is so over more than a small part of the frame."""
    if not flat_topped.any() or flat_topped.mean() > MOST_FLAT:
        return []
    spots, count = ndimage.label(flat_topped, structure=np.ones((3, 3)))
    found = []
    for area in ndimage.find_objects(spots, count):
        ys, xs = np.nonzero(flat_topped[area])
        if ys.size >= 4:
            found.append((float(xs.mean() + area[1].start), float(ys.mean() + area[0].start)))
    return found


def take_stars_apart(
    planes: Mapping[str, Plane],
    *,
    threshold_sigma: float = 5.0,
    fill_sigma: float = BRIGHT_SIGMA,
    run: Callable[..., Iterable[Layers]] = map,
) -> tuple[StarPlaces, dict[str, Layers]]:
    """Each filter's layers, from two looks: what shows only once the bright stars are off is found in the second.

    `run` is how to work through the filters, for instance the `map` of a thread pool.
    """
    places = find_star_places(planes, threshold_sigma=threshold_sigma)
    if len(places) == 0:
        return places, {f: separate_stars(p.image, p.variance, places) for f, p in planes.items()}

    layers: dict[str, Layers] = {}

    def work(name: str) -> Layers:
        plane, known = planes[name], layers.get(name)
        return separate_stars(
            plane.image, plane.variance, places, fill_sigma=fill_sigma, profile=None if known is None else known.profile
        )

    layers = dict(zip(planes, run(work, planes)))
    rest = {f: Plane(filter=f, image=layer.nebula, variance=planes[f].variance) for f, layer in layers.items()}
    more = find_star_places(rest, threshold_sigma=threshold_sigma, fwhm_px=places.fwhm_px)
    if len(more):
        both = {name: np.concatenate([getattr(places, name), getattr(more, name)]) for name in ("x", "y", "snr")}
        places = StarPlaces(**both, fwhm_px=places.fwhm_px)
        layers = dict(zip(planes, run(work, planes)))
    return places, layers


def separate_stars(
    image: Plane32,
    variance: Plane32,
    places: StarPlaces,
    *,
    fill_sigma: float = BRIGHT_SIGMA,
    profile: FloatArray | None = None,
) -> Layers:
    """One filter's nebula layer and star layer.

    Parameters
    ----------
    image, variance : float32 (height, width), no NaN
        Linear, electron/s and its square.
    places : StarPlaces
        From `find_star_places`; with no stars the star layer is zero.
    fill_sigma : float
        Cores brighter than this are filled from their surroundings, fainter light is taken off by the model alone.
    profile : array, optional
        The stars' profile where it is known already; measured when not given.
    """
    if len(places) == 0:
        return Layers(nebula=image.copy(), stars=np.zeros_like(image), filled=np.zeros(image.shape, bool))
    sky = evaluate(sky_mesh(image, mesh_px=max(16, round(8.0 * places.fwhm_px))), image.shape)
    noise = np.sqrt(np.maximum(variance, 1e-30), dtype=np.float32)
    # The variance under a star holds the star's own photons; the nebula's noise is that of its surroundings.
    plain = np.minimum(noise, np.float32(1.5) * np.median(noise[::4, ::4]))
    at_star = plain[_pixel(places.y, image.shape[0]), _pixel(places.x, image.shape[1])].astype(np.float64)
    ceiling = _ceiling(image)
    if profile is None:
        profile = radial_profile(image - sky, places, at_star, ceiling - float(np.median(sky[::4, ::4])))
    mask = np.zeros(image.shape, np.uint8)
    flat = _around_flat_tops(image, ceiling, places.fwhm_px)
    amplitudes = np.zeros(len(places))
    base = sky
    for turn in range(2):
        residual = np.ascontiguousarray(image - base)
        if turn:
            add_stars(places.x, places.y, amplitudes, profile, PER_PX, 0.02 * at_star, -1.0, residual)
        for _ in range(3 if turn == 0 else 2):
            fit_stars(
                residual, variance, places.x, places.y, amplitudes, profile, PER_PX, 1.6 * places.fwhm_px + 1.0, np.float32(ceiling),
                image, 0.02 * at_star,
            )  # fmt: skip
        mask[:] = flat
        mark_cores(places.x, places.y, amplitudes, profile, PER_PX, fill_sigma * at_star, 0.9 * places.fwhm_px, mask)
        model = np.zeros_like(image)
        add_stars(places.x, places.y, amplitudes, profile, PER_PX, 0.02 * at_star, 1.0, model)
        nebula = fill_holes(image - model, mask)
        base = nebula if turn == 0 else base
        if turn == 0:
            base = smooth(smooth(nebula, 0), 1)
    stars = image - nebula
    return Layers(nebula=image - stars, stars=stars, filled=mask.astype(bool), profile=profile)


def radial_profile(above_sky: Plane32, places: StarPlaces, noise: FloatArray, ceiling: float) -> FloatArray:
    """Median radial profile of the stars, 1 at the centre, `PER_PX` entries a pixel of radius, smoothly falling.

    The core comes from bright unsaturated stars, the wings from the brightest of all, each scaled where both are known.
    """
    fwhm = places.fwhm_px
    reach = math.ceil(REACH_FWHM * fwhm)
    table = np.arange(0.0, reach + 1.0, 1.0 / PER_PX)
    height, width = above_sky.shape
    peak = above_sky[_pixel(places.y, height), _pixel(places.x, width)]
    order = np.argsort(-peak)
    inside = (places.x > 3) & (places.y > 3) & (places.x < width - 4) & (places.y < height - 4)
    order = order[inside[order]]
    cores = [i for i in order if 30.0 * noise[i] < peak[i] < 0.7 * ceiling][:80] or list(order[:30])
    core = _binned_profile(
        above_sky, places, cores, np.arange(0.0, 3.0 * fwhm, max(0.25, 0.15 * fwhm)), 1.2 * fwhm, ceiling
    )
    centre, values = core
    wings = _binned_profile(
        above_sky,
        places,
        list(order[:25]),
        np.geomspace(2.0 * fwhm, reach, 14),
        3.0 * fwhm,
        ceiling,
        from_px=1.8 * fwhm,
    )
    # The wings are scaled to the core where they overlap.
    overlap = (wings[0] > 1.8 * fwhm) & (wings[0] < 3.0 * fwhm) & (wings[1] > 0)
    if overlap.any() and values.size:
        at = np.interp(wings[0][overlap], centre, values)
        scale = float(np.median(at / wings[1][overlap]))
        r = np.concatenate([centre[centre < 2.2 * fwhm], wings[0][wings[0] >= 2.2 * fwhm]])
        v = np.concatenate([values[centre < 2.2 * fwhm], scale * wings[1][wings[0] >= 2.2 * fwhm]])
    else:
        r, v = centre, values
    floor = 1e-7
    v = np.minimum.accumulate(np.maximum(v, floor))
    shape = np.exp(np.interp(table, r, np.log(v)))
    shape = shape / shape[0]
    # The last tenth of the reach fades to nothing, so that no edge is cut into the sky.
    shape *= np.clip((reach - table) / (0.3 * reach), 0.0, 1.0)
    return np.asarray(shape, np.float64)


def _binned_profile(
    above_sky: Plane32,
    places: StarPlaces,
    chosen: list[int],
    edges: FloatArray,
    scale_px: float,
    ceiling: float,
    from_px: float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Radii and median values of stars each scaled by its own light between `from_px` and `scale_px`."""
    height, width = above_sky.shape
    reach = math.ceil(float(edges[-1])) + 1
    rows = np.full((len(chosen), len(edges) - 1), np.nan)
    for k, i in enumerate(chosen):
        x0, y0 = round(float(places.x[i])), round(float(places.y[i]))
        ys, xs = (
            slice(max(0, y0 - reach), min(height, y0 + reach + 1)),
            slice(max(0, x0 - reach), min(width, x0 + reach + 1)),
        )
        cut = above_sky[ys, xs]
        yy, xx = np.mgrid[ys, xs]
        r = np.hypot(xx - places.x[i], yy - places.y[i])
        usable = cut < 0.9 * ceiling
        ring = usable & (r >= from_px) & (r < scale_px)
        if not ring.any():
            continue
        # In the wings a nebula's unevenness weighs more than the star: its level is that of the outermost ring.
        level = (
            float(np.median(cut[usable & (r > edges[-2])])) if from_px > 0 and (usable & (r > edges[-2])).any() else 0.0
        )
        unit = float(np.mean(cut[ring])) - level
        if unit <= 0:
            continue
        where = np.digitize(r[usable], edges) - 1
        data = cut[usable]
        for b in range(len(edges) - 1):
            here = data[where == b]
            if here.size:
                rows[k, b] = (np.median(here) - level) / unit
    known = np.isfinite(rows).any(axis=0)
    centres = 0.5 * (edges[1:] + edges[:-1])
    return centres[known], np.nanmedian(rows[:, known], axis=0) if known.any() else np.zeros(0)


def fill_holes(image: Plane32, mask: npt.NDArray[np.uint8]) -> Plane32:
    """The image with masked pixels bridged smoothly from those around them; others are untouched.

    Means of what is known are carried down a pyramid of halved images and back up, and then relaxed towards the smooth
    surface that the rim of each hole spans.
    """
    out = np.array(image, np.float32)
    if not mask.any():
        return out
    if mask.all():
        return np.full_like(out, np.float32(np.median(image)))
    # The rim is met through lightly smoothed pixels, or their noise would run across the hole as streaks.
    known = (mask == 0).astype(np.float32)
    levels: list[tuple[Plane32, Plane32]] = [(out.copy(), known)]
    while min(levels[-1][0].shape) > 2 and (levels[-1][1] < 1.0).any():
        fine, weight = levels[-1]
        shape = ((fine.shape[0] + 1) // 2, (fine.shape[1] + 1) // 2)
        half, half_weight = np.empty(shape, np.float32), np.empty(shape, np.float32)
        halve_weighted(fine, weight, half, half_weight)
        levels.append((half, half_weight))
    for (fine, weight), (coarse, _) in zip(reversed(levels[:-1]), reversed(levels[1:])):
        blend_doubled(coarse, fine, weight)
        relax(fine, (weight < 0.5).astype(np.uint8), 2)
    filled = levels[0][0]
    chosen = mask != 0
    out[chosen] = filled[chosen]
    return out


def _around_flat_tops(image: Plane32, ceiling: float, fwhm_px: float) -> npt.NDArray[np.bool_]:
    """What is cut off flat, and three FWHM around it, where the model of a clump cannot be right."""
    flat = image >= ceiling
    if not flat.any() or flat.mean() > MOST_FLAT:
        return np.zeros(image.shape, bool)
    near = np.zeros(image.shape, bool)
    reach = math.ceil(3.0 * fwhm_px)
    spots, count = ndimage.label(flat, structure=np.ones((3, 3)))
    for ys, xs in ndimage.find_objects(spots, count):
        around = (slice(max(0, ys.start - reach), ys.stop + reach), slice(max(0, xs.start - reach), xs.stop + reach))
        near[around] |= ndimage.distance_transform_edt(~flat[around]) <= reach
    return near


def _first_fwhm(image: Plane32) -> float:
    binned, _saturated = bin_frame(image, 2 if image.size > LARGE_FRAME_PX else 1)
    mesh = mesh_of(binned, mesh_px=64)
    return typical_fwhm_px(Frame(image=image), binned, mesh) if np.isfinite(mesh.level_e).any() else 3.0


def _shape(image: Plane32) -> tuple[int, int]:
    return int(image.shape[0]), int(image.shape[1])


def _pixel(position: FloatArray, size: int) -> npt.NDArray[np.int64]:
    return np.clip(np.rint(position).astype(np.int64), 0, size - 1)


def _ceiling(image: Plane32) -> float:
    """The level at which stars are cut off flat, infinite if none is: many pixels near the greatest value tell it."""
    top = float(np.max(image))
    sky = float(np.median(image[::4, ::4]))
    near = int(np.count_nonzero(image > sky + 0.93 * (top - sky)))
    far = int(np.count_nonzero(image > sky + 0.80 * (top - sky)))
    return sky + 0.85 * (top - sky) if near >= 6 and near > 0.5 * far else math.inf


def _no_stars() -> StarPlaces:
    none = np.zeros(0)
    return StarPlaces(x=none, y=none, snr=none, fwhm_px=float("nan"))
