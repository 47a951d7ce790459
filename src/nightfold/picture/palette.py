"""Filters into red, green and blue: named palettes as matrices, free matrices, and the balance between the filters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError

Rows = Mapping[str, tuple[float, float, float]]

PALETTES: dict[str, dict[str, tuple[float, float, float]]] = {
    "SHO": {"SII": (1.0, 0.0, 0.0), "Ha": (0.0, 1.0, 0.0), "OIII": (0.0, 0.0, 1.0)},
    "HSO": {"Ha": (1.0, 0.0, 0.0), "SII": (0.0, 1.0, 0.0), "OIII": (0.0, 0.0, 1.0)},
    "HOS": {"Ha": (1.0, 0.0, 0.0), "OIII": (0.0, 1.0, 0.0), "SII": (0.0, 0.0, 1.0)},
    "OHS": {"OIII": (1.0, 0.0, 0.0), "Ha": (0.0, 1.0, 0.0), "SII": (0.0, 0.0, 1.0)},
    "HOO": {"Ha": (1.0, 0.0, 0.0), "OIII": (0.0, 1.0, 1.0)},
    "RGB": {"R": (1.0, 0.0, 0.0), "G": (0.0, 1.0, 0.0), "B": (0.0, 0.0, 1.0)},
    "LRGB": {"L": (0.0, 0.0, 0.0), "R": (1.0, 0.0, 0.0), "G": (0.0, 1.0, 0.0), "B": (0.0, 0.0, 1.0)},
}
"""Share of each filter in (red, green, blue). The trade's names: first letter to red, second to green, third to blue.

Any other three letters of `LETTERS` make a palette in the same way; L gives lightness only.
"""

LETTERS = {"S": "SII", "H": "Ha", "O": "OIII", "N": "NII", "R": "R", "G": "G", "B": "B"}


def rows_of(name: str) -> dict[str, tuple[float, float, float]] | None:
    """The rows of a palette by its name in any case, None if the name means nothing."""
    known = PALETTES.get(name.upper())
    if known is not None:
        return dict(known)
    if len(name) != 3 or any(letter not in LETTERS for letter in name.upper()):
        return None
    filters = [LETTERS[letter] for letter in name.upper()]
    return {f: (float(filters[0] == f), float(filters[1] == f), float(filters[2] == f)) for f in filters}


def palette_rows(name: str, filters: Sequence[str]) -> dict[str, tuple[float, float, float]]:
    """The palette of that name, for the filters at hand; a PictureError names what is missing."""
    rows = rows_of(name)
    if rows is None:
        raise PictureError(
            "unknown palette", seen=name, allowed=", ".join(PALETTES), next_step="or write a matrix in a recipe"
        )
    missing = [f for f in rows if f not in filters]
    if missing:
        fitting = [n for n, r in PALETTES.items() if all(f in filters for f in r)]
        raise PictureError(
            f"palette {name.upper()} needs filters that have no master",
            seen=f"masters of {', '.join(filters) or 'nothing'}; missing {', '.join(missing)}",
            allowed=", ".join(fitting) or "a matrix of your own in a recipe",
        )
    return dict(rows)


def automatic_palette(filters: Sequence[str]) -> tuple[str, dict[str, tuple[float, float, float]]]:
    """A palette that suits the filters at hand: a named one where one fits, else grey of what there is."""
    for name in ("SHO", "HOO", "LRGB", "RGB"):
        if all(f in filters for f in PALETTES[name]):
            return name, dict(PALETTES[name])
    if not filters:
        raise PictureError("there is no master to make a picture of", next_step="fold first: nightfold fold")
    share = 1.0 / len(filters)
    return "grey", dict.fromkeys(filters, (share, share, share))


def mix(planes: Mapping[str, npt.NDArray[np.float32]], rows: Rows) -> npt.NDArray[np.float32]:
    """Planes (height, width) into RGB (height, width, 3), float32: each channel the weighted sum of its filters.

    Channels are divided by the sum of their weights, so that filters which fill a channel alone or together are as bright.
    """
    return np.stack(mix_planes(planes, rows), axis=-1)


def mix_planes(
    planes: Mapping[str, npt.NDArray[np.float32]], rows: Rows
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """The same as three planes."""
    unknown = [f for f in rows if f not in planes]
    if unknown:
        raise PictureError(
            "the mix names filters that the recipe has no master of",
            seen=", ".join(unknown),
            allowed=", ".join(planes),
        )
    first = planes[next(iter(rows))]
    channels = []
    for channel in range(3):
        total = sum(shares[channel] for shares in rows.values())
        plane = np.zeros(first.shape, np.float32)
        for name, shares in rows.items():
            if shares[channel]:
                plane += np.float32(shares[channel] / total if total > 0 else shares[channel]) * planes[name]
        channels.append(plane)
    return channels[0], channels[1], channels[2]


def balance_gains(signals: Mapping[str, float], noises: Mapping[str, float], spread: float) -> dict[str, float]:
    """Gain of each filter that brings its nebula near the brightest one's: 1 at spread 0, fully equal at spread 1.

    H-alpha outshines the others nearly everywhere; left alone it would paint the picture in one colour. A filter is not
    raised beyond the point at which its noise would be three times that of the brightest filter.
    """
    if not 0.0 <= spread <= 1.0:
        raise PictureError("the colour spread is impossible", seen=f"{spread}", allowed="0 to 1")
    brightest = max(signals, key=lambda f: signals[f])
    gains = {}
    for name, signal in signals.items():
        gain = (signals[brightest] / signal) ** spread if signal > 0 else 1.0
        ceiling = 3.0 * noises[brightest] / noises[name] if noises[name] > 0 else gain
        gains[name] = float(min(gain, max(1.0, ceiling)))
    return gains
