"""Finds how one list of stars lies on another: patterns propose, consensus decides, least squares measures.

Scale, turn and mirror are free within stated limits. A proposal is believed only if the stars that it brings together are far
more than chance would; a false match is far worse than none. Defects of the sensor stand at the same pixels in every frame and
would vote for "not moved at all": they are set aside first, and what is left must show that the sky moved, or it did not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from nightfold.align.chance import binomial_tail
from nightfold.align.fit import fit_transform
from nightfold.align.patterns import Quads, make_quads, mirrored
from nightfold.align.records import Match
from nightfold.errors import RegistrationError
from nightfold.measure.neighbours import Sorted, nearest_point

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

LEAST_STARS = 6
LOG10_FALSE_ALARM = -8.0
"""A match is accepted where chance would bring it forth in fewer than one of 1e8 tries, all proposals counted."""
LEVELS = ((36, 6), (50, 7), (120, 8), (300, 8), (600, 7))
"""How many of the brightest stars make patterns, with how many neighbours: cheap first, deeper when that finds nothing."""
CODE_TOLERANCE = 0.02
FIRST_RADIUS_PX = 5.0
VOTE_RADIUS_PX = 6.0
MOST_VERIFIED = 24
VERIFY_STARS = 300
AMBIGUOUS_SHARE = 0.7
STILL_PX = 0.75
"""Sources that stand within this of one pixel in both lists may be the sensor's own defects."""


@dataclass(frozen=True, slots=True)
class _Proposal:
    """A similarity as complex numbers: z' = turn * z (or its conjugate) + shift."""

    turn: complex
    shift: complex
    mirror: bool
    votes: int

    def apply(self, xy: FloatArray) -> FloatArray:
        z = xy[:, 0] + 1j * xy[:, 1]
        moved = self.turn * (np.conj(z) if self.mirror else z) + self.shift
        return np.column_stack([moved.real, moved.imag])


@dataclass(frozen=True, slots=True)
class _Consensus:
    proposal: _Proposal
    inliers: int
    log10_chance: float


@dataclass(slots=True)
class ReferencePattern:
    """A star list made ready to be matched against, brightest first; its patterns are made once.

    Parameters
    ----------
    xy : (n, 2) float64
        Positions, px.
    error_px : (n,) float64
        1 sigma per axis.
    """

    xy: FloatArray
    error_px: FloatArray
    _quads: dict[tuple[int, int], tuple[Quads, Sorted]] = field(init=False, default_factory=dict)

    def quads(self, level: tuple[int, int]) -> tuple[Quads, Sorted]:
        """Quads of a level and their codes, ready to be asked."""
        if level not in self._quads:
            quads = make_quads(self.xy, stars=level[0], neighbours=level[1])
            self._quads[level] = (quads, Sorted(quads.code))
        return self._quads[level]


def match_stars(
    sub_xy: FloatArray,
    sub_error_px: FloatArray,
    reference: ReferencePattern,
    *,
    shape: tuple[int, int],
    scale_range: tuple[float, float] | None = (0.9, 1.1),
    allow_mirror: bool = True,
) -> Match:
    """The transform from a sub's pixels to the reference's, with its evidence.

    Parameters
    ----------
    sub_xy : (n, 2) float64
        Star positions of the sub, brightest first, px.
    sub_error_px : (n,) float64
        1 sigma per axis.
    reference : ReferencePattern
        The list to lie on.
    shape : (int, int)
        Height and width of the sub.
    scale_range : (float, float) or None
        Allowed reference pixels per sub pixel; None for any, as for another rig.
    allow_mirror : bool
        Whether the sub may be a mirror image.

    Raises
    ------
    RegistrationError
        With what was tried: too few stars, no consensus, or two different answers that fit alike.
    """
    sub_xy = np.asarray(sub_xy, np.float64)
    sub_error = np.asarray(sub_error_px, np.float64)
    for name, count in (("sub", len(sub_xy)), ("reference", len(reference.xy))):
        if count < LEAST_STARS:
            raise RegistrationError(f"the {name} has too few stars", seen=f"{count}", allowed=f"{LEAST_STARS} or more")
    limits = scale_range or (0.05, 20.0)
    proposal, tried = None, ["what stands at one pixel in both lists was set aside"]
    if _something_stands_still(sub_xy, reference, shape):
        proposal = _without_the_sensor(sub_xy, reference, shape, limits, allow_mirror)
    if proposal is None:
        proposal, tried = _search(sub_xy, reference, shape, limits, allow_mirror)
    match = None if proposal is None else _refine(sub_xy, sub_error, reference, proposal, shape)
    if match is None:
        raise RegistrationError(
            "no placement brings its stars and the reference's together beyond chance",
            seen=f"{len(sub_xy)} stars against {len(reference.xy)}; {tried[-1]}",
            next_step="check that it shows the same field; if it does, keep a longer exposure or drop it",
            tried=tuple(tried),
        )
    return match


