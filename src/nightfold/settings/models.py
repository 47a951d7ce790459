"""Models of `campaign.toml`: what is wanted. Every mistake is told with its line and key.

Nearly everything is optional: a campaign starts from a name and grows. A stage that needs a number that is not there says
which key to fill in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, field_validator, model_validator

from nightfold.settings.header import MATCHABLE, HeaderMap, NameRule
from nightfold.settings.table import ColourFilters, Name, NotNegative, Number, Positive, Share, Table, mistake_at
from nightfold.units import ARCSEC_PER_RADIAN

__all__ = [
    "Camera",
    "CampaignSettings",
    "Filter",
    "Focuser",
    "Gain",
    "Goal",
    "HeaderMap",
    "Mount",
    "NameRule",
    "Panel",
    "Rig",
    "Setup",
    "Site",
    "Target",
    "Telescope",
]

TUBES = ("aluminium", "steel", "carbon fibre")
"""Tubes whose expansion is known; any other needs expansion_per_c."""

UNFILTERED = "unfiltered"
"""What subs that name no filter are taken for; a goal may name it though no wheel does."""

TARGET_MATCHES = ("object", "ra_deg", "dec_deg", "within_deg")


def _inside(
    what: str, low: float, high: float, second: str, second_low: float, second_high: float
) -> Callable[[list[float]], list[float]]:
    """A check that a pair lies in two ranges, in the words of the file."""

    def check(pair: list[float]) -> list[float]:
        for name, value, least, most in ((what, pair[0], low, high), (second, pair[1], second_low, second_high)):
            if not least <= value <= most:
                raise ValueError(
                    f"the pair is [{what}, {second}]; {name} {value:g} must lie from {least:g} to {most:g}"
                )
        return pair

    return check


_Two = Annotated[list[Number], Field(min_length=2, max_length=2)]
Horizon = Annotated[_Two, AfterValidator(_inside("azimuth_deg", 0, 360, "altitude_deg", -10, 90))]
DarkRate = Annotated[_Two, AfterValidator(_inside("sensor_c", -100, 60, "dark_e_per_s", 0, 1e6))]
Efficiency = Annotated[_Two, AfterValidator(_inside("wavelength_nm", 200, 2000, "efficiency", 0, 1))]


def _ascending(pair: list[float]) -> list[float]:
    if not pair[0] < pair[1]:
        raise ValueError("the pair is [first_h, second_h], west after east; the second must be greater than the first")
    return pair


HourAngles = Annotated[
    _Two, AfterValidator(_inside("first_h", -12, 12, "second_h", -12, 12)), AfterValidator(_ascending)
]


class Site(Table):
    """Where the rigs stand, and its sky."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    longitude_deg: Annotated[float, Field(ge=-180, le=360)]
    elevation_m: Annotated[float, Field(ge=-500, le=9000)] = 0.0
    time_zone: str | None = None
    sky_mag_arcsec2: Annotated[float, Field(ge=14, le=23)] | None = None
    extinction_mag: Annotated[float, Field(ge=0, le=2)] = 0.2
    seeing_arcsec: Annotated[float, Field(gt=0, le=20)] | None = None
    clear_night_probability: float | list[float] | None = None  # one for the year, or January to December
    clear_persistence: Share = 0.6
    horizon_deg: list[Horizon] = Field(default_factory=list)
    night_cooling_c: Number | None = None

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                ZoneInfo(value)
            except (ZoneInfoNotFoundError, ValueError, OSError) as error:
                raise ValueError("a zone of the tz database, such as Australia/Sydney or UTC, is allowed") from error
        return value

    @field_validator("clear_night_probability", mode="before")
    @classmethod
    def _one_or_twelve(cls, value: object) -> object:
        several = value if isinstance(value, list) else [value]
        if value is not None and (
            (isinstance(value, list) and len(several) != 12)
            or any(isinstance(v, bool) or not isinstance(v, int | float) or not 0 <= v <= 1 for v in several)
        ):
            raise ValueError("must be one number from 0 to 1, or twelve of them, January to December")
        return value

    def clear_probability(self, month: int) -> float | None:
        """The chance that a night of a month (1 to 12) is clear; None where the file does not say."""
        value = self.clear_night_probability
        return value[month - 1] if isinstance(value, list) else value


