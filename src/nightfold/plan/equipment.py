"""From campaign.toml to the numbers that planning reckons with: optics, bands, noise, times and limits of a rig.

A number that is not given is either taken at a usual value, which is told, or leaves the rig out, which is told too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from nightfold.plan.gains import Limits, Shooting
from nightfold.rig.filters import DEFAULT_INDEX, LINES_NM, effective_transmission
from nightfold.rig.focus import (
    depth_of_focus_um,
    expansion_of,
    refocus_interval_s,
    seeing_tolerance_um,
)
from nightfold.rig.photometry import Optics, photons_from_ab
from nightfold.settings.models import UNFILTERED, Filter, Goal, Rig, Site
from nightfold.sky.brightness import NARROW_NM, Band, SkyModel

__all__ = [
    "Equipment",
    "Wheel",
    "equipment_of",
    "limits_of",
    "optics_for",
    "refocus_s_of",
    "shooting_of",
    "sky_model_of",
    "usual_sub_s",
]

OPTICS_SHARE = 0.85
"""Of the light passes mirrors, lenses and windows where nothing was measured (common practice, no source)."""

USUAL_EFFICIENCY = 0.65
USUAL_READ_NOISE_E = 2.0
USUAL_DARK_E_PER_S = 0.003
USUAL_SKY_V_MAG = 20.5
USUAL_SEEING_ARCSEC = 3.0
USUAL_REFOCUS_S = 5400.0
USUAL_SUB_NARROW_S, USUAL_SUB_BROAD_S = 300.0, 120.0
"""Taken where campaign.toml and the ledger say nothing (common practice, no source)."""

_USUAL_BANDS = {
    "L": (550.0, 300.0),
    "R": (635.0, 90.0),
    "G": (530.0, 90.0),
    "B": (455.0, 100.0),
    UNFILTERED: (550.0, 300.0),
}
_NOMINAL = (100.0, 500.0, 4.0)
"""Aperture, focal length and pixel that stand in where a rig has none: goals in hours compare moments, not rigs."""


@dataclass(frozen=True)
class Wheel:
    """One filter on one rig: its band under a name of the pair, and its transmission at its lines in the cone."""

    filter: str
    band: Band
    lines_nm: tuple[float, ...]
    line_transmission: float | None
    """Share of the lines' light that passes, peak included; None for a broad filter."""
    peak: float

    @property
    def narrow(self) -> bool:
        """Made for lines."""
        return bool(self.lines_nm)


@dataclass(frozen=True)
class Equipment:
    """One rig in numbers. `optics` has the efficiency of telescope and sensor at 550 nm, without a filter."""

    name: str
    optics: Optics
    measured: bool
    """False where aperture, focal length or pixel are stand-ins: then only goals in hours can be planned."""
    read_noise_e: float
    dark_e_per_s: float
    full_well_e: float
    efficiency: Callable[[float], float]
    wheels: dict[str, Wheel]
    width_px: int | None
    height_px: int | None
    bytes_per_sub: int | None
    download_s: float
    dither_s: float
    filter_change_s: float
    focus_s: float
    flip_s: float
    flips: bool
    sub_s: float | None
    missing: tuple[str, ...] = ()
    throughput: dict[str, float] = field(default_factory=dict)
    """By filter: light that arrives against what the numbers promise, where stars of solved subs tell it."""

    def overhead_s(self, sub_s: float) -> float:
        """Between subs: download, and a dither about every five minutes of light."""
        return self.download_s + self.dither_s * min(1.0, sub_s / 300.0)


def sky_model_of(site: Site) -> tuple[SkyModel, tuple[str, ...]]:
    """The site's sky before anything was measured, and what is missing for it."""
    missing: tuple[str, ...] = ()
    level = site.sky_mag_arcsec2
    if level is None:
        missing = (f"site.sky_mag_arcsec2 is not given: {USUAL_SKY_V_MAG:g} in V is taken",)
    return SkyModel(level if level is not None else USUAL_SKY_V_MAG, site.extinction_mag, site.elevation_m), missing


def limits_of(rig: Rig, site: Site, filter: str | None = None) -> Limits:
    """Where a rig may point, with a filter that keeps its distance from the Moon."""
    wheel = rig.filter_named(filter) if filter is not None else None
    mount = rig.mount
    angles = mount.hour_angle_limits_h
    return Limits(
        min_altitude_deg=mount.min_altitude_deg,
        profile=tuple((a, h) for a, h in site.horizon_deg),
        hour_angles_h=(angles[0], angles[1]) if angles is not None else None,
        flips=mount.flips,
        moon_separation_deg=(wheel.moon_separation_deg or 0.0) if wheel is not None else 0.0,
    )


