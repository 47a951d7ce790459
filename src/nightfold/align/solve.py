"""Plate solving: where on the sky a frame lies, from its stars alone, a rough scale and, if there is one, a pointing.

Triangles propose, the catalogue's other stars decide. A solution is believed only if chance would bring as many stars
together in fewer than one of a million such searches; a wrong solution is far worse than none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.wcs import WCS
from scipy import stats
from scipy.spatial import cKDTree

from nightfold.align.catalogue import Catalogue, CatalogueStars
from nightfold.align.propose import Frame, propose, similarity
from nightfold.align.tangent import deproject, project, ra_dec_deg, unit_vectors
from nightfold.align.triangles import TriangleIndex, local_index, whole_sky_index
from nightfold.align.wcs import SkyFit, fit_sky, is_mirrored, scale_arcsec_px, up_deg, wcs_cards, wcs_of
from nightfold.errors import RegistrationError
from nightfold.units import ARCSEC_PER_RADIAN

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

LOG10_FALSE_ALARM = -6.0
"""A solution is accepted where chance would bring it forth in fewer than one of 1e6 searches, all proposals counted."""
LEAST_STARS = 5
LEAST_SHARE = 0.2
"""Of the stars that both lists could share, a solution must bring together at least this many."""
TRIANGLE_STARS = (24, 48, 80)
TRIANGLE_STARS_BLIND = (24, 48, 64)
TRIANGLE_STARS_WIDE = (24, 48)
"""How many stars of the frame make triangles: cheap first, more when that finds nothing."""
MOST_TESTED = (250, 500, 400)
"""How many of the best proposals are held against all catalogue stars, a third of a millisecond each."""
MOST_TESTED_WIDE = (150, 300)
"""The same when the scale is searched too: a field that can tell its scale has stars enough to rank its proposals well."""
WIDE_TOLERANCE = 0.6
OTHER_SCALES = ((1.0, WIDE_TOLERANCE), (2.0, 0.25), (0.5, 0.25))
"""Factors of the expected scale and how far about them is searched when the expected one fits nowhere."""
SURE_STARS = 8
"""Fields that hold so many catalogue stars are sure to solve."""
RICH_STARS = 16
"""A field that holds fewer on average is searched at other scales with its brightest stars alone: more would only take time."""
VERIFY_DEPTHS = (60, 200, 600)
"""How many of the frame's brightest stars are held against the catalogue; the best answer pays for all tries."""
MOST_CATALOGUE_STARS = 300
FIRST_RADIUS = 0.006
"""Of the diagonal: how far a star may lie from its predicted place at first."""
MOVED_STARS = 10_000
"""Predictions moved aside to measure what chance finds: the share is known to one in as many."""
CATALOGUE_ERROR_ARCSEC = 0.3
"""Ten years of a G < 10 star's proper motion, of the order of 30 mas a year (Gaia DR3), for lists without it."""
UNLIKE_SCALE = 0.03
"""Scales that differ from what was expected by more than this are told."""


@dataclass(frozen=True, kw_only=True)
class Solution:
    """A frame's place on the sky, with its evidence.

    `up_deg` is the position angle of +y, from north through east; `mirrored` tells that det(CD) > 0. `pairs` (n, 2) holds the
    index in the given star list and in `stars`, the catalogue's stars of the field. `false_alarm_log10` is the decimal logarithm
    of the number of such agreements that chance would bring forth in the whole search. `notes` are sentences for the person.
    """

    cards: dict[str, Any]
    ra_deg: float
    dec_deg: float
    scale_arcsec_px: float
    up_deg: float
    mirrored: bool
    rms_px: float
    matched: int
    false_alarm_log10: float
    distortion: bool
    pairs: IntArray
    stars: CatalogueStars
    notes: tuple[str, ...] = ()

    @cached_property
    def wcs(self) -> WCS:
        """The solution as an astropy WCS."""
        return wcs_of(self.cards)


