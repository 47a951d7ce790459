"""The automatic recipe: every number of it measured on the masters, so that a good master looks right untouched."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from nightfold.picture.colour import oklab_planes
from nightfold.picture.finding import StarPlaces, ceiling, star_width
from nightfold.picture.gradient import fit_surface, surface_from_pixels
from nightfold.picture.noise import measured_noise
from nightfold.picture.palette import automatic_palette, balance_gains, palette_rows
from nightfold.picture.ready import Box, binned_means, check_sizes, cut_to, fill_gaps, with_true_noise
from nightfold.picture.records import Plane
from nightfold.picture.render import colour_band
from nightfold.picture.scaling import scale_factors
from nightfold.picture.stars import Layers, take_stars_apart
from nightfold.picture.steps import (
    Gradient,
    Level,
    Mix,
    Noise,
    Recipe,
    Saturate,
    Sharpen,
    StarsApart,
    StarsBack,
    Stretch,
    TurnHues,
)
from nightfold.picture.stretch import Levels, automatic_curve, measure_levels
from nightfold.picture.wavelets import smooth

Balance = Literal["signal", "noise", "zero-points"]
BROADBAND = {"L", "R", "G", "B"}
LEAST_TO_SHARPEN_PX = 2.0
"""FWHM below which pixels, not the air, limit the picture."""
CATALOGUE_COLOUR = 0.7
"""How strong catalogue colours are shown by themselves; fully they would outshine the nebula's."""
TYPICAL_CHROMA = 0.085
"""Of OKLab, of what a nebula shows typically: clear colour, short of garish. Our choice."""
LEAST_SATURATION, MOST_SATURATION = 1.1, 2.0
LIT = 0.45
"""Lightness from which a nebula counts as lit, for its colours."""
GRAIN_KEPT = 0.3
"""Share of the pixel noise that the default noise step leaves, as measured on simulated masters."""


