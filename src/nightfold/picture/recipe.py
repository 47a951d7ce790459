"""The recipe: ordered, typed steps from masters to picture, kept as a TOML file that replays to the same pixels.

A recipe is data. Nothing in it is ever executed, unknown keys and steps are refused, and every number has its range.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
import tomlkit
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from nightfold.errors import PictureError
from nightfold.picture.finish import neutral_stars, saturate, turn_hues
from nightfold.picture.palette import automatic_palette, balance_gains, mix, palette_rows
from nightfold.picture.records import Plane
from nightfold.picture.stretch import AsinhCurve, automatic_curve, measure_levels

Share = Annotated[float, Field(ge=0, le=1)]
Number = Annotated[float, Field(allow_inf_nan=False)]


class _Step(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Level(_Step):
    """Take the sky off each filter and bring the filters' nebulae near each other; numbers per filter, electrons per second."""

    step: Literal["level"] = "level"
    sky: dict[str, Number]
    gain: dict[str, Annotated[float, Field(gt=0, allow_inf_nan=False)]]


class Mix(_Step):
    """Filters into red, green and blue: the share of each filter in the three channels."""

    step: Literal["mix"] = "mix"
    palette: str = ""
    rows: dict[str, tuple[Number, Number, Number]]


class Stretch(_Step):
    """The asinh curve over electrons per second above the sky, the same for all channels."""

    step: Literal["stretch"] = "stretch"
    black: Number
    white: Number
    softness: Annotated[float, Field(gt=0, allow_inf_nan=False)]


class TurnHues(_Step):
    """A sector of hues turned towards another hue, degrees of OKLab."""

    step: Literal["turn-hues"] = "turn-hues"
    from_deg: Annotated[float, Field(ge=0, le=360)] = 100.0
    to_deg: Annotated[float, Field(ge=0, le=360)] = 170.0
    towards_deg: Annotated[float, Field(ge=0, le=360)] = 85.0
    strength: Share = 0.7


class NeutralStars(_Step):
    """Stars brought towards grey."""

    step: Literal["neutral-stars"] = "neutral-stars"
    strength: Share = 0.8
    radius_px: Annotated[float, Field(gt=0, le=50)] = 4.0


class Saturate(_Step):
    """Chroma times a factor."""

    step: Literal["saturate"] = "saturate"
    factor: Annotated[float, Field(ge=0, le=4)] = 1.2


Step = Annotated[Level | Mix | Stretch | TurnHues | NeutralStars | Saturate, Field(discriminator="step")]


