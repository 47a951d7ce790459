"""Elliptical Moffat profiles fitted to stars by Levenberg-Marquardt, each star by itself."""

import math

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})
def _add_moffat(us, vs, p, share, model, d):
    """Add a Moffat profile times `share`, and its seven derivatives, at offsets (us, vs) from the centre.

    Logarithm and exponential are written out (after Cody & Waite 1980; errors below 1e-13), so that the processor takes as many
    pixels at once as it can.
    """
    a = p[2]
    cxx = p[3]
    cxy = p[4]
    cyy = p[5]
    bend = p[6]
    power = 1.0 / bend
    for i in range(us.size):
        u = us[i]
        v = vs[i]
        su = cxx * u + cxy * v
        sv = cxy * u + cyy * v
        s = u * su + v * sv
        q = 1.0 + bend * s
        bits = np.float64(q).view(np.int64)
        e = (bits - np.int64(0x3FE6A09E667F3BCD)) >> np.int64(52)
        m = np.int64(bits - (e << np.int64(52))).view(np.float64)
        # The whole power of two as a float: its bits added to those of 1.5 * 2^52.
        whole = np.int64(e + np.int64(0x4338000000000000)).view(np.float64) - 6755399441055744.0
        z = (m - 1.0) / (m + 1.0)
        zz = z * z
        series = 1.0 / 15.0
        series = series * zz + 1.0 / 13.0
        series = series * zz + 1.0 / 11.0
        series = series * zz + 1.0 / 9.0
        series = series * zz + 1.0 / 7.0
        series = series * zz + 1.0 / 5.0
        series = series * zz + 1.0 / 3.0
        series = series * zz + 1.0
        log_q = whole * 0.6931471805599453 + 2.0 * z * series
        x = max(-log_q * power, -700.0)
        t = x * 1.4426950408889634 + 6755399441055744.0
        n = t - 6755399441055744.0
        r = x - n * 0.6931471803691238 - n * 1.9082149292705877e-10
        grown = 1.0 / 39916800.0
        grown = grown * r + 1.0 / 3628800.0
        grown = grown * r + 1.0 / 362880.0
        grown = grown * r + 1.0 / 40320.0
        grown = grown * r + 1.0 / 5040.0
        grown = grown * r + 1.0 / 720.0
        grown = grown * r + 1.0 / 120.0
        grown = grown * r + 1.0 / 24.0
        grown = grown * r + 1.0 / 6.0
        grown = grown * r + 0.5
        grown = grown * r + 1.0
        grown = grown * r + 1.0
        raised = (np.float64(t).view(np.int64) << np.int64(52)) + np.int64(0x3FF0000000000000)
        scale = np.int64(raised).view(np.float64)
        f = grown * scale * share
        g = -a * f / q
        model[i] += a * f
        d[0, i] -= g * 2.0 * su
        d[1, i] -= g * 2.0 * sv
        d[2, i] += f
        d[3, i] += g * u * u
        d[4, i] += g * 2.0 * u * v
        d[5, i] += g * v * v
        d[6, i] += a * f * (log_q * power - s / q) * power


@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _dot(a, b):
    total = 0.0
    for i in range(a.size):
        total += a[i] * b[i]
    return total


@njit(nogil=True, cache=True, error_model="numpy")
def _moffat_sums(xs, ys, values, weights, p, points, step, free, scratch, matrix, vector):
    """Fill the normal equations of the Moffat model at `p` for pixels at (xs, ys); return chi square.

    The model is A (1 + g s)^(-1/g) with s = cxx u^2 + 2 cxy u v + cyy v^2 and g = 1/beta, averaged over the pixel at
    points^2 Gauss-Legendre points. Written so, g and the widths hardly depend on each other, and g = 0 is a Gaussian.
    `scratch` has eleven rows as long as the pixels.
    """
    n = xs.size
    us = scratch[0]
    vs = scratch[1]
    rest = scratch[2]
    weighted = scratch[3]
    d = scratch[4:]
    for i in range(n):
        rest[i] = 0.0
        for k in range(7):
            d[k, i] = 0.0
    for b in range(points):
        for c in range(points):
            for i in range(n):
                us[i] = xs[i] - p[0] + (2 * b - points + 1) * step
                vs[i] = ys[i] - p[1] + (2 * c - points + 1) * step
            _add_moffat(us, vs, p, 1.0 / (points * points), rest, d)
    for i in range(n):
        rest[i] = values[i] - rest[i]
        weighted[i] = weights[i] * rest[i]
    chi = _dot(weighted, rest)
    for k in range(free):
        vector[k] = _dot(weighted, d[k])
    for k in range(free):
        for i in range(n):
            weighted[i] = weights[i] * d[k, i]
        for m in range(k + 1):
            matrix[k, m] = _dot(weighted, d[m])
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
    places_x = np.empty(side * side, np.float64)
    places_y = np.empty(side * side, np.float64)
    values = np.empty(side * side, np.float64)
    weights = np.empty(side * side, np.float64)
    everything = np.empty(11 * side * side, np.float64)
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
                inside = (i - reach) ** 2 + (j - reach) ** 2 <= (reach + 0.5) ** 2
                inside = inside and x >= 0 and y >= 0 and x < columns and y < rows
                if inside and abs(image[y, x]) < np.inf and not (has_mask and mask[y, x] & 1):
                    u = i - p[0]
                    v = j - p[1]
                    q = 1.0 + p[6] * (p[3] * u * u + 2.0 * p[4] * u * v + p[5] * v * v)
                    places_x[used] = i
                    places_y[used] = j
                    values[used] = np.float64(image[y, x]) - background[n]
                    # Weights from the start model, not from the data: noise must not choose its own weight.
                    weights[used] = 1.0 / (sky_variance[n] + p[2] * math.exp(-math.log(max(q, 1.0)) / p[6]))
                    used += 1
        if used < free + 3:
            continue
        at_x = places_x[:used]
        at_y = places_y[:used]
        data = values[:used]
        weight = weights[:used]
        scratch = everything[: 11 * used].reshape(11, used)
        chi = _moffat_sums(at_x, at_y, data, weight, p, points, offset, free, scratch, matrix, vector)
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
                new = _moffat_sums(
                    at_x, at_y, data, weight, trial, points, offset, free, scratch, trial_matrix, trial_vector
                )
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
