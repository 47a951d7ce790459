"""What charts are drawn from where no earlier stage returns it as it is: plain records, times in UTC."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Protocol


class SubLike(Protocol):
    """A judged sub, as far as charts look at it."""

    @property
    def file(self) -> str: ...
    @property
    def filter(self) -> str | None: ...
    @property
    def night(self) -> str | None: ...
    @property
    def start(self) -> object: ...
    @property
    def exposure_s(self) -> float | None: ...
    @property
    def fwhm_px(self) -> float | None: ...
    @property
    def fwhm_arcsec(self) -> float | None: ...
    @property
    def ellipticity(self) -> float | None: ...
    @property
    def sky_e_per_s(self) -> float | None: ...
    @property
    def transparency(self) -> float | None: ...
    @property
    def verdict(self) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPoint:
    """One night's value of a trend; `error` is 1 sigma, None if not known."""

    day: date
    value: float
    error: float | None = None
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthCurve:
    """Noise of one filter's stack as it grew.

    Attributes
    ----------
    hours, noise : sequences of float
        Exposure so far and the noise reached, in the unit that `DepthChart` names.
    ideal_at_1h : float
        Where the law 1/sqrt(t) starts.
    ideal_spread : float
        Relative 1 sigma of that.
    goal : float, optional
        The noise at which the goal is reached.
    label : str
        What stands at the line where the filter's name alone would not do.
    """

    filter: str
    hours: Sequence[float]
    noise: Sequence[float]
    ideal_at_1h: float
    ideal_spread: float = 0.0
    goal: float | None = None
    label: str = ""


class WhiskerLike(Protocol):
    """Elongation at a place of the frame, as far as charts look at it: `optics.field.Whisker` is one."""

    @property
    def x_px(self) -> float: ...
    @property
    def y_px(self) -> float: ...
    @property
    def length_px(self) -> float: ...
    @property
    def uncertainty_px(self) -> float: ...
    @property
    def angle_deg(self) -> float: ...


class FocusPointLike(Protocol):
    """One point of a focus run."""

    @property
    def position(self) -> float: ...
    @property
    def half_flux_radius_px(self) -> float: ...
    @property
    def used(self) -> bool: ...


class FocusRunLike(Protocol):
    """A focus run with its curve: the document of `optics focus`."""

    @property
    def sentence(self) -> str: ...
    @property
    def best_position(self) -> float: ...
    @property
    def uncertainty(self) -> float: ...
    @property
    def interval_95(self) -> float: ...
    @property
    def half_flux_radius_px(self) -> float: ...
    @property
    def half_width_steps(self) -> float: ...
    @property
    def slope_px_per_step(self) -> float: ...
    @property
    def points(self) -> Sequence[FocusPointLike]: ...


class LawPointLike(Protocol):
    """A focus run as the law saw it; the temperature has the law's lag."""

    @property
    def filter(self) -> str: ...
    @property
    def temperature_c(self) -> float: ...
    @property
    def position(self) -> float: ...
    @property
    def used(self) -> bool: ...


class OffsetLike(Protocol):
    """A filter's focus against the reference filter's."""

    @property
    def filter(self) -> str: ...
    @property
    def offset_steps(self) -> float: ...


class FocusLawLike(Protocol):
    """Focus over temperature: the law that the optics stage returns."""

    @property
    def told(self) -> bool: ...
    @property
    def sentence(self) -> str: ...
    @property
    def steps_per_c(self) -> float: ...
    @property
    def zero_steps(self) -> float: ...
    @property
    def scatter_steps(self) -> float: ...
    @property
    def filter_offsets(self) -> Sequence[OffsetLike]: ...
    @property
    def points(self) -> Sequence[LawPointLike]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A frame on the sky by its corners, RA and Dec in degrees; `kind` is "now", "wanted" or "panel"."""

    name: str
    corners_deg: Sequence[tuple[float, float]]
    kind: str = "panel"


@dataclass(frozen=True, slots=True, kw_only=True)
class MapObject:
    """A catalogue object's outline on a star map."""

    name: str
    ra_deg: float
    dec_deg: float
    major_arcmin: float | None = None
    minor_arcmin: float | None = None
    position_angle_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StarMap:
    """A piece of sky to be drawn: middle, radius, stars with magnitudes, catalogue objects, frames."""

    ra_deg: float
    dec_deg: float
    radius_deg: float
    star_ra_deg: Sequence[float]
    star_dec_deg: Sequence[float]
    star_mag: Sequence[float]
    outlines: Sequence[Outline]
    objects: Sequence[MapObject] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StripFilter:
    """One filter's share of a night, hours of exposure."""

    filter: str
    kept_h: float
    dropped_h: float
    subs_kept: int
    subs_dropped: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StripNight:
    """One night of the campaign.

    Attributes
    ----------
    moon_illuminated_fraction : float
        At the middle of the night; None beyond the ephemeris or without a site.
    fwhm_arcsec, fwhm_px : float
        Median of the kept subs.
    sky_over_usual : float
        Median over the subs of their sky over the median of all subs of their rig and filter: 2 is twice as bright as usual.
    once : int
        Subs of the night that exist in one place only.
    """

    date: date
    moon_illuminated_fraction: float | None
    moon_waxing: bool | None
    filters: tuple[StripFilter, ...]
    fwhm_arcsec: float | None
    fwhm_px: float | None
    sky_over_usual: float | None
    once: int

    @property
    def kept_h(self) -> float:
        """Hours kept in all filters."""
        return sum(f.kept_h for f in self.filters)

    @property
    def dropped_h(self) -> float:
        """Hours dropped in all filters."""
        return sum(f.dropped_h for f in self.filters)


@dataclass(frozen=True, slots=True, kw_only=True)
class StripGoal:
    """How full a goal is: `done` is the share of its SNR squared, or of its hours; None where the depth is not known yet."""

    target: str
    panel: int | None
    filter: str
    hours_done: float
    done: float | None
    hours_left: float | None
    tonight_h: float | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StripTonight:
    """What tonight would add."""

    date: date
    moon_illuminated_fraction: float | None
    moon_waxing: bool | None
    filters: tuple[StripFilter, ...]
    begins: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """The campaign at one look: its nights in time, its goals, tonight, and the next step in one sentence."""

    campaign: str
    nights: tuple[StripNight, ...]
    filters: tuple[str, ...]
    goals: tuple[StripGoal, ...]
    tonight: StripTonight | None
    next: str
    kept_h: float
    dropped_h: float
    southern: bool
    notes: tuple[str, ...]
