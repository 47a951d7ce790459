"""What the watch knows of a sub and what it says: plain records."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

NAN = float("nan")

EventKind = Literal["started", "sub", "refused", "message", "clear", "stopped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchEvent:
    """One line of the watch. `text` is a whole sentence; `cause` names what a message is about, and clears with it."""

    at: str  # ISO 8601, UTC
    kind: EventKind
    text: str
    cause: str = ""
    file: str | None = None
    rig: str | None = None
    filter: str | None = None
    numbers: dict[str, float | int | str | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedSub:
    """A sub as the watch looks at it; NaN or None where not known. Lengths in pixels of the rig."""

    frame_id: int
    file: str
    rig: str | None
    filter: str | None
    night: str | None
    start_s: float = NAN  # Unix time
    exposure_s: float = NAN
    # -- as the header tells the camera --
    gain: float | None = None
    offset: float | None = None
    set_point_c: float | None = None
    sensor_c: float | None = None
    readout_mode: str | None = None
    binning: tuple[int, int] = (1, 1)
    pier_side: str | None = None
    focuser_position: float | None = None
    dark_fits: bool | None = None
    dark_words: str = ""
    # -- as its pixels tell --
    fwhm_px: float = NAN
    ellipticity: float = NAN
    transparency: float = NAN
    sky_over_expected: float = NAN  # against what Moon, dawn and altitude let expect, else plain electrons per second
    saturated_fraction: float = NAN
    airmass: float = NAN
    angle_deg: float = NAN  # of the frame against its grid
    overlap: float = NAN
    causes: tuple[tuple[str, str], ...] = ()
    kept: bool = True
