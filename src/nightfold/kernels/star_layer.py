"""Star models added to and fitted on a plane, and the filling of holes from their surroundings."""

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy")
def _profile_at(profile, per_px, r):
    """The radial profile, tabulated `per_px` times a pixel, at radius `r`; 0 beyond its end."""
    place = r * per_px
    i = int(place)
    if i + 1 >= profile.size:
        return 0.0
    t = place - i
    return (1.0 - t) * profile[i] + t * profile[i + 1]


@njit(nogil=True, cache=True, error_model="numpy")
def _reach(profile, per_px, amplitude, least):
    """The radius beyond which amplitude x profile stays under `least`."""
    i = profile.size - 2
    while i > 0 and amplitude * profile[i] < least:
        i -= 1
    return (i + 1) / per_px


@njit(nogil=True, cache=True, error_model="numpy")
def star_reach(amplitudes, profile, per_px, least):
    """The radius (pixels) beyond which each star's model stays under `least` (one a star); 0 without light."""
    reach = np.zeros(amplitudes.size)
    for k in range(amplitudes.size):
        if amplitudes[k] > 0.0:
            reach[k] = _reach(profile, per_px, amplitudes[k], least[k])
    return reach


@njit(nogil=True, cache=True, error_model="numpy")
def add_stars(xs, ys, amplitudes, profile, per_px, least, sign, out):
    """Add sign x the stars' models to `out`, each as far as it exceeds `least` (one a star)."""
    height, width = out.shape
    for k in range(xs.size):
        if amplitudes[k] <= 0.0:
            continue
        r = _reach(profile, per_px, amplitudes[k], least[k])
        for y in range(max(0, int(ys[k] - r)), min(height, int(ys[k] + r) + 2)):
            for x in range(max(0, int(xs[k] - r)), min(width, int(xs[k] + r) + 2)):
                d = np.sqrt((x - xs[k]) ** 2 + (y - ys[k]) ** 2)
                if d <= r:
                    out[y, x] += np.float32(sign * amplitudes[k] * _profile_at(profile, per_px, d))


@njit(nogil=True, cache=True, error_model="numpy")
def fit_stars(residual, variance, xs, ys, amplitudes, profile, per_px, radius, ceiling, image, least):
    """One round over the stars: fit each one's amplitude to the residual with its own model put back, and take it off again.

    Pixels of `image` at or above `ceiling` do not count, so a saturated star is fitted by its flanks.
    """
    height, width = residual.shape
    for k in range(xs.size):
        top = 0.0
        bottom = 0.0
        used = 0
        reach = radius
        for _ in range(3):
            top = 0.0
            bottom = 0.0
            used = 0
            for y in range(max(0, int(ys[k] - reach)), min(height, int(ys[k] + reach) + 2)):
                for x in range(max(0, int(xs[k] - reach)), min(width, int(xs[k] + reach) + 2)):
                    d = np.sqrt((x - xs[k]) ** 2 + (y - ys[k]) ** 2)
                    if d > reach or image[y, x] >= ceiling:
                        continue
                    p = _profile_at(profile, per_px, d)
                    data = residual[y, x] + amplitudes[k] * p
                    # The profile is not known better than to some percent of itself: bright cores must not rule alone.
                    known = variance[y, x] + (0.05 * amplitudes[k] * p) ** 2
                    top += p * data / known
                    bottom += p * p / known
                    used += 1
            # A core that is cut off flat must be fitted by what lies around it.
            if 2 * used >= reach * reach:
                break
            reach = 1.7 * reach
        new = top / bottom if bottom > 0.0 else amplitudes[k]
        new = max(new, 0.0)
        change = new - amplitudes[k]
        amplitudes[k] = new
        r = _reach(profile, per_px, max(abs(change), 1e-30), least[k])
        for y in range(max(0, int(ys[k] - r)), min(height, int(ys[k] + r) + 2)):
            for x in range(max(0, int(xs[k] - r)), min(width, int(xs[k] + r) + 2)):
                d = np.sqrt((x - xs[k]) ** 2 + (y - ys[k]) ** 2)
                if d <= r:
                    residual[y, x] -= np.float32(change * _profile_at(profile, per_px, d))


