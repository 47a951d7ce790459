"""Colour arithmetic against the standards' own numbers and against colour-science (CHECKS C1, C3, C4)."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from nightfold.picture.colour import chroma, decode_srgb, encode_srgb, hue_deg, linear_from_oklab, oklab_from_linear


def test_transfer_curve_of_the_standard() -> None:
    # IEC 61966-2-1 (CHECKS C1).
    linear = [0.0031308, 0.01, 0.05, 0.18, 0.5]
    np.testing.assert_allclose(encode_srgb(linear), [0.04045, 0.099853, 0.247801, 0.461356, 0.735357], atol=2e-6)
    np.testing.assert_allclose(decode_srgb([0.5, 128 / 255]), [0.214041, 0.215861], atol=2e-6)
    x = np.linspace(0, 1, 4097)
    np.testing.assert_allclose(decode_srgb(encode_srgb(x)), x, atol=2e-6)


@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        ((1, 0, 0), (0.627955, 0.224863, 0.125846)),
        ((0, 1, 0), (0.866440, -0.233888, 0.179498)),
        ((0, 0, 1), (0.452014, -0.032457, -0.311528)),
    ],
)
def test_oklab_of_the_primaries(rgb: tuple[int, ...], lab: tuple[float, ...]) -> None:
    # Ottosson 2020 (CHECKS C4).
    np.testing.assert_allclose(oklab_from_linear(np.array(rgb, float)), lab, atol=2e-5)


def test_oklab_against_an_independent_library() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        colour = pytest.importorskip("colour")
    rgb = np.random.default_rng(1).uniform(0, 1, (200, 3))
    xyz = colour.RGB_to_XYZ(rgb, "sRGB")
    np.testing.assert_allclose(oklab_from_linear(rgb), colour.XYZ_to_Oklab(xyz), atol=1e-3)
    np.testing.assert_allclose(encode_srgb(rgb), colour.cctf_encoding(rgb, function="sRGB"), atol=2e-6)


def test_oklab_turns_back() -> None:
    rgb = np.random.default_rng(2).uniform(0, 1, (50, 40, 3)).astype(np.float32)
    np.testing.assert_allclose(linear_from_oklab(oklab_from_linear(rgb)), rgb, atol=2e-5)


def test_grey_has_no_chroma_and_hues_are_in_order() -> None:
    grey = oklab_from_linear(np.full((1, 3), 0.3))
    assert float(chroma(grey)[0]) < 1e-4
    hues = hue_deg(oklab_from_linear(np.array([[1.0, 0, 0], [1, 1, 0], [0, 1, 0], [0, 0, 1]])))
    np.testing.assert_allclose(hues, [29.2, 109.8, 142.5, 264.1], atol=0.2)
