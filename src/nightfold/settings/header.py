"""The part of campaign.toml that fills or overrides what files say, keyed by our reading of a header."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from nightfold.settings.table import ColourFilters, Name, NotNegative, Number, Positive, Table


class HeaderFields(Table):
    """Fields of a frame's header that the person may set; those not given are left as the file has them."""

    kind: Literal["sub", "bias", "dark", "flat", "flat_dark"] | None = None
    start: datetime | str | None = None
    utc_offset_h: Annotated[float, Field(ge=-14, le=14)] | None = None
    exposure_s: NotNegative | None = None
    filter: str | None = None
    filter_width_nm: Positive | None = None
    object: str | None = None
    camera: str | None = None
    telescope: str | None = None
    gain: Number | None = None
    e_per_adu: Positive | None = None
    offset: Number | None = None
    sensor_c: Number | None = None
    set_point_c: Number | None = None
    binning: Annotated[list[int], Field(min_length=2, max_length=2)] | None = None
    readout_mode: str | None = None
    pixel_um: Positive | None = None
    focal_length_mm: Positive | None = None
    aperture_mm: Positive | None = None
    ra_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    dec_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    site_latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    site_longitude_deg: Annotated[float, Field(ge=-180, le=360)] | None = None
    site_elevation_m: Annotated[float, Field(ge=-500, le=9000)] | None = None
    focuser_position: Number | None = None
    focuser_c: Number | None = None
    ambient_c: Number | None = None
    rotator_deg: Number | None = None
    pier_side: Literal["east", "west"] | None = None
    airmass: Annotated[float, Field(ge=1, allow_inf_nan=False)] | None = None
    cfa: ColourFilters | None = None
    pedestal_adu: Number | None = None
    saturation_adu: Positive | None = None
    calibrated: bool | None = None

    def given(self) -> dict[str, Any]:
        """The fields that are set."""
        own = HeaderFields.model_fields
        return {n: v for n in own if n in self.model_fields_set and (v := getattr(self, n)) is not None}


class NameRule(HeaderFields):
    """What files whose name fits a shell pattern are; the first rule that fits wins."""

    match: Name

    def fields(self) -> dict[str, Any]:
        """The fields of our header reading that it sets."""
        return self.given()


class HeaderMap(HeaderFields):
    """The person's own map of header words."""

    filter_names: dict[str, str] = Field(default_factory=dict)
    by_name: list[NameRule] = Field(default_factory=list)

    @property
    def override(self) -> dict[str, Any]:
        """Fields of our header reading that are set for all files."""
        return self.given()


MATCHABLE = frozenset(HeaderFields.model_fields) | {"width_px", "height_px"}
"""What a rig may be told by in [rig.match]."""