def equipment_of(
    rig: Rig,
    wanted: Sequence[str] = (),
    *,
    dark_at_c: float | None = None,
    throughput: Mapping[tuple[str, str], float] | None = None,
    read_noise_e: Mapping[str, float] | None = None,
) -> Equipment:
    """A rig in numbers.

    Parameters
    ----------
    rig : Rig
    wanted : sequence of str
        Filters of its goals: those that the wheel does not list are taken at usual bands where their name tells one.
    dark_at_c : float, optional
        Sensor temperature for the dark current; the coldest listed by default.
    throughput : mapping, optional
        Measured share of the promised light, by rig and filter.
    read_noise_e : mapping, optional
        Measured on the biases, by rig; taken where campaign.toml tells none.
    """
    missing: list[str] = []
    telescope, camera = rig.telescope, rig.camera
    gone = [
        key
        for key, value in (
            ("telescope.aperture_mm", telescope.aperture_mm),
            ("telescope.focal_length_mm", telescope.focal_length_mm),
            ("camera.pixel_um", camera.pixel_um),
        )
        if value is None
    ]
    if gone:
        missing.append(f"{rig.name}: {', '.join(gone)} {_is(gone)} not given: only goals in hours can be planned")
    aperture = telescope.aperture_mm or _NOMINAL[0]
    focal = telescope.focal_length_mm or _NOMINAL[1]
    pixel = camera.pixel_um or _NOMINAL[2]
    curve = sorted(camera.quantum_efficiency)
    if not curve:
        missing.append(f"{rig.name}: camera.quantum_efficiency is not given: {USUAL_EFFICIENCY:g} is taken")

    def efficiency(nm: float) -> float:
        sensor = float(np.interp(nm, [w for w, _ in curve], [q for _, q in curve])) if curve else USUAL_EFFICIENCY
        return OPTICS_SHARE * sensor

    gain = camera.gains[0] if camera.gains else None
    read_noise = gain.read_noise_e if gain is not None and gain.read_noise_e is not None else None
    if read_noise is None:
        read_noise = (read_noise_e or {}).get(rig.name)
        told = f"{USUAL_READ_NOISE_E:g} e" if read_noise is None else f"{read_noise:.2f} e measured on the biases"
        missing.append(f"{rig.name}: camera.gains has no read_noise_e: {told} is taken")
    darks = sorted(camera.dark_e_per_s)
    if darks:
        at = darks[0][0] if dark_at_c is None else dark_at_c
        dark = float(np.interp(at, [c for c, _ in darks], [rate for _, rate in darks]))
    else:
        dark = USUAL_DARK_E_PER_S
        missing.append(f"{rig.name}: camera.dark_e_per_s is not given: {dark:g} e/s is taken")
    ratio = focal / aperture
    shadow = min(telescope.obstruction_mm / aperture, 0.99)
    wheels: dict[str, Wheel] = {}
    known = {f.name: f for f in rig.filter}
    for name in dict.fromkeys((*known, *wanted)):
        wheel, lacks = _wheel(rig.name, known.get(name) or Filter(name=name), ratio, shadow)
        missing += lacks
        if wheel is not None:
            wheels[name] = wheel
    width, height = camera.width_px, camera.height_px
    size = width * height * (2 if camera.bits <= 16 else 4) + 5760 if width and height else None
    return Equipment(
        name=rig.name,
        optics=Optics(aperture, focal, pixel, efficiency(550.0), telescope.obstruction_mm if not gone else 0.0),
        measured=not gone,
        read_noise_e=read_noise if read_noise is not None else USUAL_READ_NOISE_E,
        dark_e_per_s=dark,
        full_well_e=gain.full_well_e if gain is not None and gain.full_well_e is not None else float("inf"),
        efficiency=efficiency,
        wheels=wheels,
        width_px=width,
        height_px=height,
        bytes_per_sub=size,
        download_s=rig.download_s if rig.download_s is not None else 3.0,
        dither_s=rig.dither_s if rig.dither_s is not None else 10.0,
        filter_change_s=rig.filter_change_s if rig.filter_change_s is not None else 15.0,
        focus_s=rig.focuser.takes_s,
        flip_s=rig.mount.flip_takes_s if rig.mount.flips else 0.0,
        flips=rig.mount.flips,
        sub_s=rig.sub_s,
        missing=tuple(missing),
        throughput={name: share for (of, name), share in (throughput or {}).items() if of == rig.name},
    )


