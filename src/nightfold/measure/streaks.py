"""Finding straight trails across a sub: satellites, aircraft, meteors.

Votes for lines (Hough transform, Duda & Hart 1972) are cast by bright pixels of a coarse copy from which the stars are
cut out; a line is believed only if the light along it is there nearly everywhere and stands above both of its sides, so
that neither a chance row of stars nor a nebula passes for one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from nightfold.kernels.background import standing_out
from nightfold.kernels.neighbours import line_votes
from nightfold.measure.background import Binned, Plane, bin_frame, row_blend, sky_at, spread_along_x
from nightfold.measure.records import SkyMesh, Streak
from nightfold.robust import mad_sigma
from nightfold.units import FWHM_PER_SIGMA, SIGMA_PER_MAD

FloatArray = npt.NDArray[np.float64]

COARSE_SIDE = 900
ANGLES = 360
BIN_PX = 3.0
MOST_POINTS = 12_000
MOST_STREAKS = 8
MOST_FAILURES = 2


@dataclass(frozen=True, slots=True)
class _Line:
    """Points q with q . (-sin, cos) = offset, on the coarse grid."""

    angle: float
    offset: float

    @property
    def along(self) -> FloatArray:
        return np.array([math.cos(self.angle), math.sin(self.angle)])

    @property
    def across(self) -> FloatArray:
        return np.array([-math.sin(self.angle), math.cos(self.angle)])


def find_streaks(
    image: Plane,
    binned: Binned,
    mesh: SkyMesh,
    *,
    fwhm_px: float,
    star_x: FloatArray,
    star_y: FloatArray,
    star_radius_px: FloatArray,
    spike_x: FloatArray,
    spike_y: FloatArray,
) -> tuple[Streak, ...]:
    """Straight trails, most conspicuous first.

    Parameters
    ----------
    image, binned : the frame (electrons) at full size, and on a coarser grid
    mesh : its sky
    fwhm_px : width of the stars, and so of the narrowest trail
    star_x, star_y, star_radius_px : stars to cut out, pixels of the full frame; pieces of a trail must not be among them
    spike_x, spike_y : saturated pixels: the diffraction spikes of their stars are not trails

    Notes
    -----
    Finds trails longer than an eighth of the frame's diagonal. Of trails 3 px wide it found all (6 of 6) at 1.5 sigma of a
    pixel in height and none at 1 sigma; in frames without a trail, none.
    """
    coarse = binned
    while max(coarse.pixels.shape) > COARSE_SIDE or 2 * coarse.factor <= 1.1 * fwhm_px:
        halved, _ = bin_frame(coarse.pixels, 2)
        coarse = Binned(halved.pixels, coarse.factor * 2)
    if min(coarse.pixels.shape) < 24 or not np.isfinite(mesh.level_e).any():
        return ()
    if float(np.nanmedian(mesh.sigma_e)) <= 1e-5 * max(1.0, abs(float(np.nanmedian(mesh.level_e)))):
        return ()  # a constant frame has nothing to measure against
    map_ = _significance(coarse, mesh)
    _cut_out(map_, coarse, star_x, star_y, star_radius_px)
    spikes = np.column_stack([_coarse(spike_x, coarse), _coarse(spike_y, coarse)])
    high = np.flatnonzero(map_ > 3.0)
    if high.size > MOST_POINTS:
        heights = map_.ravel()[high]
        high = high[heights > np.partition(heights, -MOST_POINTS)[-MOST_POINTS]]
    ys, xs = np.divmod(high, map_.shape[1])
    points = np.column_stack([xs, ys]).astype(np.float64)
    voting = _Voting.over(map_.shape)
    votes = voting.votes(points)
    found: list[Streak] = []
    failures = 0
    while failures < MOST_FAILURES and len(found) < MOST_STREAKS:
        line = _best_line(points, votes, voting)
        if line is None:
            break
        line = _refined(line, points)
        run = _confirmed_run(map_, line)
        if run is not None and not _is_spike(line, run, spikes):
            found.append(_streak(image, mesh, coarse, line, run))
        else:
            failures += 1
        apart = np.abs(points @ line.across - line.offset) > 6.0
        votes -= voting.votes(points[~apart])
        points = points[apart]
    return tuple(found)


def _coarse(position: FloatArray, coarse: Binned) -> FloatArray:
    return (position + 0.5) / coarse.factor - 0.5


def _significance(coarse: Binned, mesh: SkyMesh) -> Plane:
    """The coarse frame above its sky in units of its noise; NaN pixels are 0."""
    f = coarse.factor
    x_px, y_px = _coarse(mesh.x_px, coarse), _coarse(mesh.y_px, coarse)
    height, width = coarse.pixels.shape
    first, weights = row_blend(y_px, np.arange(height))
    sigma = mesh.sigma_e / f
    map_ = np.empty((height, width), np.float32)
    standing_out(
        coarse.pixels,
        spread_along_x(mesh.level_e, x_px, np.arange(width)),
        spread_along_x(sigma, x_px, np.arange(width)),
        first,
        weights,
        np.float32(1e-9 + 0.05 * float(np.nanmedian(sigma))),
        map_,
    )
    sample = map_[::3, ::3]
    sample = sample[sample != 0.0]
    if sample.size:
        centre = np.partition(sample, sample.size // 2)[sample.size // 2]
        apart = np.abs(sample - centre)
        map_ *= np.float32(1.0 / max(1.0, SIGMA_PER_MAD * float(np.partition(apart, apart.size // 2)[apart.size // 2])))
    return map_


def _cut_out(map_: Plane, coarse: Binned, x: FloatArray, y: FloatArray, radius_px: FloatArray) -> None:
    """Set the disks of stars to 0, all stars of one radius at a time."""
    height, width = map_.shape
    cx, cy = np.rint(_coarse(x, coarse)).astype(np.int64), np.rint(_coarse(y, coarse)).astype(np.int64)
    reach = np.minimum(np.ceil(radius_px / coarse.factor).astype(np.int64), 40)
    for r in np.unique(reach):
        chosen = reach == r
        dy, dx = np.mgrid[-r : r + 1, -r : r + 1]
        disk = dx**2 + dy**2 <= (r + 0.3) ** 2
        for oy, ox in zip(dy[disk], dx[disk], strict=True):
            py, px = cy[chosen] + oy, cx[chosen] + ox
            inside = (py >= 0) & (px >= 0) & (py < height) & (px < width)
            map_[py[inside], px[inside]] = 0.0


@dataclass(frozen=True, slots=True)
class _Voting:
    """Angles and offsets that are voted for, and the share of votes each gets from points spread evenly."""

    angles: FloatArray
    reach: float
    bins: int
    even: Plane

    @classmethod
    @lru_cache(maxsize=4)
    def over(cls, shape: tuple[int, ...]) -> _Voting:
        height, width = shape
        reach = math.hypot(height, width)
        bins = int(2 * reach / BIN_PX) + 3
        bare = cls(np.arange(ANGLES) * math.pi / ANGLES, reach, bins, np.zeros((0, 0), np.float32))
        # The share of the frame's area under each strip, by letting a grid of pixels vote.
        y, x = np.mgrid[6:height:13, 6:width:13]
        votes = bare.votes(np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)) / x.size
        even = (np.roll(votes, 1, axis=1) + votes + np.roll(votes, -1, axis=1)) / 3.0
        return cls(bare.angles, reach, bins, even)

    def votes(self, points: FloatArray) -> Plane:
        """How many of the points (n, 2) lie in each strip, shape (angles, offsets)."""
        x, y = (np.asarray(points[:, k] / BIN_PX, np.float32) for k in (0, 1))
        cosine, sine = np.cos(self.angles).astype(np.float32), np.sin(self.angles).astype(np.float32)
        counts = np.zeros((self.angles.size, self.bins), np.int32)
        line_votes(x, y, cosine, sine, np.float32(self.reach / BIN_PX), np.empty(x.size, np.int32), counts)
        return counts.astype(np.float32)


def _best_line(points: FloatArray, votes: Plane, voting: _Voting) -> _Line | None:
    """The line with the most of the points' votes beyond what points spread evenly would give; None if none stands out."""
    if len(points) < 12:
        return None
    expected = voting.even * np.float32(len(points))
    excess = (votes - expected) / np.sqrt(expected + np.float32(1.0))
    # Left-over light of stars comes in clumps and scatters more than single votes do.
    sample = excess[::8][expected[::8] > 1.0]
    scatter = max(1.0, float(mad_sigma(sample))) if sample.size > 10 else 1.0
    k = int(np.argmax(excess))
    a, b = divmod(k, voting.bins)
    if excess[a, b] < 6.0 * scatter or votes[a, b] < 12:
        return None
    return _Line(float(voting.angles[a]), (b + 0.5) * BIN_PX - voting.reach)


