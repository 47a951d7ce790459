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
BYTES_PER_RESULT_PIXEL = 12
MOST_ROWS, MOST_COLUMNS = 1024, 3200
LEAST_ROWS, LEAST_COLUMNS = 16, 64
READ_MARGIN_PX = 14
"""Source pixels around a tile that are read and calibrated too (the kernel, and looking for narrow peaks)."""
CALL_PX, ROW_PX = 40_000, 220
"""What placing one sub costs beside its pixels, and a call that reads part of a row, in the time of resampling and
combining a pixel (measured)."""
WHOLE_ROWS = 1.1
"""Rows of which more than one part in this many is wanted are read whole."""
READ_SHARE, CALIBRATE_SHARE = 0.09, 0.2
"""What reading a pixel and calibrating one cost against that (measured)."""
STACK_BYTES = 90_000_000
"""More than this a thread gains little speed (measured), so that memory does not grow with the number of subs."""
ASLANT = 0.1
"""Subs that lie aslant by less than this are read as boxes, corners and all."""


class Lie(NamedTuple):
    """How subs lie on the grid, on average: a tile of r rows and c columns needs ``down * r + across * c`` rows of a sub."""

    down: float = 1.0
    across: float = 0.0


AS_THE_GRID = Lie()


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
    grid_shape: tuple[int, int],
    subs: int,
    *,
    workers: int,
    memory_bytes: int,
    tile: tuple[int, int] | None = None,
    lie: Lie = AS_THE_GRID,
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
    lie : Lie
        Wide flat tiles are best for subs that lie as the grid, square ones for subs that lie across.
    """
    height, width = grid_shape
    if height < 1 or width < 1:
        raise FoldError("the grid is empty", seen=f"{width}x{height} px", allowed="at least 1x1")
    rows, columns = tile if tile is not None else _fitting(grid_shape, subs, workers, memory_bytes, lie)
    result = []
    for y0 in range(0, height, rows):
        for x0 in range(0, width, columns):
            y1, x1 = min(y0 + rows, height), min(x0 + columns, width)
            result.append(_with_region(y0, y1, x0, x1, height, width))
    return result


def region_bytes(rows: int, columns: int, subs: int) -> int:
    """Scratch of one tile in work."""
    return (columns + 2 * COLUMN_STEP) * region_bytes_a_column(rows, subs)


def region_bytes_a_column(rows: int, subs: int) -> int:
    """Scratch of one column of a tile in work."""
    return (rows + 2 * HALO_PX) * (subs * BYTES_PER_SAMPLE + BYTES_PER_PIXEL)


def _fitting(grid_shape: tuple[int, int], subs: int, workers: int, memory_bytes: int, lie: Lie) -> tuple[int, int]:
    """The tile of the least work a pixel within the budget."""
    height, width = grid_shape
    results = BYTES_PER_RESULT_PIXEL * height * width
    budget = min(STACK_BYTES, max(memory_bytes - results, memory_bytes // 4) // max(workers, 1))
    fitting = [(LEAST_ROWS, LEAST_COLUMNS)]
    for rows in range(LEAST_ROWS, MOST_ROWS + 1, LEAST_ROWS):
        room = budget // region_bytes_a_column(rows, subs) - 2 * COLUMN_STEP
        columns = min(int(room) // COLUMN_STEP * COLUMN_STEP, MOST_COLUMNS)
        if columns >= LEAST_COLUMNS:
            across = -(-width // columns)  # tiles of even width instead of a narrow last one
            fitting.append((rows, min(columns, -(-width // (across * COLUMN_STEP)) * COLUMN_STEP)))
    return min(fitting, key=lambda tile: (_work(min(tile[0], height), min(tile[1], width), width, lie), tile))


def _work(rows: int, columns: int, width: int, lie: Lie) -> float:
    """Time that a pixel of a tile takes, in that of resampling and combining one; `width` is a sub's."""
    made_rows, made_columns = rows + 2 * HALO_PX, columns + 1.5 * COLUMN_STEP
    lines = lie.down * made_rows + lie.across * made_columns + 2 * READ_MARGIN_PX
    # A sub aslant is read between the tile's edges only: the same area, and a margin all around it.
    wide = lie.down * made_columns + lie.across * made_rows + 2 * READ_MARGIN_PX
    area = made_rows * made_columns + 2 * READ_MARGIN_PX * (lines + wide)
    if lie.across < ASLANT * lie.down:
        area = max(area, lines * wide)
    reading = READ_SHARE * width if WHOLE_ROWS * wide >= width else ROW_PX + READ_SHARE * wide
    return (CALIBRATE_SHARE * area + reading * lines + made_rows * made_columns + CALL_PX) / (rows * columns)


def _with_region(y0: int, y1: int, x0: int, x1: int, height: int, width: int) -> Tile:
    """Halo around, inside the grid; columns from and to multiples of 16, which may pass the grid's right edge."""
    region_x0 = max(x0 - HALO_PX, 0) // COLUMN_STEP * COLUMN_STEP
    region_x1 = -(-min(x1 + HALO_PX, width) // COLUMN_STEP) * COLUMN_STEP
    return Tile(y0, y1, x0, x1, max(y0 - HALO_PX, 0), min(y1 + HALO_PX, height), region_x0, region_x1)
