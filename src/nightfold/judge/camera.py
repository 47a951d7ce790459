"""The camera's part: a sensor that is not as it should be, and headers that say another frame than the rest.

Settings alone condemn no sub: a gain that the campaign knows is calibrated. They count where the pixels bear them out.
"""

from __future__ import annotations

import numpy as np

from nightfold.judge.records import SubFacts
from nightfold.judge.usual import Centre, Usual

FITS_ALL_THE_SAME = "its light and its level fit all the same"
"""How the words on a header end that the pixels do not bear out."""

SENSOR_OFF_C = 2.0
"""Darks are matched to 1 °C; dark current doubles every 6 °C, so 2 °C off leaves a quarter of it uncorrected."""

LEAST_LEVEL_E = 3.0
"""A zero level that moved by less is within what biases do from night to night (common experience, no source)."""

LEAST_PATTERN = 0.1
"""Rows or columns that differ by less than a tenth of a pixel's noise are not seen in a master."""

RARE_IN_GROUP, FEW_SUBS = 0.2, 5

LIGHT_OFF, SKY_OFF, NOISE_OFF = 1.2, 1.7, 1.3
"""How far stars, sky and noise may be from the usual before a header that differs is believed: what clear nights do by themselves."""


def sensor_fault(sub: SubFacts, usual: Usual) -> str:
    """Words on a sensor that is not as it should be; empty if nothing speaks for that."""
    if sub.sensor_c is not None and sub.set_point_c is not None:
        off = sub.sensor_c - sub.set_point_c
        usually = usual.sensor_off_c.value if np.isfinite(usual.sensor_off_c.value) else 0.0
        if abs(off - usually) > max(SENSOR_OFF_C, 5.0 * usual.sensor_off_c.spread):
            return (
                f"sensor at {sub.sensor_c:.1f} °C, set to {sub.set_point_c:.1f} °C: darks of the set point do not fit"
            )
    return pattern_words(sub, usual) or _noise_words(sub, usual) or _level_words(sub, usual)


def pattern_words(sub: SubFacts, usual: Usual) -> str:
    """Words on rows or columns that differ more than this camera's usually do; empty if they do not."""
    for name, value, centre in (
        ("rows", sub.row_pattern_e, usual.row_pattern_e),
        ("columns", sub.column_pattern_e, usual.column_pattern_e),
    ):
        if _stands_out(value, centre, sub.noise_e):
            return (
                f"{name} differ by {value:.1f} e from one to the next (usual {centre.value:.1f} e): banding by read-out or "
                "interference"
            )
    return ""


def _stands_out(value: float, centre: Centre, noise_e: float) -> bool:
    known = np.isfinite(value) and np.isfinite(centre.value) and np.isfinite(noise_e)
    return bool(known and value > centre.value + max(6.0 * centre.spread, LEAST_PATTERN * noise_e))


def pattern_excess(sub: SubFacts, usual: Usual, width_px: float) -> float:
    """Variance that banding adds to a blob of that FWHM, over the variance of its pixels' noise; 0 without a fault.

    Weighed by a Gaussian of sigma s, offsets of rows of sigma b give b²/(2 sqrt(pi) s), pixels of sigma n give n²/(4 pi s²):
    the ratio is 2 sqrt(pi) s b²/n². What is usual for the camera is in every sub alike and is left out.
    """
    if not pattern_words(sub, usual) or not sub.noise_e > 0.0:
        return 0.0
    beyond = sum(
        max(value**2 - centre.value**2, 0.0)
        for value, centre in (
            (sub.row_pattern_e, usual.row_pattern_e),
            (sub.column_pattern_e, usual.column_pattern_e),
        )
        if np.isfinite(value) and np.isfinite(centre.value)
    )
    return float(2.0 * np.sqrt(np.pi) * width_px / 2.3548 * beyond / sub.noise_e**2)


def _noise_words(sub: SubFacts, usual: Usual) -> str:
    if not np.isfinite(usual.other_variance_e2 * sub.noise_e * sub.sky_e_per_s):
        return ""
    expected = max(usual.other_variance_e2, 0.0) * sub.exposure_s / max(usual.exposure_s, 1e-9)
    if sub.exposure_s < usual.exposure_s or not np.isfinite(expected):
        expected = max(usual.other_variance_e2, 0.0)
    expected += max(sub.sky_e_per_s * sub.exposure_s, 0.0)
    excess = sub.noise_e**2 / max(expected, 1e-9)
    if excess > max(1.6, float(np.exp(6.0 * usual.variance_spread))) and level_moved_e(sub, usual) == 0.0:
        return f"noise {np.sqrt(excess):.1f} times what sky and camera tell: interference, pattern or a warm sensor"
    return ""


