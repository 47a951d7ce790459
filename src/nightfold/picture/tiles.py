"""Tiles of a picture, each with the apron that a step looks into, so that a step done by tiles gives what it gives on the whole.

A tile at the frame's edge ends there, with its apron: steps mirror pictures about their edges, and see the same edges in the tile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

TILE_PX = 512
"""A dozen planes of a tile with its apron fit into a processor's shared cache."""
Run = Callable[..., Iterable[Any]]
"""How to work through tiles: `map`, or the `map` of a thread pool."""
Area = tuple[slice, slice]


@dataclass(frozen=True, slots=True)
class Tile:
    """`inner` is the tile, `outer` the tile with its apron, both (rows, columns) of the whole; `within` is inner in outer."""

    inner: Area
    outer: Area
    within: Area


def tiles(shape: tuple[int, ...], apron_px: int, tile_px: int = TILE_PX) -> Iterator[Tile]:
    """Tiles that cover `shape` (height, width), none twice; the last of a row or column is up to half a tile longer."""
    for y0, y1 in _spans(shape[0], tile_px):
        for x0, x1 in _spans(shape[1], tile_px):
            top, left = max(0, y0 - apron_px), max(0, x0 - apron_px)
            bottom, right = min(shape[0], y1 + apron_px), min(shape[1], x1 + apron_px)
            yield Tile(
                (slice(y0, y1), slice(x0, x1)),
                (slice(top, bottom), slice(left, right)),
                (slice(y0 - top, y1 - top), slice(x0 - left, x1 - left)),
            )


def _spans(size: int, tile_px: int) -> list[tuple[int, int]]:
    starts = list(range(0, max(size - tile_px // 2, 1), tile_px))
    return list(zip(starts, [*starts[1:], size]))
