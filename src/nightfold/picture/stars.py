"""Stars apart: a nebula layer and a star layer whose sum is the input.

Stars are found on what all filters show together (`picture.finding`). In each filter a radial profile is measured on the bright
ones and every star's amplitude is fitted with all others subtracted: that is done once for the whole picture. The layers are then
made tile by tile: the models are taken off, and where a model stands far above the noise its errors would show; those cores,
saturated ones with them, are filled from what surrounds them. The star layer is what the nebula layer lacks.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.kernels.star_layer import add_stars, fit_stars, mark_cores, star_reach
from nightfold.measure.background import evaluate, sky_mesh
from nightfold.picture.finding import MOST_FLAT, StarPlaces, ceiling, find_star_places, pixel
from nightfold.picture.holes import fill_holes
from nightfold.picture.records import Plane
from nightfold.picture.tiles import TILE_PX, Run, Tile, tiles
from nightfold.picture.wavelets import reach_px, smooth

Plane32 = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

PER_PX = 8.0
"""Entries of a profile table per pixel of radius."""
REACH_FWHM = 40.0
"""Radius to which a star's wings are followed, in FWHM."""
CORE_FWHM = 4.0
WINGS_FROM_FWHM = 2.0
WING_BINS = 30
WINGS_BELOW_FWHM = 2.5
"""From here on the power laws of the wings are used instead of the core's own profile."""
AUREOLE_SHOWS = 8.0
MOST_WINGS = 25
"""So many of the brightest stars tell the wings."""
BRIGHT_SIGMA = 6.0
"""A core is filled where its model exceeds this, in sigma of the pixel: there 10 % of error begin to show."""
PIT_SIGMA = 6.0
PIT_SHARPNESS = 2.0
"""A pit has so many times more of its depth in the finest wavelet plane than light as sharp as a star would have."""
PIT_APART_PX = 4
SKY_ROWS = 2048
LEAST_SIGMA = 0.02
"""A model is followed down to this, in sigma of the pixel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """`nebula` + `stars` is the input, float32 (height, width); `filled` is True where the nebula was bridged."""

    nebula: Plane32
    stars: Plane32
    filled: npt.NDArray[np.bool_]
    profile: FloatArray | None = None  # of the stars, as `radial_profile` gives it; None if there were none


def take_stars_apart(
    planes: Mapping[str, Plane],
    *,
    threshold_sigma: float = 5.0,
    fill_sigma: float = BRIGHT_SIGMA,
    tile_px: int = TILE_PX,
    run: Run = map,
) -> tuple[StarPlaces, dict[str, Layers]]:
    """Each filter's layers, from two looks: what shows only once the bright stars are off is found in the second.

    `run` is how to work through tiles, for instance the `map` of a thread pool; the result depends neither on it nor on
    the tiles' side `tile_px`.
    """
    places = find_star_places(planes, threshold_sigma=threshold_sigma, tile_px=tile_px, run=run)
    if len(places) == 0:
        return places, {f: separate_stars(p.image, p.variance, places) for f, p in planes.items()}

    def work(name: str, known: Layers | None = None) -> Layers:
        plane = planes[name]
        return separate_stars(
            plane.image, plane.variance, places, fill_sigma=fill_sigma, profile=None if known is None else known.profile,
            tile_px=tile_px, run=run,
        )  # fmt: skip

    layers = {name: work(name) for name in planes}
    rest = {f: Plane(filter=f, image=layer.nebula, variance=planes[f].variance) for f, layer in layers.items()}
    more = find_star_places(rest, threshold_sigma=threshold_sigma, known=places, tile_px=tile_px, run=run)
    if len(more):
        both = {name: np.concatenate([getattr(places, name), getattr(more, name)]) for name in ("x", "y", "snr")}
        places = StarPlaces(**both, fwhm_px=places.fwhm_px)
        del rest
        for name in planes:
            layers[name] = work(name, layers[name])
    return places, layers


def separate_stars(
    image: Plane32,
    variance: Plane32,
    places: StarPlaces,
    *,
    fill_sigma: float = BRIGHT_SIGMA,
    profile: FloatArray | None = None,
    tile_px: int = TILE_PX,
    run: Run = map,
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
    tile_px, run : int, callable
        Side of the tiles, and how to work through them; the result depends on neither.
    """
    if len(places) == 0:
        return Layers(nebula=image.copy(), stars=np.zeros_like(image), filled=np.zeros(image.shape, bool))
    image = np.ascontiguousarray(image, np.float32)
    shape = (image.shape[0], image.shape[1])
    top = ceiling(image)
    at_star = _noise_at(variance, places)
    mesh = sky_mesh(image, mesh_px=max(16, round(8.0 * places.fwhm_px)))
    residual = np.empty_like(image)
    for y0 in range(0, shape[0], SKY_ROWS):
        rows = slice(y0, min(shape[0], y0 + SKY_ROWS))
        np.subtract(image[rows], evaluate(mesh, shape, rows=rows), out=residual[rows])
    if profile is None:
        known = mesh.level_e[np.isfinite(mesh.level_e)]
        uneven = float(np.std(known)) if known.size else 0.0
        profile = radial_profile(image, residual, places, at_star, top, uneven)
    flat = _around_flat_tops(image, top, places.fwhm_px)
    amplitudes = np.zeros(len(places))
    for turn in range(2):
        for _ in range(3 if turn == 0 else 2):
            fit_stars(
                residual, variance, places.x, places.y, amplitudes, profile, PER_PX, 1.6 * places.fwhm_px + 1.0, np.float32(top),
                image, LEAST_SIGMA * at_star,
            )  # fmt: skip
        model = StarModel(places, amplitudes, profile, LEAST_SIGMA * at_star, fill_sigma * at_star)
        nebula, mask = _without_stars(image, variance, model, flat, places.fwhm_px, tile_px, run)
        if turn == 0:
            _residual(image, nebula, mask, residual, tile_px, run)
    nebula = fill_holes(nebula, mask, tile_px=2 * tile_px, run=run)
    stars = image - nebula
    np.subtract(image, stars, out=nebula)
    return Layers(nebula=nebula, stars=stars, filled=mask.astype(bool), profile=profile)