@njit(nogil=True, cache=True, error_model="numpy")
def mark_cores(xs, ys, amplitudes, profile, per_px, bright, core_px, mask):
    """Set `mask` (uint8) where a star's model exceeds `bright` (one a star) or within `core_px` of its centre."""
    height, width = mask.shape
    for k in range(xs.size):
        if amplitudes[k] <= 0.0:
            continue
        r = max(core_px, _reach(profile, per_px, amplitudes[k], bright[k]))
        for y in range(max(0, int(ys[k] - r)), min(height, int(ys[k] + r) + 2)):
            for x in range(max(0, int(xs[k] - r)), min(width, int(xs[k] + r) + 2)):
                if (x - xs[k]) ** 2 + (y - ys[k]) ** 2 <= r * r:
                    mask[y, x] = 1


@njit(nogil=True, cache=True, error_model="numpy")
def halve_weighted(image, weight, out, out_weight):
    """Weighted means of 2 x 2 pixels, and their weights as a share of the four."""
    height, width = image.shape
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            total = 0.0
            value = 0.0
            for dy in range(2):
                for dx in range(2):
                    yy = min(2 * y + dy, height - 1)
                    xx = min(2 * x + dx, width - 1)
                    total += weight[yy, xx]
                    value += weight[yy, xx] * image[yy, xx]
            out[y, x] = np.float32(value / total) if total > 0.0 else np.float32(0.0)
            out_weight[y, x] = np.float32(min(1.0, total))


@njit(nogil=True, cache=True, error_model="numpy")
def blend_doubled(coarse, image, weight):
    """Where `weight` is below 1, mix in `coarse` (half the size) by bilinear interpolation, in place."""
    height, width = image.shape
    rows, columns = coarse.shape
    for y in range(height):
        fy = min(max(0.5 * (y - 0.5), 0.0), rows - 1.0)
        j = min(int(fy), max(rows - 2, 0))
        ty = fy - j
        j1 = min(j + 1, rows - 1)
        for x in range(width):
            w = weight[y, x]
            if w >= 1.0:
                continue
            fx = min(max(0.5 * (x - 0.5), 0.0), columns - 1.0)
            i = min(int(fx), max(columns - 2, 0))
            tx = fx - i
            i1 = min(i + 1, columns - 1)
            value = (1 - ty) * ((1 - tx) * coarse[j, i] + tx * coarse[j, i1]) + ty * (
                (1 - tx) * coarse[j1, i] + tx * coarse[j1, i1]
            )
            image[y, x] = np.float32(w * image[y, x] + (1.0 - w) * value)


@njit(nogil=True, cache=True, error_model="numpy")
def relax(image, mask, rounds):
    """Bring masked pixels towards the mean of their four neighbours, in place, red and black by turns (Gauss-Seidel)."""
    height, width = image.shape
    count = 0
    for y in range(height):
        for x in range(width):
            count += 1 if mask[y, x] != 0 else 0
    # Holes are few: their pixels are listed once, red ones from the start of the list, black ones from its end.
    places = np.empty((count, 2), np.int32)
    reds = 0
    blacks = count
    for y in range(height):
        for x in range(width):
            if mask[y, x] == 0:
                continue
            if (x + y) % 2 == 0:
                places[reds, 0] = y
                places[reds, 1] = x
                reds += 1
            else:
                blacks -= 1
                places[blacks, 0] = y
                places[blacks, 1] = x
    for turn in range(2 * rounds):
        for k in range(0 if turn % 2 == 0 else reds, reds if turn % 2 == 0 else count):
            y = places[k, 0]
            x = places[k, 1]
            up = y - 1 if y > 0 else min(1, height - 1)
            down = y + 1 if y < height - 1 else max(height - 2, 0)
            left = x - 1 if x > 0 else min(1, width - 1)
            right = x + 1 if x < width - 1 else max(width - 2, 0)
            image[y, x] = np.float32(0.25) * (image[up, x] + image[down, x] + image[y, left] + image[y, right])
