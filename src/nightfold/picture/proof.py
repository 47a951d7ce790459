"""Strips that show what a step does: the picture before it on the left of a line, after it on the right."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError
from nightfold.picture.ready import cut_to
from nightfold.picture.records import Plane
from nightfold.picture.render import apply_recipe, without_gradient
from nightfold.picture.steps import (
    Gradient,
    Level,
    Mix,
    Recipe,
    Saturate,
    StarsApart,
    StarsBack,
    Stretch,
    Turn,
    TurnHues,
)

Picture = npt.NDArray[np.float32]
STRIP_SHARE = 0.5
"""Height of a strip as a share of the picture's; it is cut from the middle."""
DETAIL_PX = 1200
"""Width of a strip."""
DETAIL_SHAPE = 0.35
"""Height of a strip at full scale over its width."""


def before_and_after(before: Picture, after: Picture, *, share: float = STRIP_SHARE) -> Picture:
    """One strip: left half before, right half after, a light line between; float32 sRGB, (rows, width, 3)."""
    if before.shape != after.shape:
        raise PictureError("a proof needs pictures of one size", seen=f"{before.shape}", allowed=f"{after.shape}")
    height, width = after.shape[:2]
    rows = max(1, round(share * height))
    start = (height - rows) // 2
    strip = after[start : start + rows].copy()
    middle = width // 2
    strip[:, :middle] = before[start : start + rows, :middle]
    strip[:, middle : middle + max(1, width // 800)] = 0.8
    return strip


def proof_strips(
    recipe: Recipe, planes: Mapping[str, Plane], *, threads: int = 2, width_px: int = DETAIL_PX
) -> Iterator[tuple[str, Picture]]:
    """For each step that can be left out: its name, and a strip with the picture without it (left) and with it (right).

    Steps that are about the whole frame (gradient, turning hues, saturation) are shown on a preview of it; those about
    detail on the middle of it at full scale, because a preview hides them. The last turn is left out of both.
    """
    level = recipe.model_copy(update={"steps": [s for s in recipe.steps if not isinstance(s, Turn)]})
    detail_recipe, detail_planes = _middle(level, planes, width_px)
    seen: dict[str, int] = {}
    whole: Picture | None = None
    close: Picture | None = None
    for number, step in enumerate(level.steps):
        if isinstance(step, (Level, Stretch, Mix)) or (isinstance(step, StarsApart) and _has(level, StarsBack)):
            continue  # without these there is no picture
        seen[step.step] = seen.get(step.step, 0) + 1
        name = step.step if seen[step.step] == 1 else f"{step.step}-{seen[step.step]}"
        if isinstance(step, (Gradient, TurnHues, Saturate)):
            if whole is None:
                whole = apply_recipe(level, planes, preview_px=width_px, threads=threads)
            before = apply_recipe(_without(level, number), planes, preview_px=width_px, threads=threads)
            yield name, before_and_after(before, whole)
        else:
            if close is None:
                close = apply_recipe(detail_recipe, detail_planes, threads=threads)
            here = detail_recipe.steps.index(step)
            before = apply_recipe(_without(detail_recipe, here), detail_planes, threads=threads)
            yield name, before_and_after(before, close, share=1.0)


def _has(recipe: Recipe, kind: type) -> bool:
    return any(isinstance(s, kind) for s in recipe.steps)


def _without(recipe: Recipe, number: int) -> Recipe:
    return recipe.model_copy(update={"steps": [s for k, s in enumerate(recipe.steps) if k != number]})


def _middle(recipe: Recipe, planes: Mapping[str, Plane], width_px: int) -> tuple[Recipe, dict[str, Plane]]:
    """The recipe and its planes for the middle of the frame alone; the gradient is taken off before the cut."""
    x0, y0, x1, y1 = recipe.cut_box_px
    width, height = min(width_px, x1 - x0 + 1), min(max(1, round(DETAIL_SHAPE * width_px)), y1 - y0 + 1)
    left, low = (x1 - x0 + 1 - width) // 2, (y1 - y0 + 1 - height) // 2
    small: dict[str, Plane] = {}
    for name in recipe.masters:
        cut = cut_to(planes[name], recipe.cut_box_px)
        for step in recipe.steps:
            if isinstance(step, Gradient):
                cut = replace(cut, image=without_gradient(step, name, cut.image))
        small[name] = cut_to(cut, (left, low, left + width - 1, low + height - 1))
    steps = [s for s in recipe.steps if not isinstance(s, Gradient)]
    return recipe.model_copy(update={"steps": steps, "cut_box_px": (0, 0, width - 1, height - 1)}), small
