"""The recipe's steps as typed data, and the recipe as a TOML text.

A recipe is data. Nothing in it is ever executed, unknown keys and steps are refused, and every number has its range.
Lengths in pixels are those of the full master; a preview scales them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from nightfold.errors import PictureError
from nightfold.settings.toml import read_toml

Share = Annotated[float, Field(ge=0, le=1)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Strength = Annotated[float, Field(ge=0, le=20)]
Degrees = Annotated[float, Field(ge=-360, le=720)]


class _Step(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Gradient(_Step):
    """Take an uneven sky off each filter: coefficients of a polynomial over the cut box, electrons per second."""

    step: Literal["gradient"] = "gradient"
    degree: Annotated[int, Field(ge=1, le=3)] = 2
    surfaces: dict[str, list[Number]]


class StarsApart(_Step):
    """Split each filter into nebula and stars; later steps up to `stars-back` see the nebula alone."""

    step: Literal["stars-apart"] = "stars-apart"
    threshold_sigma: Annotated[float, Field(ge=3, le=100)] = 5.0
    fill_sigma: Annotated[float, Field(ge=0.5, le=50)] = 6.0


class Sharpen(_Step):
    """Richardson-Lucy with the profile of each filter's stars, full width at half maximum in pixels; stops by the noise."""

    step: Literal["sharpen"] = "sharpen"
    fwhm_px: dict[str, Annotated[float, Field(gt=0.5, le=50)]]
    strength: Share = 0.6
    most_rounds: Annotated[int, Field(ge=1, le=200)] = 30


class Noise(_Step):
    """Shrink noise: strengths in sigma for fine, middle and broad detail, and the sizes at which they meet.

    Sizes are arcseconds where the masters' scale is known, else pixels. `ratios` is the noise of each wavelet plane over
    white noise of the master's variance, as measured.
    """

    step: Literal["noise"] = "noise"
    fine: Strength = 2.2
    middle: Strength = 2.0
    broad: Strength = 1.5
    middle_from: Positive
    broad_from: Positive
    ratios: dict[str, list[Positive]]


class Level(_Step):
    """Take the sky off each filter and bring the filters' nebulae near each other; electrons per second.

    `scale_by` says what stands behind the gains: nothing ("gain": they are all there is), the noise of the masters at hand, or
    their photometric zero points, AB magnitudes of 1 electron/s; those listed here go before those of the masters.
    """

    step: Literal["level"] = "level"
    sky: dict[str, Number]
    gain: dict[str, Positive]
    scale_by: Literal["gain", "noise", "zero-points"] = "gain"
    zero_points: dict[str, Number] = {}


class Stretch(_Step):
    """Linear light into lightness: an asinh curve, or a monotone one through anchors (value, lightness).

    Values are electrons per second above the sky times the gain of `level`. One curve for all filters; `of_filter` has
    others.
    """

    step: Literal["stretch"] = "stretch"
    black: Number
    white: Number
    softness: Positive
    anchors: list[tuple[Number, Share]] = []
    of_filter: dict[str, tuple[Number, Number, Positive]] = {}


class Mix(_Step):
    """Filters into red, green and blue light: the share of each filter in the three channels."""

    step: Literal["mix"] = "mix"
    palette: str = ""
    rows: dict[str, tuple[Number, Number, Number]]
    lightness_from_all: Share = 0.0
    """How far the lightness comes from all filters alike, instead of from the mixed colours."""


class StarsBack(_Step):
    """Put the stars back. `gain` makes a white star of the filters' star light; `size` below 1 makes them slimmer.

    Their `colour` (0: neutral) comes from R, G and B masters, else from `listed` stars of a catalogue: pixel in the cut
    box, Gaia's G and BP - RP; `fwhm_px` says how far each may tint.
    """

    step: Literal["stars-back"] = "stars-back"
    gain: dict[str, Positive]
    white: Positive
    softness: Positive
    brightness: Annotated[float, Field(ge=0, le=4)] = 1.0
    size: Annotated[float, Field(ge=0.25, le=4)] = 1.0
    colour: Share = 0.0
    fwhm_px: Annotated[float, Field(gt=0.5, le=50)] = 3.0
    listed: Annotated[list[tuple[Number, Number, Number, Number]], Field(max_length=2000)] = []


