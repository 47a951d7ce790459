"""What `depth` tells: plain records whose names are the keys of its document."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from nightfold.depth.forecast import NightsAhead
from nightfold.depth.windows import FallPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class NightDepth:
    """One night's subs alone, and all nights up to it."""

    night: str | None
    subs: int
    exposure_s: float
    snr: float | None
    limit_mag_arcsec2: float | None
    limit_rayleigh: float | None
    cumulative_exposure_s: float
    cumulative_snr: float | None
    cumulative_limit_mag_arcsec2: float | None
    cumulative_limit_rayleigh: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterDepth:
    """One filter of one target as its master stands; None for what is not known.

    `limit_*` is 3 sigma in 10 arcsec boxes, measured on boxes. `floor_share` is the part of the noise variance that more time
    does not lower; `floor_reached` tells that it is most of what is left to gain.
    """

    target: str
    panel: int | None
    filter: str
    rigs: tuple[str, ...]
    subs: int
    exposure_s: float
    snr: float | None
    snr_goal: float | None
    limit_mag_arcsec2: float | None
    limit_rayleigh: float | None
    snr_gain_next_hour: float | None
    hours_to_goal: float | None
    goal: str | None = None
    box_arcsec: float | None = None
    limit_e_per_s_arcsec2: float | None = None
    limit_uncertainty_mag: float | None = None
    zero_point_mag: float | None = None
    zero_point_uncertainty_mag: float | None = None
    noise_fall: tuple[FallPoint, ...] = ()
    floor_share: float | None = None
    floor_reached: bool | None = None
    share_left: float | None = None
    """Of the goal's work, 0 when it is reached."""
    nights: tuple[NightDepth, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NextGoal:
    """What the next clear hour serves best."""

    target: str
    panel: int | None
    filter: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Crop:
    """The same part of the field from a part of the subs, as FITS and as a picture with the same stretch."""

    target: str
    panel: int | None
    filter: str
    part: str
    subs: int
    exposure_s: float
    file: str
    picture: str
    box_px: tuple[int, int, int, int]
    """Of the grid, inclusive; the picture's upper edge is y1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthReport:
    """How deep every filter is, what comes next, and in how many calendar nights all goals are met."""

    filters: tuple[FilterDepth, ...]
    next: NextGoal | None
    forecast: NightsAhead
    crops: tuple[Crop, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredShare:
    """Share of a goal's work that a master of these rigs has done, with subs up to a time (None: not known)."""

    done: float
    rigs: tuple[str, ...]
    until: datetime | None