class Setup(Table):
    """How the rigs are set up, for the cautions of a night."""

    mains: bool = False
    lithium: bool = False
    away_from_home: bool = False
    laser_collimator: bool = False
    heaviest_kg: Positive | None = None
    coldest_c: Number | None = None


class Telescope(Table):
    """The optics."""

    aperture_mm: Positive | None = None
    focal_length_mm: Positive | None = None
    obstruction_mm: NotNegative = 0.0
    tube: str | None = None
    expansion_per_c: Number | None = None

    @model_validator(mode="after")
    def _tube_is_known(self) -> Telescope:
        if self.tube is not None and self.tube not in TUBES and self.expansion_per_c is None:
            what = f"must be one of {', '.join(TUBES)}, or expansion_per_c must be given (seen: {self.tube!r})"
            raise mistake_at("tube", what=what)
        return self

    @model_validator(mode="after")
    def _obstruction_fits(self) -> Telescope:
        if self.aperture_mm is not None and self.obstruction_mm >= self.aperture_mm:
            what = f"{self.obstruction_mm:g} must be smaller than aperture_mm {self.aperture_mm:g}"
            raise mistake_at("obstruction_mm", what=what)
        return self


class Gain(Table):
    """The camera at one gain setting. `offset_adu` is the pedestal; `offset_setting` is what darks match on."""

    setting: Number | None = None
    e_per_adu: Positive | None = None
    read_noise_e: NotNegative | None = None
    full_well_e: Positive | None = None
    offset_adu: NotNegative | None = None
    offset_setting: Number | None = None


class Camera(Table):
    """The sensor."""

    width_px: Annotated[int, Field(gt=0, le=100_000)] | None = None
    height_px: Annotated[int, Field(gt=0, le=100_000)] | None = None
    pixel_um: Positive | None = None
    bits: Annotated[int, Field(ge=8, le=32)] = 16
    cfa: ColourFilters = ""
    gains: list[Gain] = Field(default_factory=list)
    dark_e_per_s: list[DarkRate] = Field(default_factory=list)
    quantum_efficiency: list[Efficiency] = Field(default_factory=list)
    download_s: NotNegative | None = None
    readout_mode: str | None = None


class Mount(Table):
    """The mount."""

    flips: bool = True
    hour_angle_limits_h: HourAngles | None = None
    flip_takes_s: NotNegative = 180.0
    guide_rms_arcsec: NotNegative | None = None
    min_altitude_deg: Annotated[float, Field(ge=0, lt=90)] = 30.0
    tracking_limit_s: Positive | None = None
    dither_s: NotNegative | None = None


class Focuser(Table):
    """The motor focuser."""

    step_um: Positive | None = None
    outward: bool | None = (
        None  # whether larger positions move the camera away from the objective; taken so if not said
    )
    takes_s: NotNegative = 120.0


class Filter(Table):
    """A filter of the wheel."""

    name: Name
    centre_nm: Annotated[float, Field(gt=200, lt=2000)] | None = None
    width_nm: Positive | None = None
    peak_transmission: Share = 0.9
    lines_nm: list[Positive] = Field(default_factory=list)
    refractive_index: Positive | None = None
    moon_separation_deg: Annotated[float, Field(ge=0, le=180)] | None = None


