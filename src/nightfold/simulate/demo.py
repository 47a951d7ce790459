"""The small invented campaign of `nightfold demo`: plan of the frames, and the campaign file that fits them.

A southern site, two refractors side by side, an emission nebula in Hα, [O III] and [S II] on three nights of 2026: a
meridian flip on each, the first rig's camera put back turned by three degrees before the third, a bank of cloud, one badly
guided sub, and a satellite. Site, rigs and nebula are our own invention; the bright stars are the sky's.
"""

from __future__ import annotations

from typing import Any

TARGET = "Lantern Shell"
_RA_DEG, _DEC_DEG = 250.2, -48.8
_SUB_S = 300.0
_FLAT_S = 3.0
_FILTERS = [
    {"name": "Ha", "centre_nm": 656.28, "width_nm": 3.0, "transmission": 0.9, "line": "Ha"},
    {"name": "OIII", "centre_nm": 500.7, "width_nm": 3.0, "transmission": 0.9, "line": "OIII"},
    {"name": "SII", "centre_nm": 672.4, "width_nm": 3.0, "transmission": 0.9, "line": "SII"},
]
_HERON = {
    "name": "Heron 106",
    "camera": "Heron camera",
    "aperture_mm": 106.0,
    "focal_length_mm": 530.0,
    "pixel_um": 4.63,
    "width_px": 900,
    "height_px": 620,
    "e_per_adu": 0.25,
    "read_noise_e": 1.6,
    "full_well_e": 16000.0,
    "offset_adu": 200.0,
    "gain_setting": 100.0,
    "offset_setting": 20.0,
    "bits": 14,
    "flat_mismatch": 0.004,
    "tilt_px": [0.35, 0.2],
    "curvature_px": 0.6,
    "coma_px": 0.25,
    "cosmic_rays_per_cm2_min": 6.0,
    "seed": 106,
}
_WREN = {
    "name": "Wren 61",
    "camera": "Wren camera",
    "aperture_mm": 61.0,
    "focal_length_mm": 275.0,
    "pixel_um": 2.9,
    "width_px": 840,
    "height_px": 600,
    "e_per_adu": 0.2,
    "read_noise_e": 1.3,
    "full_well_e": 12500.0,
    "offset_adu": 240.0,
    "gain_setting": 120.0,
    "offset_setting": 30.0,
    "bits": 16,
    "flat_mismatch": 0.003,
    "curvature_px": 0.9,
    "distortion": 4e-4,
    "cosmic_rays_per_cm2_min": 6.0,
    "seed": 61,
}


def demo_plan() -> dict[str, Any]:
    """The plan for `simulate_plan`: 48 subs and 66 calibration frames, none larger than 900 x 620."""
    return {
        "name": "Lantern Shell demo",
        "seed": 20260514,
        "site": {
            "latitude_deg": -32.6,
            "longitude_deg": 147.2,
            "elevation_m": 390.0,
            "utc_offset_h": 10.0,
            "sky_mag_arcsec2": 21.2,
            "extinction_mag": 0.14,
        },
        "scene": {
            "object": TARGET,
            "ra_deg": _RA_DEG,
            "dec_deg": _DEC_DEG,
            "size_arcmin": [48.0, 48.0],
            "faintest_g": 17.5,
            "nebula": {
                "seed": 18,
                "radius_arcmin": 7.2,
                "extent_arcmin": 50.0,
                "peak_rayleigh": {"Ha": 650.0, "OIII": 380.0, "SII": 280.0},
            },
        },
        "rig": [{**_HERON, "filter": _FILTERS}, {**_WREN, "filter": _FILTERS}],
        "night": [
            _night(
                "2026-05-14", seeing=3.2, heron_angle=2.0, fault=("SII", {"sub": 2, "kind": "trail", "amount": 45.0})
            ),
            _night(
                "2026-05-15", seeing=3.8, heron_angle=2.0, fault=("OIII", {"sub": 2, "kind": "cloud", "amount": 0.85})
            ),
            _night(
                "2026-05-26", seeing=3.4, heron_angle=5.1, fault=("Ha", {"sub": 1, "kind": "trailing", "amount": 5.0})
            ),
        ],
        "calibration": [*_calibration("Heron 106", turned=True), *_calibration("Wren 61", turned=False)],
    }