class StarModel:
    """The stars of one filter as models: on any part of the picture the same light."""

    def __init__(
        self, places: StarPlaces, amplitudes: FloatArray, profile: FloatArray, least: FloatArray, bright: FloatArray
    ) -> None:
        self._places, self._amplitudes, self._profile = places, amplitudes, profile
        self._least, self._bright = least, bright
        self._core_px = 0.9 * places.fwhm_px
        self._reach = star_reach(amplitudes, profile, PER_PX, least)
        self._core_reach = np.maximum(self._core_px, star_reach(amplitudes, profile, PER_PX, bright))

    def _near(self, area: tuple[slice, slice], reach: FloatArray) -> npt.NDArray[np.int64]:
        """Stars that may shine into an area."""
        rows, columns = area
        x, y, far = self._places.x, self._places.y, reach + 2.0
        near = (y > rows.start - far) & (y < rows.stop + far) & (x > columns.start - far) & (x < columns.stop + far)
        return np.flatnonzero(near & (self._amplitudes > 0.0))

    def add(self, area: tuple[slice, slice], sign: float, out: Plane32) -> None:
        """Add sign x the models to `out`, which shows an area of the picture."""
        k = self._near(area, self._reach)
        add_stars(
            self._places.x[k] - area[1].start, self._places.y[k] - area[0].start, self._amplitudes[k], self._profile, PER_PX,
            self._least[k], sign, out,
        )  # fmt: skip

    def mark(self, area: tuple[slice, slice], mask: npt.NDArray[np.uint8]) -> None:
        """Set `mask` where cores are to be filled."""
        k = self._near(area, self._core_reach)
        mark_cores(
            self._places.x[k] - area[1].start, self._places.y[k] - area[0].start, self._amplitudes[k], self._profile, PER_PX,
            self._bright[k], self._core_px, mask,
        )  # fmt: skip