def _search(
    sub_xy: FloatArray,
    reference: ReferencePattern,
    shape: tuple[int, int],
    scale_range: tuple[float, float],
    allow_mirror: bool,
) -> tuple[_Proposal | None, list[str]]:
    """The placement that stars agree on beyond chance, or None, and what was tried."""
    low, high = scale_range
    tried: list[str] = []
    for level in LEVELS:
        proposals = _propose(sub_xy, reference, level, low, high, allow_mirror)
        best, rival = _decide(sub_xy, reference, proposals, shape)
        tried.append(
            f"patterns of the {min(level[0], len(sub_xy))} brightest stars: {len(proposals)} proposals, "
            + (f"best brings {best.inliers} stars together (chance 1e{best.log10_chance:.0f})" if best else "none fits")
        )
        if best is not None and best.log10_chance < LOG10_FALSE_ALARM:
            if rival is not None and rival.inliers >= AMBIGUOUS_SHARE * best.inliers:
                raise RegistrationError(
                    "two different placements fit alike",
                    seen=f"{best.inliers} and {rival.inliers} stars",
                    allowed="one clear answer",
                    next_step="look at the frame: a regular pattern or a doubled image",
                    tried=tuple(tried),
                )
            return best.proposal, tried
        if level[0] >= max(len(sub_xy), len(reference.xy)):
            break
    return None, tried


def _something_stands_still(sub_xy: FloatArray, reference: ReferencePattern, shape: tuple[int, int]) -> bool:
    """True if more sources stand at one pixel in both lists than chance would put there."""
    still = int((nearest_point(reference.xy, sub_xy, STILL_PX)[0] >= 0).sum())
    chance = min(0.9, len(reference.xy) * math.pi * STILL_PX**2 / (shape[0] * shape[1]))
    return bool(still >= 3 and binomial_tail(still, len(sub_xy), chance) < 1e-4)


def _without_the_sensor(
    sub_xy: FloatArray,
    reference: ReferencePattern,
    shape: tuple[int, int],
    scale_range: tuple[float, float],
    allow_mirror: bool,
) -> _Proposal | None:
    """A placement found by what does not stand at one pixel in both lists; None if the sky did not move."""
    moved_from = nearest_point(reference.xy, sub_xy, STILL_PX)[0] < 0
    moved_to = nearest_point(sub_xy, reference.xy, STILL_PX)[0] < 0
    if moved_from.sum() < LEAST_STARS or moved_to.sum() < LEAST_STARS:
        return None
    rest = ReferencePattern(reference.xy[moved_to], reference.error_px[moved_to])
    proposal, _ = _search(sub_xy[moved_from], rest, shape, scale_range, allow_mirror)
    return proposal


