"""What planning returns: plain records whose field names are the keys of the commands' documents. Times are UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

__all__ = [
    "BlockLine",
    "CalendarReport",
    "CalibrationLine",
    "Curves",
    "DawnLine",
    "DiskLine",
    "EventLine",
    "ExposureReport",
    "ExposureRow",
    "FilterSeason",
    "ForecastLine",
    "FrameReport",
    "GoalLine",
    "MonthLine",
    "MoonLine",
    "NightPlan",
    "PanelLine",
    "SeasonReport",
    "SkyCurve",
    "SkyLine",
    "SolverLine",
    "TargetCurve",
    "TargetLine",
    "TargetSeason",
    "Twilights",
    "WhatIf",
]

Pair = tuple[datetime | None, datetime | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Twilights:
    """Evening end and morning begin of each twilight; None where the Sun does not pass its limit."""

    civil: Pair
    nautical: Pair
    astronomical: Pair


@dataclass(frozen=True, slots=True, kw_only=True)
class MoonLine:
    """The Moon tonight. `separation_deg` is the least of all targets', at the middle of the night."""

    rise: datetime | None
    set: datetime | None
    illuminated_fraction: float
    phase: str
    up: str
    """"never", "always" or "part" of the night."""
    separation_deg: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetLine:
    """When a target, or a panel of it, can be had tonight."""

    target: str
    panel: int | None
    ra_deg: float
    dec_deg: float
    up_from: datetime | None
    up_until: datetime | None
    hours: float
    transit: datetime | None
    max_altitude_deg: float
    separation_deg: float
    case: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockLine:
    """One stretch of one rig on one goal, and why."""

    rig: str
    target: str
    panel: int | None
    filter: str
    start: datetime
    end: datetime
    sub_s: float
    subs: int
    share_of_goal: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EventLine:
    """Something that happens or is to be done; `rig` is empty where it concerns all."""

    at: datetime
    what: str
    rig: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalLine:
    """How far a goal is, and what tonight adds: shares of its SNR squared. `hours_left` is clear time under the best sky."""

    target: str
    panel: int | None
    filter: str
    hours_done: float
    done: float
    tonight: float
    hours_left: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SolverLine:
    """How the plan was found: "optimal", "within time", "greedy" or "kept"; how far a better one could be above it."""

    kind: str
    gap: float | None
    slot_s: float
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyLine:
    """The sky that was reckoned with in one filter of a rig: dark zenith per raw pixel, and where it comes from."""

    rig: str
    filter: str
    dark_e_per_s: float
    sun_limit_deg: float
    learnt_from: int
    site_factor: float | None
    moon_factor: float | None
    line_transmission: float | None
    """Of the filter at its lines in this telescope's cone."""
    throughput: float | None
    """Light that arrives against what the rig's numbers promise above the air, from stars of solved subs; None if not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationLine:
    """Calibration frames still to be exposed."""

    kind: str
    rig: str | None
    filter: str | None
    exposure_s: float | None
    have: int
    wanted: int
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DawnLine:
    """What to do at dawn before the camera is touched; a window where the sky itself is the flat's light."""

    rig: str
    filter: str
    count: int
    sky_from: datetime | None
    sky_until: datetime | None
    first_s: float | None
    last_s: float | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskLine:
    """What tonight writes and whether it fits."""

    folder: str
    to_come_bytes: int
    free_bytes: int
    full_at: datetime | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetCurve:
    """A target's altitude at the plan's `times`."""

    target: str
    panel: int | None
    altitude_deg: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyCurve:
    """The sky at a target through one filter of a rig at the plan's `times`, electrons per second and raw pixel.

    None while the Sun is too high for the filter or the target is down.
    """

    rig: str
    target: str
    panel: int | None
    filter: str
    sky_e_per_s: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """The night from before sunset to after sunrise (noon to noon where the Sun never sets), sampled for a chart."""

    times: tuple[datetime, ...]
    sun_altitude_deg: tuple[float, ...]
    moon_altitude_deg: tuple[float, ...]
    targets: tuple[TargetCurve, ...]
    skies: tuple[SkyCurve, ...] = ()
    least_altitude_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPlan:
    """The night: Sun, Moon, targets, who shoots what when and why, and what else there is to do."""

    date: date
    time_zone: str | None
    sunset: datetime | None
    sunrise: datetime | None
    dark_start: datetime | None
    dark_end: datetime | None
    twilights: Twilights
    moon: MoonLine
    targets: tuple[TargetLine, ...]
    blocks: tuple[BlockLine, ...]
    events: tuple[EventLine, ...]
    cautions: tuple[str, ...]
    goals: tuple[GoalLine, ...]
    solver: SolverLine
    sky: tuple[SkyLine, ...]
    calibration: tuple[CalibrationLine, ...]
    dawn: tuple[DawnLine, ...]
    disk: tuple[DiskLine, ...]
    instead: tuple[str, ...]
    """What to do where the sky allows no block."""
    missing: tuple[str, ...]
    """Numbers that campaign.toml does not hold, and what was taken or left out for it."""
    notes: tuple[str, ...]
    curves: Curves
    planned_from: datetime | None = None
    clear: tuple[datetime, datetime] | None = None
    file: str | None = None
    """The CSV of the blocks, where one was asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureRow:
    """What one sub length costs."""

    sub_s: float
    subs: int
    hours: float
    exposure_hours: float
    read_noise_penalty: float | None
    sky_share_of_well: float | None
    saturated_stars: int
    lost_share: float
    gigabytes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureReport:
    """A sub length for a rig and filter, its range, why, and the table behind it."""

    rig: str
    filter: str
    target: str | None
    recommended_s: float
    least_s: float
    most_s: float
    why: str
    sky_e_per_s: float
    dark_e_per_s: float
    read_noise_e: float
    signal_e_per_s: float
    stars_known: int
    line_transmission: float | None
    overhead_s: float
    table: tuple[ExposureRow, ...]
    missing: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelLine:
    """A panel on the sky; `corners_deg` are RA and Dec from bottom left, as the file shows it."""

    panel: int
    ra_deg: float
    dec_deg: float
    position_angle_deg: float
    corners_deg: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameReport:
    """How a target lies on a rig's sensor."""

    rig: str
    target: str | None
    scale_arcsec_px: float
    width_deg: float
    height_deg: float
    panels: tuple[PanelLine, ...]
    columns: int
    rows: int
    overlap: float
    turn_by_deg: float
    area_lost: float
    """Share of the wanted frame that is lost if the camera is not turned."""
    angle_now_deg: float | None
    angle_wanted_deg: float | None
    sampling: str | None
    objects: tuple[str, ...]
    """Catalogue objects inside the frame, brightest kinds first as the list has them, nearest to the middle first."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthLine:
    """Hours of a month's nights: dark with the target high enough, Moon down, Moon-free by filter."""

    year: int
    month: int
    nights: int
    dark_hours: float
    moonless_hours: float
    moon_free_hours: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastLine:
    """The finishing night: median and the early and late ends of the middle 80 %; None beyond the season looked at."""

    median: date | None
    p10: date | None
    p90: date | None
    finished_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterSeason:
    """One goal over the season: clear hours it still needs, and hours left that suit it."""

    panel: int | None
    filter: str
    hours_needed: float
    hours_left: float
    hours_left_moon_free: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """The forecast under another choice."""

    change: str
    hours_needed: float
    forecast: ForecastLine


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetSeason:
    """A target's season."""

    target: str
    best_date: date | None
    hours_left: float
    months: tuple[MonthLine, ...]
    filters: tuple[FilterSeason, ...]
    forecast: ForecastLine | None
    what_if: tuple[WhatIf, ...]
    rigs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonReport:
    """What the season holds for each target."""

    first: date
    last: date
    clear_night_probability: tuple[float, ...]
    """By month, January first."""
    targets: tuple[TargetSeason, ...]
    missing: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarReport:
    """A calendar file that was written."""

    file: str
    entries: int
    alarms: int