class Rig(Table):
    """A telescope with camera, mount, wheel and focuser."""

    name: Name
    telescope: Telescope = Telescope()
    camera: Camera = Camera()
    mount: Mount = Mount()
    focuser: Focuser = Focuser()
    filter: list[Filter] = Field(default_factory=list)
    match: dict[str, Any] = Field(default_factory=dict)
    filter_change_s: NotNegative | None = None
    download_s: NotNegative | None = None
    dither_s: NotNegative | None = None
    sub_s: Positive | None = None
    readout_mode: str | None = None
    night_cooling_c: Number | None = None

    @model_validator(mode="before")
    @classmethod
    def _lift(cls, data: Any) -> Any:
        """Keys that may stand with the part they belong to are read from the rig alone."""
        if not isinstance(data, dict):
            return data
        lifted = dict(data)
        for part, key in (("camera", "download_s"), ("camera", "readout_mode"), ("mount", "dither_s")):
            table = data.get(part)
            if isinstance(table, dict) and key in table:
                lifted.setdefault(key, table[key])
        return lifted

    @field_validator("match")
    @classmethod
    def _match_is_known(cls, value: dict[str, Any]) -> dict[str, Any]:
        return _known_matches(value, sorted(MATCHABLE))

    @field_validator("filter")
    @classmethod
    def _filters_differ(cls, value: list[Filter]) -> list[Filter]:
        names = [f.name for f in value]
        if twice := _second(names):
            raise mistake_at(twice, "name", what=f"two filters are called {names[twice]!r}; names must differ")
        return value

    @property
    def scale_arcsec_px(self) -> float | None:
        """Arcsec per unbinned pixel at the field's centre; None while the pixel or the focal length is not known."""
        if self.camera.pixel_um is None or self.telescope.focal_length_mm is None:
            return None
        return ARCSEC_PER_RADIAN * self.camera.pixel_um * 1e-3 / self.telescope.focal_length_mm

    def gain_for(self, setting: float | None) -> Gain | None:
        """The camera's numbers at a gain setting; the only entry when there is one and it names no setting."""
        for gain in self.camera.gains:
            if setting is not None and gain.setting is not None and abs(gain.setting - setting) < 1e-6:
                return gain
        if len(self.camera.gains) == 1 and (self.camera.gains[0].setting is None or setting is None):
            return self.camera.gains[0]
        return None

    def filter_named(self, name: str) -> Filter | None:
        """The filter of that name."""
        return next((f for f in self.filter if f.name == name), None)


class Panel(Table):
    """A panel of a mosaic."""

    panel: Annotated[int, Field(ge=1)]
    ra_deg: Annotated[float, Field(ge=0, lt=360)]
    dec_deg: Annotated[float, Field(ge=-90, le=90)]
    position_angle_deg: Number | None = None


