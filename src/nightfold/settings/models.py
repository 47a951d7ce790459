"""Models of `campaign.toml`: what is wanted. Every mistake is told with its line and key.

Nearly everything is optional: a campaign starts from a name and grows. A stage that needs a number that is not there says
which key to fill in.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Name = Annotated[str, Field(min_length=1, max_length=120)]


class Table(BaseModel):
    """A table of the file: unknown keys are mistakes, values stay as read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Site(Table):
    """Where the rigs stand, and its sky."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    longitude_deg: Annotated[float, Field(ge=-180, le=360)]
    elevation_m: Annotated[float, Field(ge=-500, le=9000)] = 0.0
    time_zone: str | None = None
    sky_mag_arcsec2: Annotated[float, Field(ge=14, le=23)] | None = None
    extinction_mag: Annotated[float, Field(ge=0, le=2)] = 0.2
    seeing_arcsec: Annotated[float, Field(gt=0, le=20)] | None = None
    clear_night_probability: Share | Annotated[list[Share], Field(min_length=12, max_length=12)] | None = None
    clear_persistence: Share = 0.6
    horizon_deg: list[Annotated[list[Number], Field(min_length=2, max_length=2)]] = []
    night_cooling_c: Number | None = None

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                ZoneInfo(value)
            except Exception as error:
                raise ValueError("a zone of the tz database, such as Australia/Sydney or UTC, is allowed") from error
        return value


class Telescope(Table):
    """The optics."""

    aperture_mm: Positive | None = None
    focal_length_mm: Positive | None = None
    obstruction_mm: NotNegative = 0.0
    tube: str | None = None
    expansion_per_c: Number | None = None

    @model_validator(mode="after")
    def _obstruction_fits(self) -> Telescope:
        if self.aperture_mm is not None and self.obstruction_mm >= self.aperture_mm:
            raise ValueError(
                f"obstruction_mm {self.obstruction_mm:g} must be smaller than aperture_mm {self.aperture_mm:g}"
            )
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
    cfa: Annotated[str, Field(pattern=r"^([RGB]{4})?$")] = ""
    gains: list[Gain] = []
    dark_e_per_s: list[Annotated[list[Number], Field(min_length=2, max_length=2)]] = []
    quantum_efficiency: list[Annotated[list[Number], Field(min_length=2, max_length=2)]] = []
    download_s: NotNegative | None = None
    readout_mode: str | None = None


class Mount(Table):
    """The mount."""

    flips: bool = True
    hour_angle_limits_h: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = None
    flip_takes_s: NotNegative = 180.0
    guide_rms_arcsec: NotNegative | None = None
    min_altitude_deg: Annotated[float, Field(ge=0, lt=90)] = 30.0
    dither_s: NotNegative | None = None


class Focuser(Table):
    """The motor focuser."""

    step_um: Positive | None = None
    takes_s: NotNegative = 120.0


class Filter(Table):
    """A filter of the wheel."""

    name: Name
    centre_nm: Annotated[float, Field(gt=200, lt=2000)] | None = None
    width_nm: Positive | None = None
    peak_transmission: Share = 0.9
    lines_nm: list[Positive] = []
    refractive_index: Positive | None = None


class Rig(Table):
    """A telescope with camera, mount, wheel and focuser."""

    name: Name
    telescope: Telescope = Telescope()
    camera: Camera = Camera()
    mount: Mount = Mount()
    focuser: Focuser = Focuser()
    filter: list[Filter] = []
    match: dict[str, Any] = {}
    filter_change_s: NotNegative | None = None
    download_s: NotNegative | None = None
    dither_s: NotNegative | None = None
    sub_s: Positive | None = None
    readout_mode: str | None = None
    night_cooling_c: Number | None = None

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
    snr: Positive = 10.0
    box_arcsec: Positive = 10.0
    detail_arcsec: Positive | None = None
    panel: Annotated[int, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _one_measure(self) -> Goal:
        given = [
            v
            for v in (self.surface_brightness_rayleigh, self.surface_brightness_mag_arcsec2, self.hours)
            if v is not None
        ]
        if len(given) != 1:
            raise ValueError(
                "exactly one of surface_brightness_rayleigh, surface_brightness_mag_arcsec2 and hours is allowed"
            )
        return self


class Target(Table):
    """What is imaged."""

    name: Name
    ra_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    dec_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    size_arcmin: Annotated[list[Positive], Field(min_length=2, max_length=2)] | None = None
    position_angle_deg: Number | None = None
    rigs: list[str] = []
    panel: list[Panel] = []
    goal: list[Goal] = []
    match: dict[str, Any] = {}

    @property
    def match_objects(self) -> list[str]:
        """Other spellings of its name in OBJECT."""
        value = self.match.get("object", [])
        return [value] if isinstance(value, str) else [str(v) for v in value]


class NameRule(Table):
    """What files of a name pattern are, where their headers do not say."""

    model_config = ConfigDict(extra="allow", frozen=True)
    match: Name

    def fields(self) -> dict[str, object]:
        """The fields of our header reading that it sets."""
        return dict(self.model_extra or {})


class HeaderMap(Table):
    """The person's own map of header words."""

    model_config = ConfigDict(extra="allow", frozen=True)
    filter_names: dict[str, str] = {}
    by_name: list[NameRule] = []

    @property
    def override(self) -> dict[str, object]:
        """Fields of our header reading that are set for all files."""
        return dict(self.model_extra or {})


class CampaignSettings(Table):
    """The whole file."""

    name: Name
    site: Site | None = None
    rig: list[Rig] = []
    target: list[Target] = []
    header: HeaderMap = HeaderMap()
    database_url: str | None = None
    notes: str = ""
    begun: date | None = None
    combine_rigs: bool = False
    units: Literal["electrons"] = "electrons"

    @model_validator(mode="after")
    def _names_fit(self) -> CampaignSettings:
        rigs = [r.name for r in self.rig]
        for kind, names in (("rig", rigs), ("target", [t.name for t in self.target])):
            twice = {n for n in names if names.count(n) > 1}
            if twice:
                raise ValueError(f"two {kind}s are called {sorted(twice)[0]!r}; names must differ")
        for target in self.target:
            unknown = [r for r in target.rigs if r not in rigs]
            if unknown:
                raise ValueError(
                    f"target {target.name!r} names rig {unknown[0]!r}; the rigs here are: {', '.join(rigs) or 'none'}"
                )
        return self

    def rig_named(self, name: str | None) -> Rig | None:
        """The rig of that name."""
        return next((r for r in self.rig if r.name == name), None)

    def target_named(self, name: str | None) -> Target | None:
        """The target of that name."""
        return next((t for t in self.target if t.name == name), None)
