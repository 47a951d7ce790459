"""Subs of one rig and filter that were binned differently, told in one pixel so that they can be compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from nightfold.judge.records import FieldShape, SubFacts


def in_one_pixel(facts: Sequence[SubFacts], binning: Sequence[int]) -> list[SubFacts]:
    """The facts with lengths, light and noise per pixel of the finest binning among the subs.

    Parameters
    ----------
    facts : sequence of SubFacts
        As measured, in each sub's own pixels; what the sky should be (`predicted_*`) in those of the finest already.
    binning : sequence of int
        Camera pixels along one side of each sub's pixels.

    Notes
    -----
    A pixel of n by n holds n² times the light and, for one depth on the sky, n times the noise; a row of it is the sum of n
    rows over n columns each. Widths shrink by n, their squares by n². `read_noise_e` is the camera's, of one of its pixels.
    """
    finest = min(binning, default=1)
    return [s if n == finest else _finer(s, n / finest) for s, n in zip(facts, binning, strict=True)]


def _finer(s: SubFacts, n: float) -> SubFacts:
    return replace(
        s,
        sky_e_per_s=s.sky_e_per_s / n**2,
        noise_e=s.noise_e / n,
        fwhm_px=s.fwhm_px * n,
        half_flux_radius_px=s.half_flux_radius_px * n,
        arcsec_per_px=s.arcsec_per_px / n,
        row_pattern_e=s.row_pattern_e / n**1.5,
        column_pattern_e=s.column_pattern_e / n**1.5,
        shape=_larger(s.shape, n),
    )


def _larger(shape: FieldShape, n: float) -> FieldShape:
    return replace(
        shape,
        drawn_px2=shape.drawn_px2 * n**2,
        turning_px2=shape.turning_px2 * n**2,
        turning_error_px2=shape.turning_error_px2 * n**2,
        width2_tilt_px2=(shape.width2_tilt_px2[0] * n**2, shape.width2_tilt_px2[1] * n**2),
        width2_bowl_px2=shape.width2_bowl_px2 * n**2,
        error_px2=shape.error_px2 * n**2,
    )
