"""Loops over whole frames for the sky mesh: halving a frame, and the clipped histogram of each cell."""

import math

import numpy as np
from numba import njit

BINS = 96
"""Histogram bins of a cell: an eighth of a sigma each, from 5 sigma below the first guess to 7 above."""

SURVIVORS = 0.98658
"""Standard deviation of normal data within 3 sigma."""


@njit(nogil=True, cache=True, error_model="numpy")
def halve_row(upper, lower, out):
    """Write means of 2x2 cells of two rows over finite pixels into `out`; NaN for none."""
    one = np.float32(1.0)
    zero = np.float32(0.0)
    big = np.float32(np.inf)
    for x in range(out.size):
        a = upper[2 * x]
        b = upper[2 * x + 1]
        c = lower[2 * x]
        d = lower[2 * x + 1]
        wa = one if abs(a) < big else zero
        wb = one if abs(b) < big else zero
        wc = one if abs(c) < big else zero
        wd = one if abs(d) < big else zero
        total = (a if abs(a) < big else zero) + (b if abs(b) < big else zero)
        total += (c if abs(c) < big else zero) + (d if abs(d) < big else zero)
        out[x] = total / (wa + wb + wc + wd)


@njit(nogil=True, cache=True, error_model="numpy")
def halve(image, mask, has_mask, saturation, out):
    """Write means of 2x2 cells over finite, unmasked pixels into `out` (NaN for none); return the saturated count.

    `mask` bit 1 leaves a pixel out, bit 2 says that it is saturated.
    """
    height, width = out.shape
    saturated = 0
    one = np.float32(1.0)
    zero = np.float32(0.0)
    big = np.float32(np.inf)
    for y in range(height):
        upper = image[2 * y]
        lower = image[2 * y + 1]
        row = out[y]
        halve_row(upper, lower, row)
        count = 0
        for x in range(2 * width):
            count += (upper[x] >= saturation) + (lower[x] >= saturation)
        saturated += count
        if has_mask:
            for x in range(width):
                bits = mask[2 * y, 2 * x] | mask[2 * y, 2 * x + 1] | mask[2 * y + 1, 2 * x] | mask[2 * y + 1, 2 * x + 1]
                if bits == 0:
                    continue
                total = zero
                good = zero
                for j in range(2):
                    for i in range(2):
                        value = image[2 * y + j, 2 * x + i]
                        bit = mask[2 * y + j, 2 * x + i]
                        if bit & 2 and not value >= saturation:
                            saturated += 1
                        if not bit & 1 and abs(value) < big:
                            total += value
                            good += one
                row[x] = total / good
    return saturated


