"""Filters brought to one scale before their nebulae are set against each other: as they are, by noise, or by zero points."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError
from nightfold.picture.steps import Level

Plane32 = npt.NDArray[np.float32]


def scale_factors(
    step: Level, variances: Mapping[str, Plane32], zero_points_mag: Mapping[str, float | None]
) -> dict[str, float]:
    """By what each filter's light is multiplied beside its gain, relative to the first filter of the step.

    Parameters
    ----------
    variances : mapping of filter to float32 (height, width)
        Of the planes at hand, square of their unit; for `scale_by = "noise"`: factors are the inverse of the median sigma.
    zero_points_mag : mapping of filter to float or None
        AB magnitude of 1 electron/s on the masters at hand; those that the step lists go before them. Factors are
        10^(-0.4 (zero point - that of the first filter)), so that equal values are equal flux (Pogson; AB: Oke & Gunn 1983).
    """
    names = list(step.sky)
    if not names or step.scale_by == "gain":
        return dict.fromkeys(names, 1.0)
    if step.scale_by == "noise":
        sigma = {f: math.sqrt(max(float(np.median(variances[f][::4, ::4])), 1e-30)) for f in names}
        return {f: sigma[names[0]] / sigma[f] for f in names}
    known = {f: step.zero_points[f] if f in step.zero_points else zero_points_mag.get(f) for f in names}
    missing = [f for f, z in known.items() if z is None]
    if missing:
        raise PictureError(
            "the recipe scales its filters by zero points, and not all are known",
            seen=f"none of {', '.join(missing)}",
            allowed="a zero point for each filter",
            next_step="run nightfold depth on solved subs, list zero_points in the step, or set scale_by to gain or noise",
        )
    first = float(known[names[0]] or 0.0)
    return {f: 10.0 ** (-0.4 * (float(z or 0.0) - first)) for f, z in known.items()}
