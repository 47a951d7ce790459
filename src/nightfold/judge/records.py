"""What the judge knows of a sub, and what it says of it: plain records, no files."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Cause = Literal[
    "cloud", "trailing", "focus", "seeing", "sky-glow", "dew", "pointing", "wrong-frame", "sensor", "overexposed",
    "unreadable", "person",
]  # fmt: skip

NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldShape:
    """How star shapes vary over the frame. Second moments as squares of FWHM in px²; u, v run from -1 to 1 across the frame.

    NaN where too few stars tell.
    """

    drawn_px2: float = NAN  # (a² - b²) of what all stars share: one direction all over the frame
    drawn_angle_deg: float = NAN
    turning_px2: float = (
        NAN  # growth of a tangential drawing-out with the square of the distance: > 0 for a turning field
    )
    turning_error_px2: float = NAN
    width2_tilt_px2: tuple[float, float] = (NAN, NAN)  # of the squared width, along u and v
    width2_bowl_px2: float = NAN  # of the squared width, along u² + v²
    error_px2: float = NAN  # 1 sigma of each of these coefficients, roughly
    halo: float = NAN  # light around the core: flux over that of a Gaussian with the star's peak and FWHM
    stars: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SubFacts:
    """What the verdict on one sub is made from; NaN or None where not known."""

    frame_id: int
    exposure_s: float
    star_count: int
    sky_e_per_s: float
    noise_e: float  # pixel noise of blank sky, as measured
    fwhm_px: float
    half_flux_radius_px: float
    ellipticity: float
    ellipticity_angle_deg: float
    saturated_fraction: float
    transparency: float  # against the fixed reference, air mass removed
    scale: float  # the same with air mass left in
    placed: bool
    place_reason: str = ""
    overlap: float = 1.0  # shared part of the reference's field
    unreadable: str = ""
    sensor_c: float | None = None
    set_point_c: float | None = None
    # -- when, where, with what --
    rig: str | None = None
    filter: str | None = None
    night: str | None = None
    start_s: float = NAN  # Unix time
    airmass: float = NAN
    focuser_position: float | None = None
    focuser_c: float | None = None
    pier_side: str | None = None
    # -- what the sky should be, electrons per second and pixel; NaN where site or rig do not tell --
    predicted_dark_e_per_s: float = NAN  # without Moon and twilight
    predicted_moon_e_per_s: float = 0.0
    predicted_twilight_e_per_s: float = 0.0
    moon_altitude_deg: float = NAN
    sun_altitude_deg: float = NAN
    # -- the camera --
    read_noise_e: float = NAN
    blank_noise_e: float = NAN
    """Noise of a blank pixel, reckoned where it can be: what a fold weighs by."""
    dark_e_per_s: float = NAN
    # -- over the frame --
    shape: FieldShape = field(default_factory=FieldShape)
    uneven: float = 0.0  # largest dimming at an edge against the middle, as a share, from matched stars
    uneven_error: float = NAN
    star_scatter: float = NAN  # of stars' brightness against other subs beyond noise and slopes, as a share
    arcsec_per_px: float = NAN
    ra_deg: float = NAN  # where the header says the mount pointed
    dec_deg: float = NAN
    settings: tuple[tuple[str, str], ...] = ()  # what the header tells of the camera: ("gain", "100"), ...
    object_name: str = ""  # what the header says was aimed at
    gain_known: bool = True  # whether the file's counts are electrons by a known gain
    row_pattern_e: float = NAN  # 1 sigma of an offset that each row has of its own
    column_pattern_e: float = NAN
    other_line: str = ""  # words on a nebula that is that of another filter; empty for none
    epoch: int = 0  # number of the stretch between dated events of the rig: what is usual over the frame holds in one

    @property
    def long_axis_px(self) -> float:
        """FWHM along the stars' long axis: what a master's sharpness suffers from. `fwhm_px` is the geometric mean."""
        e = min(self.ellipticity, 0.95) if self.ellipticity == self.ellipticity else 0.0
        return float(self.fwhm_px / (1.0 - e) ** 0.5)

    @property
    def short_axis_px(self) -> float:
        """FWHM across the stars' long axis."""
        return float(self.fwhm_px**2 / self.long_axis_px) if self.long_axis_px > 0 else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Factors:
    """What a sub's worth is made of, each against the reference: 1 takes nothing, 0.5 halves the sub's worth."""

    transparency: float = 1.0
    altitude: float = 1.0  # extinction by air mass
    sky: float = 1.0
    read_out: float = 1.0  # short subs
    blur: float = 1.0

    @property
    def product(self) -> float:
        """q over the reference's, of the same exposure."""
        return self.transparency * self.altitude * self.sky * self.read_out * self.blur


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Keep or drop with its causes, and the sub's worth against a good sub of the same filter."""

    frame_id: int
    keep: bool
    worth: float  # q over the reference q; 0 for a frame that cannot be used
    causes: tuple[tuple[Cause, str], ...] = field(default=())
    factors: Factors = field(default_factory=Factors)
    blur_cause: Cause | None = None  # what its width beyond the usual comes from
    dim_cause: Cause | None = None  # what its missing light comes from
    gain_if_dropped: float = NAN  # relative change of the master's figure when it is left out; > 0: better without


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """Hours of clear sky that one cause has cost in one night."""

    cause: str
    night: str | None
    hours: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something about many subs, a calibration or a master that a person should know, in a sentence with its numbers."""

    kind: str
    night: str | None
    text: str
    rig: str | None = None
    target: str | None = None
    filter: str | None = None
    value: float | None = None
