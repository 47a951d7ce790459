"""The sky as it should have been in each sub: the site's model, brought to what was measured, with Moon and twilight apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightfold.sky.brightness import SkyModel, SkyReading, fit_sky

TOO_DARK = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyMoment:
    """A measured background and the plain model of its moment, the model in photons per s, m², nm and arcsec²."""

    frame_id: int
    measured_e_per_s: float
    site: float
    moon: float
    twilight: float
    moon_altitude_deg: float
    sun_altitude_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyCurve:
    """The predicted sky of one sub, electrons per second and pixel, by origin."""

    dark_e_per_s: float
    moon_e_per_s: float
    twilight_e_per_s: float
    moon_altitude_deg: float
    sun_altitude_deg: float


def sky_curve(moments: Sequence[SkyMoment]) -> dict[int, SkyCurve]:
    """Predictions by frame for the subs of one rig and filter; empty where no background was measured.

    Photons become electrons by the darker half of the subs: median of measured over modelled. With five subs and more the
    levels of site and Moon are then fitted (`sky.brightness.fit_sky`), so that a common error of the model does not stay.
    """
    known = [
        m
        for m in moments
        if np.isfinite(m.measured_e_per_s) and m.measured_e_per_s > 0 and np.isfinite(m.site + m.moon)
    ]
    if not known:
        return {}
    ratios = sorted(m.measured_e_per_s / (m.site + m.moon + m.twilight) for m in known)
    per_photon = float(np.median(ratios[: (3 * len(ratios) + 3) // 4]))
    # No night is half as dark as the rest: such a level is a zero point that moved or a covered tube, and tells nothing of the sky.
    known = [m for m in known if m.measured_e_per_s > TOO_DARK * per_photon * (m.site + m.moon + m.twilight)]
    readings = [
        SkyReading(filter="", measured=m.measured_e_per_s / per_photon, site=m.site, moon=m.moon, twilight=m.twilight)
        for m in known
    ]
    fitted = fit_sky(SkyModel(21.0), readings)
    site_factor = fitted.site_factor.get("", 1.0) or 1.0
    moon_factor = float(np.clip(fitted.moon_factor.get("", 1.0), 0.2, 5.0))
    return {
        m.frame_id: SkyCurve(
            dark_e_per_s=per_photon * site_factor * m.site,
            moon_e_per_s=per_photon * moon_factor * m.moon,
            twilight_e_per_s=per_photon * m.twilight,
            moon_altitude_deg=m.moon_altitude_deg,
            sun_altitude_deg=m.sun_altitude_deg,
        )
        for m in moments
        if np.isfinite(m.site + m.moon + m.twilight)
    }
