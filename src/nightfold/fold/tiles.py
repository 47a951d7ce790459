"""Cuts the master's grid into tiles that fit into memory; the result of a fold does not depend on the cut."""

from __future__ import annotations

from typing import NamedTuple

from nightfold.errors import FoldError

HALO_PX = 4
"""Rejection looks 3 px around a rejected sample, and one further for the gradient (`nightfold.kernels.combine.HALO`)."""
COLUMN_STEP = 16
BYTES_PER_SAMPLE = 5
"""A float32 and a flag."""
BYTES_PER_PIXEL = 32
"""Planes of a tile that do not grow with the number of subs."""
BYTES_PER_RESULT_PIXEL = 16
BEST_ROWS, BEST_COLUMNS = 128, 3200
LEAST_ROWS, LEAST_COLUMNS = 16, 64
STACK_BYTES = 72_000_000
"""More than this per thread gains no speed, so that memory does not grow with the number of subs."""


class Tile(NamedTuple):
    """What a tile gives, rows y0 to y1 and columns x0 to x1, and the region worked on for it; ends not included."""

    y0: int
    y1: int
    x0: int
    x1: int
    region_y0: int
    region_y1: int
    region_x0: int
    region_x1: int

    @property
    def region_shape(self) -> tuple[int, int]:
        """Rows and columns of the region; columns are a multiple of 16."""
        return self.region_y1 - self.region_y0, self.region_x1 - self.region_x0


def plan_tiles(
    grid_shape: tuple[int, int], subs: int, *, workers: int, memory_bytes: int, tile: tuple[int, int] | None = None
) -> list[Tile]:
    """Tiles that cover the grid, row by row.

    Parameters
    ----------
    grid_shape : (int, int)
        Height and width of the grid.
    subs : int
        Samples of a pixel.
    workers : int
        Tiles in work at once.
    memory_bytes : int
        Ceiling for result planes and all tiles in work; a tile has at least 16 rows of 64 columns, whatever it says.
    tile : (int, int), optional
        Rows and columns asked for.
    """
    height, width = grid_shape
    if height < 1 or width < 1:
        raise FoldError("the grid is empty", seen=f"{width}x{height} px", allowed="at least 1x1")
    rows, columns = tile if tile is not None else _fitting(grid_shape, subs, workers, memory_bytes)
    result = []
    for y0 in range(0, height, rows):
        for x0 in range(0, width, columns):
            y1, x1 = min(y0 + rows, height), min(x0 + columns, width)
            result.append(_with_region(y0, y1, x0, x1, height, width))
    return result


def region_bytes(rows: int, columns: int, subs: int) -> int:
    """Scratch of one tile in work."""
    pixels = (rows + 2 * HALO_PX) * (columns + 2 * COLUMN_STEP)
    return pixels * (subs * BYTES_PER_SAMPLE + BYTES_PER_PIXEL)


def _fitting(grid_shape: tuple[int, int], subs: int, workers: int, memory_bytes: int) -> tuple[int, int]:
    """The largest good tile within the budget: first fewer columns, then fewer rows, in turn."""
    height, width = grid_shape
    results = BYTES_PER_RESULT_PIXEL * height * width
    budget = min(STACK_BYTES, max(memory_bytes - results, memory_bytes // 4) // max(workers, 1))
    rows, columns = BEST_ROWS, BEST_COLUMNS
    while region_bytes(rows, columns, subs) > budget and (rows > LEAST_ROWS or columns > LEAST_COLUMNS):
        if (columns > 4 * rows and columns > LEAST_COLUMNS) or rows <= LEAST_ROWS:
            columns //= 2
        else:
            rows //= 2
    return rows, columns


def _with_region(y0: int, y1: int, x0: int, x1: int, height: int, width: int) -> Tile:
    """Halo around, inside the grid; columns from and to multiples of 16, which may pass the grid's right edge."""
    region_x0 = max(x0 - HALO_PX, 0) // COLUMN_STEP * COLUMN_STEP
    region_x1 = -(-min(x1 + HALO_PX, width) // COLUMN_STEP) * COLUMN_STEP
    return Tile(y0, y1, x0, x1, max(y0 - HALO_PX, 0), min(y1 + HALO_PX, height), region_x0, region_x1)