def _refined(line: _Line, points: FloatArray) -> _Line:
    """Least squares across the line through the points near it, in three rounds."""
    for tolerance in (5.0, 3.0, 2.0):
        near = points[np.abs(points @ line.across - line.offset) < tolerance]
        if len(near) < 6:
            break
        centre = np.median(near, axis=0)
        s = (near - centre) @ line.along
        d = (near - centre) @ line.across
        matrix = np.column_stack([np.ones(s.size), s])
        shift, slope = np.linalg.lstsq(matrix, d, rcond=None)[0]
        turned = _Line(line.angle + math.atan(slope), 0.0)
        line = _Line(turned.angle, float((centre + shift * line.across) @ turned.across))
    return line


def _sampled(map_: Plane, line: _Line, offsets: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Steps of a pixel along the line inside the map, and the values there at each offset (steps, offsets)."""
    height, width = map_.shape
    reach = math.hypot(height, width)
    s = np.arange(-reach, reach + 1.0)
    base = s[:, None] * line.along + line.offset * line.across
    inside = (base[:, 0] >= 0) & (base[:, 0] <= width - 1) & (base[:, 1] >= 0) & (base[:, 1] <= height - 1)
    s, base = s[inside], base[inside]
    where = np.rint(base[:, None, :] + offsets[None, :, None] * line.across).astype(np.int64)
    valid = (where[..., 0] >= 0) & (where[..., 0] < width) & (where[..., 1] >= 0) & (where[..., 1] < height)
    values = map_[np.where(valid, where[..., 1], 0), np.where(valid, where[..., 0], 0)]
    return s, np.where(valid, values, np.nan).astype(np.float64)


def _confirmed_run(map_: Plane, line: _Line) -> tuple[float, float] | None:
    """Start and end along the line of the longest stretch that is lit nearly everywhere, or None."""
    offsets = np.array([-9.0, -8.0, -7.0, -6.0, -1.0, 0.0, 1.0, 6.0, 7.0, 8.0, 9.0])
    s, values = _sampled(map_, line, offsets)
    if s.size < 20:
        return None
    # A line along the frame's edge has no second side to stand above.
    sided = np.isfinite(values[:, [1, 9]]).all(axis=1)
    clipped = np.clip(np.where(np.isfinite(values), values, 0.0), -4.0, 8.0)
    sides = np.maximum(np.median(clipped[:, :4], axis=1), np.median(clipped[:, 7:], axis=1))
    excess = clipped[:, 4:7].max(axis=1) - np.maximum(sides, 0.0)
    blank = clipped[:, [0, 1, 2]].max(axis=1) - np.maximum(np.median(clipped[:, 7:], axis=1), 0.0)
    expected = float(np.median(blank))
    box = 9
    smooth = np.convolve(excess, np.ones(box) / box, mode="same")
    lit = sided & (
        smooth > expected + 3.0 * max(float(mad_sigma(np.convolve(blank, np.ones(box) / box, mode="same"))), 0.2)
    )
    start, end = _longest(lit, gap=30)
    least = max(20.0, 0.125 * math.hypot(*map_.shape))
    if end - start < least:
        return None
    part = excess[start:end]
    share = float(np.mean(lit[start:end]))
    sure = (float(np.median(part)) - expected) / (1.2533 * max(float(mad_sigma(part)), 0.3) / math.sqrt(part.size))
    if share < 0.75 or sure < 6.0:
        return None
    return float(s[start]), float(s[end - 1])


def _longest(lit: npt.NDArray[np.bool_], *, gap: int) -> tuple[int, int]:
    """First and last + 1 of the longest run of True, bridging gaps of at most `gap`."""
    where = np.flatnonzero(lit)
    if where.size == 0:
        return 0, 0
    breaks = np.flatnonzero(np.diff(where) > gap)
    starts = where[np.concatenate([[0], breaks + 1])]
    ends = where[np.concatenate([breaks, [where.size - 1]])] + 1
    k = int(np.argmax(ends - starts))
    return int(starts[k]), int(ends[k])


def _is_spike(line: _Line, run: tuple[float, float], spikes: FloatArray) -> bool:
    """True if saturated pixels sit in one place on the middle half of the run: a diffraction spike or a bleeding column."""
    if len(spikes) == 0:
        return False
    near = spikes[np.abs(spikes @ line.across - line.offset) < 4.0]
    if len(near) == 0:
        return False
    place = (near @ line.along - run[0]) / (run[1] - run[0])
    place = place[(place > 0.0) & (place < 1.0)]
    # Saturated all along it is a bright trail, saturated in one place a star.
    return bool(place.size and np.ptp(place) < 0.3 and 0.25 < np.mean(place) < 0.75)


def _streak(image: Plane, mesh: SkyMesh, coarse: Binned, line: _Line, run: tuple[float, float]) -> Streak:
    """The streak on the full frame; its width and height from the median cross-section at full size."""
    ends = [coarse.to_full(s * line.along + line.offset * line.across) for s in run]
    (x0, y0), (x1, y1) = ends
    length = math.hypot(x1 - x0, y1 - y0)
    steps = np.linspace(0.02, 0.98, int(min(600, max(50, length / 2))))
    reach = 3 * coarse.factor + 12
    offsets = np.arange(-reach, reach + 1.0)
    px = x0 + steps[:, None] * (x1 - x0) + offsets * line.across[0]
    py = y0 + steps[:, None] * (y1 - y0) + offsets * line.across[1]
    ix, iy = np.rint(px).astype(np.int64), np.rint(py).astype(np.int64)
    inside = (ix >= 0) & (iy >= 0) & (ix < image.shape[1]) & (iy < image.shape[0])
    sky = sky_at(mesh, (x0 + steps * (x1 - x0)), (y0 + steps * (y1 - y0)))
    values = np.where(inside, image[np.where(inside, iy, 0), np.where(inside, ix, 0)], np.nan) - sky[:, None]
    whole = np.isfinite(values).sum(axis=0) > 0
    section = np.zeros(offsets.size)
    section[whole] = np.nanmedian(values[:, whole], axis=0)
    section -= np.median(np.concatenate([section[:8], section[-8:]]))
    middle = int(np.argmax(np.convolve(section, np.ones(3), mode="same")))
    positive = np.where(
        (np.abs(offsets - offsets[middle]) <= reach / 2) & (section > 0.1 * section[middle]), section, 0.0
    )
    total = float(positive.sum())
    if total > 0:
        centre = float((positive * offsets).sum() / total)
        spread = float((positive * (offsets - centre) ** 2).sum() / total)
        width = FWHM_PER_SIGMA * math.sqrt(max(spread - 1.0 / 6.0, 0.05))  # rounding to a pixel and the pixel itself
    else:
        centre, width = 0.0, float(coarse.factor)
    return Streak(
        x0=float(x0 + centre * line.across[0]),
        y0=float(y0 + centre * line.across[1]),
        x1=float(x1 + centre * line.across[0]),
        y1=float(y1 + centre * line.across[1]),
        width_px=width,
        brightness_e=float(section[middle]),
    )
