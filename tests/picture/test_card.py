"""Sharpening on a card equals sharpening on the processor within 1e-5; without a card it says so in one line."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightfold.errors import PictureError
from nightfold.picture import card
from nightfold.picture.sharpen import sharpen


def nebula() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(8)
    light = 40.0 * ndimage.gaussian_filter(np.clip(rng.normal(size=(180, 230)), 0, None) ** 4, 2.0)
    variance = (0.02 + 0.001 * light).astype(np.float32)
    image = (ndimage.gaussian_filter(light, 1.4) + np.sqrt(variance) * rng.normal(size=light.shape)).astype(np.float32)
    return image, variance


def test_the_card_gives_what_the_processor_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    torch = pytest.importorskip("torch", reason="PyTorch (extra gpu) is not installed")
    monkeypatch.setattr(card, "card_device", lambda: torch.device("cpu"))
    image, variance = nebula()
    plain = sharpen(image, variance, fwhm_px=3.3)
    on_card = sharpen(image, variance, fwhm_px=3.3, on_card=True)
    assert np.abs(plain - image).max() > 0.5, "something was sharpened"
    np.testing.assert_allclose(on_card, plain, rtol=1e-5, atol=1e-5 * float(image.max()))


def test_no_card_is_told_in_one_line() -> None:
    image, variance = nebula()
    try:
        import torch

        if torch.cuda.is_available():
            pytest.skip("there is a card here")
    except ModuleNotFoundError:
        pass
    with pytest.raises(PictureError, match="leave --gpu out"):
        sharpen(image, variance, fwhm_px=3.3, on_card=True)
