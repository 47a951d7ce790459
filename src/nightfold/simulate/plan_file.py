"""The plan of a simulated campaign: what a TOML file may say, checked, with every mistake told by its place."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from nightfold.errors import SettingsError
from nightfold.settings.toml import read_toml
from nightfold.simulate.rig import SimFilter, SimRig

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]
FaultKind = Literal["cloud", "trailing", "focus", "dew", "wrong_filter", "dawn", "trail", "pointing", "seeing"]

FAULT_AMOUNTS: dict[str, float] = {
    "cloud": 0.6,  # share of the light lost
    "trailing": 5.0,  # px that stars are drawn out
    "focus": 4.0,  # px of blur
    "dew": 0.5,  # share of the light lost; as much of the rest goes into an aureole
    "wrong_filter": 1.0,  # places further in the wheel
    "dawn": 8.0,  # times the sky
    "trail": 60.0,  # electrons at its middle in units of the sky's noise
    "pointing": 8.0,  # arcmin off
    "seeing": 2.0,  # times the seeing
}
"""What each fault's `amount` is, and its size when the plan gives none."""


class Table(BaseModel):
    """A table of the plan; unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class PlanSite(Table):
    """Where the rigs stand."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    longitude_deg: Annotated[float, Field(ge=-180, le=360)]
    elevation_m: Number = 0.0
    utc_offset_h: Annotated[float, Field(ge=-12, le=14)] = 0.0
    sky_mag_arcsec2: Annotated[float, Field(ge=14, le=24)] = 21.0
    extinction_mag: NotNegative = 0.15


class PlanNebula(Table):
    """The nebula: its shell's radius, and the brightness that 0.5 % of its texture exceed, by line."""

    seed: int = 1
    radius_arcmin: Positive = 7.0
    extent_arcmin: Positive = 45.0
    centre_arcmin: tuple[Number, Number] = (0.0, 0.0)
    texels: Annotated[int, Field(ge=64, le=4096)] = 1024
    peak_rayleigh: dict[Literal["Ha", "OIII", "SII"], Positive]


class PlanScene(Table):
    """The field."""

    object: Annotated[str, Field(min_length=1, max_length=60)]
    ra_deg: Annotated[float, Field(ge=0, lt=360)]
    dec_deg: Annotated[float, Field(ge=-90, le=90)]
    size_arcmin: tuple[Positive, Positive] = (60.0, 60.0)
    faintest_g: Annotated[float, Field(ge=5, le=20)] = 18.0
    stars_per_deg2_to_10: NotNegative = 24.3
    catalogue: bool = True
    nebula: PlanNebula | None = None


class PlanFilter(Table):
    """A filter, as in `SimFilter`."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    centre_nm: Annotated[float, Field(gt=300, lt=1100)]
    width_nm: Positive
    transmission: Annotated[float, Field(gt=0, le=1)] = 0.9
    line: str = ""


class PlanRig(BaseModel):
    """A rig: the keys of `SimRig`, with its filters as `[[rig.filter]]`."""

    model_config = ConfigDict(extra="allow", frozen=True)
    name: Annotated[str, Field(min_length=1, max_length=60)]
    filter: Annotated[list[PlanFilter], Field(min_length=1)]
    rotator: bool = False
    focuser_position: int = 12000
    # Azimuth (+ east) and altitude (+ above the elevated pole) of the mount's axis; without, fields do not turn at all.
    polar_error_arcmin: tuple[Number, Number] | None = None
    guided: bool = True

    def sim_rig(self) -> SimRig:
        """The rig for rendering."""
        known = set(SimRig.__dataclass_fields__) - {"name", "filters"}
        given = dict(self.model_extra or {})
        unknown = sorted(set(given) - known)
        if unknown:
            raise SettingsError(
                f"plan: rig {self.name!r} has an unknown key", seen=unknown[0], allowed=", ".join(sorted(known))
            )
        for key in ("tilt_px", "tilt_um", "coma_everywhere_px", "shadow_offset", "quantum_efficiency"):
            if key in given:
                given[key] = tuple(tuple(v) if isinstance(v, list) else v for v in given[key])
        try:
            return SimRig(name=self.name, filters=tuple(SimFilter(**f.model_dump()) for f in self.filter), **given)
        except TypeError as error:
            raise SettingsError(
                f"plan: rig {self.name!r} lacks a key or has one of the wrong kind: {error}",
                next_step="give aperture_mm, focal_length_mm, pixel_um, width_px and height_px as numbers",
            ) from error


class Fault(Table):
    """Something wrong with one sub of a run, counted from 1."""

    sub: Annotated[int, Field(ge=1)]
    kind: FaultKind
    amount: Positive | None = None

    @property
    def size(self) -> float:
        """The amount, or the usual one of its kind."""
        return FAULT_AMOUNTS[self.kind] if self.amount is None else self.amount


class Run(Table):
    """Subs in a row. `start` is UTC; hours before 12 belong to the next date when the site is west of Greenwich's noon."""

    rig: str
    filter: str
    start: datetime | time | str
    subs: Annotated[int, Field(ge=1, le=5000)]
    exposure_s: Positive
    gap_s: NotNegative = 14.0
    position_angle_deg: Number = 0.0
    dither_arcsec: NotNegative = 8.0
    creep_arcsec_h: tuple[Number, Number] = (0.0, 0.0)
    focus_drift_px_h: Number = 0.0
    fault: list[Fault] = []

    @model_validator(mode="after")
    def _faults_fit(self) -> Run:
        for fault in self.fault:
            if fault.sub > self.subs:
                raise ValueError(f"a fault names sub {fault.sub}, the run has {self.subs}")
        return self