def automatic_recipe(
    planes: Mapping[str, Plane],
    *,
    target: str,
    box: Box,
    palette: str | None = None,
    spread: float = 0.85,
    listed: Sequence[tuple[float, float, float, float]] = (),
    balance: Balance = "signal",
    threads: int = 2,
) -> Recipe:
    """A recipe whose numbers come from the masters.

    Parameters
    ----------
    planes : mapping of filter to Plane
        All of one size.
    box : tuple
        What is cut out, inclusive (x0, y0, x1, y1).
    palette : str, optional
        A named palette; one that suits the filters when not given.
    spread : float
        How far the filters are brought to equal strength, 0 to 1, with `balance` "signal".
    balance : str
        What the filters are brought to one scale by: their nebulae's "signal", their "noise", or photometric "zero-points", which
        keep the true ratios of flux.
    listed : sequence of (x, y, g, bp_rp), optional
        Catalogue stars in pixels of the box; they colour the stars of narrowband pictures.
    threads : int
        The result does not depend on it.
    """
    check_sizes(planes)
    if palette is None:
        name, rows = automatic_palette(list(planes))
    else:
        name, rows = palette.upper(), palette_rows(palette, list(planes))
    wanted = list(rows) + ([f for f in ("R", "G", "B") if f not in rows] if {"R", "G", "B"} <= set(planes) else [])
    cut = {f: fill_gaps(with_true_noise(cut_to(planes[f], box)))[0] for f in wanted}
    steps: list[Any] = []

    surfaces = {f: fit_surface(p.image, _noise(p), degree=2) for f, p in cut.items()}
    for f, surface in surfaces.items():
        # Where no sky is blank, the subs can still tell what comes and goes: the nebula does not.
        if not surface.separable and (moving := planes[f].moving_sky) is not None:
            surfaces[f] = surface_from_pixels(moving, box)
    found = {f: [_tidy(c) for c in s.coefficients] for f, s in surfaces.items() if s.separable}
    if found:
        steps.append(Gradient(degree=2, surfaces=found))
    flat = {f: p.image - surfaces[f].evaluate() if f in found else p.image for f, p in cut.items()}

    with ThreadPoolExecutor(max(1, threads)) as pool:
        places, layers = take_stars_apart({f: _with(p, flat[f]) for f, p in cut.items()}, run=pool.map)
    if len(places):
        steps.append(StarsApart())

    if len(places) and places.fwhm_px >= LEAST_TO_SHARPEN_PX:
        steps.append(Sharpen(fwhm_px={f: _tidy(_width(p, flat[f], places)) for f, p in cut.items() if f in rows}))
    scale = next(iter(cut.values())).scale_arcsec_px or 1.0
    ratios = {f: [_tidy(max(r, 1e-3)) for r in measured_noise(layers[f].nebula, cut[f].variance)] for f in rows}
    steps.append(Noise(middle_from=_tidy(3.5 * scale), broad_from=_tidy(10.0 * scale), ratios=ratios))

    levels = measure_levels({f: layers[f].nebula for f in rows}, {f: _noise(cut[f]) for f in rows})
    shown = [f for f in rows if f != "L"] or list(rows)
    gains = dict.fromkeys(rows, 1.0)
    if not set(shown) <= BROADBAND and balance == "signal":
        gains |= balance_gains({f: levels[f].nebula for f in shown}, {f: levels[f].noise for f in shown}, spread)
    level = Level(
        sky={f: _tidy(v.sky) for f, v in levels.items()},
        gain={f: _tidy(g) for f, g in gains.items()},
        scale_by="gain" if balance == "signal" else balance,
        zero_points={
            f: _tidy(z) for f in rows if balance == "zero-points" and (z := planes[f].zero_point_mag) is not None
        },
    )
    steps.append(level)
    factors = scale_factors(level, {f: cut[f].variance for f in rows}, {f: planes[f].zero_point_mag for f in rows})
    steps.append(_stretch(levels, {f: g * factors[f] for f, g in level.gain.items()}, shown, layers))
    narrow = not set(rows) <= BROADBAND
    steps.append(
        Mix(
            palette=name,
            rows=rows,
            lightness_from_all=0.5 if narrow and len(rows) > 1 else 1.0 if name == "LRGB" else 0.0,
        )
    )
    if narrow and len(shown) > 1:
        if any(f != "OIII" and shares[1] > 0 and not shares[0] and not shares[2] for f, shares in rows.items()):
            steps.append(TurnHues())  # green alone is the colour of few nebulae; only of [O III] the eye expects it
        linear = {f: (layers[f].nebula - level.sky[f]) * (level.gain[f] * factors[f]) for f in rows}
        factor = _saturation(steps, linear)
        # The more colour is raised, the farther above the sky it begins, or the sky's unevenness would show it.
        steps.append(Saturate(factor=factor, grey_below=_tidy(0.28 + 0.16 * (factor - LEAST_SATURATION))))
    if len(places):
        steps.append(_stars_back(layers, places, cut, wanted, narrow, listed))
    return Recipe(target=target, masters={f: planes[f].sha256 for f in wanted}, cut_box_px=box, steps=steps)


def _stretch(
    levels: Mapping[str, Levels], gain: Mapping[str, float], shown: Sequence[str], layers: Mapping[str, Layers]
) -> Stretch:
    """One curve for all filters, from the strongest of what each shows after its gain."""
    together = Levels(
        sky=0.0,
        noise=float(np.mean([levels[f].noise * gain[f] for f in shown])),
        typical=float(np.mean([levels[f].typical * gain[f] for f in shown])),
        nebula=float(np.mean([levels[f].nebula * gain[f] for f in shown])),
        bright=max(levels[f].bright * gain[f] for f in shown),
    )
    curve = automatic_curve(together, grain_noise=GRAIN_KEPT * together.noise)
    of_filter = {}
    if "L" in levels and "L" not in shown:
        # The light of all colours at once is several times that of one: it has a curve of its own.
        own = replace(levels["L"], sky=0.0)
        lum = automatic_curve(own, grain_noise=GRAIN_KEPT * own.noise)
        of_filter["L"] = (_tidy(lum.black), _tidy(lum.white), _tidy(lum.softness))
    return Stretch(
        black=_tidy(curve.black), white=_tidy(curve.white), softness=_tidy(curve.softness), of_filter=of_filter
    )


