"""Loops over the small windows around stars: centroids and sums, aperture sums, half-flux radii."""

import math

import numpy as np
from numba import njit

STRIPS = 8
"""Strips of a pixel that a circle's edge crosses; the part of each strip inside the circle is exact."""

WINDOW_COLUMNS = 16


@njit(nogil=True, cache=True, error_model="numpy")
def _inside(dx, dy, radius):
    """Share of the unit pixel centred at (dx, dy) that lies within `radius` of the origin."""
    dx = abs(dx)
    dy = abs(dy)
    near_x = max(dx - 0.5, 0.0)
    near_y = max(dy - 0.5, 0.0)
    if near_x * near_x + near_y * near_y >= radius * radius:
        return 0.0
    if (dx + 0.5) * (dx + 0.5) + (dy + 0.5) * (dy + 0.5) <= radius * radius:
        return 1.0
    total = 0.0
    for k in range(STRIPS):
        y = dy - 0.5 + (k + 0.5) / STRIPS
        rest = radius * radius - y * y
        if rest > 0.0:
            half = math.sqrt(rest)
            total += max(0.0, min(half, dx + 0.5) - max(-half, dx - 0.5))
    return total / STRIPS


@njit(nogil=True, cache=True, error_model="numpy")
def _disk(image, mask, has_mask, x, y, radius, background):
    """Sum above `background` and area of the good pixels within `radius` of (x, y)."""
    height, width = image.shape
    total = 0.0
    area = 0.0
    for j in range(max(0, math.floor(y - radius + 0.5)), min(height, math.floor(y + radius + 0.5) + 1)):
        for i in range(max(0, math.floor(x - radius + 0.5)), min(width, math.floor(x + radius + 0.5) + 1)):
            value = np.float64(image[j, i])
            if abs(value) < np.inf and not (has_mask and mask[j, i] & 1):
                share = _inside(i - x, j - y, radius)
                total += share * (value - background)
                area += share
    return total, area


@njit(nogil=True, cache=True, error_model="numpy")
def disk_sums(image, mask, has_mask, xs, ys, radii, background, sums, areas):
    """Write the sums above background and the areas of one disk a star."""
    for n in range(xs.size):
        sums[n], areas[n] = _disk(image, mask, has_mask, xs[n], ys[n], radii[n], background[n])


@njit(nogil=True, cache=True, error_model="numpy")
def half_radii(image, mask, has_mask, xs, ys, background, half, most, out):
    """Write the radius at which the curve of growth of each star first reaches `half`; NaN if not within `most`."""
    for n in range(xs.size):
        out[n] = np.nan
        if not half[n] > 0.0:
            continue
        # A sixth of `most` is about what a star has; from there outwards in steps.
        low = 0.0
        below = 0.0
        high = most / 6.0
        above = 0.0
        for _ in range(8):
            above = _disk(image, mask, has_mask, xs[n], ys[n], high, background[n])[0]
            if above >= half[n]:
                break
            low = high
            below = above
            high += most * (5.0 / 42.0)
        if above < half[n]:
            continue
        # Regula falsi in the square of the radius (nearly straight there); an end that stays twice counts half (Dowell & Jarratt 1971).
        u0 = low * low
        u1 = high * high
        below -= half[n]
        above -= half[n]
        u = u1
        stayed = 0
        for _ in range(20):
            u = u0 - below * (u1 - u0) / (above - below)
            value = _disk(image, mask, has_mask, xs[n], ys[n], math.sqrt(u), background[n])[0] - half[n]
            if abs(value) < 1e-4 * half[n] or u1 - u0 < 1e-4 * u1:
                break
            if value >= 0.0:
                u1 = u
                above = value
                if stayed == 1:
                    below *= 0.5
                stayed = 1
            else:
                u0 = u
                below = value
                if stayed == -1:
                    above *= 0.5
                stayed = -1
        out[n] = math.sqrt(u)


@njit(nogil=True, cache=True, error_model="numpy")
def _gaussian(centre, steep, out):
    """Fill exp(steep (i - centre)^2) from the middle outwards; neighbours differ by a factor that itself has one."""
    middle = min(max(math.floor(centre + 0.5), 0), out.size - 1)
    top = math.exp(steep * (middle - centre) * (middle - centre))
    bend = math.exp(2.0 * steep)
    for direction in (-1, 1):
        value = top
        factor = math.exp(steep * (1.0 + 2.0 * direction * (middle - centre)))
        i = middle
        while 0 <= i < out.size:
            out[i] = value
            value *= factor
            factor *= bend
            i += direction


@njit(nogil=True, cache=True, error_model="numpy")
def gaussian_neighbours(xs, ys, sigma, out):
    """Write the light of the eight pixels around the brightest over that one's, for Gaussian stars at (xs, ys)."""
    per = 1.0 / (sigma * math.sqrt(2.0))
    for n in range(xs.size):
        inner = 1.0
        outer = 1.0
        for position in (xs[n], ys[n]):
            offset = position - math.floor(position + 0.5)
            inner *= 0.5 * (math.erf((0.5 - offset) * per) + math.erf((0.5 + offset) * per))
            outer *= 0.5 * (math.erf((1.5 - offset) * per) + math.erf((1.5 + offset) * per))
        out[n] = outer / inner - 1.0