class Recipe(BaseModel):
    """A whole recipe: the masters by hash, the box they are cut to, and the steps."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    version: Literal[1] = 1
    target: str
    masters: dict[str, str]  # filter to SHA-256
    cut_box_px: tuple[int, int, int, int]
    steps: list[Step]


_ADAPTER = TypeAdapter(Recipe)


def automatic_recipe(
    planes: Mapping[str, Plane],
    *,
    target: str,
    box: tuple[int, int, int, int],
    palette: str | None = None,
    spread: float = 0.85,
    star_radius_px: float = 4.0,
) -> Recipe:
    """A recipe whose numbers come from the masters: levels, balance, palette, stretch and gentle repairs.

    Parameters
    ----------
    planes : mapping of filter to Plane
        All of one size.
    palette : str, optional
        A named palette; one that suits the filters when not given.
    spread : float
        How far the filters are brought to equal strength, 0 to 1.
    """
    if palette is None:
        name, rows = automatic_palette(list(planes))
    else:
        name, rows = palette.upper(), palette_rows(palette, list(planes))
    cut = {f: cut_to(planes[f].image, box) for f in rows}
    levels = {f: measure_levels(image) for f, image in cut.items()}
    gains = balance_gains({f: v.nebula for f, v in levels.items()}, {f: v.noise for f, v in levels.items()}, spread)
    level = Level(sky={f: _tidy(v.sky) for f, v in levels.items()}, gain={f: _tidy(g) for f, g in gains.items()})
    rgb = mix({f: (image - np.float32(level.sky[f])) * np.float32(level.gain[f]) for f, image in cut.items()}, rows)
    # The curve is the luminous channel mean's: what the eye takes for the picture's brightness.
    curve = automatic_curve(measure_levels(rgb.mean(axis=-1)))
    steps: list[Any] = [
        level,
        Mix(palette=name, rows=rows),
        Stretch(black=_tidy(curve.black), white=_tidy(curve.white), softness=_tidy(curve.softness)),
    ]
    if len(rows) > 1:
        if name == "SHO":
            steps.append(TurnHues())
        if name != "RGB":
            steps.append(NeutralStars(radius_px=max(2.0, round(star_radius_px, 1))))
        steps.append(Saturate())
    return Recipe(target=target, masters={f: planes[f].sha256 for f in rows}, cut_box_px=box, steps=steps)


def cut_to(image: npt.NDArray[np.float32], box: tuple[int, int, int, int]) -> npt.NDArray[np.float32]:
    """The part of an image inside an inclusive box (x0, y0, x1, y1)."""
    x0, y0, x1, y1 = box
    return image[y0 : y1 + 1, x0 : x1 + 1]


def apply_recipe(recipe: Recipe, planes: Mapping[str, Plane]) -> npt.NDArray[np.float32]:
    """The picture: sRGB values 0 to 1, float32, shape (height, width, 3). Pixels that no sub covers are black sky."""
    missing = [f for f in recipe.masters if f not in planes]
    if missing:
        raise PictureError(
            "the recipe needs masters that are not here",
            seen=f"masters of {', '.join(planes) or 'nothing'}",
            allowed=", ".join(recipe.masters),
            next_step=f"fold {', '.join(missing)}",
        )
    x0, y0, x1, y1 = recipe.cut_box_px
    for name in recipe.masters:
        h, w = planes[name].image.shape
        if not (0 <= x0 <= x1 < w and 0 <= y0 <= y1 < h):
            raise PictureError(
                "the recipe's box does not lie inside the masters",
                seen=f"{recipe.cut_box_px}",
                allowed=f"0, 0 to {w - 1}, {h - 1}",
            )
    linear = {f: np.array(cut_to(planes[f].image, recipe.cut_box_px), np.float32) for f in recipe.masters}
    picture: npt.NDArray[np.float32] | None = None
    for step in recipe.steps:
        if isinstance(step, Level):
            for name in linear:
                linear[name] = (linear[name] - np.float32(step.sky.get(name, 0.0))) * np.float32(
                    step.gain.get(name, 1.0)
                )
                linear[name] = np.nan_to_num(linear[name], nan=0.0)
            continue
        if isinstance(step, Mix):
            unknown = [f for f in step.rows if f not in linear]
            if unknown:
                raise PictureError(
                    "the mix names filters that the recipe has no master of",
                    seen=", ".join(unknown),
                    allowed=", ".join(linear),
                )
            picture = mix(linear, step.rows)
            continue
        if picture is None:
            raise PictureError(
                "a step works on colours before the filters are mixed", seen=step.step, allowed="a mix first"
            )
        picture = _on_colours(step, picture)
    if picture is None:
        raise PictureError("the recipe never mixes its filters", allowed='a step = "mix"')
    return np.clip(picture, np.float32(0.0), np.float32(1.0))


def _on_colours(step: Any, picture: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    if isinstance(step, Stretch):
        if step.white <= step.black:
            raise PictureError(
                "the stretch has white below black",
                seen=f"{step.white:g} and {step.black:g}",
                allowed="white above black",
            )
        return AsinhCurve(black=step.black, white=step.white, softness=step.softness)(picture)
    if isinstance(step, TurnHues):
        return turn_hues(
            picture, from_deg=step.from_deg, to_deg=step.to_deg, towards_deg=step.towards_deg, strength=step.strength
        )
    if isinstance(step, NeutralStars):
        return neutral_stars(picture, strength=step.strength, radius_px=step.radius_px)
    assert isinstance(step, Saturate)
    return saturate(picture, step.factor)


def recipe_text(recipe: Recipe, comments: Sequence[str] = ()) -> str:
    """The recipe as a TOML file."""
    document = tomlkit.document()
    for comment in comments:
        document.add(tomlkit.comment(comment))
    for key, value in recipe.model_dump(mode="json").items():
        document.add(key, tomlkit.item(value))
    return tomlkit.dumps(document)


def parse_recipe(text: str, name: str = "the recipe") -> Recipe:
    """The recipe in a TOML text; a PictureError names every mistake."""
    try:
        return _ADAPTER.validate_python(tomllib.loads(text))
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


def _tidy(value: float) -> float:
    """Seven significant digits: what a float32 holds, and the same text on every machine."""
    return float(f"{value:.7g}")
