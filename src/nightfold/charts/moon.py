"""The Moon's disc as it is lit, as an outline for the drawing program."""

from __future__ import annotations

import math


def lit_path(illuminated_fraction: float, *, waxing: bool, southern: bool = False) -> str:
    """The lit part of the disc as an SVG path in a circle of radius 1.

    The limb is half a circle, the terminator half an ellipse whose half-width is ``|1 - 2 f|`` for an illuminated
    fraction f (the projection of a great circle). Waxing, the lit limb is to the right as seen from the north of the
    tropics and to the left from the south; near the equator it lies below, which is not drawn.
    """
    fraction = min(max(illuminated_fraction, 0.0), 1.0)
    half_width = abs(1.0 - 2.0 * fraction)
    right = waxing != southern
    limb = 1 if right else 0
    # From top to bottom along the limb, back along the terminator: bulging to the dark side when more than half is lit.
    terminator = limb if fraction > 0.5 else 1 - limb
    return f"M0,-1A1,1,0,0,{limb},0,1A{half_width:.4f},1,0,0,{terminator},0,-1Z"


def lit_area(illuminated_fraction: float) -> float:
    """Area of that path over the disc's; by construction the fraction itself."""
    return 0.5 + math.copysign(0.5 * abs(1.0 - 2.0 * illuminated_fraction), illuminated_fraction - 0.5)
