"""A master to look at: tiles of its planes at every size, and what stands at one pixel."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from nightfold.errors import FoldError, LedgerError
from nightfold.fold.masters import celestial
from nightfold.frames.pyramid import TILE_PX, LevelSize, Pyramid, Tile, robust_range
from nightfold.ledger.records import MasterRow
from nightfold.ledger.workspace import Workspace

Plane = npt.NDArray[np.float32]
PlaneName = Literal["image", "noise", "coverage", "rejected"]
PLANES: tuple[PlaneName, ...] = get_args(PlaneName)
KEPT_PYRAMIDS = 6

BLACK_SIGMA, SOFT_SIGMA = 4.0, 3.0
BRIGHTEST_SHARE = 0.9995
"""The first stretch of an image: black below the sky, white at the value that so many pixels stay under. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterView:
    """What a viewer needs of one plane of a master. The curve's numbers are in units of the tiles."""

    id: int
    plane: PlaneName
    unit_words: str
    width: int
    height: int
    tile: int
    levels: tuple[LevelSize, ...]
    black: float
    white: float
    softness: float
    pedestal: float
    unit: float
    common_box_px: tuple[int, int, int, int] | None
    cut_box_px: tuple[int, int, int, int] | None
    on_the_sky: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelFacts:
    """What a master holds at one pixel; null where no sub covers or nothing is known."""

    x: int
    y: int
    value_e_per_s: float | None
    noise_e_per_s: float | None
    coverage: int
    rejected: int
    ra_deg: float | None
    dec_deg: float | None


class MasterLooker:
    """Looks into the masters of a campaign; a few planes stay in memory as half floats."""

    def __init__(self, ws: Workspace) -> None:
        self._ws = ws
        self._lock = threading.Lock()
        self._pyramids: OrderedDict[tuple[str, PlaneName], tuple[MasterView, Pyramid]] = OrderedDict()
        self._wcs: dict[str, Any] = {}

    def view(self, master_id: int, plane: PlaneName) -> MasterView:
        """Sizes and first curve of a plane."""
        return self._look(master_id, plane)[0]

    def tile(self, master_id: int, plane: PlaneName, level: int, column: int, row: int) -> Tile:
        """A tile of a plane."""
        return self._look(master_id, plane)[1].tile(level, column, row)

    def at(self, master_id: int, x: int, y: int) -> PixelFacts:
        """All planes at one pixel, exactly."""
        row = self._row(master_id)
        with fits.open(row.path, memmap=True) as units:
            height, width = units[0].shape
            if not (0 <= x < width and 0 <= y < height):
                raise FoldError(
                    "the pixel is not in the master", seen=f"{x}, {y}", allowed=f"0, 0 to {width - 1}, {height - 1}"
                )
            value = float(units[0].section[y : y + 1, x : x + 1][0, 0])
            variance = float(units["VARIANCE"].section[y : y + 1, x : x + 1][0, 0])
            counts = [int(units[n].section[y : y + 1, x : x + 1][0, 0]) for n in ("COVERAGE", "REJECTED")]
            if row.sha256 not in self._wcs:
                self._wcs[row.sha256] = celestial(units[0].header)
        wcs = self._wcs[row.sha256]
        ra, dec = (float(v) for v in wcs.all_pix2world([[x, y]], 0)[0]) if wcs is not None else (math.nan, math.nan)
        return PixelFacts(
            x=x,
            y=y,
            value_e_per_s=_known(value),
            noise_e_per_s=_known(math.sqrt(variance)) if variance >= 0 else None,
            coverage=counts[0],
            rejected=counts[1],
            ra_deg=_known(ra),
            dec_deg=_known(dec),
        )

    def _row(self, master_id: int) -> MasterRow:
        found = next((m for m in self._ws.ledger.masters() if m.id == master_id), None)
        if found is None or not Path(found.path).exists():
            raise LedgerError("no master of this campaign has this number", seen=f"{master_id}", next_step="fold again")
        return found

    def _look(self, master_id: int, plane: PlaneName) -> tuple[MasterView, Pyramid]:
        row = self._row(master_id)
        key = (row.sha256, plane)
        with self._lock:
            if key not in self._pyramids:
                self._pyramids[key] = _made(row, plane)
                while len(self._pyramids) > KEPT_PYRAMIDS:
                    self._pyramids.popitem(last=False)
            self._pyramids.move_to_end(key)
            return self._pyramids[key]


def _made(row: MasterRow, name: PlaneName) -> tuple[MasterView, Pyramid]:
    with fits.open(row.path, memmap=False) as units:
        extension = {"image": 0, "noise": "VARIANCE", "coverage": "COVERAGE", "rejected": "REJECTED"}[name]
        plane = units[extension].data.astype(np.float32)
        on_the_sky = celestial(units[0].header) is not None
    if name == "noise":
        plane = np.sqrt(plane)
    pedestal, unit, black, white, softness = _curve(plane, name)
    pyramid = Pyramid.of(plane, pedestal=pedestal, unit=unit)
    d = row.document
    view = MasterView(
        id=row.id, plane=name, unit_words="subs" if name in ("coverage", "rejected") else "e/s", width=plane.shape[1],
        height=plane.shape[0], tile=TILE_PX, levels=pyramid.sizes, black=black, white=white, softness=softness,
        pedestal=pyramid.pedestal, unit=pyramid.unit, common_box_px=_box(d.get("common_box_px")),
        cut_box_px=_box(d.get("cut_box_px")), on_the_sky=on_the_sky,
    )  # fmt: skip
    return view, pyramid


def _curve(plane: Plane, name: PlaneName) -> tuple[float, float, float, float, float]:
    """Pedestal and unit of the tiles; black, white and softness of the first look, in that unit."""
    finite = plane[np.isfinite(plane)]
    if finite.size == 0:
        return 0.0, 1.0, 0.0, 1.0, 1.0
    if name in ("coverage", "rejected"):
        return 0.0, 1.0, 0.0, max(1.0, float(finite.max())), max(1.0, float(finite.max()))
    middle, sigma = robust_range(plane)
    sigma = max(sigma, 1e-6 * abs(middle), 1e-12)
    step = max(1, finite.size // 1_000_000)
    if name == "noise":
        low, high = (float(v) for v in np.quantile(finite[::step], [0.002, 0.998]))
        return middle, sigma, (low - middle) / sigma, max((high - middle) / sigma, (low - middle) / sigma + 1.0), 100.0
    top = (float(np.quantile(finite[::step], BRIGHTEST_SHARE)) - middle) / sigma
    return middle, sigma, -BLACK_SIGMA, max(top, 20.0), SOFT_SIGMA


def _box(value: Any) -> tuple[int, int, int, int] | None:
    return None if not value else (int(value[0]), int(value[1]), int(value[2]), int(value[3]))


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
