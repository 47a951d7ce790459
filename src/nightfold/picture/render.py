"""A recipe applied: linear planes in, sRGB picture out; planes in tiles, colours in bands of rows.

Steps on linear planes run tile by tile, colour steps on bands of rows, each with the apron that its step needs, so a picture of
any size takes little memory and neither tile nor band shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError
from nightfold.picture.colour import encode_srgb, into_gamut, linear_planes, oklab_planes
from nightfold.picture.finish import SECTORS, contrast_apron_px, lightness_towards, local_contrast, saturate, turn_hues
from nightfold.picture.gradient import Surface, terms
from nightfold.picture.noise import LEVELS, NoiseEffect, noise_effect, shrink_noise
from nightfold.picture.palette import mix_planes
from nightfold.picture.ready import binned, check_sizes, cut_to, fill_gaps, preview_factor, with_true_noise
from nightfold.picture.records import Plane
from nightfold.picture.scaling import scale_factors
from nightfold.picture.sharpen import sharpen
from nightfold.picture.starlight import tint_planes
from nightfold.picture.stars import take_stars_apart
from nightfold.picture.steps import (
    Gradient,
    Level,
    LocalContrast,
    Mix,
    Noise,
    Recipe,
    Saturate,
    Sharpen,
    StarsApart,
    StarsBack,
    Stretch,
    Turn,
    TurnHues,
)
from nightfold.picture.stretch import AsinhCurve, MonotoneCurve
from nightfold.picture.tiles import Run
from nightfold.picture.turning import turned
from nightfold.picture.wavelets import smooth

Plane32 = npt.NDArray[np.float32]
Picture = npt.NDArray[np.float32]
BAND_ROWS = 256
EFFECT_PX = 512
STAR_COLOUR_APRON_PX = 8
"""Two smoothings of B3 splines of levels 0 and 1 reach 2 + 4 pixels."""
_ON_PLANES = (Gradient, StarsApart, Sharpen, Noise, Level)


@dataclass(slots=True)
class _Linear:
    """What the steps on linear planes have made so far."""

    nebula: dict[str, Plane32]
    variance: dict[str, Plane32]
    stars: dict[str, Plane32] = field(default_factory=dict)
    factor: int = 1
    scale_arcsec_px: float | None = None
    zero_points: dict[str, float | None] = field(default_factory=dict)
    on_card: bool = False


def apply_recipe(
    recipe: Recipe,
    planes: Mapping[str, Plane],
    *,
    preview_px: int | None = None,
    threads: int = 2,
    on_card: bool = False,
) -> Picture:
    """The picture: sRGB values 0 to 1, float32, shape (height, width, 3), first row at the bottom as in masters.

    Parameters
    ----------
    planes : mapping of filter to Plane
        Full masters; NaN where nothing covers. What no filter covers is shown like its surroundings.
    preview_px : int, optional
        Bin the masters so that the long side is at most so many pixels, and leave sharpening out.
    threads : int
        The result does not depend on it.
    on_card : bool
        Sharpen on a graphics card; the linear planes are then the same within 1e-5.
    """
    ready = _ready(recipe, planes, preview_px)
    ready.on_card = on_card
    with ThreadPoolExecutor(max(1, threads)) as pool:
        on_planes, on_colours, turn = _in_order(recipe)
        if preview_px is not None:  # sharpening is for the full size; a preview is there to be quick
            on_planes = [s for s in on_planes if not isinstance(s, Sharpen)]
        for step in on_planes:
            _work_on_planes(step, ready, pool)
        picture = _colours(on_colours, ready, pool)
    return turned(picture, _at_scale(turn, ready.factor)) if turn is not None else picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """What colours are made from, at preview size: planes before `level`, and the light of the stars.

    `stars` is the filters' mean star light after the gains of `stars-back`; `tints` are its red, green and blue factors at
    full colour. Each is None where the recipe has none. `factor` is the binning. `scale` is what the level step scales each filter
    by beside its gain; planes and variance are scaled by it already.
    """

    nebula: dict[str, Plane32]
    variance: dict[str, Plane32]
    stars: Plane32 | None
    tints: tuple[Plane32, Plane32, Plane32] | None
    factor: int
    scale: dict[str, float] = field(default_factory=dict)


def colour_layers(recipe: Recipe, planes: Mapping[str, Plane], *, preview_px: int, threads: int = 2) -> Layers:
    """The layers of a preview as `apply_recipe` makes them, for a picture that is mixed elsewhere by the same formulas."""
    ready = _ready(recipe, planes, preview_px)
    on_planes, on_colours, _turn = _in_order(recipe)
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for step in on_planes:
            if not isinstance(step, Sharpen | Level):
                _work_on_planes(step, ready, pool)
    level = next((s for s in on_planes if isinstance(s, Level)), None)
    scale = scale_factors(level, ready.variance, ready.zero_points) if level is not None else {}
    for name, times in scale.items():
        if times != 1.0 and name in ready.nebula:
            ready.nebula[name] = ready.nebula[name] * np.float32(times)
            ready.variance[name] = ready.variance[name] * np.float32(times**2)
    back = next((s for s in on_colours if isinstance(s, StarsBack)), None)
    stars, tints = None, None
    if back is not None and ready.stars:
        shape = next(iter(ready.nebula.values())).shape
        full = back.model_copy(update={"colour": 1.0})
        light = _star_light(full, (shape[0], shape[1]), ready.factor)
        stars, tints = _star_parts(full, light, ready.stars, slice(0, shape[0]))
    return Layers(
        nebula=ready.nebula, variance=ready.variance, stars=stars, tints=tints, factor=ready.factor, scale=scale
    )


def _ready(recipe: Recipe, planes: Mapping[str, Plane], preview_px: int | None) -> _Linear:
    missing = [f for f in recipe.masters if f not in planes]
    if missing:
        raise PictureError(
            "the recipe needs masters that are not here",
            seen=f"masters of {', '.join(planes) or 'nothing'}",
            allowed=", ".join(recipe.masters),
            next_step=f"fold {', '.join(missing)}",
        )
    mine = {f: planes[f] for f in recipe.masters}
    check_sizes(mine)
    cut = {f: with_true_noise(cut_to(p, recipe.cut_box_px)) for f, p in mine.items()}
    factor = 1 if preview_px is None else preview_factor(next(iter(cut.values())).image.shape, preview_px)
    small = {f: fill_gaps(binned(p, factor))[0] for f, p in cut.items()}
    scale = next(iter(cut.values())).scale_arcsec_px
    return _Linear(
        nebula={f: p.image for f, p in small.items()},
        variance={f: p.variance for f, p in small.items()},
        factor=factor,
        scale_arcsec_px=scale,
        zero_points={f: p.zero_point_mag for f, p in mine.items()},
    )


def _in_order(recipe: Recipe) -> tuple[list[Any], list[Any], Turn | None]:
    """The steps on planes, those on colours (stretch and mix first), and the last turn; checked for their order."""
    on_planes = [s for s in recipe.steps if isinstance(s, _ON_PLANES)]
    rest = [s for s in recipe.steps if not isinstance(s, _ON_PLANES)]
    turn = rest[-1] if rest and isinstance(rest[-1], Turn) else None
    on_colours = rest[:-1] if turn is not None else rest
    if [s.step for s in on_colours[:2]] != ["stretch", "mix"] or list(recipe.steps[: len(on_planes)]) != on_planes:
        raise PictureError(
            "the recipe's steps are out of order",
            seen=", ".join(s.step for s in recipe.steps),
            allowed="gradient, stars-apart, sharpen, noise, level first; then stretch, mix; then colours; turn last",
        )
    twice = [s.step for s in on_colours[2:] if isinstance(s, (Stretch, Mix, Turn))]
    if twice:
        raise PictureError("a step stands where it cannot", seen=twice[0], allowed="one stretch, one mix, turn last")
    return on_planes, on_colours, turn


def _work_on_planes(step: Any, ready: _Linear, pool: ThreadPoolExecutor) -> None:
    """One step on all filters, changing `ready`."""
    if isinstance(step, StarsApart):
        planes = {f: Plane(filter=f, image=image, variance=ready.variance[f]) for f, image in ready.nebula.items()}
        _places, parts = take_stars_apart(
            planes, threshold_sigma=step.threshold_sigma, fill_sigma=step.fill_sigma, run=pool.map
        )
        ready.nebula = {f: part.nebula for f, part in parts.items()}
        ready.stars = {f: part.stars for f, part in parts.items()}
        return
    if isinstance(step, Sharpen | Noise):
        # The tiles of one filter side by side, filter after filter: so only one filter's scratch planes are held.
        for name in ready.nebula:
            ready.nebula[name] = _one_plane(step, name, ready, pool.map)
        return
    if isinstance(step, Level):
        for name, scale in scale_factors(step, ready.variance, ready.zero_points).items():
            if name in ready.nebula:
                gain = np.float32(step.gain.get(name, 1.0) * scale)
                ready.nebula[name] = (ready.nebula[name] - np.float32(step.sky[name])) * gain
        return
    made = pool.map(lambda f: _one_plane(step, f, ready), ready.nebula)
    ready.nebula = dict(zip(ready.nebula, made))


def _one_plane(step: Any, name: str, ready: _Linear, run: Run = map) -> Plane32:
    image = ready.nebula[name]
    if isinstance(step, Gradient):
        return without_gradient(step, name, image)
    if isinstance(step, Sharpen):
        fwhm = step.fwhm_px.get(name)
        if fwhm is None or fwhm / ready.factor < 1.2:
            return image
        return sharpen(
            image,
            ready.variance[name],
            fwhm_px=fwhm / ready.factor,
            strength=step.strength,
            most_rounds=step.most_rounds,
            on_card=ready.on_card,
            run=run,
        )
    assert isinstance(step, Noise)
    if name not in step.ratios:
        return image
    strengths, ratios = noise_of_planes(step, step.ratios[name], ready.factor, ready.scale_arcsec_px or 1.0)
    return shrink_noise(image, ready.variance[name], strengths=strengths, ratios=ratios, run=run)


def without_gradient(step: Gradient, name: str, image: Plane32) -> Plane32:
    """A filter's plane, cut to the recipe's box, without the surface that the step names for it."""
    coefficients = step.surfaces.get(name)
    if coefficients is None:
        return image
    if len(coefficients) != len(terms(step.degree)):
        raise PictureError(
            f"the surface of {name} has the wrong number of coefficients",
            seen=f"{len(coefficients)}",
            allowed=f"{len(terms(step.degree))} for degree {step.degree}",
        )
    surface = Surface(
        shape=(image.shape[0], image.shape[1]), degree=step.degree, coefficients=tuple(coefficients), separable=True,
        blank_share=1.0,
    )  # fmt: skip
    return image - surface.evaluate()


def noise_of_planes(
    step: Noise, ratios: Sequence[float], factor: int, scale_arcsec_px: float
) -> tuple[list[float], list[float]]:
    """Strength and noise ratio of each wavelet plane of a picture binned by `factor`."""
    strengths, mine = [], []
    shift = round(math.log2(factor))
    for level in range(LEVELS):
        size = 2.0**level * 1.5 * factor * scale_arcsec_px
        strengths.append(
            step.broad if size >= step.broad_from else step.middle if size >= step.middle_from else step.fine
        )
        mine.append(ratios[min(level + shift, len(ratios) - 1)])
    return strengths, mine


def _colours(steps: Sequence[Any], ready: _Linear, pool: ThreadPoolExecutor) -> Picture:
    """The colour steps over bands of rows."""
    height, width = next(iter(ready.nebula.values())).shape
    apron = sum(contrast_apron_px(max(2.0, s.size_px / ready.factor)) for s in steps if isinstance(s, LocalContrast))
    apron += sum(STAR_COLOUR_APRON_PX for s in steps if isinstance(s, StarsBack))
    picture = np.empty((height, width, 3), np.float32)
    shine = {id(s): _star_light(s, (height, width), ready.factor) for s in steps if isinstance(s, StarsBack)}

    def band(start: int) -> None:
        stop = min(height, start + BAND_ROWS)
        low, high = max(0, start - apron), min(height, stop + apron)
        planes = {f: p[low:high] for f, p in ready.nebula.items()}
        stars = {f: p[low:high] for f, p in ready.stars.items()}
        red, green, blue = colour_band(steps, planes, stars, ready.factor, shine, slice(low, high))
        inner = slice(start - low, stop - low)
        for channel, plane in enumerate((red, green, blue)):
            picture[start:stop, :, channel] = encode_srgb(plane[inner])

    list(pool.map(band, range(0, height, BAND_ROWS)))
    return picture


def colour_band(
    steps: Sequence[Any],
    planes: Mapping[str, Plane32],
    stars: Mapping[str, Plane32],
    factor: int,
    shine: Mapping[int, _StarLight],
    rows: slice,
) -> tuple[Any, Any, Any]:
    """Linear light of a band of rows after the colour steps."""
    stretch, mixing = steps[0], steps[1]
    light = {f: _lightness(stretch, f, p) ** 3 for f, p in planes.items() if f in mixing.rows}
    red, green, blue = mix_planes(light, mixing.rows)
    colour_rows = [f for f, shares in mixing.rows.items() if any(shares)]
    lab: Any = None
    if mixing.lightness_from_all > 0 and len(mixing.rows) > 1:
        lab = oklab_planes(red, green, blue)
        sources = ["L"] if "L" in mixing.rows else colour_rows
        # Half the mean and half the strongest: light in one filter alone is light, too.
        strongest = np.maximum.reduce([light[f] for f in sources])
        wanted = np.cbrt(np.float32(0.5) * (sum(light[f] for f in sources) / np.float32(len(sources)) + strongest))
        lab = lightness_towards(lab, wanted, mixing.lightness_from_all)
    for step in steps[2:]:
        if isinstance(step, StarsBack):
            if lab is not None:
                red, green, blue = into_gamut(*linear_planes(*lab))
                lab = None
            red, green, blue = _with_stars(step, shine[id(step)], stars, rows, (red, green, blue))
            continue
        if lab is None:
            lab = oklab_planes(red, green, blue)
        if isinstance(step, TurnHues):
            low, high = SECTORS[step.sector] if step.sector is not None else (step.from_deg, step.to_deg)
            lab = turn_hues(
                lab, from_deg=low, to_deg=high, towards_deg=step.towards_deg, strength=step.strength,
                feather_deg=step.feather_deg,
            )  # fmt: skip
        elif isinstance(step, Saturate):
            lab = saturate(lab, factor=step.factor, most=step.most, grey_below=step.grey_below)
        else:
            assert isinstance(step, LocalContrast)
            raised = local_contrast(
                np.ascontiguousarray(lab[0], np.float32), amount=step.amount, size_px=max(2.0, step.size_px / factor)
            )
            lab = (raised, lab[1], lab[2])
    if lab is not None:
        red, green, blue = into_gamut(*linear_planes(*lab))
    return red, green, blue


def _lightness(step: Stretch, name: str, plane: Plane32) -> Plane32:
    if name in step.of_filter:
        black, white, softness = step.of_filter[name]
    else:
        black, white, softness = step.black, step.white, step.softness
        if step.anchors:
            return MonotoneCurve(
                values=tuple(v for v, _ in step.anchors), lightness=tuple(w for _, w in step.anchors), softness=softness
            )(plane)
    if white <= black:
        raise PictureError(
            "the stretch has white below black", seen=f"{white:g} and {black:g}", allowed="white above black"
        )
    return AsinhCurve(black=black, white=white, softness=softness)(plane)


@dataclass(frozen=True, slots=True)
class _StarLight:
    """How star light is shown: its curve, and where a catalogue colours it the factors of the three channels."""

    curve: Callable[[Plane32], Plane32]
    tints: tuple[Plane32, Plane32, Plane32] | None


def _star_light(step: StarsBack, shape: tuple[int, int], factor: int) -> _StarLight:
    """Lightness of star light; `size` below 1 bends the flanks down and leaves the peaks."""
    curve = AsinhCurve(black=0.0, white=step.white, softness=step.softness)
    power = np.float32(1.0 / step.size)
    tints = None
    if step.listed and step.colour > 0 and not set("RGB") <= set(step.gain):
        # The middle of a binned pixel lies between those it is made of.
        listed = [((x + 0.5) / factor - 0.5, (y + 0.5) / factor - 0.5, g, c) for x, y, g, c in step.listed]
        tints = tint_planes(listed, shape, fwhm_px=max(1.0, step.fwhm_px / factor), strength=step.colour)
    return _StarLight(lambda light: curve(light) ** power if power != 1 else curve(light), tints)


def _with_stars(
    step: StarsBack, light: _StarLight, stars: Mapping[str, Plane32], rows: slice, under: tuple[Any, Any, Any]
) -> tuple[Any, Any, Any]:
    """Star light laid over the picture as two lights on one screen: 1 - (1 - a)(1 - b)."""
    if not any(f in stars for f in step.gain) or step.brightness == 0:
        return under
    mean, tints = _star_parts(step, light, stars, rows)
    shown = np.minimum(light.curve(mean) ** 3 * np.float32(step.brightness), np.float32(1.0))
    laid: list[Any] = [shown, shown, shown]
    if tints is not None:
        laid = [np.minimum(shown * tint, np.float32(1.0)) for tint in tints]
    red, green, blue = (1.0 - (1.0 - p) * (1.0 - t) for p, t in zip(under, laid))
    return red, green, blue


def _star_parts(
    step: StarsBack, light: _StarLight, stars: Mapping[str, Plane32], rows: slice
) -> tuple[Plane32, tuple[Plane32, Plane32, Plane32] | None]:
    """The filters' mean star light after their gains, and what colours it: from the catalogue, else from R, G and B."""
    used = [f for f in step.gain if f in stars]
    lit = {f: np.maximum(stars[f], np.float32(0.0)) * np.float32(step.gain[f]) for f in used}
    mean = np.asarray(sum(lit.values()) / np.float32(len(used)), np.float32)
    if light.tints is not None:
        red, green, blue = (tint[rows] for tint in light.tints)
        return mean, (red, green, blue)
    if step.colour > 0 and all(c in lit for c in "RGB"):
        # Colours change slowly over a star; smoothing keeps filters of unequal sharpness from making coloured rims.
        soft = {c: smooth(smooth(lit[c], 0), 1) for c in "RGB"}
        base = np.maximum((soft["R"] + soft["G"] + soft["B"]) / np.float32(3.0), np.float32(1e-20))
        red, green, blue = (
            np.asarray(1.0 + np.float32(step.colour) * (np.clip(soft[c] / base, 0.3, 2.0) - 1.0), np.float32)
            for c in "RGB"
        )
        return mean, (red, green, blue)
    return mean, None


