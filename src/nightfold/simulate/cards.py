"""Header cards of simulated frames, as cameras write them, and files written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from nightfold.simulate.rig import SimRig

IMAGE_TYPES = {
    "sub": "Light Frame",
    "bias": "Bias Frame",
    "dark": "Dark Frame",
    "flat": "Flat Field",
    "flat_dark": "Flat Dark",
}

Card = tuple[object, str]


def camera_cards(
    rig: SimRig,
    *,
    kind: str,
    start: datetime,
    exposure_s: float,
    sensor_c: float,
    set_point_c: float,
    utc_offset_h: float,
) -> dict[str, Card]:
    """Cards that every frame has. Times are UTC."""
    cards: dict[str, Card] = {
        "IMAGETYP": (IMAGE_TYPES[kind], "kind of exposure"),
        "DATE-OBS": (start.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "UTC start of exposure"),
        "DATE-LOC": ((start + timedelta(hours=utc_offset_h)).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "local start"),
        "EXPTIME": (round(exposure_s, 6), "[s] exposure"),
        "GAIN": (rig.gain_setting, "gain setting"),
        "OFFSET": (rig.offset_setting, "offset setting"),
        "EGAIN": (rig.e_per_adu, "[e/ADU] electrons per unit"),
        "CCD-TEMP": (round(sensor_c, 1), "[degC] sensor"),
        "SET-TEMP": (set_point_c, "[degC] set point"),
        "XPIXSZ": (rig.pixel_um, "[um] pixel width"),
        "YPIXSZ": (rig.pixel_um, "[um] pixel height"),
        "XBINNING": (1, "binning in x"),
        "YBINNING": (1, "binning in y"),
        "INSTRUME": (rig.camera or f"{rig.name} camera", "camera"),
        "TELESCOP": (rig.name, "telescope"),
        "FOCALLEN": (rig.focal_length_mm, "[mm] focal length"),
        "APTDIA": (rig.aperture_mm, "[mm] aperture"),
    }
    if rig.cfa:
        cards["BAYERPAT"] = (rig.cfa, "colour filter array")
        cards["ROWORDER"] = ("BOTTOM-UP", "first stored row is the lowest")
        # The pattern names the picture's cell from its top; stored rows begin at the bottom.
        if rig.height_px % 2 == 0:
            cards["BAYERPAT"] = (rig.cfa[2:] + rig.cfa[:2], "colour filter array")
    return cards


def write_frame(path: Path, pixels: npt.NDArray[np.uint16], cards: Mapping[str, Card]) -> None:
    """Write a FITS file of unsigned 16-bit pixels; another name first, then renamed."""
    header = fits.Header()
    for key, (value, comment) in cards.items():
        header[key] = (value, comment)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(path.name + ".unfinished")
    fits.PrimaryHDU(pixels, header).writeto(unfinished, overwrite=True, output_verify="exception")
    os.replace(unfinished, path)