def _without_stars(
    image: Plane32,
    variance: Plane32,
    model: StarModel,
    flat: npt.NDArray[np.bool_],
    fwhm_px: float,
    tile_px: int,
    run: Run,
) -> tuple[Plane32, npt.NDArray[np.uint8]]:
    """The image less the models, and where it must be filled: cores, what is cut off flat, and pits.

    A pit is darker than its surroundings on a scale that no blurred light has, and has nothing bright of that kind beside it: a defect.
    """
    rest, mask = np.empty_like(image), np.zeros(image.shape, np.uint8)
    sharpness = np.float32(PIT_SHARPNESS * fine_share(fwhm_px))

    def one(tile: Tile) -> None:
        light = image[tile.outer].copy()
        model.add(tile.outer, -1.0, light)
        rest[tile.inner] = light[tile.within]
        here = flat[tile.outer].astype(np.uint8)
        model.mark(tile.outer, here)
        fine = smooth(light, 0)
        broad = fine - smooth(fine, 1)
        detail = light - fine
        power = variance[tile.outer]
        limit = np.float32(PIT_SIGMA**2)
        sharp = detail < sharpness * np.minimum(broad, np.float32(0.0))
        ys, xs = np.nonzero(sharp & (detail * np.abs(detail) < -limit * power))
        free = here[ys, xs] == 0
        ys, xs = ys[free], xs[free]
        alone = np.ones(ys.size, bool)
        for dy, dx in itertools.product(range(-PIT_APART_PX, PIT_APART_PX + 1), repeat=2):
            y, x = np.clip(ys + dy, 0, light.shape[0] - 1), np.clip(xs + dx, 0, light.shape[1] - 1)
            beside = detail[y, x] + broad[y, x]
            alone &= beside * np.abs(beside) <= limit * power[y, x]
        ys, xs = ys[alone], xs[alone]
        for dy in (-1, 0, 1):
            for dx in (-1, 0, 1):
                here[np.clip(ys + dy, 0, light.shape[0] - 1), np.clip(xs + dx, 0, light.shape[1] - 1)] = 1
        mask[tile.inner] = here[tile.within]

    for _ in run(one, tiles(image.shape, reach_px(2) + PIT_APART_PX + 1, tile_px)):
        pass
    return rest, mask


def fine_share(fwhm_px: float) -> float:
    """What light as sharp as a star has in the finest wavelet plane, over what it has in the second, at its middle."""
    y, x = np.mgrid[-24:25, -24:25]
    spot = np.exp(-4.0 * math.log(2.0) * (x**2 + y**2) / fwhm_px**2).astype(np.float32)
    fine = smooth(spot, 0)
    return float((spot - fine)[24, 24] / (fine - smooth(fine, 1))[24, 24])


def _residual(image: Plane32, rest: Plane32, mask: npt.NDArray[np.uint8], out: Plane32, tile_px: int, run: Run) -> None:
    """Into `out`, what the models leave of the image above the lightly smoothed nebula."""
    filled = fill_holes(rest, mask, tile_px=2 * tile_px, run=run)

    def one(tile: Tile) -> None:
        base = smooth(smooth(filled[tile.outer], 0), 1)
        out[tile.inner] = rest[tile.inner] - base[tile.within]

    for _ in run(one, tiles(image.shape, reach_px(2), tile_px)):
        pass


def _noise_at(variance: Plane32, places: StarPlaces) -> FloatArray:
    """Sigma of the nebula's pixels around each star: the variance under it holds the star's own photons."""
    noise = np.sqrt(np.maximum(variance[pixel(places.y, variance.shape[0]), pixel(places.x, variance.shape[1])], 1e-30))
    usual = 1.5 * math.sqrt(max(float(np.median(variance[::4, ::4])), 1e-30))
    return np.minimum(noise, usual).astype(np.float64)