def _propose(
    sub_xy: FloatArray, reference: ReferencePattern, level: tuple[int, int], low: float, high: float, allow_mirror: bool
) -> list[_Proposal]:
    """Similarities for which quads of both lists speak, those with most votes first."""
    ref_quads, codes = reference.quads(level)
    quads = make_quads(sub_xy, stars=level[0], neighbours=level[1])
    if not len(quads.code) or not len(ref_quads.code):
        return []
    found: list[_Proposal] = []
    for mirror in (False, True) if allow_mirror else (False,):
        code = mirrored(quads.code) if mirror else quads.code
        i, j = codes.within(code, CODE_TOLERANCE)
        if not i.size:
            continue
        a, b = sub_xy[quads.stars[i, 0]], sub_xy[quads.stars[i, 1]]
        c, d = reference.xy[ref_quads.stars[j, 0]], reference.xy[ref_quads.stars[j, 1]]
        za, zb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
        if mirror:
            za, zb = np.conj(za), np.conj(zb)
        zc, zd = c[:, 0] + 1j * c[:, 1], d[:, 0] + 1j * d[:, 1]
        turn = (zd - zc) / (zb - za)
        fits = (np.abs(turn) >= low) & (np.abs(turn) <= high)
        found += _clusters(turn[fits], (zc - turn * za)[fits], sub_xy, mirror)
    return sorted(found, key=lambda p: -p.votes)[:MOST_VERIFIED]


def _clusters(
    turn: npt.NDArray[np.complex128], shift: npt.NDArray[np.complex128], sub_xy: FloatArray, mirror: bool
) -> list[_Proposal]:
    """Places in (turn, scale, shift of the field's middle) at which votes gather, each given once."""
    if not turn.size:
        return []
    middle = complex(*sub_xy.mean(axis=0))
    if mirror:
        middle = middle.conjugate()
    extent = float(np.ptp(sub_xy, axis=0).max()) + 1.0
    landed = turn * middle + shift
    # One unit in each coordinate is what a few pixels at the field's edge would be.
    coordinates = np.column_stack(
        [np.angle(turn) * extent / 2, np.log(np.abs(turn)) * extent / 2, landed.real, landed.imag]
    )
    gathered = Sorted(coordinates)
    votes = gathered.count(coordinates, VOTE_RADIUS_PX)
    taken = np.zeros(len(turn), bool)
    found: list[_Proposal] = []
    for k in np.argsort(-votes, kind="stable"):
        if taken[k]:
            continue
        members = gathered.within(coordinates[k : k + 1], VOTE_RADIUS_PX)[1]
        taken[gathered.within(coordinates[k : k + 1], 2.0 * VOTE_RADIUS_PX)[1]] = True
        centre = complex(np.median(turn[members].real), np.median(turn[members].imag))
        spot = complex(np.median(landed[members].real), np.median(landed[members].imag))
        found.append(_Proposal(centre, spot - centre * middle, mirror, len(members)))
        if len(found) >= MOST_VERIFIED:
            break
    return found


def _decide(
    sub_xy: FloatArray, reference: ReferencePattern, proposals: list[_Proposal], shape: tuple[int, int]
) -> tuple[_Consensus | None, _Consensus | None]:
    """The proposal that most stars follow, and the best other one that would place the frame elsewhere."""
    tested = [_consensus(sub_xy, reference, p, max(1, len(proposals))) for p in proposals]
    # Chances below the floor of floats are alike; the number of stars then decides.
    tested.sort(key=lambda c: (c.log10_chance, -c.inliers))
    if not tested:
        return None, None
    best = tested[0]
    rivals = [c for c in tested[1:] if c.log10_chance < LOG10_FALSE_ALARM and _differ(best.proposal, c.proposal, shape)]
    return best, rivals[0] if rivals else None