def _at_scale(step: Turn, factor: int) -> Turn:
    """The turn of a picture binned by `factor`: its crop counts in full pixels."""
    if factor == 1 or step.crop_px is None:
        return step
    x0, y0, x1, y1 = step.crop_px
    box = (x0 // factor, y0 // factor, (x1 + 1) // factor - 1, (y1 + 1) // factor - 1)
    return step.model_copy(update={"crop_px": box})


def noise_effects(recipe: Recipe, planes: Mapping[str, Plane]) -> dict[str, NoiseEffect]:
    """What the recipe's noise step does to each filter, measured in the middle of the frame; empty without such a step."""
    step = next((s for s in recipe.steps if isinstance(s, Noise)), None)
    stars = next((s for s in recipe.steps if isinstance(s, StarsBack)), None)
    found: dict[str, NoiseEffect] = {}
    if step is None:
        return found
    for name in step.ratios:
        cut = with_true_noise(cut_to(planes[name], recipe.cut_box_px))
        height, width = cut.image.shape
        y0, x0 = max(0, (height - EFFECT_PX) // 2), max(0, (width - EFFECT_PX) // 2)
        box = (x0, y0, min(width, x0 + EFFECT_PX) - 1, min(height, y0 + EFFECT_PX) - 1)
        middle = cut_to(cut, box)
        if not np.isfinite(middle.image).any():
            continue
        small = fill_gaps(middle)[0]
        strengths, ratios = noise_of_planes(step, step.ratios[name], 1, cut.scale_arcsec_px or 1.0)
        found[name] = noise_effect(
            small.image, small.variance, strengths=strengths, ratios=ratios, fwhm_px=stars.fwhm_px if stars else 3.0
        )
    return found