def solve(
    stars_xy: FloatArray,
    flux: FloatArray,
    *,
    shape: tuple[int, int],
    scale_arcsec_px: float,
    catalogue: Catalogue,
    scale_tolerance: float = 0.1,
    around: tuple[float, float] | None = None,
    within_deg: float = 3.0,
    error_px: FloatArray | None = None,
    index_folder: Path | None = None,
) -> Solution:
    """Where a frame lies on the sky.

    Parameters
    ----------
    stars_xy : (n, 2) float64
        Star positions, px, counted from 0. False ones among them cost time, not truth. Saturated stars belong in.
    flux : (n,) float64
        Any measure of brightness; only its order counts.
    shape : (int, int)
        Height and width.
    scale_arcsec_px : float
        Expected scale.
    catalogue : Catalogue
        The stars to compare with.
    scale_tolerance : float
        Relative, of the scale.
    around : (ra, dec) in degrees, optional
        Where the telescope was said to point; without it the whole sky is searched.
    within_deg : float
        How far the frame's middle may lie from `around`.
    error_px : (n,) float64, optional
        1 sigma per axis of the positions.
    index_folder : Path, optional
        Where the whole sky's triangles are kept; the user's cache folder if not given.

    Raises
    ------
    RegistrationError
        No place is beyond chance, with what was tried; or too few stars in the frame or in the catalogue's field.
    """
    order, frame = _brightest_first(stars_xy, flux, shape)
    if len(frame.xy) < LEAST_STARS:
        raise RegistrationError(
            "the frame has too few stars to solve", seen=f"{len(frame.xy)}", allowed=f"{LEAST_STARS} or more"
        )
    sigma = np.full(len(stars_xy), 0.3) if error_px is None else np.asarray(error_px, np.float64)
    sigma = np.where(np.isfinite(sigma) & (sigma > 0), sigma, 0.3)[order]
    search = _Search(frame, catalogue, np.asarray(sigma, np.float64), around, within_deg)
    scale_rad = scale_arcsec_px / ARCSEC_PER_RADIAN
    if around is not None and search.most_in_a_field(2.5 * scale_rad) < LEAST_STARS - 1:
        raise search.failure(scale_rad)
    search.thin = around is not None and search.expected_stars(scale_rad) < RICH_STARS
    index = search.index_for(scale_rad, scale_tolerance, index_folder)
    found = search.run(index, scale_rad, scale_tolerance)
    if found is None and around is not None:
        # The focal length may be plainly wrong, or the binning; the pointing keeps a wide search cheap.
        found = search.other_scales(scale_rad, index_folder)
    if found is None and around is not None and search.expected_stars(scale_rad) >= SURE_STARS:
        other = _Search(frame, catalogue, search.sigma, (around[0], -around[1]), within_deg)
        other.thin = search.thin
        index = other.index_for(scale_rad, scale_tolerance, index_folder)
        if abs(around[1]) > within_deg and (there := other.run(index, scale_rad, scale_tolerance, wide=True)):
            raise search.failure(scale_rad, found_at=ra_dec_deg(there.sky.centre))
    if found is None:
        raise search.failure(scale_rad)
    return _as_solution(found, order, frame, catalogue, scale_arcsec_px)


def _brightest_first(stars_xy: FloatArray, flux: FloatArray, shape: tuple[int, int]) -> tuple[IntArray, Frame]:
    xy, flux = np.asarray(stars_xy, np.float64).reshape(-1, 2), np.asarray(flux, np.float64)
    good = np.isfinite(xy).all(axis=1) & np.isfinite(flux)
    good &= (xy >= -0.5).all(axis=1) & (xy[:, 0] < shape[1]) & (xy[:, 1] < shape[0])
    order = np.flatnonzero(good)
    order = order[np.argsort(-flux[order], kind="stable")]
    return order, Frame(xy[order], shape)


@dataclass(frozen=True, slots=True)
class _Found:
    sky: SkyFit
    pairs: IntArray  # frame's order, catalogue's index
    log10_chance: float


