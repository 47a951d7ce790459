"""Sharpening on a graphics card through PyTorch (extra `gpu`): the same rounds as `picture.sharpen`, within 1e-5 of them.

A picture's planes cross to the card once and stay there for all rounds; that is where a card pays. What was measured, and why
folding stays on the processor, stands in `design/gpu.md`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError
from nightfold.picture.sharpen import haste
from nightfold.picture.wavelets import noise_factors

Plane32 = npt.NDArray[np.float32]


def card_device() -> Any:
    """The device to work on; a PictureError says what is missing."""
    try:
        import torch
    except ModuleNotFoundError as error:
        raise PictureError(
            "working on a graphics card needs PyTorch", next_step="pip install nightfold[gpu], or leave --gpu out"
        ) from error
    if not torch.cuda.is_available():
        raise PictureError(
            "no graphics card that PyTorch can use was found",
            seen=f"PyTorch {torch.__version__}",
            next_step="leave --gpu out",
        )
    return torch.device("cuda")


class CardRounds:
    """The two operations of a round of sharpening on planes that live on the card.

    Parameters
    ----------
    device : torch.device
        Where to work; the processor serves for tests.
    variance : float32 (height, width)
        Of the plane.
    sigma : float
        Of the Gaussian, pixels.
    """

    def __init__(self, device: Any, variance: Plane32, sigma: float) -> None:
        import torch

        self._torch, self._device = torch, device
        radius = int(4.0 * sigma + 0.5)  # as scipy.ndimage.gaussian_filter with truncate 4
        x = torch.arange(-radius, radius + 1, dtype=torch.float64, device=device)
        taps = torch.exp(-0.5 * (x / sigma) ** 2)
        self._taps = (taps / taps.sum()).to(torch.float32)
        self._radius = radius
        self.variance = self.up(variance)
        self._local = self._smooth(self._smooth(self.variance, 0), 1)

    def up(self, plane: Plane32) -> Any:
        """A plane on the card."""
        return self._torch.from_numpy(np.ascontiguousarray(plane, np.float32)).to(self._device)

    def blur(self, plane: Any) -> Any:
        """Convolution with the Gaussian, mirrored about the middles of the edge pixels."""
        pad, conv = self._torch.nn.functional.pad, self._torch.nn.functional.conv2d
        r, four = self._radius, plane.view(1, 1, *plane.shape)
        along = conv(pad(four, (0, 0, r, r), mode="reflect"), self._taps.view(1, 1, -1, 1))
        return conv(pad(along, (r, r, 0, 0), mode="reflect"), self._taps.view(1, 1, 1, -1)).view(*plane.shape)

    def structure(self, residual: Any, strengths: Sequence[float]) -> Any:
        """What of a residual stands out of the noise, as `picture.noise.significant` says it."""
        fine = residual
        out = self._torch.zeros_like(residual)
        for level, factor in enumerate(noise_factors(len(strengths))):
            broad = self._smooth(fine, level)
            noise = factor**2 * self._local
            power = self._smooth((fine - broad) ** 2, level) - strengths[level] ** 2 * noise
            power = self._torch.clamp(power, min=0.0)
            out += power / (power + noise) * (fine - broad)
            fine = broad
        return out + fine

    def _smooth(self, plane: Any, level: int) -> Any:
        """The B3 spline of a level, mirrored about the outer edges of the edge pixels."""
        return self._smooth_rows(self._smooth_rows(plane, level).T, level).T

    def _smooth_rows(self, plane: Any, level: int) -> Any:
        step, width = 1 << level, plane.shape[1]
        index = self._torch.arange(-2 * step, width + 2 * step, device=self._device) % (2 * width)
        wide = plane[:, self._torch.where(index < width, index, 2 * width - 1 - index)]
        a, b, c, d, e = (wide[:, k * step : k * step + width] for k in range(5))
        return (a + e) / 16.0 + (b + d) / 4.0 + c * 0.375


def rounds_on_card(
    data: Plane32,
    variance: Plane32,
    *,
    sigma: float,
    most_rounds: int,
    strengths: Sequence[float],
    nothing_left: float,
    slow: float,
    device: Any = None,
) -> Plane32:
    """The estimate after the rounds of `picture.sharpen`; `data` (height, width) is positive, `variance` its noise squared."""
    card = CardRounds(device if device is not None else card_device(), variance, sigma)
    torch = card._torch
    light = card.up(data)
    y, x = light.clone(), light.clone()
    g = torch.zeros_like(light)
    before = math.inf
    for _ in range(most_rounds):
        blurred = card.blur(y)
        true = card.structure(light - blurred, strengths)
        left = float((true * true / card.variance).mean(dtype=torch.float64))
        if left < nothing_left or before - left < slow * before:
            break
        before = left
        ratio = torch.clamp(blurred + true, min=0.0) / torch.clamp(blurred, min=1e-20)
        new = y * card.blur(ratio)
        step = new - y
        along, length = (float((a * g).sum(dtype=torch.float64)) for a in (step, g))
        y = torch.clamp(new + haste(along, length) * (new - x), min=1e-20)
        x, g = new, step
    return np.asarray(y.cpu().numpy(), np.float32)