class TurnHues(_Step):
    """A sector of hues turned towards another hue, degrees of OKLab; a `sector` by name goes before the two angles."""

    step: Literal["turn-hues"] = "turn-hues"
    sector: Literal["reds", "golds", "greens", "cyans", "blues", "magentas"] | None = None
    from_deg: Degrees = 95.0
    to_deg: Degrees = 145.0
    towards_deg: Degrees = 70.0
    strength: Share = 0.75
    feather_deg: Annotated[float, Field(gt=0, le=120)] = 55.0


class Saturate(_Step):
    """Chroma times a factor, bent so that it never passes `most`, fading below the lightness `grey_below`."""

    step: Literal["saturate"] = "saturate"
    factor: Annotated[float, Field(ge=0, le=4)] = 1.1
    most: Annotated[float, Field(gt=0.01, le=0.4)] = 0.18
    grey_below: Share = 0.28


class LocalContrast(_Step):
    """Detail of about `size_px` raised by `amount`."""

    step: Literal["local-contrast"] = "local-contrast"
    amount: Annotated[float, Field(ge=-1, le=2)] = 0.3
    size_px: Annotated[float, Field(ge=2, le=64)] = 16.0


class Turn(_Step):
    """Last of all: mirror, quarter turns and a free angle (counter-clockwise), scale, and a crop (inclusive box)."""

    step: Literal["turn"] = "turn"
    quarter_turns: Annotated[int, Field(ge=0, le=3)] = 0
    mirror: bool = False
    angle_deg: Annotated[float, Field(ge=-45, le=45)] = 0.0
    scale: Annotated[float, Field(ge=0.05, le=4)] = 1.0
    crop_px: tuple[int, int, int, int] | None = None


Step = Annotated[
    Gradient
    | StarsApart
    | Sharpen
    | Noise
    | Level
    | Stretch
    | Mix
    | StarsBack
    | TurnHues
    | Saturate
    | LocalContrast
    | Turn,
    Field(discriminator="step"),
]


class Recipe(BaseModel):
    """A whole recipe: the masters by hash, the box they are cut to, and the steps."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    version: Literal[1] = 1
    target: str
    panel: int | None = None  # of a mosaic
    masters: dict[str, str]  # filter to SHA-256
    cut_box_px: tuple[int, int, int, int]
    steps: list[Step]


_ADAPTER = TypeAdapter(Recipe)


def recipe_text(recipe: Recipe, comments: Sequence[str] = ()) -> str:
    """The recipe as a TOML file."""
    document = tomlkit.document()
    for comment in comments:
        document.add(tomlkit.comment(comment))
    for key, value in recipe.model_dump(mode="json", exclude_none=True).items():
        document.add(key, tomlkit.item(value))
    return tomlkit.dumps(document)


def parse_recipe(text: str, name: str = "the recipe") -> Recipe:
    """The recipe in a TOML text; a PictureError names every mistake."""
    try:
        return _ADAPTER.validate_python(read_toml(text))
    except tomllib.TOMLDecodeError as error:
        raise PictureError(f"{name} is not TOML: {error}", next_step="mend that line") from error
    except ValidationError as error:
        told = "; ".join(f"{'.'.join(str(p) for p in e['loc']) or 'the file'}: {e['msg']}" for e in error.errors()[:8])
        raise PictureError(f"{name} cannot be followed: {told}", next_step="mend these keys") from error


def load_recipe(path: Path) -> Recipe:
    """The recipe in a file."""
    try:
        return parse_recipe(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise PictureError(f"{path} cannot be read", seen=str(error), next_step="name a recipe file") from error
