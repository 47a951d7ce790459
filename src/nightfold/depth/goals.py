"""What a goal asks for, in electrons per second and square arcsecond of its master. Pure functions."""

from __future__ import annotations

from dataclasses import dataclass

from nightfold.depth.core import FAINT_SHARE
from nightfold.settings.models import Goal


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A goal's signal; None where it is in hours or its scale is not known. `photons` False: the noise itself is the goal."""

    rate_e_per_s_arcsec2: float | None
    words: str
    photons: bool = True
    by_scale: bool = False
    """True where the signal rests on what light is worth on the sky."""
    lacks: str = ""


def goal_words(goal: Goal) -> str:
    """A goal as the person would say it."""
    if goal.hours is not None:
        return f"{goal.hours:g} h"
    if goal.like_master is not None:
        return f"as smooth as {goal.like_master}"
    asked = f"SNR {goal.snr:g} in {goal.box_arcsec:g} arcsec"
    if goal.spot_px is not None:
        return f"{asked} at pixel {goal.spot_px[0]:g}, {goal.spot_px[1]:g}"
    if goal.surface_brightness_rayleigh is not None:
        return f"{asked} at {goal.surface_brightness_rayleigh:g} rayleigh"
    return f"{asked} at {goal.surface_brightness_mag_arcsec2:g} mag/arcsec²"


def wanted_of(
    goal: Goal,
    *,
    zero_point_mag: float | None,
    rayleigh_e_per_s_arcsec2: float | None,
    like_sigma_e_per_s_arcsec2: float | None = None,
    spot_e_per_s_arcsec2: float | None = None,
) -> Wanted:
    """The signal of a goal.

    Parameters
    ----------
    zero_point_mag, rayleigh_e_per_s_arcsec2 : float, optional
        What the master's light is worth on the sky.
    like_sigma_e_per_s_arcsec2 : float, optional
        Noise of the goal's box in the master that shall be matched.
    spot_e_per_s_arcsec2 : float, optional
        Light of the spot above blank sky.
    """
    words = goal_words(goal)
    if goal.hours is not None:
        return Wanted(rate_e_per_s_arcsec2=None, words=words)
    if goal.like_master is not None:
        sigma = like_sigma_e_per_s_arcsec2
        lacks = "" if sigma is not None else f"the noise of {goal.like_master} could not be measured"
        rate = None if sigma is None else goal.snr * sigma
        return Wanted(rate_e_per_s_arcsec2=rate, words=words, photons=False, lacks=lacks)
    if goal.spot_px is not None:
        rate = spot_e_per_s_arcsec2 if spot_e_per_s_arcsec2 is not None and spot_e_per_s_arcsec2 > 0.0 else None
        lacks = "" if rate is not None else "the spot is not brighter than the sky, or lies outside the master"
        return Wanted(rate_e_per_s_arcsec2=rate, words=words, lacks=lacks)
    if goal.surface_brightness_rayleigh is not None:
        if rayleigh_e_per_s_arcsec2 is None:
            return Wanted(rate_e_per_s_arcsec2=None, words=words, lacks="no zero point of a narrow filter")
        return Wanted(
            rate_e_per_s_arcsec2=goal.surface_brightness_rayleigh * rayleigh_e_per_s_arcsec2, words=words, by_scale=True
        )  # fmt: skip
    if zero_point_mag is None or goal.surface_brightness_mag_arcsec2 is None:
        return Wanted(rate_e_per_s_arcsec2=None, words=words, lacks="no zero point")
    return Wanted(
        rate_e_per_s_arcsec2=float(10.0 ** (-0.4 * (goal.surface_brightness_mag_arcsec2 - zero_point_mag))),
        words=words,
        by_scale=True,
    )


def faintness_warning(filter_name: str, rate: float | None, sky_rate: float | None) -> str | None:
    """A sentence where a goal is fainter than 2 % of the sky; None otherwise."""
    if rate is None or sky_rate is None or not sky_rate > 0.0 or rate >= FAINT_SHARE * sky_rate:
        return None
    return (
        f"{filter_name}: the goal is {100.0 * rate / sky_rate:.1f} % of the sky's own light; below 2 % flats and gradients "
        "limit what can be told, not time"
    )