def _stars_back(
    layers: Mapping[str, Layers],
    places: StarPlaces,
    cut: Mapping[str, Plane],
    wanted: Sequence[str],
    narrow: bool,
    listed: Sequence[tuple[float, float, float, float]],
) -> StarsBack:
    """Gains that make the typical star white, and a curve from the faintest to the brightest of them."""
    shape = next(iter(cut.values())).image.shape
    y = np.clip(np.rint(places.y).astype(int), 0, shape[0] - 1)
    x = np.clip(np.rint(places.x).astype(int), 0, shape[1] - 1)
    colour = [f for f in ("R", "G", "B") if f in wanted]
    used = colour if len(colour) == 3 else list(wanted)
    # Peaks of smoothed layers: one noisy or cut-off pixel does not speak for a star.
    peaks = {f: smooth(layers[f].stars, 0)[y, x] for f in used}
    clear = np.ones(len(places), bool)
    for f in used:
        clear &= peaks[f] > 5.0 * _noise(cut[f])
    if clear.sum() < 3:
        clear[:] = True
    first = used[0]
    gain = {
        f: float(np.clip(np.median(peaks[first][clear] / np.maximum(peaks[f][clear], 1e-30)), 1e-3, 1e3)) for f in used
    }
    mean = np.mean([peaks[f] * gain[f] for f in used], axis=0)
    top = max(float(np.percentile(mean, 97.0)), 1e-12)
    noise = math.sqrt(sum((_noise(cut[f]) * gain[f]) ** 2 for f in used)) / len(used)
    softness = max(2.5 * noise, top / 250.0)
    by_catalogue = narrow and len(colour) < 3 and bool(listed)
    return StarsBack(
        gain={f: _tidy(g) for f, g in gain.items()},
        white=_tidy(max(top, 8.0 * softness)),
        softness=_tidy(softness),
        colour=1.0 if len(colour) == 3 else CATALOGUE_COLOUR if by_catalogue else 0.0,
        fwhm_px=_tidy(places.fwhm_px),
        listed=[(_tidy(x), _tidy(y), _tidy(g), _tidy(c)) for x, y, g, c in listed] if by_catalogue else [],
    )


def _saturation(steps: Sequence[Any], linear: Mapping[str, Any]) -> float:
    """The factor that brings the typical chroma of lit nebula to `TYPICAL_CHROMA`, on the colours of coarse pixels.

    Filters that are alike nearly everywhere mix to near grey; what they differ by is the colour there is.
    """
    size = max(1, round(min(next(iter(linear.values())).shape) / 250))
    coarse = {f: binned_means(np.asarray(p, np.float32), size) for f, p in linear.items()}
    whole = slice(0, next(iter(coarse.values())).shape[0])
    on_colours = [s for s in steps if isinstance(s, Stretch | Mix | TurnHues)]
    lightness, a, b = oklab_planes(*colour_band(on_colours, coarse, {}, size, {}, whole))
    lit = lightness > LIT
    if lit.sum() < 20:
        return LEAST_SATURATION
    chroma = float(np.median(np.hypot(a, b)[lit]))
    return _tidy(float(np.clip(TYPICAL_CHROMA / max(chroma, 1e-6), LEAST_SATURATION, MOST_SATURATION)))


def _width(plane: Plane, image: Any, places: StarPlaces) -> float:
    """FWHM of a filter's own stars, where enough of them are clear; else that of all filters together."""
    noise = np.float32(max(_noise(plane), 1e-30))
    own = star_width(image / noise, image >= ceiling(image))
    return own if math.isfinite(own) and 0.6 < own / places.fwhm_px < 1.7 else places.fwhm_px


def _with(plane: Plane, image: Any) -> Plane:
    return Plane(filter=plane.filter, image=image, variance=plane.variance)


def _noise(plane: Plane) -> float:
    return float(np.sqrt(np.median(plane.variance)))


def _tidy(value: float) -> float:
    """Seven significant digits: what a float32 holds, and the same text on every machine."""
    return float(f"{value:.7g}")