def radial_profile(
    image: Plane32, above_sky: Plane32, places: StarPlaces, noise: FloatArray, top: float, uneven: float
) -> FloatArray:
    """Radial profile of the stars, 1 at the centre, `PER_PX` entries a pixel of radius, smoothly falling.

    The core is the median of bright unsaturated stars. The wings come from the brightest of all, each fitted to the core around
    its own, saturated or not, and counted by its light: the brighter a star, the less a nebula does to its wings. They are
    measured on the image itself, for a mesh fine enough for stars would take a halo for sky.
    """
    fwhm = places.fwhm_px
    reach = math.ceil(REACH_FWHM * fwhm)
    table = np.arange(0.0, reach + 1.0, 1.0 / PER_PX)
    height, width = above_sky.shape
    peak = above_sky[pixel(places.y, height), pixel(places.x, width)]
    order = np.argsort(-peak, kind="stable")
    inside = (places.x > 3) & (places.y > 3) & (places.x < width - 4) & (places.y < height - 4)
    order = order[inside[order]]
    sky = float(np.median(image[::4, ::4]) - np.median(above_sky[::4, ::4]))
    cores = [i for i in order if 30.0 * noise[i] < peak[i] < 0.7 * (top - sky)][:80] or list(order[:30])
    edges = np.arange(0.0, CORE_FWHM * fwhm, max(0.25, 0.15 * fwhm))
    rows, units = [], []
    for i in cores:
        r, light = _around(above_sky, float(places.x[i]), float(places.y[i]), CORE_FWHM * fwhm)
        unit = float(np.mean(light[r < 1.2 * fwhm]))
        if unit > 0:
            rows.append(_ring_medians(r, light, edges) / unit)
            units.append(unit)
    if not rows:
        return np.asarray(np.exp(-4.0 * math.log(2.0) * (table / fwhm) ** 2))
    r_core, core = _known(edges, np.array(rows), np.array(units))
    core = np.minimum.accumulate(np.maximum(core / core[0], 1e-7))
    edges = np.geomspace(WINGS_FROM_FWHM * fwhm, reach, WING_BINS)
    wing_r = np.sqrt(edges[1:] * edges[:-1])
    rows, units = [], []
    for i in order[:MOST_WINGS]:
        r, light = _around(image, float(places.x[i]), float(places.y[i]), reach)
        unsaturated = light < 0.9 * top
        r, light = r[unsaturated], light[unsaturated]
        near = (r < CORE_FWHM * fwhm) & (
            r > (1.2 * fwhm if math.isfinite(top) and peak[i] > 0.7 * (top - sky) else 0.0)
        )
        if near.sum() < 9:
            continue
        shape = np.exp(np.interp(r[near], r_core, np.log(core)))
        design = np.column_stack([shape, np.ones(shape.size)])
        unit = float(np.linalg.lstsq(design, light[near], rcond=None)[0][0])
        if unit > 0:
            rows.append(_ring_medians(r, light, edges))
            units.append(unit)
    r, v = r_core, core
    wings = (
        _power_laws(wing_r, np.array(rows), np.array(units), uneven=max(uneven, float(np.median(noise))))
        if rows
        else None
    )
    if wings is not None:
        split = WINGS_BELOW_FWHM * fwhm
        far = wing_r[wing_r > split]
        r, v = np.concatenate([r_core[r_core <= split], far]), np.concatenate([core[r_core <= split], wings(far)])
    v = np.minimum.accumulate(np.maximum(v, 1e-9))
    shape = np.exp(np.interp(table, r, np.log(v)))
    shape = shape / shape[0]
    # The last part of the reach fades to nothing, so that no edge is cut into the sky.
    shape *= np.clip((reach - table) / (0.3 * reach), 0.0, 1.0)
    return np.asarray(shape, np.float64)