class Goal(Table):
    """How deep one filter shall be."""

    filter: Name
    surface_brightness_rayleigh: Positive | None = None
    surface_brightness_mag_arcsec2: Number | None = None
    hours: Positive | None = None
    like_master: str | None = None
    spot_px: _Two | None = None
    snr: Positive = 10.0
    box_arcsec: Positive = 10.0
    detail_arcsec: Positive | None = None
    panel: Annotated[int, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _one_measure(self) -> Goal:
        given = [
            v
            for v in (
                self.surface_brightness_rayleigh,
                self.surface_brightness_mag_arcsec2,
                self.hours,
                self.like_master,
                self.spot_px,
            )
            if v is not None
        ]
        if len(given) != 1:
            raise ValueError(
                "exactly one of surface_brightness_rayleigh, surface_brightness_mag_arcsec2, hours, like_master and "
                "spot_px is allowed"
            )
        return self


class Target(Table):
    """What is imaged."""

    name: Name
    ra_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    dec_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    size_arcmin: Annotated[list[Positive], Field(min_length=2, max_length=2)] | None = None
    position_angle_deg: Number | None = None
    rigs: list[str] = Field(default_factory=list)
    panel: list[Panel] = Field(default_factory=list)
    goal: list[Goal] = Field(default_factory=list)
    match: dict[str, Any] = Field(default_factory=dict)

    @field_validator("match")
    @classmethod
    def _match_is_known(cls, value: dict[str, Any]) -> dict[str, Any]:
        objects = value.get("object", "")
        if not all(isinstance(o, str) for o in (objects if isinstance(objects, list) else [objects])):
            raise mistake_at("object", what=f"must be text, or a list of texts (seen: {objects!r})")
        for key, (least, most) in (("ra_deg", (0, 360)), ("dec_deg", (-90, 90)), ("within_deg", (0, 180))):
            number = value.get(key, least)
            if isinstance(number, bool) or not isinstance(number, int | float) or not least <= number <= most:
                raise mistake_at(key, what=f"must be a number from {least} to {most} (seen: {number!r})")
        return _known_matches(value, TARGET_MATCHES)

    @model_validator(mode="after")
    def _goals_name_panels(self) -> Target:
        numbers = [p.panel for p in self.panel]
        if twice := _second(numbers):
            raise mistake_at(
                "panel", twice, "panel", what=f"two panels have the number {numbers[twice]}; numbers must differ"
            )
        for i, goal in enumerate(self.goal):
            if numbers and goal.panel is not None and goal.panel not in numbers:
                what = f"there is no panel {goal.panel}; the panels here are {numbers}"
                raise mistake_at("goal", i, "panel", what=what)
        return self

    @property
    def match_objects(self) -> list[str]:
        """Other spellings of its name in OBJECT."""
        value = self.match.get("object", [])
        return [value] if isinstance(value, str) else [str(v) for v in value]


def _second(values: Sequence[object]) -> int:
    """The place of the first value that stood before; 0 if all differ."""
    return next((i for i, value in enumerate(values) if value in values[:i]), 0)


def _known_matches(value: dict[str, Any], allowed: Any) -> dict[str, Any]:
    if wrong := [k for k in value if k not in allowed]:
        raise mistake_at(wrong[0], what=f"nothing can be matched by this; allowed: {', '.join(allowed)}")
    return value


class Credits(Table):
    """What pictures and records tell of who made them; never where."""

    creator: str = ""
    rights: str = ""
    facility: str = ""


class CampaignSettings(Table):
    """The whole file."""

    name: Name
    site: Site | None = None
    setup: Setup = Setup()
    rig: list[Rig] = Field(default_factory=list)
    target: list[Target] = Field(default_factory=list)
    header: HeaderMap = HeaderMap()
    credits: Credits = Credits()
    database_url: str | None = None
    notes: str = ""
    begun: date | None = None
    combine_rigs: bool = False
    scale_darks: bool = False
    sharp_weights: bool = False

    @model_validator(mode="after")
    def _names_fit(self) -> CampaignSettings:
        rigs = [r.name for r in self.rig]
        for kind, names in (("rig", rigs), ("target", [t.name for t in self.target])):
            if twice := _second(names):
                raise mistake_at(
                    kind, twice, "name", what=f"two {kind}s are called {names[twice]!r}; names must differ"
                )
        for i, target in enumerate(self.target):
            unknown = [r for r in target.rigs if r not in rigs]
            if unknown:
                what = f"there is no rig {unknown[0]!r}; the rigs here are: {', '.join(rigs) or 'none'}"
                raise mistake_at("target", i, "rigs", what=what)
            wheel = self._wheel(target)
            for j, goal in enumerate(target.goal):
                if wheel and goal.filter not in (*wheel, UNFILTERED):
                    what = f"no rig of this target has a filter {goal.filter!r}; they have: {', '.join(wheel)}"
                    raise mistake_at("target", i, "goal", j, "filter", what=what)
        return self

    def _wheel(self, target: Target) -> list[str]:
        """Names of all filters of a target's rigs; none while one of those rigs lists no filter yet."""
        rigs = [r for r in self.rig if not target.rigs or r.name in target.rigs]
        return list(dict.fromkeys(f.name for r in rigs for f in r.filter)) if all(r.filter for r in rigs) else []

    def rig_named(self, name: str | None) -> Rig | None:
        """The rig of that name."""
        return next((r for r in self.rig if r.name == name), None)

    def target_named(self, name: str | None) -> Target | None:
        """The target of that name."""
        return next((t for t in self.target if t.name == name), None)