def _night(date: str, *, seeing: float, heron_angle: float, fault: tuple[str, dict[str, Any]]) -> dict[str, Any]:
    """Three runs of a rig, the last past the meridian; the target crosses it near 15:20 UTC on the first."""
    counts = {"2026-05-14": (3, 3, 2), "2026-05-15": (2, 2, 3), "2026-05-26": (3, 3, 3)}[date]
    starts = ("14:05", "14:25", "15:50") if date != "2026-05-26" else ("13:25", "14:35", "15:00")
    runs = []
    for rig, angle in (("Heron 106", heron_angle), ("Wren 61", 0.8)):
        for name, subs, start in zip(("Ha", "OIII", "SII"), counts, starts):
            run: dict[str, Any] = {
                "rig": rig,
                "filter": name,
                "start": start,
                "subs": subs,
                "exposure_s": _SUB_S,
                "position_angle_deg": angle,
                "dither_arcsec": 14.0,
                "creep_arcsec_h": [6.0, -4.0],
                "focus_drift_px_h": 0.5,
            }
            if name == fault[0] and (rig == "Heron 106" or fault[1]["kind"] == "cloud"):
                run["fault"] = [fault[1]]
            runs.append(run)
    return {
        "date": date,
        "seeing_arcsec": seeing,
        "sky_gradient": [0.05, -0.03],
        "ambient_c": 12.0,
        "sensor_c": -5.0,
        "run": runs,
    }


def _calibration(rig: str, *, turned: bool) -> list[dict[str, Any]]:
    sets: list[dict[str, Any]] = [
        {"rig": rig, "kind": "bias", "count": 5, "start": "2026-05-15T20:00:00Z"},
        {"rig": rig, "kind": "dark", "count": 6, "exposure_s": _SUB_S, "start": "2026-05-15T20:10:00Z"},
        {"rig": rig, "kind": "flat_dark", "count": 4, "exposure_s": _FLAT_S, "start": "2026-05-15T20:50:00Z"},
    ]
    for day, angle in (("2026-05-15", 2.0), ("2026-05-26", 5.1)) if turned else (("2026-05-15", 0.8),):
        for n, name in enumerate(("Ha", "OIII", "SII")):
            sets.append(
                {
                    "rig": rig,
                    "kind": "flat",
                    "filter": name,
                    "count": 4,
                    "exposure_s": _FLAT_S,
                    "start": f"{day}T21:{10 + n:02d}:00Z",
                    "position_angle_deg": angle,
                }
            )
    return sets


def demo_settings_text() -> str:
    """The demo's `campaign.toml`."""
    rigs = "\n".join(_rig_text(rig, guide) for rig, guide in ((_HERON, 0.6), (_WREN, 0.7)))
    return f"""# The demo campaign. Site, rigs and nebula are invented.
name = "Lantern Shell demo"
begun = 2026-05-14

[site]
latitude_deg = -32.6
longitude_deg = 147.2
elevation_m = 390
time_zone = "Australia/Brisbane"   # UTC+10 all year, as the invented site keeps it
sky_mag_arcsec2 = 21.2
extinction_mag = 0.14
seeing_arcsec = 3.4
clear_night_probability = 0.45
horizon_deg = [[0, 15], [90, 20], [180, 12], [270, 25]]

{rigs}
[[target]]
name = "{TARGET}"
ra_deg = {_RA_DEG}
dec_deg = {_DEC_DEG}
size_arcmin = [22, 17]
position_angle_deg = 2
rigs = ["{_HERON["name"]}", "{_WREN["name"]}"]
[[target.goal]]
filter = "Ha"
surface_brightness_rayleigh = 40.0
snr = 10
[[target.goal]]
filter = "OIII"
surface_brightness_rayleigh = 40.0
snr = 10
[[target.goal]]
filter = "SII"
surface_brightness_rayleigh = 30.0
snr = 10
"""


def _rig_text(rig: dict[str, Any], guide_rms_arcsec: float) -> str:
    filters = "".join(
        f"""[[rig.filter]]
name = "{f["name"]}"
centre_nm = {f["centre_nm"]}
width_nm = {f["width_nm"]}
peak_transmission = {f["transmission"]}
lines_nm = [{f["centre_nm"]}]
"""
        for f in _FILTERS
    )
    return f"""[[rig]]
name = "{rig["name"]}"
sub_s = {_SUB_S:g}
[rig.telescope]
aperture_mm = {rig["aperture_mm"]:g}
focal_length_mm = {rig["focal_length_mm"]:g}
obstruction_mm = 0
tube = "aluminium"
[rig.camera]
width_px = {rig["width_px"]}
height_px = {rig["height_px"]}
pixel_um = {rig["pixel_um"]}
bits = {rig["bits"]}
gains = [ {{ setting = {rig["gain_setting"]:g}, e_per_adu = {rig["e_per_adu"]}, read_noise_e = {rig["read_noise_e"]}, \
full_well_e = {rig["full_well_e"]:g}, offset_adu = {rig["offset_adu"]:g}, offset_setting = {rig["offset_setting"]:g} }} ]
dark_e_per_s = [ [-11, 0.002], [-5, 0.004], [1, 0.008] ]
quantum_efficiency = [ [500, 0.80], [656, 0.65], [672, 0.62] ]
[rig.mount]
flips = true
hour_angle_limits_h = [-5.5, 0.1]
flip_takes_s = 180
guide_rms_arcsec = {guide_rms_arcsec}
min_altitude_deg = 30
[rig.focuser]
step_um = 1.2
takes_s = 120
{filters}"""
