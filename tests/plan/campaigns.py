"""Settings for planning tests: our invented rigs at an invented southern site."""

from __future__ import annotations

from nightfold.settings.files import parse_settings
from nightfold.settings.models import CampaignSettings

BANDS = {
    "L": (550.0, 300.0),
    "R": (635.0, 90.0),
    "G": (530.0, 90.0),
    "B": (455.0, 100.0),
    "Ha": (656.28, 3.0),
    "OIII": (500.7, 3.0),
    "SII": (672.4, 3.0),
}

SITE = """
[site]
latitude_deg = -32.6
longitude_deg = 147.2
elevation_m = 390
time_zone = "Australia/Brisbane"
sky_mag_arcsec2 = 21.2
extinction_mag = 0.14
seeing_arcsec = 3.4
clear_night_probability = 0.45
night_cooling_c = 8
"""


def rig_text(name: str = "Heron 106", filters: tuple[str, ...] = ("Ha", "OIII", "SII"), extra: str = "") -> str:
    wheel = "".join(
        f'[[rig.filter]]\nname = "{f}"\ncentre_nm = {BANDS[f][0]}\nwidth_nm = {BANDS[f][1]}\n' for f in filters
    )
    aperture, focal, pixel = (106, 530, 4.63) if name == "Heron 106" else (61, 275, 2.9)
    return f"""
[[rig]]
name = "{name}"
sub_s = 300
{extra}
[rig.telescope]
aperture_mm = {aperture}
focal_length_mm = {focal}
tube = "aluminium"
[rig.camera]
width_px = 4144
height_px = 2822
pixel_um = {pixel}
bits = 14
gains = [ {{ setting = 100, e_per_adu = 0.25, read_noise_e = 1.6, full_well_e = 16000, offset_setting = 20 }} ]
dark_e_per_s = [ [-10, 0.002] ]
quantum_efficiency = [ [450, 0.80], [656, 0.65], [672, 0.62] ]
[rig.mount]
flips = true
min_altitude_deg = 30
{wheel}"""


def target_text(goals: str, *, name: str = "Lantern Shell", ra: float | None = 250.2, dec: float | None = -48.8) -> str:
    place = f"ra_deg = {ra}\ndec_deg = {dec}\n" if ra is not None else ""
    return f'\n[[target]]\nname = "{name}"\n{place}{goals}'


def hours_goals(hours: float, filters: tuple[str, ...] = ("Ha", "OIII", "SII"), panel: int | None = None) -> str:
    tail = f"panel = {panel}\n" if panel is not None else ""
    return "".join(f'[[target.goal]]\nfilter = "{f}"\nhours = {hours}\n{tail}' for f in filters)


def campaign(*parts: str, site: str = SITE) -> CampaignSettings:
    return parse_settings('name = "Lantern"\n' + site + "".join(parts), "campaign.toml")
