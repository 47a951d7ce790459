"""Loops over the small windows around stars: centroids and sums, aperture sums, half-flux radii, Moffat fits."""

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
        low = 0.0
        below = 0.0
        step = most / 8.0
        high = 0.0
        above = 0.0
        for _ in range(8):
            high += step
            above = _disk(image, mask, has_mask, xs[n], ys[n], high, background[n])[0]
            if above >= half[n]:
                break
            low = high
            below = above
        if above < half[n]:
            continue
        # Regula falsi in the square of the radius (nearly straight there), every third step a bisection.
        u0 = low * low
        u1 = high * high
        for k in range(12):
            if k % 3 == 2:
                u = 0.5 * (u0 + u1)
            else:
                u = u0 + (half[n] - below) * (u1 - u0) / (above - below)
            value = _disk(image, mask, has_mask, xs[n], ys[n], math.sqrt(u), background[n])[0]
            if value >= half[n]:
                u1 = u
                above = value
            else:
                u0 = u
                below = value
            if u1 - u0 < 1e-4 * u1 or abs(value - half[n]) < 1e-4 * half[n]:
                break
        out[n] = math.sqrt(u0 + (half[n] - below) * (u1 - u0) / max(above - below, 1e-30))


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
    noise = np.empty((side, side), np.float64)
    gx = np.empty(side, np.float64)
    gy = np.empty(side, np.float64)
    sums = np.empty(wide, np.float64)
    tilts = np.empty(wide, np.float64)
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
        xx = 0.0
        yy = 0.0
        xy = 0.0
        ex = 0.0
        ey = 0.0
        power = 0.0
        clutter = 0.0
        aperture = 0.0
        aperture_variance = 0.0
        bottom = 0.0
        pixels = 0.0
        disk = 9.0 * width * width + 2.0
        for j in range(side):
            v = j - py
            for i in range(side):
                u = i - px
                value = window[j, i]
                var = noise[j, i] if has_variance else sky_variance[n] + 0.5 * (value + abs(value))
                g = gx[i] * gy[j]
                t = g * value
                xx += t * u * u
                yy += t * v * v
                xy += t * u * v
                s = g * g * var
                ex += s * u * u
                ey += s * v * v
                power += g * g
                clutter += s
                if u * u + v * v <= disk:
                    bottom += g
                    pixels += 1.0
                share = _inside(u, v, radius)
                aperture += share * value
                aperture_variance += share * share * var
        # The same filter with its mean taken off sees no pedestal: it tells a star from a bump on a halo.
        bottom /= pixels
        contrast = 0.0
        contrast_variance = 0.0
        for j in range(side):
            v = j - py
            for i in range(side):
                u = i - px
                if u * u + v * v <= disk:
                    g = gx[i] * gy[j] - bottom
                    contrast += g * window[j, i]
                    value = window[j, i]
                    var = noise[j, i] if has_variance else sky_variance[n] + 0.5 * (value + abs(value))
                    contrast_variance += g * g * var
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


@njit(nogil=True, cache=True, error_model="numpy")
def _moffat_sums(window, weight, side, p, points, step, free, matrix, vector):
    """Fill the normal equations of the Moffat model at `p`; return chi square.

    The model is A (1 + g s)^(-1/g) with s = cxx u^2 + 2 cxy u v + cyy v^2 and g = 1/beta, averaged over the pixel at
    points^2 Gauss-Legendre points. Written so, g and the widths hardly depend on each other, and g = 0 is a Gaussian.
    """
    matrix[:] = 0.0
    vector[:] = 0.0
    d = np.empty(7, np.float64)
    chi = 0.0
    part = 1.0 / (points * points)
    for j in range(side):
        for i in range(side):
            w = weight[j, i]
            if w == 0.0:
                continue
            model = 0.0
            d[:] = 0.0
            for a in range(points):
                v = j - p[1] + (2 * a - points + 1) * step
                for b in range(points):
                    u = i - p[0] + (2 * b - points + 1) * step
                    s = p[3] * u * u + 2.0 * p[4] * u * v + p[5] * v * v
                    q = 1.0 + p[6] * s
                    if q < 1e-6:
                        return np.inf
                    log_q = math.log(q)
                    f = math.exp(-log_q / p[6]) * part
                    g = -p[2] * f / q
                    model += p[2] * f
                    d[0] -= g * 2.0 * (p[3] * u + p[4] * v)
                    d[1] -= g * 2.0 * (p[4] * u + p[5] * v)
                    d[2] += f
                    d[3] += g * u * u
                    d[4] += g * 2.0 * u * v
                    d[5] += g * v * v
                    d[6] += p[2] * f * (log_q / p[6] - s / q) / p[6]
            r = window[j, i] - model
            chi += w * r * r
            for k in range(free):
                vector[k] += w * r * d[k]
                for m in range(k + 1):
                    matrix[k, m] += w * d[k] * d[m]
    return chi