class _Search:
    """One frame's search; keeps count of what was tried."""

    def __init__(
        self,
        frame: Frame,
        catalogue: Catalogue,
        sigma: FloatArray,
        around: tuple[float, float] | None,
        within_deg: float,
    ) -> None:
        self.frame = frame
        self.catalogue = catalogue
        self.sigma = sigma
        self.around = around
        self.within_deg = within_deg
        self.thin = False
        self.tried: list[str] = []
        self.proposals = 0

    def index_for(self, scale_rad: float, tolerance: float, folder: Path | None) -> TriangleIndex:
        short = math.degrees(min(self.frame.shape) * scale_rad)
        diagonal = math.degrees(self.frame.diagonal_px * scale_rad)
        if self.around is None:
            return whole_sky_index(self.catalogue, (short, diagonal), folder)
        direction = unit_vectors(*self.around)
        radius = self.within_deg + 0.5 * diagonal * (1.0 + tolerance)
        return local_index(self.catalogue, direction, radius, (short, diagonal))

    def other_scales(self, scale_rad: float, folder: Path | None) -> _Found | None:
        """The first place beyond chance at another scale: up to 1.6 times off, then about twice or half (binning)."""
        for factor, tolerance in OTHER_SCALES:
            if factor != 1.0 and self.expected_stars(scale_rad * factor) < SURE_STARS:
                continue
            index = self.index_for(scale_rad * factor, tolerance, folder)
            found = self.run(index, scale_rad * factor, tolerance, wide=True)
            if found is not None:
                return found
        return None

    def expected_stars(self, scale_rad: float) -> float:
        """Catalogue stars that a field near the pointing holds on average."""
        assert self.around is not None
        area = math.degrees(self.frame.shape[0] * scale_rad) * math.degrees(self.frame.shape[1] * scale_rad)
        around = self.catalogue.indices_near(unit_vectors(*self.around), self.within_deg)
        return len(around) * area / (math.pi * self.within_deg**2)

    def most_in_a_field(self, scale_rad: float) -> int:
        """More catalogue stars than any field near the pointing can hold: those within a diagonal of one of them."""
        assert self.around is not None
        diagonal = self.frame.diagonal_px * scale_rad
        direction = unit_vectors(*self.around)
        near = self.catalogue.indices_near(direction, self.within_deg + 0.5 * math.degrees(diagonal))
        if not len(near):
            return 0
        chord = 2.0 * math.sin(0.5 * min(diagonal, math.pi))
        tree = cKDTree(self.catalogue.vectors[near])
        return int(np.max(tree.query_ball_point(self.catalogue.vectors[near], chord, return_length=True)))

    def run(self, index: TriangleIndex, scale_rad: float, tolerance: float, *, wide: bool = False) -> _Found | None:
        """The first place that is beyond chance, or None."""
        spread = self.frame.spread()
        before = 0
        counts: tuple[int, ...] = (
            TRIANGLE_STARS_WIDE if wide else TRIANGLE_STARS if self.around else TRIANGLE_STARS_BLIND
        )
        if wide and self.thin:
            counts = counts[:1]
        for count, most in zip(counts, MOST_TESTED_WIDE if wide else MOST_TESTED):
            chosen = spread[:count]
            found = propose(
                self.frame,
                chosen,
                index,
                self.catalogue.vectors,
                scale_rad=scale_rad,
                tolerance=tolerance,
                most=most,
                known=before,
            )
            before = count
            self.proposals += found.tested
            self.tried.append(
                f"triangles of {len(chosen)} stars at {scale_rad * ARCSEC_PER_RADIAN:.3g} arcsec/px within "
                f"{100 * tolerance:.0f} %: {found.tested} proposals, {len(found.score)} tested in full"
            )
            for spots, stars in zip(found.spots, found.stars):
                answer = self.test(spots, stars, scale_rad, tolerance)
                if answer is not None:
                    return answer
            if count >= len(self.frame.xy):
                break
        return None

    def test(self, spots: IntArray, corners: IntArray, scale_rad: float, tolerance: float) -> _Found | None:
        """A proposal held against all catalogue stars of its field; None if chance could have made it."""
        frame = self.frame
        vectors = self.catalogue.vectors
        start = self._first_place(spots, corners)
        if start is None or not abs(math.log(start[1] / scale_rad)) <= math.log1p(tolerance):
            return None
        centre, scale, linear, shift = start
        radius_deg = math.degrees(0.55 * frame.diagonal_px * scale)
        field = self.catalogue.indices_near(centre, radius_deg)[:MOST_CATALOGUE_STARS]
        plane = project(vectors[field], centre)
        tree = cKDTree(frame.xy[: VERIFY_DEPTHS[-1]])
        reach = max(4.0, FIRST_RADIUS * frame.diagonal_px)
        pairs, typical = np.zeros((0, 2), np.int64), reach
        for _ in range(5):
            predicted = (plane - shift) @ np.linalg.inv(linear).T
            inside = self._inside(predicted)
            pairs = _mutual(predicted, np.flatnonzero(inside), tree, reach)
            if len(pairs) < 4:
                return None
            linear, shift = _affine(frame.xy[pairs[:, 0]], plane[pairs[:, 1]])
            residual = (plane[pairs[:, 1]] - shift) @ np.linalg.inv(linear).T - frame.xy[pairs[:, 0]]
            typical = 1.4826 * float(np.median(np.abs(residual)))
            reach = max(2.0, min(0.7 * reach, 5.0 * typical))
        scale = math.sqrt(abs(np.linalg.det(linear)))
        if not (np.isfinite(scale) and abs(math.log(scale / scale_rad)) <= math.log1p(tolerance)) or _squeezed(linear):
            return None
        predicted = (plane - shift) @ np.linalg.inv(linear).T
        within = np.flatnonzero(self._inside(predicted))
        tight = max(1.0, min(reach, 4.0 * typical))
        tries = [(depth, radius) for depth in VERIFY_DEPTHS for radius in (reach, tight)]
        chance = min(self._log10_chance(predicted[within], depth, radius) for depth, radius in tries)
        chance += math.log10(len(tries)) + math.log10(max(1, self.proposals))
        if chance > LOG10_FALSE_ALARM or len(pairs) < LEAST_SHARE * min(len(within), len(frame.xy)):
            return None
        return self._finish(field[pairs[:, 1]], pairs[:, 0], chance, scale, reach)

    def _first_place(
        self, spots: IntArray, corners: IntArray
    ) -> tuple[FloatArray, float, FloatArray, FloatArray] | None:
        """Direction of the frame's middle, radians per pixel, and the map of pixels to the tangent plane there."""
        v = self.catalogue.vectors[corners]
        xy = self.frame.xy[spots]
        middle = np.array([0.5 * (self.frame.shape[1] - 1), 0.5 * (self.frame.shape[0] - 1)])
        tangent = v.mean(axis=0)
        tangent /= np.linalg.norm(tangent)
        for _ in range(2):
            plane = project(v, tangent)
            if not np.isfinite(plane).all():
                return None
            w, z = plane[:, 0] + 1j * plane[:, 1], xy[:, 0] + 1j * xy[:, 1]
            over = _turn_sense(w) != _turn_sense(z)
            turn, offset = similarity(z.conj() if over else z, w)
            linear = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
            if over:
                linear = linear @ np.diag([1.0, -1.0])
            shift = np.array([offset.real, offset.imag])
            tangent = deproject(linear @ middle + shift, tangent)
        # The second round's map is about the first round's middle; move its origin to the new one.
        return tangent, abs(complex(turn)), linear, -linear @ middle

    def _inside(self, xy: FloatArray) -> npt.NDArray[np.bool_]:
        height, width = self.frame.shape
        with np.errstate(invalid="ignore"):
            return np.asarray(
                (xy[:, 0] >= 0) & (xy[:, 1] >= 0) & (xy[:, 0] <= width - 1) & (xy[:, 1] <= height - 1), np.bool_
            )

    def _log10_chance(self, predicted: FloatArray, depth: int, reach: float) -> float:
        """How likely chance would bring as many of the predicted stars to the frame's brightest `depth`.

        The share that chance finds is measured with the predictions moved aside, because stars and defects gather.
        """
        xy = self.frame.xy[:depth]
        tree = cKDTree(xy)
        hits = len(_mutual(predicted, np.arange(len(predicted)), tree, reach))
        area = float(self.frame.shape[0] * self.frame.shape[1])
        share = len(xy) * math.pi * reach**2 / area
        # The affine takes up three stars.
        tail = _log10_tail(hits - 3, len(predicted) - 3, min(0.9, share))
        if tail > LOG10_FALSE_ALARM:
            return tail
        step = np.arange(math.ceil(MOVED_STARS / len(predicted)))
        angle = step * 2.399963  # the golden angle spreads the moves evenly
        length = reach * (4.0 + 30.0 * np.sqrt(step / len(step)))
        moves = np.column_stack([length * np.cos(angle), length * np.sin(angle)])
        moved = (predicted[None] + moves[:, None]).reshape(-1, 2)
        moved = moved[self._inside(moved)]
        near = np.isfinite(np.asarray(tree.query(moved, distance_upper_bound=reach)[0]))
        measured = (near.sum() + 1.0) / (len(moved) + 1.0)
        return _log10_tail(hits - 3, len(predicted) - 3, min(0.9, max(share, float(measured))))

    def _finish(self, stars: IntArray, spots: IntArray, chance: float, scale: float, reach: float) -> _Found | None:
        """Least squares on all stars that find a partner, with distortion if the residuals ask for it."""
        frame, vectors = self.frame, self.catalogue.vectors
        floor = CATALOGUE_ERROR_ARCSEC / ARCSEC_PER_RADIAN / scale
        tree = cKDTree(frame.xy)
        sky: SkyFit | None = None
        for _ in range(4):
            sigma = np.hypot(self.sigma[spots], floor)
            sky = fit_sky(frame.xy[spots], vectors[stars], sigma, shape=frame.shape, unit_rad=scale)
            field = self.catalogue.indices_near(sky.centre, math.degrees(0.55 * frame.diagonal_px * scale))
            predicted = sky.to_pixels(vectors[field])
            inside = np.flatnonzero(self._inside(predicted))
            reach = min(max(2.0, reach), max(2.0, 5.0 * sky.rms_px)) if sky.model == "cubic" else max(2.0, reach)
            pairs = _mutual(predicted, inside, tree, reach)
            if len(pairs) < LEAST_STARS - 1:
                return None
            spots, stars = pairs[:, 0], field[pairs[:, 1]]
        sigma = np.hypot(self.sigma[spots], floor)
        sky = fit_sky(frame.xy[spots], vectors[stars], sigma, shape=frame.shape, unit_rad=scale)
        return _Found(sky, np.column_stack([spots, stars])[sky.used], chance)

    def failure(
        self, scale_rad: float, *, found_at: tuple[npt.ArrayLike, npt.ArrayLike] | None = None
    ) -> RegistrationError:
        """The error that tells why nothing was found, or that it was found with the declination's sign turned."""
        scale = scale_rad * ARCSEC_PER_RADIAN
        if self.around is not None:
            area = math.degrees(self.frame.shape[0] * scale_rad) * math.degrees(self.frame.shape[1] * scale_rad)
            expected = self.expected_stars(scale_rad)
            if expected < SURE_STARS:
                return RegistrationError(
                    f"too few catalogue stars ({expected:.0f}) in this field",
                    seen=f"{self.catalogue.name}, {area:.2f} square degrees",
                    allowed="8 or more are sure to solve",
                    next_step="add a deeper catalogue for this field: nightfold catalogue add",
                    tried=tuple(self.tried),
                )
            step = "search without a pointing; check pixel size, binning and focal length"
            if found_at is not None:
                ra, dec = (float(np.asarray(v)) for v in found_at)
                step = f"the stars fit RA {ra:.3f}, Dec {dec:+.3f}: the declination's sign is wrong; else search without a pointing"
            return RegistrationError(
                "the stars fit no place near where the telescope was said to point",
                seen=f"{len(self.frame.xy)} stars, {self.within_deg:g} degrees around "
                f"{self.around[0]:.3f} {self.around[1]:+.3f}, {scale:.3g} arcsec/px",
                next_step=step,
                tried=tuple(self.tried),
            )
        return RegistrationError(
            "the stars fit no place on the sky",
            seen=f"{len(self.frame.xy)} stars at {scale:.3g} arcsec/px",
            next_step="check pixel size, binning and focal length, or give a pointing",
            tried=tuple(self.tried),
        )


