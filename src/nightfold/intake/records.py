"""Plain records of take-in: the facts that frames are matched by, tolerances, and what is missing."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

from nightfold.frames.records import FrameHeader, FrameKind


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFacts:
    """What matching needs to know of one frame; None where it is not known."""

    id: int
    name: str
    kind: FrameKind
    width_px: int
    height_px: int
    start: datetime | None = None
    night: date | None = None
    rig: str | None = None
    camera: str | None = None
    filter: str | None = None
    exposure_s: float | None = None
    gain: float | None = None
    offset: float | None = None
    sensor_c: float | None = None
    set_point_c: float | None = None
    binning: tuple[int, int] = (1, 1)
    readout_mode: str | None = None
    camera_angle_deg: float | None = None
    calibrated: bool = False  # darks and flats were applied before

    @classmethod
    def of(
        cls,
        header: FrameHeader,
        *,
        id: int,
        name: str,
        night: date | None,
        rig: str | None,
    ) -> FrameFacts:
        """Facts of a header."""
        return cls(
            id=id,
            name=name,
            kind=header.kind,
            width_px=header.width_px,
            height_px=header.height_px,
            start=header.start,
            night=night,
            rig=rig,
            camera=header.camera,
            filter=header.filter,
            exposure_s=header.exposure_s,
            gain=header.gain,
            offset=header.offset,
            sensor_c=header.sensor_c,
            set_point_c=header.set_point_c,
            binning=header.binning,
            readout_mode=header.readout_mode,
            camera_angle_deg=header.rotator_deg,
            calibrated=header.calibrated,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RigEvent:
    """A dated event of a rig that ends the validity of its flats: camera turned, sensor cleaned, new filter …"""

    rig: str | None  # None: all rigs
    at: datetime
    what: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """How far a calibration frame may differ and still match. Counts and ages are common practice, no source."""

    exposure_fraction: float = 0.01
    exposure_s: float = 0.02
    sensor_c: float = 1.0
    camera_angle_deg: float = 1.0  # modulo 180°: an angle on the sky changes so by a flip while the camera stays
    dark_age_days: float = 365.0
    least_flats: int = 5  # fewer of the nearest night are filled up from the next nearest
    wanted: dict[FrameKind, int] = field(default_factory=lambda: {"dark": 30, "flat": 25, "flat_dark": 30, "bias": 50})


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Calibration of one group of subs that need the same."""

    subs: tuple[int, ...]
    darks: tuple[int, ...] = ()
    bias: tuple[int, ...] = ()
    flats: tuple[int, ...] = ()
    flat_calibration: Literal["flat_dark", "bias", "none"] = "none"
    flat_darks: tuple[int, ...] = ()  # frames of the kind that `flat_calibration` names
    reasons: tuple[str, ...] = ()  # why something is missing, or matches only so far as is known


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """Calibration frames still to be exposed."""

    kind: FrameKind
    rig: str | None
    filter: str | None
    exposure_s: float | None
    gain: float | None
    offset: float | None
    sensor_c: float | None
    binning: tuple[int, int]
    readout_mode: str | None
    night: date | None
    have: int
    wanted: int

    @property
    def words(self) -> str:
        """Such as "38 darks of 180 s at gain 100, offset 30, −10 °C"."""
        names = {"dark": "darks", "flat": "flats", "flat_dark": "flat-darks", "bias": "bias frames", "sub": "subs"}
        text = f"{self.wanted - self.have} {names[self.kind]}"
        if self.filter is not None and self.kind == "flat":
            text += f" in {self.filter}"
        if self.exposure_s is not None and self.kind in ("dark", "flat_dark"):
            text += f" of {self.exposure_s:g} s"
        state = [f"gain {self.gain:g}"] if self.gain is not None else []
        state += [f"offset {self.offset:g}"] if self.offset is not None else []
        state += [f"{self.sensor_c:.0f} °C".replace("-", "−")] if self.sensor_c is not None else []
        state += [f"binning {self.binning[0]}x{self.binning[1]}"] if self.binning != (1, 1) else []
        state += [f"mode {self.readout_mode}"] if self.readout_mode else []
        text += f" at {', '.join(state)}" if state else ""
        text += f" for {self.rig}" if self.rig else ""
        return text + (f", as on {self.night}" if self.night is not None and self.kind == "flat" else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class RigHints:
    """What a rig's frames look like; None where the campaign does not say. `match` holds values that headers must have."""

    name: str
    width_px: int | None = None
    height_px: int | None = None
    pixel_um: float | None = None
    focal_length_mm: float | None = None
    camera: str | None = None
    telescope: str | None = None
    match: dict[str, object] = field(default_factory=dict)