@njit(nogil=True, cache=True, error_model="numpy")
def _solve(matrix, vector, damping, size, step):
    """Solve the damped normal equations by Cholesky factors; False if they are not positive definite."""
    low = np.zeros((7, 7), np.float64)
    for i in range(size):
        for j in range(i + 1):
            s = matrix[i, j]
            if i == j:
                s *= 1.0 + damping
            for k in range(j):
                s -= low[i, k] * low[j, k]
            if i == j:
                if not s > 0.0:
                    return False
                low[i, i] = math.sqrt(s)
            else:
                low[i, j] = s / low[j, j]
    for i in range(size):
        s = vector[i]
        for k in range(i):
            s -= low[i, k] * step[k]
        step[i] = s / low[i, i]
    for r in range(size):
        i = size - 1 - r
        s = step[i]
        for k in range(i + 1, size):
            s -= low[k, i] * step[k]
        step[i] = s / low[i, i]
    return True


@njit(nogil=True, cache=True, error_model="numpy")
def moffat_fits(image, mask, has_mask, starts, background, sky_variance, reach, points, free, out):
    """Fit a Moffat profile to each star by Levenberg-Marquardt.

    `starts` holds x, y, A, cxx, cxy, cyy, 1/beta; with `free` 6, beta stays. `out` gets the seven values, the reduced
    chi square (NaN if the fit failed) and the variances of cxx, cxy, cyy, the covariance of cxx and cyy, and the variance
    of 1/beta.
    """
    rows, columns = image.shape
    side = 2 * reach + 1
    window = np.empty((side, side), np.float64)
    weight = np.empty((side, side), np.float64)
    matrix = np.zeros((7, 7), np.float64)
    trial_matrix = np.zeros((7, 7), np.float64)
    vector = np.zeros(7, np.float64)
    trial_vector = np.zeros(7, np.float64)
    step = np.zeros(7, np.float64)
    unit = np.zeros(7, np.float64)
    p = np.empty(7, np.float64)
    trial = np.empty(7, np.float64)
    offset = 0.28867513459481287 if points == 2 else 0.0
    for n in range(starts.shape[0]):
        for k in range(13):
            out[n, k] = np.nan
        cx = math.floor(starts[n, 0] + 0.5)
        cy = math.floor(starts[n, 1] + 0.5)
        for k in range(7):
            p[k] = starts[n, k]
        p[0] -= cx - reach
        p[1] -= cy - reach
        used = 0
        for j in range(side):
            for i in range(side):
                x = cx - reach + i
                y = cy - reach + j
                window[j, i] = 0.0
                weight[j, i] = 0.0
                inside = (i - reach) ** 2 + (j - reach) ** 2 <= (reach + 0.5) ** 2
                inside = inside and x >= 0 and y >= 0 and x < columns and y < rows
                if inside and abs(image[y, x]) < np.inf and not (has_mask and mask[y, x] & 1):
                    u = i - p[0]
                    v = j - p[1]
                    q = 1.0 + p[6] * (p[3] * u * u + 2.0 * p[4] * u * v + p[5] * v * v)
                    window[j, i] = np.float64(image[y, x]) - background[n]
                    # Weights from the start model, not from the data: noise must not choose its own weight.
                    weight[j, i] = 1.0 / (sky_variance[n] + p[2] * math.exp(-math.log(max(q, 1.0)) / p[6]))
                    used += 1
        if used < free + 3:
            continue
        chi = _moffat_sums(window, weight, side, p, points, offset, free, matrix, vector)
        damping = 1e-2
        done = False
        for _ in range(40):
            # A Gaussian star pushes 1/beta against its bound: leave it there and go on with the others.
            size = 6 if p[6] <= 0.002 and vector[6] < 0.0 else free
            if not _solve(matrix, vector, damping, size, step):
                damping *= 10.0
                if damping > 1e6:
                    break
                continue
            for k in range(7):
                trial[k] = p[k] + (step[k] if k < size else 0.0)
            trial[6] = min(max(trial[6], 0.002), 0.8)
            valid = trial[2] > 0.0 and trial[3] > 0.0 and trial[5] > 0.0 and trial[3] * trial[5] > trial[4] * trial[4]
            new = np.inf
            if valid:
                new = _moffat_sums(window, weight, side, trial, points, offset, free, trial_matrix, trial_vector)
            if new <= chi:
                done = chi - new < 1e-3 + 1e-7 * chi
                chi = new
                # Element by element: whole-array assignment takes three times as long to compile as all the rest.
                for k in range(7):
                    p[k] = trial[k]
                    vector[k] = trial_vector[k]
                    for m in range(7):
                        matrix[k, m] = trial_matrix[k, m]
                damping = max(damping * 0.1, 1e-7)
                if done:
                    break
            else:
                damping *= 10.0
                if damping > 1e6:
                    done = True
                    break
        near = abs(p[0] - reach) < 0.5 * reach + 1.0 and abs(p[1] - reach) < 0.5 * reach + 1.0
        if not (done and near):
            continue
        out[n, 0] = p[0] + cx - reach
        out[n, 1] = p[1] + cy - reach
        for k in range(2, 7):
            out[n, k] = p[k]
        out[n, 7] = chi / (used - free)
        for k in range(3, free):
            unit[:] = 0.0
            unit[k] = 1.0
            if not _solve(matrix, unit, 0.0, free, step):
                out[n, 7] = np.nan
                break
            if k < 6:
                out[n, 8 + k - 3] = step[k]
                if k == 3:
                    out[n, 11] = step[5]
            else:
                out[n, 12] = step[k]