def _level_words(sub: SubFacts, usual: Usual) -> str:
    moved = level_moved_e(sub, usual)
    if moved == 0.0:
        return ""
    return f"level {moved:+.0f} e a pixel against usual, without the noise that light would bring: the zero level moved"


def level_moved_e(sub: SubFacts, usual: Usual) -> float:
    """By how many electrons a sub's level is off without the noise that so much light would bring; 0 if it is not.

    Light of L electrons adds the variance L; a zero level that moved adds none. Only where counts are electrons and exposures alike.
    """
    if not sub.gain_known or not np.isfinite(usual.other_variance_e2 * sub.noise_e * sub.sky_e_per_s):
        return 0.0
    if abs(sub.exposure_s - usual.exposure_s) > 0.05 * usual.exposure_s:
        return 0.0
    sky_e = usual.sky_e_per_s * usual.exposure_s
    moved = sub.sky_e_per_s * sub.exposure_s - sky_e
    brought = sub.noise_e**2 - (usual.other_variance_e2 + sky_e)
    sigma = max(3.0 * usual.other_spread_e2, 0.02 * sub.noise_e**2)
    if abs(moved) < max(LEAST_LEVEL_E, 0.1 * abs(sky_e)) or abs(brought - moved) < 2.0 * sigma:
        return 0.0
    return float(moved) if abs(brought) < 0.3 * abs(moved) + sigma else 0.0


def odd_settings(sub: SubFacts, usual: Usual) -> str:
    """Words on what the header tells of camera or target that hardly any other sub has; empty for none or where subs are few."""
    told = []
    for name, value in sub.settings:
        counts = usual.settings.get(name, {})
        odd = _odd(value, counts)
        if odd:
            told.append(f"{name} is {value} where the others have {odd}")
    odd = _odd(sub.object_name, usual.object_names) if sub.object_name else ""
    if odd:
        told.append(f"it names {sub.object_name} where the others name {odd}")
    return "; ".join(told)


def _odd(value: str, counts: dict[str, int]) -> str:
    """The value that most subs have, if this one is rare beside it."""
    others = {v: n for v, n in counts.items() if v != value}
    total = sum(counts.values())
    if not others or total < FEW_SUBS or counts.get(value, 0) >= RARE_IN_GROUP * total:
        return ""
    usual = max(others, key=lambda v: others[v])
    return usual if others[usual] >= 0.5 * total else ""


def other_by_header(sub: SubFacts, usual: Usual, best: float, sky: float) -> str:
    """Words on a frame whose header differs from the rest and whose pixels bear that out; empty otherwise.

    `best` is the transparency of a clear hour of its night, `sky` the sub's sky over what is expected of its moment.
    """
    odd = odd_settings(sub, usual)
    if not odd:
        return ""
    bright = sub.transparency / best if best > 0 else float("nan")
    moved = level_moved_e(sub, usual)
    expected = max(usual.other_variance_e2, 0.0) + max(sub.sky_e_per_s, 0.0) * sub.exposure_s
    noise = sub.noise_e / np.sqrt(expected) if np.isfinite(expected) and expected > 0 else float("nan")
    if np.isfinite(bright) and bright > LIGHT_OFF:
        return f"{odd}, and its stars are {bright:.1f} times as bright: its counts mean something else"
    if moved:
        return f"{odd}, and its level is off by {moved:+.0f} e a pixel: no dark fits"
    if np.isfinite(sky) and sky > 0 and not 1.0 / SKY_OFF < sky < SKY_OFF and _same_way(bright, sky):
        return f"{odd}, and its sky is {sky:.1f} times what it should be"
    if np.isfinite(noise) and not 1.0 / NOISE_OFF < noise < NOISE_OFF:
        return f"{odd}, and its noise is {noise:.1f} times what its sky and camera tell"
    return ""


def _same_way(bright: float, sky: float) -> bool:
    """Cloud brightens the sky and dims stars; another gain or filter changes both the same way."""
    return not np.isfinite(bright) or abs(np.log(bright)) < 0.1 or (bright > 1.0) == (sky > 1.0)