@njit(nogil=True, cache=True, error_model="numpy")
def windows(
    image, mask, has_mask, variance, has_variance, saturation, xs, ys, background, sky_variance, width, radius, out
):
    """Measure every star in a small window; see `nightfold.measure.stars.Windows` for the columns of `out`.

    `width` is the sigma of the Gaussian window, `radius` that of the aperture; `variance` is used where given, else sky
    variance plus the star's own light.
    """
    rows, columns = image.shape
    reach = math.ceil(max(radius + 0.5, 4.0 * width)) + 1
    side = 2 * reach + 1
    # Rows are filled up with zeros to whole groups of what the processor takes at once.
    wide = (side + 7) // 8 * 8
    window = np.zeros((side, wide), np.float64)
    noise = np.zeros((side, wide), np.float64)
    gx = np.empty(side, np.float64)
    gy = np.empty(side, np.float64)
    sums = np.empty(wide, np.float64)
    tilts = np.empty(wide, np.float64)
    bends = np.empty(wide, np.float64)
    doubts = np.empty(wide, np.float64)
    bent_doubts = np.empty(wide, np.float64)
    steep = -0.5 / (width * width)
    big = np.float32(np.inf)
    for n in range(xs.size):
        res = out[n]
        for k in range(WINDOW_COLUMNS):
            res[k] = np.nan
        res[14] = 0.0
        if not (xs[n] > -0.5 and ys[n] > -0.5 and xs[n] < columns - 0.5 and ys[n] < rows - 0.5):
            continue
        cx = math.floor(xs[n] + 0.5)
        cy = math.floor(ys[n] + 0.5)
        holes = 0
        saturated = 0
        outside = 0
        close = (radius + 0.5) * (radius + 0.5)
        # Nearly every window holds plain pixels only, and those can be taken in whole rows.
        plain = not has_variance and cx >= reach and cy >= reach and cx + reach < columns and cy + reach < rows
        if plain:
            odd = np.int32(0)
            for j in range(side):
                line = image[cy - reach + j, cx - reach : cx + reach + 1]
                target = window[j]
                for i in range(side):
                    odd += np.int32(not abs(line[i]) < big) + np.int32(line[i] >= saturation)
                    target[i] = np.float64(line[i]) - background[n]
                if has_mask:
                    marks = mask[cy - reach + j, cx - reach : cx + reach + 1]
                    for i in range(side):
                        odd += np.int32(marks[i])
            plain = odd == 0
        if not plain:
            for j in range(side):
                y = cy - reach + j
                for i in range(side):
                    x = cx - reach + i
                    near = (i - reach) * (i - reach) + (j - reach) * (j - reach) <= close
                    value = np.nan
                    if x >= 0 and y >= 0 and x < columns and y < rows:
                        value = np.float64(image[y, x])
                        bits = np.uint8(mask[y, x]) if has_mask else np.uint8(0)
                        if near and (value >= saturation or bits & 2):
                            saturated += 1
                        if bits & 1 or not abs(value) < np.inf:
                            value = np.nan
                            if near:
                                holes += 1
                    elif near:
                        outside += 1
                    window[j, i] = value - background[n]
                    noise[j, i] = sky_variance[n]
                    if has_variance and value == value:
                        noise[j, i] = np.float64(variance[y, x])
            for j in range(side):
                for i in range(side):
                    if window[j, i] != window[j, i]:
                        # A hole takes the value across the centre, or the sky.
                        other = window[side - 1 - j, side - 1 - i]
                        window[j, i] = other if other == other else 0.0
        px = xs[n] - (cx - reach)
        py = ys[n] - (cy - reach)
        # A hot pixel has no width: there this overshoots for ever, and it drops out.
        # Windowed centroid: twice the mean offset under a Gaussian window, until it stands (XWIN of Bertin & Arnouts 1996 and its manual).
        good = False
        total = 0.0
        for _ in range(20):
            _gaussian(px, steep, gx)
            _gaussian(py, steep, gy)
            total = 0.0
            mx = 0.0
            my = 0.0
            # Down the columns first: neighbours along a row do not wait for each other.
            for i in range(wide):
                sums[i] = 0.0
                tilts[i] = 0.0
            for j in range(side):
                g = gy[j]
                if g < 3e-4:
                    continue
                h = g * (j - py)
                line = window[j]
                for i in range(wide):
                    sums[i] += g * line[i]
                    tilts[i] += h * line[i]
            for i in range(side):
                t = gx[i] * sums[i]
                total += t
                mx += t * (i - px)
                my += gx[i] * tilts[i]
            if not total > 0.0:
                break
            dx = 2.0 * mx / total
            dy = 2.0 * my / total
            if not (abs(dx) < 2.0 * width and abs(dy) < 2.0 * width):
                break
            px += dx
            py += dy
            if abs(px - reach) > 2.0 * width + 1.0 or abs(py - reach) > 2.0 * width + 1.0:
                break
            if dx * dx + dy * dy < 1e-8:
                good = True
                break
        if not good:
            continue
        if not has_variance:
            for j in range(side):
                for i in range(wide):
                    value = window[j, i]
                    noise[j, i] = sky_variance[n] + 0.5 * (value + abs(value))
        # Moments and their errors, down the columns first as well.
        for i in range(wide):
            sums[i] = 0.0
            tilts[i] = 0.0
            bends[i] = 0.0
            doubts[i] = 0.0
            bent_doubts[i] = 0.0
        power_y = 0.0
        for j in range(side):
            v = j - py
            g = gy[j]
            gv = g * v
            gvv = gv * v
            gg = g * g
            ggvv = gg * v * v
            power_y += gg
            for i in range(wide):
                value = window[j, i]
                sums[i] += g * value
                tilts[i] += gv * value
                bends[i] += gvv * value
                doubts[i] += gg * noise[j, i]
                bent_doubts[i] += ggvv * noise[j, i]
        xx = 0.0
        yy = 0.0
        xy = 0.0
        ex = 0.0
        ey = 0.0
        power = 0.0
        clutter = 0.0
        for i in range(side):
            u = i - px
            g = gx[i]
            gg = g * g
            xx += g * u * u * sums[i]
            xy += g * u * tilts[i]
            yy += g * bends[i]
            ex += gg * u * u * doubts[i]
            ey += gg * bent_doubts[i]
            clutter += gg * doubts[i]
            power += gg
        power *= power_y
        aperture = 0.0
        aperture_variance = 0.0
        bottom = 0.0
        pixels = 0.0
        disk = 9.0 * width * width + 2.0
        for i in range(wide):
            sums[i] = 0.0
            tilts[i] = 0.0
        for j in range(side):
            v = abs(j - py)
            rest = disk - v * v
            if rest > 0.0:
                half = math.sqrt(rest)
                for i in range(max(0, math.ceil(px - half)), min(side - 1, math.floor(px + half)) + 1):
                    bottom += gx[i] * gy[j]
                    pixels += 1.0
            # Pixels wholly inside the aperture lie side by side; only those that its edge crosses need their share.
            near = max(v - 0.5, 0.0)
            rest = radius * radius - near * near
            if not rest > 0.0:
                continue
            outer = math.sqrt(rest) + 0.5
            left = max(0, math.ceil(px - outer))
            right = min(side - 1, math.floor(px + outer)) + 1
            begin = right
            end = right
            rest = radius * radius - (v + 0.5) * (v + 0.5)
            if rest > 0.25:
                half = math.sqrt(rest) - 0.5
                begin = min(right, max(left, math.ceil(px - half)))
                end = max(begin, min(right, math.floor(px + half) + 1))
            for i in range(begin, end):
                sums[i] += window[j, i]
                tilts[i] += noise[j, i]
            for part in range(2):
                for i in range(end if part else left, right if part else begin):
                    share = _inside(i - px, v, radius)
                    aperture += share * window[j, i]
                    aperture_variance += share * share * noise[j, i]
        for i in range(side):
            aperture += sums[i]
            aperture_variance += tilts[i]
        # The same filter with its mean taken off sees no pedestal: it tells a star from a bump on a halo.
        bottom /= pixels
        for i in range(wide):
            sums[i] = 0.0
            tilts[i] = 0.0
        for j in range(side):
            rest = disk - (j - py) * (j - py)
            if rest > 0.0:
                half = math.sqrt(rest)
                for i in range(max(0, math.ceil(px - half)), min(side - 1, math.floor(px + half)) + 1):
                    g = gx[i] * gy[j] - bottom
                    sums[i] += g * window[j, i]
                    tilts[i] += g * g * noise[j, i]
        contrast = 0.0
        contrast_variance = 0.0
        for i in range(side):
            contrast += sums[i]
            contrast_variance += tilts[i]
        # The brightest pixel next to the centroid and its eight neighbours.
        ci = min(max(math.floor(px + 0.5), 2), side - 3)
        cj = min(max(math.floor(py + 0.5), 2), side - 3)
        bi = ci
        bj = cj
        for j in range(cj - 1, cj + 2):
            for i in range(ci - 1, ci + 2):
                if window[j, i] > window[bj, bi]:
                    bi = i
                    bj = j
        around = -window[bj, bi]
        for j in range(bj - 1, bj + 2):
            for i in range(bi - 1, bi + 2):
                around += window[j, i]
        res[0] = px + cx - reach
        res[1] = py + cy - reach
        res[2] = 2.0 * math.sqrt(0.5 * (ex + ey)) / total
        res[3] = aperture
        res[4] = aperture_variance
        res[5] = total / math.sqrt(clutter)
        res[6] = contrast / math.sqrt(contrast_variance)
        res[7] = window[bj, bi]
        res[8] = xx / total
        res[9] = yy / total
        res[10] = xy / total
        res[11] = saturated
        res[12] = holes
        res[13] = outside
        res[14] = total / math.sqrt(sky_variance[n] * power)
        res[15] = around