@njit(nogil=True, cache=True, error_model="numpy")
def cell_skies(image, y_edges, x_edges, least, level, sigma):
    """Write the clipped level and the scatter of every cell of `image`; NaN where fewer than the share `least` is finite.

    One pass over the pixels fills a histogram; all clipping is done on that. The level is the mode 2.5 median - 1.5
    mean where they differ by less than 0.3 sigma, else the median (Bertin & Arnouts 1996, A&AS 117, 393, eq. 1). The
    scatter is taken from the lower side, where no star adds to it.
    """
    counts = np.zeros(BINS + 1, np.int32)
    below_n = np.zeros(BINS + 1, np.int64)
    below_s = np.zeros(BINS + 1, np.int64)
    below_q = np.zeros(BINS + 1, np.int64)
    places = np.empty(image.shape[1], np.int32)
    unsorted = np.empty(64, np.float32)
    smaller = np.empty(64, np.int32)
    sample = np.empty(64, np.float32)
    for j in range(level.shape[0]):
        y0 = y_edges[j]
        ny = y_edges[j + 1] - y0
        for i in range(level.shape[1]):
            x0 = x_edges[i]
            nx = x_edges[i + 1] - x0
            level[j, i] = np.nan
            sigma[j, i] = np.nan
            # A first guess from 8 x 8 pixels spread over the cell.
            n = 0
            for sy in range(8):
                for sx in range(8):
                    value = image[y0 + (2 * sy + 1) * ny // 16, x0 + (2 * sx + 1) * nx // 16]
                    if not abs(value) < np.inf:
                        continue
                    unsorted[n] = value
                    n += 1
            if n < 4:
                continue
            for k in range(n, 64):
                unsorted[k] = np.float32(np.inf)
            # Each goes to the place that the count of smaller ones tells, and equal ones to those after it; the processor
            # counts for many at once.
            for k in range(64):
                smaller[k] = 0
                sample[k] = np.float32(np.inf)
            for m in range(64):
                value = unsorted[m]
                for k in range(64):
                    smaller[k] += np.int32(value < unsorted[k])
            for k in range(n):
                sample[smaller[k]] = unsorted[k]
            for k in range(1, n):
                if sample[k] == np.float32(np.inf):
                    sample[k] = sample[k - 1]
            guess = np.float64(sample[n // 2])
            spread = guess - np.float64(sample[(n * 16) // 100])
            if spread <= 0.0:
                spread = 0.5 * (np.float64(sample[(n * 84) // 100]) - np.float64(sample[(n * 16) // 100]))
            if spread <= 0.0:
                spread = np.float64(sample[n - 1]) - np.float64(sample[0])
            if spread <= 0.0:
                spread = 1e-6 * abs(guess) + 1e-6
            # Whole-numbered data: bins are single steps, centred, or else quantiles inside a bin would jump.
            step = sample[n - 1] - sample[0]
            for k in range(1, n):
                if sample[k] > sample[k - 1]:
                    step = min(step, sample[k] - sample[k - 1])
            whole = step > np.float32(0.0) and np.float64(step) * 8.0 > spread
            for k in range(1, n):
                if not whole:
                    break
                steps = (sample[k] - sample[0]) / step
                whole = abs(steps - math.floor(steps + 0.5)) < 1e-3
            if whole:
                per = 1.0 / np.float64(step)
                low = guess - (math.floor(5.0 * spread * per) + 1.5) * step
            else:
                low = guess - 5.0 * spread
                per = 8.0 / spread
            low32 = np.float32(low)
            per32 = np.float32(per)
            for k in range(BINS + 1):
                counts[k] = 0
            finite = 0
            for y in range(ny):
                row = image[y0 + y, x0 : x0 + nx]
                # Where each pixel belongs first, which the processor does for many at once; what is far off or no number
                # goes past the end.
                good = np.int32(0)
                for x in range(nx):
                    place = (row[x] - low32) * per32
                    inside = place >= np.float32(0.0) and place < np.float32(BINS)
                    places[x] = np.int32(place if inside else np.float32(BINS))
                    good += np.int32(abs(row[x]) < np.float32(np.inf))
                finite += good
                for x in range(nx):
                    counts[np.uint32(places[x])] += 1
            if finite < least * ny * nx:
                continue
            first = 0
            last = BINS
            middle = (guess - low) * per
            mean = middle
            scatter = spread * per
            # Running sums over the bins, of counts, of the bins' numbers, and of their squares: any stretch is then a difference.
            for k in range(BINS):
                here = np.int64(counts[k])
                below_n[k + 1] = below_n[k] + here
                below_s[k + 1] = below_s[k] + here * k
                below_q[k + 1] = below_q[k] + here * k * k
            width = 0.0 if whole else 1.0 / 12.0
            # From here on in bins, and back to the frame's unit at the end; a count lies at the middle of its bin.
            for _ in range(12):
                n = below_n[last] - below_n[first]
                if n < 4:
                    break
                mean = (below_s[last] - below_s[first]) / n + 0.5
                # The median lies in the bin that passes half of them, straight inside it.
                half = below_n[first] + 0.5 * n
                k = first
                end = last
                while k < end:
                    m = (k + end) // 2
                    if below_n[m + 1] > half:
                        end = m
                    else:
                        k = m + 1
                rest = half - below_n[k]
                middle = k + rest / counts[k]
                # Root mean square distance of the half below the median from it; that of a bin's own width is taken off.
                distance = middle - 0.5
                squares = (below_n[k] - below_n[first]) * (distance * distance - width) + below_q[k] - below_q[first]
                squares -= 2.0 * distance * (below_s[k] - below_s[first])
                distance = 0.5 * (middle - k)
                squares += rest * distance * distance * (4.0 / 3.0)
                scatter = max(math.sqrt(max(squares, 0.0) / (0.5 * n)) / SURVIVORS, 0.1)
                new_first = max(0, math.floor(middle - 3.0 * scatter))
                new_last = min(BINS, math.ceil(middle + 3.0 * scatter))
                if new_first == first and new_last == last:
                    break
                first = new_first
                last = new_last
            mean = low + mean / per
            middle = low + middle / per
            scatter /= per
            if abs(mean - middle) < 0.3 * scatter:
                level[j, i] = 2.5 * middle - 1.5 * mean
            else:
                level[j, i] = middle
            sigma[j, i] = scatter


@njit(nogil=True, cache=True, error_model="numpy")
def standing_out(image, level, sigma, first_row, row_weights, least, out):
    """Write (image - level) / sigma, `sigma` at least `least`; 0 for pixels that are no numbers.

    `level` and `sigma` are mesh rows already spread along x; row y blends four of them from `first_row[y]` with
    `row_weights[y]`.
    """
    for y in range(image.shape[0]):
        k = first_row[y]
        w0 = row_weights[y, 0]
        w1 = row_weights[y, 1]
        w2 = row_weights[y, 2]
        w3 = row_weights[y, 3]
        row = image[y]
        target = out[y]
        for x in range(row.size):
            value = row[x]
            sky = w0 * level[k, x] + w1 * level[k + 1, x] + w2 * level[k + 2, x] + w3 * level[k + 3, x]
            noise = w0 * sigma[k, x] + w1 * sigma[k + 1, x] + w2 * sigma[k + 2, x] + w3 * sigma[k + 3, x]
            apart = (value - sky) / max(noise, least)
            target[x] = apart if abs(value) < np.float32(np.inf) else np.float32(0.0)


@njit(nogil=True, cache=True, error_model="numpy")
def second_differences(image, first, step, out):
    """Write |2 p(x) - p(x - 2) - p(x + 2)| of every `step`-th row from `first` on, where all three are finite; return how many."""
    n = 0
    for y in range(first, image.shape[0], step):
        row = image[y]
        for x in range(2, row.size - 2):
            apart = abs(2.0 * np.float64(row[x]) - np.float64(row[x - 2]) - np.float64(row[x + 2]))
            out[n] = apart
            n += np.int64(apart < np.inf)
    return n


@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def mean_square_within(values, most):
    """Mean square of the values of at most `most`; NaN for none."""
    total = 0.0
    count = 0
    for i in range(values.size):
        value = np.float64(values[i])
        inside = value <= most
        total += value * value if inside else 0.0
        count += np.int64(inside)
    return total / count
