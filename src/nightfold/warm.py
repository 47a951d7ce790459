"""Compiles this machine's code before anybody waits for it: a tiny campaign is worked through once, in the background.

Compiled loops are kept on disk and serve every later run. Making them takes some seconds, once a machine and version. A new
campaign's settings have to be filled in before its first command, and reading headers needs no compiled code: that is when it is done.
One process at a time does it; where the code lies ready, asking costs one look into a folder.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
import tempfile
from pathlib import Path

LAST_COMPILED = "combine.*.nbi"
"""Index files of the kernels that the way from raws to masters needs last."""


def is_warm() -> bool:
    """Whether compiled code lies where it is kept by default, or where NUMBA_CACHE_DIR says."""
    folder = _kept_in()
    beside = folder.name == "__pycache__"
    return any(folder.glob(LAST_COMPILED) if beside else folder.rglob(LAST_COMPILED))


def _kept_in() -> Path:
    """Where compiled code is kept: the named folder, else beside the code, else, where that may not be written, the person's own."""
    named = os.environ.get("NUMBA_CACHE_DIR")
    if named:
        return Path(named)
    kernels = Path(__file__).parent / "kernels"
    if os.access(kernels, os.W_OK):
        return kernels / "__pycache__"
    home = Path.home()
    if os.name == "nt":
        return Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local")) / "numba" / "Cache"
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "numba"
    return Path(os.environ.get("XDG_CACHE_HOME", home / ".cache")) / "numba"


def warm_up_in_background() -> bool:
    """Start the work in a process of its own, at low priority, unless it was done before; whether it was started."""
    if is_warm() or not sys.executable:
        return False
    apart: dict[str, object] = {"start_new_session": True}
    if os.name == "nt":
        apart = {"creationflags": 0x00000008 | 0x00004000}  # detached, below normal priority
    try:
        subprocess.Popen(
            [sys.executable, "-m", "nightfold.warm"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **apart,  # type: ignore[call-overload]
        )  # fmt: skip
    except OSError:
        return False  # then the first command compiles what it needs
    return True


def warm_up_alone() -> bool:
    """Do it unless another process is at it; whether it was done."""
    from filelock import FileLock, Timeout

    folder = _kept_in()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with FileLock(folder / "nightfold-warming.lock", timeout=0):
            if is_warm():
                return False
            warm_up()
    except (Timeout, OSError):
        return False
    return True


def warm_up() -> None:
    """Work through a tiny campaign: calibration, measuring, placing, judging, folding; then forget it."""
    from nightfold.campaign import Campaign

    with tempfile.TemporaryDirectory(prefix="nightfold-") as name:
        folder = Path(name)
        _write_frames(folder / "raws")
        with Campaign.create(folder / "campaign", text=_SETTINGS, workers=1) as campaign:
            campaign.take_in([folder / "raws"])
            campaign.judge()
            campaign.fold()


_SETTINGS = """name = "warm"
[[rig]]
name = "Any"
[rig.telescope]
focal_length_mm = 500
[rig.camera]
pixel_um = 4.6
gains = [ { setting = 100, e_per_adu = 1.0, read_noise_e = 3.0, full_well_e = 50000, offset_adu = 100 } ]
[[rig.filter]]
name = "L"
[[target]]
name = "Anything"
rigs = ["Any"]
"""
_SIDE = 300


def _write_frames(folder: Path) -> None:
    """Some subs of one field, shifted, turned and turned over, with clipped stars and spikes, darks, biases and flats."""
    import numpy as np
    from astropy.io import fits

    folder.mkdir(parents=True)
    rng = np.random.default_rng(1)
    stars = rng.uniform(20.0, _SIDE - 20.0, (60, 2))
    light = rng.uniform(2e3, 3e4, 60)
    light[:2] = 3e6  # clipped
    y, x = np.mgrid[:_SIDE, :_SIDE]

    def write(kind: str, number: int, image: object, **cards: object) -> None:
        counts = np.clip(np.rint(np.asarray(image)), 0, 65535).astype(np.uint16)
        hdu = fits.PrimaryHDU(counts)
        base = {
            "IMAGETYP": kind,
            "GAIN": 100,
            "OFFSET": 10,
            "CCD-TEMP": -10.0,
            "FILTER": "L",
            "XBINNING": 1,
            "YBINNING": 1,
        }
        for key, value in {**base, "INSTRUME": "Any camera", "FOCALLEN": 500.0, "XPIXSZ": 4.6, **cards}.items():
            hdu.header[key] = value
        hdu.writeto(folder / f"{kind}{number}.fits")

    for k in range(8):
        places = stars + rng.uniform(-4.0, 4.0, 2)
        if k % 2:
            places = _SIDE - 1.0 - places
        turn = math.radians({4: 1.0, 6: 60.0}.get(k, 0.0))  # each way of placing has loops of its own
        centred = places - _SIDE / 2.0
        places = centred @ np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]]) + _SIDE / 2.0
        image = 200.0 + rng.normal(0.0, 10.0, (_SIDE, _SIDE))
        for (sx, sy), total in zip(places, light):
            image += total / 12.0 * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 3.8)
        image[rng.integers(20, _SIDE - 20, 5), rng.integers(20, _SIDE - 20, 5)] += 2e4  # too narrow for the kernel
        when = f"2026-05-14T1{3 + k // 6}:{10 * (k % 6):02d}:00"
        write("light", k, image, EXPTIME=60.0, OBJECT="Anything", **{"DATE-OBS": when})
    for k in range(3):
        when = f"2026-05-14T2{k}:00:00"
        write("dark", k, 100.0 + rng.normal(0.0, 3.0, x.shape), EXPTIME=60.0, **{"DATE-OBS": when})
        write("bias", k, 100.0 + rng.normal(0.0, 3.0, x.shape), EXPTIME=0.0, **{"DATE-OBS": when})
        write("flat", k, 20000.0 + rng.normal(0.0, 140.0, x.shape), EXPTIME=2.0, **{"DATE-OBS": when})


if __name__ == "__main__":
    if hasattr(os, "nice"):
        os.nice(10)
    warm_up_alone()
