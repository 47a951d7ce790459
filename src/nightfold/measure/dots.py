"""Rows of dots: the flashes of an aircraft's lights, sharp as stars and strung on a line.

They are many and bright, so they would pass for the frame's clean stars and their width for the seeing. A row is believed
where far more of the brighter sources lie on one line than chance puts there.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SEEDS, POOL = 40, 240
"""Brightest sources through whose pairs lines are laid, and brightest sources that are counted on them."""
LEAST_DOTS = 14
"""By chance 240 sources on 0.6 megapixels put so many on one of the 780 lines in fewer than one frame of 1000 (Poisson)."""
CHANCE_SIGMAS = 8.0
MOST_ROWS = 6


def dots_in_rows(
    x: FloatArray, y: FloatArray, *, shape: tuple[int, int], fwhm_px: float, pool: int = POOL
) -> npt.NDArray[np.bool_]:
    """True for sources that lie in rows; x, y of shape (n,), brightest first; `shape` (height, width) of the frame."""
    found = np.zeros(x.size, bool)
    reach = 1.0 + 0.3 * fwhm_px
    area = float(shape[0] * shape[1])
    for _ in range(MOST_ROWS):
        left = np.flatnonzero(~found)[:pool]
        if left.size < LEAST_DOTS:
            break
        px, py = x[left], y[left]
        i, j = np.triu_indices(min(SEEDS, left.size), k=1)
        dx, dy = px[j] - px[i], py[j] - py[i]
        length = np.hypot(dx, dy)
        apart = length > 20.0 * reach  # nearer pairs tell no direction
        i, dx, dy, length = i[apart], dx[apart], dy[apart], length[apart]
        if i.size == 0:
            break
        across = np.abs((py[None, :] - py[i, None]) * dx[:, None] - (px[None, :] - px[i, None]) * dy[:, None])
        on = across <= reach * length[:, None]
        counts = np.count_nonzero(on, axis=1)
        best = int(np.argmax(counts))
        # What chance puts on a line: as over the whole frame, or as beside the line where a cluster is denser.
        beside = (across[best] > 2.0 * reach * length[best]) & (across[best] <= 8.0 * reach * length[best])
        chance = max(left.size * 2.0 * reach * math.hypot(*shape) / area, float(np.count_nonzero(beside)) / 6.0)
        if counts[best] < max(LEAST_DOTS, chance + CHANCE_SIGMAS * math.sqrt(chance)):
            break
        found[left[on[best]]] = True
    return found