def _is(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _wheel(rig: str, given: Filter, ratio: float, shadow: float) -> tuple[Wheel | None, list[str]]:
    """A filter in numbers, and what was missing."""
    missing: list[str] = []
    lines = tuple(given.lines_nm) or LINES_NM.get(given.name, ())
    centre, width = given.centre_nm, given.width_nm
    if centre is None or width is None:
        usual = _USUAL_BANDS.get(given.name) or ((sum(lines) / len(lines), 5.0) if lines else None)
        if usual is None:
            told = f"{rig}: filter {given.name} has no centre_nm and width_nm: it cannot be planned"
            return None, [told]
        centre, width = centre if centre is not None else usual[0], width if width is not None else usual[1]
        missing.append(
            f"{rig}: filter {given.name} has no centre_nm and width_nm: {centre:g} and {width:g} nm are taken"
        )
    if not given.lines_nm and width < NARROW_NM and not lines:
        lines = tuple(nm for several in LINES_NM.values() for nm in several if abs(nm - centre) <= width / 2.0)
    if width >= NARROW_NM:
        lines = tuple(given.lines_nm)
    passed = None
    if lines:
        index = given.refractive_index or DEFAULT_INDEX
        # A doublet's lines stand by their strengths only for [O III], 1 to 3 (Storey & Zeippen 2000); else alike.
        weight = np.array([1.0 if abs(nm - 495.9) > 0.5 else 1.0 / 3.0 for nm in lines])
        share = effective_transmission(
            np.array(lines), centre_nm=centre, width_nm=width, focal_ratio=ratio, obstruction=shadow, index=index,
            peak=given.peak_transmission,
        )  # fmt: skip
        passed = float((share * weight).sum() / weight.sum())
    band = Band(f"{rig}: {given.name}", centre, width)
    return Wheel(given.name, band, lines, passed, given.peak_transmission), missing


def optics_for(equipment: Equipment, wheel: Wheel) -> Optics:
    """The rig's optics with the efficiency of sensor, telescope and filter peak at its centre, as measured where it was."""
    plain = equipment.optics
    efficiency = equipment.efficiency(wheel.band.centre_nm) * wheel.peak * equipment.throughput.get(wheel.filter, 1.0)
    return Optics(plain.aperture_mm, plain.focal_length_mm, plain.pixel_um, max(efficiency, 1e-6), plain.obstruction_mm)


def shooting_of(
    equipment: Equipment, wheel: Wheel, goal: Goal | None, *, sub_s: float, pause_share: float = 0.0
) -> Shooting:
    """How a rig shoots a filter for a goal.

    A goal in hours has no brightness: it is reckoned as a faint one, a fiftieth of a dark sky, whose pace in every moment is
    relative to the best there is (`gains.reference_hours` turns it into hours).
    """
    optics = optics_for(equipment, wheel)
    rayleigh = photons = 0.0
    snr, box = (goal.snr, goal.box_arcsec) if goal is not None else (10.0, 10.0)
    if goal is not None and goal.surface_brightness_rayleigh is not None:
        # Light of the lines passes the filter where they stand in it, not at its peak.
        at_line = wheel.line_transmission if wheel.line_transmission is not None else wheel.peak
        rayleigh = goal.surface_brightness_rayleigh * at_line / wheel.peak if wheel.peak > 0 else 0.0
    elif goal is not None and goal.surface_brightness_mag_arcsec2 is not None:
        photons = float(photons_from_ab(goal.surface_brightness_mag_arcsec2, wheel.band.centre_nm))
    else:
        photons = float(photons_from_ab(22.0, wheel.band.centre_nm)) / 50.0
    return Shooting(
        optics=optics,
        band=wheel.band,
        read_noise_e=equipment.read_noise_e,
        sub_s=sub_s,
        rayleigh=rayleigh,
        signal_photons=photons,
        dark_e_per_s=equipment.dark_e_per_s,
        overhead_s=equipment.overhead_s(sub_s),
        pause_share=pause_share,
        snr=snr,
        box_arcsec=box,
    )


def usual_sub_s(wheel: Wheel) -> float:
    """A sub length where nothing else tells one."""
    return USUAL_SUB_NARROW_S if wheel.narrow else USUAL_SUB_BROAD_S


def refocus_s_of(rig: Rig, site: Site, night_s: float) -> tuple[float, str | None]:
    """Expected seconds between focusings from the night's fall of temperature, and a sentence where it is only usual."""
    telescope = rig.telescope
    cooling = rig.night_cooling_c if rig.night_cooling_c is not None else site.night_cooling_c
    expansion = expansion_of(telescope.tube, telescope.expansion_per_c)
    if (
        cooling is None
        or expansion is None
        or telescope.focal_length_mm is None
        or telescope.aperture_mm is None
        or night_s <= 0
    ):
        lacking = [
            name
            for name, value in (
                ("night_cooling_c", cooling),
                ("telescope.tube", expansion),
                ("telescope.focal_length_mm", telescope.focal_length_mm),
                ("telescope.aperture_mm", telescope.aperture_mm),
            )
            if value is None
        ]
        told = f"{rig.name}: {', '.join(lacking)} {_is(lacking)} not given: focusing every {USUAL_REFOCUS_S / 60:.0f} min is taken"
        return USUAL_REFOCUS_S, told if lacking else None
    ratio = telescope.focal_length_mm / telescope.aperture_mm
    seeing = site.seeing_arcsec if site.seeing_arcsec is not None else USUAL_SEEING_ARCSEC
    tolerance = max(
        depth_of_focus_um(550.0, ratio),
        seeing_tolerance_um(seeing, focal_ratio=ratio, focal_length_mm=telescope.focal_length_mm),
    )
    interval = refocus_interval_s(
        tolerance_um=tolerance, expansion_per_k=expansion, focal_length_mm=telescope.focal_length_mm, cooling_k=cooling,
        night_s=night_s,
    )  # fmt: skip
    return interval, None
