"""The loop that finds the largest rectangle of a mask. Serves `fold`."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy")
def largest_rectangle(mask, box):
    """Fill `box` with x0, y0, x1, y1 (inclusive) of the largest all-True rectangle; returns its area, 0 for none.

    Row by row, the heights of True columns above form a histogram; a stack of rising heights gives the largest
    rectangle under it in one pass. Of equal areas the first found (topmost lower edge, then leftmost right edge) wins.
    """
    height, width = mask.shape
    columns = np.zeros(width + 1, np.int64)
    stack = np.empty(width + 1, np.int64)
    best = 0
    for y in range(height):
        row = mask[y]
        for x in range(width):
            columns[x] = columns[x] + 1 if row[x] else 0
        depth = 0
        for x in range(width + 1):
            while depth > 0 and columns[stack[depth - 1]] > columns[x]:
                depth -= 1
                tall = columns[stack[depth]]
                first = stack[depth - 1] + 1 if depth > 0 else 0
                area = tall * (x - first)
                if area > best:
                    best = area
                    box[0] = first
                    box[1] = y - tall + 1
                    box[2] = x - 1
                    box[3] = y
            stack[depth] = x
            depth += 1
    return best
