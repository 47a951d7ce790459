"""A picture mixed live elsewhere: its layers as floats, and everything that the colour formulas need beside them.

What is shown while a slider moves follows the formulas of `nightfold.picture.render` on these layers, to 1/255 a channel;
the exact picture still comes from there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.frames.pyramid import HALF_TOP
from nightfold.picture.colour import LMS_TO_LAB, RGB_TO_LMS
from nightfold.picture.finish import SECTORS
from nightfold.picture.palette import PALETTES, balance_gains
from nightfold.picture.records import Plane
from nightfold.picture.render import Layers, colour_layers
from nightfold.picture.steps import Level, LocalContrast, Recipe, StarsBack, Stretch, Turn
from nightfold.picture.stretch import measure_levels

Plane32 = npt.NDArray[np.float32]

SPREAD_STEPS = 21
"""Gains are told for so many colour spreads from 0 to 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerFacts:
    """One filter's layer: values are (electron/s - pedestal) / unit, before the recipe's level step but on its scale."""

    filter: str
    pedestal: float
    unit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveFacts:
    """What a live mixer needs beside the bytes.

    Attributes
    ----------
    layers : tuple of LayerFacts
        In the order of the bytes: first every filter's plane, then the star light if there is any, then its red, green and
        blue factors if it is coloured. Each plane is width * height floats of 32 bits, little end first, rows upwards.
    star_unit : float or None
        Star light is in units of this; None where the recipe lays no stars back.
    tinted : bool
        Star light has colour factors.
    spread_gains : tuple
        Gains of the filters (as `layers`) for colour spreads from 0 to 1 in equal steps.
    notes : tuple of str
        What the preview leaves out, in sentences.
    """

    width: int
    height: int
    factor: int
    layers: tuple[LayerFacts, ...]
    star_unit: float | None
    tinted: bool
    spread_gains: tuple[tuple[float, ...], ...]
    notes: tuple[str, ...]


def live_layers(
    recipe: Recipe, planes: Mapping[str, Plane], *, preview_px: int, threads: int = 2
) -> tuple[LiveFacts, bytes]:
    """Facts and bytes of the layers of a recipe at preview size."""
    made = colour_layers(recipe, planes, preview_px=preview_px, threads=threads)
    turn = next((s for s in recipe.steps if isinstance(s, Turn)), None)
    level = next((s for s in recipe.steps if isinstance(s, Level)), None)
    stretch = next(s for s in recipe.steps if isinstance(s, Stretch))
    facts, parts = [], []
    for name, plane in made.nebula.items():
        pedestal = level.sky.get(name, 0.0) if level is not None else 0.0
        # The planes are scaled already, and so is the sky in them.
        own_sky = pedestal * made.scale.get(name, 1.0)
        gain = level.gain.get(name, 1.0) if level is not None else 1.0
        softness = stretch.of_filter[name][2] if name in stretch.of_filter else stretch.softness
        unit = softness / gain
        facts.append(LayerFacts(filter=name, pedestal=pedestal, unit=unit))
        parts.append(_floats((plane - np.float32(own_sky)) / np.float32(unit), turn))
    star_unit = None
    back = next((s for s in recipe.steps if isinstance(s, StarsBack)), None)
    if made.stars is not None and back is not None:
        star_unit = back.softness
        parts.append(_floats(made.stars / np.float32(star_unit), turn))
        parts += [_floats(tint, turn) for tint in made.tints or ()]
    height, width = parts[0].shape
    found = LiveFacts(
        width=width,
        height=height,
        factor=made.factor,
        layers=tuple(facts),
        star_unit=star_unit,
        tinted=star_unit is not None and made.tints is not None,
        spread_gains=_spread_gains(made),
        notes=tuple(_left_out(recipe)),
    )
    return found, b"".join(p.tobytes() for p in parts)


def _floats(plane: Plane32, turn: Turn | None) -> Plane32:
    """As floats of 32 bits, mirrored and in quarter turns as the recipe's end has it."""
    if turn is not None:
        plane = np.rot90(plane[:, ::-1] if turn.mirror else plane, -turn.quarter_turns)
    return np.ascontiguousarray(np.clip(plane, -HALF_TOP, HALF_TOP), np.dtype("<f4"))


def _spread_gains(made: Layers) -> tuple[tuple[float, ...], ...]:
    noises = {f: float(np.sqrt(np.median(v))) for f, v in made.variance.items()}
    levels = measure_levels(made.nebula, noises)
    signals = {f: v.nebula for f, v in levels.items()}
    rows = []
    for i in range(SPREAD_STEPS):
        gains = balance_gains(signals, noises, i / (SPREAD_STEPS - 1))
        rows.append(tuple(gains[f] for f in made.nebula))
    return tuple(rows)


def _left_out(recipe: Recipe) -> list[str]:
    told = []
    if any(isinstance(s, LocalContrast) for s in recipe.steps):
        told.append("Local contrast shows in the exact picture only.")
    if any(isinstance(s, Stretch) and s.anchors for s in recipe.steps):
        told.append("A curve through anchors shows in the exact picture only.")
    if any(isinstance(s, Turn) and (s.angle_deg or s.scale != 1.0 or s.crop_px) for s in recipe.steps):
        told.append("The free turn, scale and crop show in the exact picture only.")
    if any(s.step == "sharpen" for s in recipe.steps):
        told.append("Sharpening shows in the exact picture only.")
    return told


def formulas() -> dict[str, Any]:
    """Constants of the colour formulas, so that nobody writes them down twice."""
    return {
        "rgb_to_lms": RGB_TO_LMS.tolist(),
        "lms_to_lab": LMS_TO_LAB.tolist(),
        "sectors": {name: list(span) for name, span in SECTORS.items()},
    }


def fitting_palettes(filters: Sequence[str]) -> dict[str, dict[str, tuple[float, float, float]]]:
    """The named palettes that these filters can fill."""
    return {name: dict(rows) for name, rows in PALETTES.items() if all(f in filters for f in rows)}
