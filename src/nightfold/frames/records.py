"""What is known of one exposure before its pixels are read: a plain record filled by the header reader."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

FrameKind = Literal["sub", "bias", "dark", "flat", "flat_dark"]
FRAME_KINDS: tuple[FrameKind, ...] = ("sub", "bias", "dark", "flat", "flat_dark")


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameHeader:
    """One exposure as its header tells it, in our units; None where the header is silent.

    `notes` holds one plain sentence for everything that was converted, guessed or doubted.
    """

    kind: FrameKind
    width_px: int
    height_px: int
    hdu: int = 0
    bitpix: int = 16
    start: datetime | None = None  # aware, UTC
    utc_offset_h: float | None = None  # local clock minus UTC, where the header tells both
    exposure_s: float | None = None
    filter: str | None = None
    filter_width_nm: float | None = None  # where the filter's name in the header tells it, as in "Ha 7nm"
    object: str | None = None
    camera: str | None = None
    telescope: str | None = None
    gain: float | None = None  # the camera's setting, as darks are matched on
    e_per_adu: float | None = None
    offset: float | None = None  # the camera's setting
    sensor_c: float | None = None
    set_point_c: float | None = None
    binning: tuple[int, int] = (1, 1)
    readout_mode: str | None = None
    pixel_um: float | None = None  # of the pixel as stored, after binning
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    site_latitude_deg: float | None = None
    site_longitude_deg: float | None = None  # east positive
    site_elevation_m: float | None = None
    focuser_position: float | None = None
    focuser_c: float | None = None
    ambient_c: float | None = None
    rotator_deg: float | None = None
    pier_side: str | None = None  # "east" or "west"
    airmass: float | None = None
    cfa: str = ""  # "" monochrome, else the pattern of the first stored 2x2 cell
    pedestal_adu: float = 0.0  # constant that the file's values carry and that must be taken off
    saturation_adu: float | None = None
    calibrated: bool = False  # the header says that darks and flats were applied already
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderRules:
    """The person's own map from `campaign.toml`: fills or overrides what files say.

    `filter_names` maps a spelling in the files to our filter name. `override` sets fields of `FrameHeader` for all
    files; `by_name` does so for files whose name matches a shell pattern, first match wins.
    """

    filter_names: dict[str, str] = field(default_factory=dict)
    override: dict[str, object] = field(default_factory=dict)
    by_name: tuple[tuple[str, dict[str, object]], ...] = ()