def _power_laws(
    r: FloatArray, rings: FloatArray, units: FloatArray, *, uneven: float
) -> Callable[[FloatArray], FloatArray] | None:
    """The wings as a steep power law, and the aureole r^-2 (King 1971, PASP 83, 199) where it shows, from rings around stars.

    Parameters
    ----------
    r, rings, units : arrays, shape (m,), (n, m), (n,)
        Radii, the light of each star at them (NaN where not known), and the stars' brightness.
    uneven : float
        How much the nebula differs from place to place, in the unit of the rings.

    Notes
    -----
    Each star has a level of its own, the nebula. A nebula bends what single rings tell; two laws for all stars and radii follow
    it little, and the aureole is believed only if the misfit falls by `AUREOLE_SHOWS`. Robust least squares over a net of
    exponents; None where too little is known.
    """
    star, ring = np.nonzero(np.isfinite(rings))
    if star.size < 12:
        return None
    data, x = rings[star, ring], r[ring] / r[0]
    best: dict[int, tuple[float, float, FloatArray]] = {}
    for b, laws in itertools.product(np.arange(3.0, 8.01, 0.25), (1, 2)):
        columns = np.stack([x**-b, x**-2.0][:laws]) * units[star]
        scale = weight = np.ones(star.size)
        for _ in range(10):
            # Each star's own level drops out with the weighted means over its rings.
            total = np.maximum(np.bincount(star, weight), 1e-300)
            level = np.bincount(star, weight * data) / total
            means = np.stack([np.bincount(star, weight * c) / total for c in columns])
            above, free = data - level[star], columns - means[:, star]
            found = np.linalg.pinv((free * weight) @ free.T) @ ((free * weight) @ above)
            misfit = np.abs(above - found @ free)
            scale = np.hypot(uneven, 0.1 * (found @ columns))
            weight = 1.0 / (scale**2 * np.maximum(misfit / scale, 0.3))
        cost = float(np.sum(misfit / scale + np.log(scale)))
        if (found >= 0).all() and (laws not in best or cost < best[laws][0]):
            best[laws] = cost, float(b), np.asarray(found, np.float64)
    if not best:
        return None
    shows = 2 in best and (1 not in best or best[2][0] < best[1][0] - AUREOLE_SHOWS)
    _cost, b, heights = best[2 if shows else 1]
    steep, flat, start = float(heights[0]), float(heights[1]) if shows else 0.0, float(r[0])
    return lambda q: np.asarray(steep * (q / start) ** -b + flat * (q / start) ** -2.0)


def _around(image: Plane32, x: float, y: float, reach_px: float) -> tuple[FloatArray, FloatArray]:
    """Distances from (x, y) and values of the pixels within `reach_px`."""
    far = math.ceil(reach_px) + 1
    ys = slice(max(0, round(y) - far), min(image.shape[0], round(y) + far + 1))
    xs = slice(max(0, round(x) - far), min(image.shape[1], round(x) + far + 1))
    yy, xx = np.mgrid[ys, xs]
    r = np.hypot(xx - x, yy - y)
    near = r <= reach_px
    return r[near], image[ys, xs][near].astype(np.float64)


def _ring_medians(r: FloatArray, light: FloatArray, edges: FloatArray) -> FloatArray:
    """Median of the light between each two edges; NaN where there is none."""
    found = np.full(len(edges) - 1, np.nan)
    order = np.argsort(r, kind="stable")
    cuts = np.searchsorted(r[order], edges)
    for b, (low, high) in enumerate(itertools.pairwise(cuts)):
        if high > low:
            found[b] = np.median(light[order[low:high]])
    return found


def _known(edges: FloatArray, rows: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middles of the rings that any row knows, and their weighted medians."""
    known = np.isfinite(rows).any(axis=0)
    return (0.5 * (edges[1:] + edges[:-1]))[known], _weighted_medians(rows[:, known], weights)


def _weighted_medians(rows: FloatArray, weights: FloatArray) -> FloatArray:
    """Of each column the value that half of the weights lie below; NaN rows do not count."""
    out = np.zeros(rows.shape[1])
    for b in range(rows.shape[1]):
        have = np.isfinite(rows[:, b])
        order = np.argsort(rows[have, b], kind="stable")
        sums = np.cumsum(weights[have][order])
        out[b] = rows[have, b][order][np.searchsorted(sums, 0.5 * sums[-1])]
    return out


def _around_flat_tops(image: Plane32, top: float, fwhm_px: float) -> npt.NDArray[np.bool_]:
    """What is cut off flat, and three FWHM around it, where the model of a clump cannot be right."""
    if not math.isfinite(top):
        return np.zeros(image.shape, bool)
    flat = image >= top
    if not flat.any() or flat.mean() > MOST_FLAT:
        return np.zeros(image.shape, bool)
    near = np.zeros(image.shape, bool)
    reach = math.ceil(3.0 * fwhm_px)
    spots, count = ndimage.label(flat, structure=np.ones((3, 3)))
    for ys, xs in ndimage.find_objects(spots, count):
        around = (slice(max(0, ys.start - reach), ys.stop + reach), slice(max(0, xs.start - reach), xs.stop + reach))
        near[around] |= ndimage.distance_transform_edt(~flat[around]) <= reach
    return near
