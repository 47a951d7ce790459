"""The finish in OKLab: hues turned, chroma set, lightness moved, local contrast."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import PictureError
from nightfold.picture.colour import chroma, hue_deg, oklab_planes
from nightfold.picture.finish import (
    SECTORS,
    contrast_apron_px,
    lightness_towards,
    local_contrast,
    saturate,
    turn_hues,
)

Lab = tuple[np.ndarray, np.ndarray, np.ndarray]


def of(*colours: tuple[float, float, float]) -> Lab:
    rgb = np.array(colours, np.float32)[None]
    return oklab_planes(rgb[..., 0], rgb[..., 1], rgb[..., 2])


def hues(lab: Lab) -> np.ndarray:
    return hue_deg(np.stack(lab, axis=-1))[0]


def chromas(lab: Lab) -> np.ndarray:
    return chroma(np.stack(lab, axis=-1))[0]


def test_green_turns_to_gold_and_blue_stays() -> None:
    lab = of((0.05, 0.4, 0.05), (0.05, 0.1, 0.6))
    turned = turn_hues(lab, from_deg=100, to_deg=165, towards_deg=80, strength=1.0, feather_deg=20)
    assert hues(turned)[0] == pytest.approx(80, abs=0.1)
    assert hues(turned)[1] == pytest.approx(hues(lab)[1], abs=0.1)
    np.testing.assert_allclose(chromas(turned), chromas(lab), rtol=1e-5)
    np.testing.assert_array_equal(turned[0], lab[0])


def test_a_turn_leaves_no_seam_between_neighbouring_hues() -> None:
    angle = np.radians(np.linspace(0, 360, 3601, dtype=np.float32))[None]
    lab = (np.full_like(angle, 0.6), 0.1 * np.cos(angle), 0.1 * np.sin(angle))
    turned = turn_hues(lab, from_deg=95, to_deg=145, towards_deg=70, strength=0.75, feather_deg=55)
    step = (np.diff(hues(turned)) + 180) % 360 - 180
    assert step.max() < 0.4, "0.1 degrees before"
    assert step.min() > -0.05, "hues keep their order"


def test_a_sector_that_runs_backwards_is_refused() -> None:
    with pytest.raises(PictureError, match="backwards"):
        turn_hues(of((1, 0, 0)), from_deg=100, to_deg=90, towards_deg=0, strength=1)


def test_named_sectors_hold_their_primaries() -> None:
    # sRGB primaries in OKLab: red 29, yellow 110, green 142, cyan 195, blue 264, magenta 328 degrees (Ottosson 2020).
    for name, hue in {"reds": 29.2, "greens": 142.5, "cyans": 194.8, "blues": 264.1, "magentas": 328.4}.items():
        assert SECTORS[name][0] < hue < SECTORS[name][1]


def test_saturation() -> None:
    lab = of((0.2, 0.2, 0.21), (0.0, 0.0, 1.0), (0.001, 0.0, 0.0))
    same = saturate(lab, factor=1.0, most=0.4)
    assert chromas(same)[0] == pytest.approx(chromas(lab)[0], rel=1e-3)
    more = saturate(lab, factor=2.0, most=0.18, grey_below=0.28)
    assert chromas(more)[0] == pytest.approx(2.0 * chromas(lab)[0], rel=0.01)
    assert chromas(more)[1] <= 0.18
    assert chromas(more)[2] < 1e-6, "dark sky is grey"


def test_lightness_goes_where_it_shall_and_hue_stays() -> None:
    lab = of((0.4, 0.2, 0.1))
    there = lightness_towards(lab, np.full((1, 1), 0.9, np.float32), 1.0)
    assert there[0][0, 0] == pytest.approx(0.9)
    assert hues(there)[0] == pytest.approx(hues(lab)[0], abs=0.1)


def test_local_contrast_raises_detail_of_its_size_and_fits_together_from_tiles() -> None:
    _y, x = np.mgrid[0:200, 0:240]
    light = (0.5 + 0.05 * np.sin(2 * np.pi * x / 16.0)).astype(np.float32)
    raised = local_contrast(light, amount=0.5, size_px=8.0)
    assert np.std(raised) > 1.15 * np.std(light)
    np.testing.assert_array_equal(local_contrast(light, amount=0.0, size_px=8.0), light)
    light += np.random.default_rng(1).normal(0, 0.02, light.shape).astype(np.float32)
    whole = local_contrast(light, amount=0.5, size_px=8.0)
    apron = contrast_apron_px(8.0)
    part = local_contrast(light[60 - apron : 120 + apron], amount=0.5, size_px=8.0)[apron:-apron]
    np.testing.assert_allclose(part, whole[60:120], atol=1e-5)