def _consensus(sub_xy: FloatArray, reference: ReferencePattern, proposal: _Proposal, proposals: int) -> _Consensus:
    """How many of the brighter stars find a partner, and how likely chance would do as well."""
    moved = proposal.apply(sub_xy[:VERIFY_STARS])
    low, high = reference.xy.min(axis=0) - FIRST_RADIUS_PX, reference.xy.max(axis=0) + FIRST_RADIUS_PX
    inside = moved[((moved >= low) & (moved <= high)).all(axis=1)]
    if not len(inside):
        return _Consensus(proposal, 0, 0.0)
    depth = min(len(reference.xy), 2 * VERIFY_STARS)
    partner, _ = nearest_point(reference.xy[:depth], inside, FIRST_RADIUS_PX)
    # Each reference star may serve once, or a clump would vouch for a whole frame.
    inliers = len(np.unique(partner[partner >= 0]))
    area = float(np.prod(np.maximum(high - low, 1.0)))
    chance = min(0.9, depth * math.pi * FIRST_RADIUS_PX**2 / area)
    # Two stars define the proposal and agree by construction.
    successes, trials = max(inliers - 2, 0), max(len(inside) - 2, 1)
    tail = math.log10(max(binomial_tail(successes, trials, chance), 1e-300))
    return _Consensus(proposal, inliers, float(tail) + math.log10(proposals))


def _corners(shape: tuple[int, int]) -> FloatArray:
    return np.array([[0.0, 0.0], [shape[1] - 1.0, 0.0], [0.0, shape[0] - 1.0], [shape[1] - 1.0, shape[0] - 1.0]])


def _differ(a: _Proposal, b: _Proposal, shape: tuple[int, int]) -> bool:
    corners = _corners(shape)
    return bool(np.abs(a.apply(corners) - b.apply(corners)).max() > 6.0 * FIRST_RADIUS_PX)


def _refine(
    sub_xy: FloatArray, sub_error: FloatArray, reference: ReferencePattern, proposal: _Proposal, shape: tuple[int, int]
) -> Match | None:
    """Least squares on all stars that find a partner, the search radius shrinking with the fit."""
    moved = proposal.apply(sub_xy)
    radius = FIRST_RADIUS_PX
    result: Match | None = None
    for _ in range(6):
        pairs = _mutual_pairs(moved, reference, radius)
        if len(pairs) < LEAST_STARS:
            return None
        scale = abs(proposal.turn)
        sigma = np.hypot(_known(sub_error[pairs[:, 0]]) * scale, _known(reference.error_px[pairs[:, 1]]))
        fit = fit_transform(
            sub_xy[pairs[:, 0]],
            reference.xy[pairs[:, 1]],
            sigma,
            shape=shape,
            mirror=proposal.mirror,
            within=(*reference.xy.min(axis=0), *reference.xy.max(axis=0)),
        )
        if fit.used.sum() < LEAST_STARS:
            return None
        result = Match(
            transform=fit.transform,
            pairs=pairs[fit.used],
            residual_rms_px=fit.residual_rms_px,
            error_px=fit.error_px,
            model=fit.model,
        )
        moved = fit.transform.apply(sub_xy)
        spread = np.abs(moved[pairs[fit.used, 0]] - reference.xy[pairs[fit.used, 1]])
        fresh = float(np.clip(5.0 * np.sqrt(np.mean(spread**2)) * 1.5, 1.0, FIRST_RADIUS_PX))
        if fresh >= 0.95 * radius:
            break
        radius = fresh
    return result


def _known(error: FloatArray) -> FloatArray:
    """Errors with a tenth of a pixel where none is told."""
    return np.where(np.isfinite(error) & (error > 0), error, 0.1)


def _mutual_pairs(moved: FloatArray, reference: ReferencePattern, radius: float) -> IntArray:
    """Pairs (sub, reference) of stars that are each other's nearest within `radius`."""
    there, _ = nearest_point(reference.xy, moved, radius)
    found = np.flatnonzero(there >= 0)
    if not found.size:
        return np.zeros((0, 2), np.int64)
    back, _ = nearest_point(moved, reference.xy[there[found]], radius)
    mutual = found[back == found]
    return np.column_stack([mutual, there[mutual]])
