"""What is fixed in a camera and its light path: pixel response, dust, vignetting, dark and bias patterns.

Each pattern is drawn from the rig's own seed, so subs, darks and flats of one rig agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from zlib import crc32

import numpy as np
import numpy.typing as npt

from nightfold.simulate.rig import SimRig

Image = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensor:
    """Fixed patterns, each (height, width) float32. Dark rates are at the rig's reference temperature."""

    response: Image  # mean 1
    dark_e_per_s: Image
    glow_e_per_s: Image
    bias_adu: Image
    hot_pixels: npt.NDArray[np.int64]  # (n, 2): x, y
    telegraph: npt.NDArray[np.int64]  # (m, 2): those that come and go
    telegraph_e_per_s: npt.NDArray[np.float32]


def unit_grid(width_px: int, height_px: int) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """u (1, width) and v (height, 1): -1 to 1 from border to border, 0 at the frame's centre."""
    u = ((np.arange(width_px) - (width_px - 1) / 2.0) / (width_px / 2.0)).astype(np.float32)
    v = ((np.arange(height_px) - (height_px - 1) / 2.0) / (height_px / 2.0)).astype(np.float32)
    return u[None, :], v[:, None]


@lru_cache(maxsize=8)
def sensor_of(rig: SimRig) -> Sensor:
    """The camera's fixed patterns."""
    rng = np.random.default_rng([rig.seed, 101])
    shape = (rig.height_px, rig.width_px)
    response = 1.0 + rig.pixel_response_sigma * rng.standard_normal(shape, dtype=np.float32)
    dark = (rig.dark_e_per_s * np.exp(0.25 * rng.standard_normal(shape, dtype=np.float32))).astype(np.float32)
    n_hot = round(rig.hot_pixel_share * shape[0] * shape[1])
    place = rng.choice(shape[0] * shape[1], size=n_hot, replace=False)
    hot = np.stack([place % shape[1], place // shape[1]], axis=-1).astype(np.int64)
    rate = rng.exponential(rig.hot_pixel_e_per_s, n_hot).astype(np.float32)
    n_telegraph = round(rig.telegraph_share * n_hot)
    steady = hot[n_telegraph:]
    dark[steady[:, 1], steady[:, 0]] += rate[n_telegraph:]
    for column in rng.choice(shape[1], size=min(rig.hot_columns, shape[1]), replace=False):
        first = int(rng.integers(0, max(shape[0] // 2, 1)))
        dark[first:, column] += np.float32(0.3 * rig.hot_pixel_e_per_s)
    u, v = unit_grid(shape[1], shape[0])
    # An amplifier warms its corner; the glow falls off exponentially with the distance.
    glow = rig.amplifier_glow_e_per_s * np.exp(-4.0 * np.hypot(1.0 - u, 0.6 * (1.0 - v)))
    bias = rig.bias_column_adu * rng.standard_normal((1, shape[1])) + 0.8 * rig.bias_column_adu * v * v
    return Sensor(
        response=response,
        dark_e_per_s=dark,
        glow_e_per_s=glow.astype(np.float32),
        bias_adu=np.broadcast_to(bias, shape).astype(np.float32),
        hot_pixels=hot,
        telegraph=hot[:n_telegraph],
        telegraph_e_per_s=rate[:n_telegraph],
    )


def _cell(rig: SimRig, filter_name: str) -> Image:
    """Throughput of the 2x2 cell of a colour filter array at a filter's centre: round numbers of common dyes."""
    wavelength = rig.filter_named(filter_name).centre_nm
    colours = {
        "R": (min(wavelength, 620.0), 620.0, 40.0),
        "G": (wavelength, 535.0, 45.0),
        "B": (wavelength, 460.0, 40.0),
    }
    passed = {c: 0.02 + 0.98 * np.exp(-0.5 * ((w - at) / sigma) ** 2) for c, (w, at, sigma) in colours.items()}
    return np.array([passed[c] for c in rig.cfa], dtype=np.float32).reshape(2, 2)


@lru_cache(maxsize=32)
def light_path(rig: SimRig, filter_name: str, *, angle_deg: float = 0.0, of_flat: bool = False) -> Image:
    """Throughput (height, width) of optics, dust and pixels relative to the axis, as subs or as flats see it.

    Dust on the sensor is common to all filters, dust on a filter is its own and moves with a turned camera. Subs
    differ from flats by `flat_mismatch`, a smooth gradient and ring such as stray light leaves.
    """
    u, v = unit_grid(rig.width_px, rig.height_px)
    aspect = rig.height_px / rig.width_px
    norm = 1.0 + aspect**2
    r2 = (u * u + (v * aspect) ** 2) / norm
    path = (1.0 - rig.vignetting * r2 * (0.7 + 0.3 * r2)).astype(np.float32)
    own = np.random.default_rng([rig.seed, 202, crc32(filter_name.encode())])
    common = np.random.default_rng([rig.seed, 203])
    y, x = np.ogrid[0 : rig.height_px, 0 : rig.width_px]
    turn = np.radians(angle_deg)
    for n, rng in ((rig.dust_shadows // 2, common), (rig.dust_shadows - rig.dust_shadows // 2, own)):
        for _ in range(n):
            at = (rng.random(2) - 0.5) * (rig.width_px, rig.height_px)
            if rng is own:
                at = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ at
            radius = float((18.0 if rng is own else 6.0) * (0.7 + 0.6 * rng.random()))
            depth = float(rig.dust_depth * (0.4 + 0.6 * rng.random()))
            r = np.hypot(x - at[0] - rig.width_px / 2, y - at[1] - rig.height_px / 2) / radius
            shade = np.clip((1.0 - r) * radius / 3.0, 0.0, 1.0) * np.clip((r - 0.35) * radius / 3.0 + 0.5, 0.25, 1.0)
            path *= (1.0 - depth * shade).astype(np.float32)
    path *= sensor_of(rig).response
    if rig.cfa:
        path *= np.tile(_cell(rig, filter_name), ((rig.height_px + 1) // 2, (rig.width_px + 1) // 2))[
            : rig.height_px, : rig.width_px
        ]
    if rig.flat_mismatch and not of_flat:
        path *= (1.0 + rig.flat_mismatch * (0.5 * u - 0.3 * v + 0.6 * r2 - 0.2) / 1.2).astype(np.float32)
    path.setflags(write=False)
    return path