def _turn_sense(z: npt.NDArray[np.complex128]) -> bool:
    return bool(((z[1] - z[0]).conjugate() * (z[2] - z[0])).imag > 0)


def _log10_tail(hits: int, trials: int, share: float) -> float:
    if hits <= 0 or trials <= 0:
        return 0.0
    return float(stats.binom.logsf(hits - 1, trials, share)) / math.log(10.0)


def _squeezed(linear: FloatArray) -> bool:
    """True if the axes differ by more than two per cent: no camera does that, accidents do."""
    singular = np.linalg.svd(linear, compute_uv=False)
    return bool(singular[0] > 1.02 * singular[1])


def _mutual(predicted: FloatArray, which: IntArray, tree: cKDTree, reach: float) -> IntArray:
    """Pairs (frame star, row of `predicted`) that are each other's nearest within `reach`."""
    if not len(which):
        return np.zeros((0, 2), np.int64)
    distance, spot = (np.asarray(a) for a in tree.query(predicted[which], distance_upper_bound=reach))
    hit = np.flatnonzero(np.isfinite(distance))
    order = hit[np.argsort(distance[hit], kind="stable")]
    _, first = np.unique(spot[order], return_index=True)
    return np.column_stack([spot[order[first]], which[order[first]]]).astype(np.int64)


