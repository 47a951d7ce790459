"""Pairs of points that lie close together, and votes of points for straight lines."""

import math

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy")
def close_pairs(x, y, order, reach, first, second):
    """Write every pair of points within `reach` of each other; return how many there are.

    `order` sorts the points by x. Only as many as the outputs hold are written.
    """
    found = 0
    for a in range(order.size):
        i = order[a]
        for b in range(a + 1, order.size):
            j = order[b]
            dx = x[j] - x[i]
            if dx > reach:
                break
            dy = y[j] - y[i]
            if dx * dx + dy * dy <= reach * reach:
                if found < first.size:
                    first[found] = min(i, j)
                    second[found] = max(i, j)
                found += 1
    return found


@njit(nogil=True, cache=True, error_model="numpy")
def nearest_within(x, y, order, at_x, at_y, reach, index, distance):
    """Write the nearest of the points to each place and how far it is; -1 and infinity for none within `reach`.

    `order` sorts the points by x.
    """
    for n in range(at_x.size):
        low = 0
        high = order.size
        while low < high:
            middle = (low + high) // 2
            if x[order[middle]] < at_x[n] - reach:
                low = middle + 1
            else:
                high = middle
        index[n] = -1
        distance[n] = np.inf
        best = reach * reach
        for b in range(low, order.size):
            j = order[b]
            dx = x[j] - at_x[n]
            if dx > reach:
                break
            dy = y[j] - at_y[n]
            square = dx * dx + dy * dy
            if square < best or (square == best and index[n] < 0):
                best = square
                index[n] = j
                distance[n] = math.sqrt(square)


@njit(nogil=True, cache=True, error_model="numpy")
def line_votes(x, y, cosine, sine, reach, places, counts):
    """Add to `counts` (angles, offsets) one vote of each point for each line through it: offset y cos - x sin + reach.

    `places` is scratch, as long as the points.
    """
    for a in range(cosine.size):
        c = cosine[a]
        s = sine[a]
        for n in range(x.size):
            places[n] = np.int32(c * y[n] - s * x[n] + reach)
        row = counts[a]
        for n in range(x.size):
            row[places[n]] += 1


@njit(nogil=True, cache=True, error_model="numpy")
def members_within(points, order, places, reach, counts, members):
    """Write how many of the points (n, k) lie within `reach` of each place (m, k), and one after another which.

    `order` sorts the points by their first coordinate. Only as many as `members` holds are written; returns the sum.
    """
    total = 0
    for n in range(places.shape[0]):
        low = 0
        high = order.size
        while low < high:
            middle = (low + high) // 2
            if points[order[middle], 0] < places[n, 0] - reach:
                low = middle + 1
            else:
                high = middle
        count = 0
        for b in range(low, order.size):
            j = order[b]
            if points[j, 0] - places[n, 0] > reach:
                break
            square = 0.0
            for k in range(points.shape[1]):
                square += (points[j, k] - places[n, k]) * (points[j, k] - places[n, k])
            if square <= reach * reach:
                if total < members.size:
                    members[total] = j
                total += 1
                count += 1
        counts[n] = count
    return total


@njit(nogil=True, cache=True, error_model="numpy")
def places_near(places, width, x, y, reach, out):
    """Write how many of the sorted flat indices `places` of a frame `width` wide lie within `reach` of each star's pixel."""
    whole = math.floor(reach)
    for n in range(x.size):
        out[n] = 0.0
        cx = math.floor(x[n] + 0.5)
        cy = math.floor(y[n] + 0.5)
        for row in range(max(cy - whole, 0), cy + whole + 1):
            half = math.floor(math.sqrt(reach * reach - (row - cy) * (row - cy)))
            first = row * width + max(cx - half, 0)
            last = row * width + min(cx + half, width - 1)
            low = 0
            high = places.size
            while low < high:
                middle = (low + high) // 2
                if places[middle] < first:
                    low = middle + 1
                else:
                    high = middle
            while low < places.size and places[low] <= last:
                out[n] += 1.0
                low += 1