class Night(Table):
    """A night by its date of evening, and its air."""

    date: date
    seeing_arcsec: Positive = 2.5
    extinction_mag: NotNegative | None = None
    transparency: Annotated[float, Field(gt=0, le=1)] = 1.0
    sky_gradient: tuple[Number, Number] = (0.03, -0.02)
    ambient_c: Number = 10.0
    sensor_c: Number = -5.0
    moon: bool = True
    run: Annotated[list[Run], Field(min_length=1)]


class CalibrationRun(Table):
    """Frames of one kind; `start` is UTC."""

    rig: str
    kind: Literal["bias", "dark", "flat", "flat_dark"]
    count: Annotated[int, Field(ge=1, le=1000)]
    start: datetime
    exposure_s: NotNegative = 0.0
    sensor_c: Number = -5.0
    filter: str | None = None
    level: Annotated[float, Field(gt=0, le=1.5)] = 0.45
    position_angle_deg: Number = 0.0

    @model_validator(mode="after")
    def _complete(self) -> CalibrationRun:
        if self.kind == "flat" and self.filter is None:
            raise ValueError("flats need a filter")
        if self.kind != "bias" and not self.exposure_s > 0:
            raise ValueError(f"a {self.kind} needs exposure_s above 0")
        return self


class SimulationPlan(Table):
    """The whole plan."""

    name: str = "simulated"
    seed: Annotated[int, Field(ge=0)] = 1
    site: PlanSite
    scene: PlanScene
    rig: Annotated[list[PlanRig], Field(min_length=1)]
    night: list[Night] = []
    calibration: list[CalibrationRun] = []

    @model_validator(mode="after")
    def _names_fit(self) -> SimulationPlan:
        filters = {r.name: [f.name for f in r.filter] for r in self.rig}
        if len(filters) < len(self.rig):
            raise ValueError("two rigs have one name")
        wanted = [(run.rig, run.filter) for night in self.night for run in night.run]
        for rig, name in [*wanted, *((c.rig, c.filter) for c in self.calibration)]:
            if rig not in filters:
                raise ValueError(f"rig {rig!r} is named; the rigs here are: {', '.join(filters)}")
            if name is not None and name not in filters[rig]:
                raise ValueError(f"rig {rig!r} has no filter {name!r}; it has: {', '.join(filters[rig])}")
        if not wanted and not self.calibration:
            raise ValueError("the plan makes no frames; add [[night]] with [[night.run]], or [[calibration]]")
        return self


def read_plan(plan: Path | str | Mapping[str, Any]) -> SimulationPlan:
    """The checked plan from a TOML file or a dictionary of the same shape."""
    what = "the plan"
    if isinstance(plan, Mapping):
        raw: Mapping[str, Any] = plan
    else:
        what = str(plan)
        try:
            raw = read_toml(Path(plan).read_text(encoding="utf-8"))
        except OSError as error:
            raise SettingsError(f"{what} cannot be read", seen=error.strerror or str(error)) from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise SettingsError(f"{what} is not TOML", seen=str(error), next_step="mend that line") from error
    try:
        return SimulationPlan.model_validate(dict(raw))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(p + 1) if isinstance(p, int) else str(p) for p in first["loc"])
        raise SettingsError(
            f"{what}: {place + ': ' if place else ''}{first['msg'].removeprefix('Value error, ')}",
            seen="" if isinstance(first["input"], (dict, BaseModel)) else repr(first["input"]),
            next_step="mend that key",
        ) from error


def start_of(run: Run, night: Night, utc_offset_h: float) -> datetime:
    """UTC start of a run: as given, or the clock time that falls into the night after the local noon of its date."""
    value: datetime | time = run.start if not isinstance(run.start, str) else _clock(run.start)
    if isinstance(value, datetime):
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    noon = datetime.combine(night.date, time(12), tzinfo=UTC) - timedelta(hours=utc_offset_h)
    start = datetime.combine(noon.date(), value, tzinfo=UTC)
    return start if start >= noon else start + timedelta(days=1)


def _clock(text: str) -> datetime | time:
    for parse in (time.fromisoformat, datetime.fromisoformat):
        try:
            return parse(text)
        except ValueError:
            continue
    raise SettingsError(
        "the plan: a run's start is no time", seen=text, allowed="HH:MM in UTC, or an ISO date and time"
    )