def _affine(xy: FloatArray, plane: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of plane = linear @ xy + shift; a similarity for fewer than eight stars."""
    if len(xy) >= 8:
        middle = xy.mean(axis=0)
        design = np.column_stack([xy - middle, np.ones(len(xy))])
        solution = np.linalg.lstsq(design, plane, rcond=None)[0]
        linear = np.asarray(solution[:2].T)
        return linear, np.asarray(solution[2] - linear @ middle)
    z, w = xy[:, 0] + 1j * xy[:, 1], plane[:, 0] + 1j * plane[:, 1]
    fits = []
    for over in (False, True):
        source = z.conj() if over else z
        t, o = similarity(source, w)
        fits.append((float((np.abs(t * source + o - w) ** 2).sum()), over, t.real, t.imag, o.real, o.imag))
    _, over, real, imag, x, y = min(fits)
    linear = np.array([[real, -imag], [imag, real]]) @ np.diag([1.0, -1.0 if over else 1.0])
    return linear, np.array([x, y])


def _as_solution(found: _Found, order: IntArray, frame: Frame, catalogue: Catalogue, expected_scale: float) -> Solution:
    sky = found.sky
    cd = sky.cd_deg
    scale = scale_arcsec_px(cd)
    ra, dec = ra_dec_deg(sky.centre)
    notes = []
    if abs(scale / expected_scale - 1.0) > UNLIKE_SCALE:
        notes.append(
            f"the stars suggest {scale:.3f} arcsec/px instead of {expected_scale:.3f}: "
            f"a focal length {expected_scale / scale:.3f} times that assumed, or another pixel size or binning"
        )
    return Solution(
        cards=wcs_cards(sky),
        ra_deg=float(ra),
        dec_deg=float(dec),
        scale_arcsec_px=scale,
        up_deg=up_deg(cd),
        mirrored=is_mirrored(cd),
        rms_px=sky.rms_px,
        matched=len(found.pairs),
        false_alarm_log10=found.log10_chance,
        distortion=sky.plane.distortion is not None,
        pairs=np.column_stack([order[found.pairs[:, 0]], np.arange(len(found.pairs))]),
        stars=catalogue.stars.take(found.pairs[:, 1]),
        notes=tuple(notes),
    )
