"""The loop that finds the largest rectangle of a mask. Serves `fold`."""

from __future__ import annotations

import numpy as np
from numba import njit

BLOCK = 64


@njit(nogil=True, cache=True, error_model="numpy")
def largest_rectangle(mask, box):
    """Fill `box` with x0, y0, x1, y1 (inclusive) of the largest all-True rectangle; returns its area, 0 for none.

    Row by row, the heights of True columns above form a histogram; a stack of rising heights gives the largest
    rectangle under it in one pass. Of equal areas the first found (topmost lower edge, then leftmost right edge) wins.
    The stack holds the last column of each run of one height: runs are passed over 64 columns at a time.
    """
    height, width = mask.shape
    columns = np.zeros(width + 1, np.int32)
    stack = np.empty(width + 1, np.int64)
    best = 0
    for y in range(height):
        row = mask[y]
        depth = 0
        before = np.int32(-1)
        for begin in range(0, width + 1, BLOCK):
            end = min(begin + BLOCK, width)
            odd = np.int32(0)
            piece = columns[begin:end]
            there = row[begin:end]
            for i in range(piece.size):
                tall = (piece[i] + np.int32(1)) * np.int32(there[i])
                piece[i] = tall
                odd |= tall ^ before
            if odd == 0 and end == begin + BLOCK:
                stack[depth - 1] = end - 1
                continue
            for x in range(begin, end + 1 if end == width else end):
                level = columns[x]
                while depth > 0 and columns[stack[depth - 1]] > level:
                    depth -= 1
                    tall = columns[stack[depth]]
                    first = stack[depth - 1] + 1 if depth > 0 else 0
                    area = np.int64(tall) * (x - first)
                    if area > best:
                        best = area
                        box[0] = first
                        box[1] = y - tall + 1
                        box[2] = x - 1
                        box[3] = y
                if depth > 0 and columns[stack[depth - 1]] == level:
                    stack[depth - 1] = x
                else:
                    stack[depth] = x
                    depth += 1
            before = columns[end - 1]
    return best
