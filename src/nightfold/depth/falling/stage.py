"""Folds parts of a master's subs over a few windows: the measured fall of noise, and the same crop from a quarter to all.

The fall is kept with the master's own hash, so that it is measured once a fold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from nightfold.calibrate.stage import CalibrationRoom
from nightfold.depth.core import fit_floor, nested_parts
from nightfold.depth.records import Crop
from nightfold.depth.windows import Box, FallPoint, choose_windows, fold_window, noise_of_parts
from nightfold.engine.core import atomic_write
from nightfold.errors import FoldError, FrameError
from nightfold.fold.records import FoldOptions
from nightfold.fold.stage import ReadySubs, ready_subs
from nightfold.frames.write import write_fits
from nightfold.ledger.records import FindingRow, FrameRow, MasterRow
from nightfold.ledger.workspace import Workspace

KIND = "noise-fall"
FALL_VERSION = 1
LEAST_SUBS = 8
PARTS = (("quarter", 4), ("half", 2), ("all", 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """The fall of noise with the number of subs; `floor_share` of today's variance does not fall, so many sigma beyond none."""

    points: tuple[FallPoint, ...] = ()
    floor_share: float | None = None
    floor_sigmas: float = 0.0
    notes: tuple[str, ...] = ()


def noise_fall(
    ws: Workspace,
    master: MasterRow,
    frames: Sequence[FrameRow],
    blank: npt.NDArray[np.bool_],
    corner: tuple[int, int],
    box_px: float,
) -> Fall:
    """The measured fall of a master's noise; nothing for fewer than eight subs or where the raws are gone.

    Parameters
    ----------
    blank : (height, width) bool
        Blank sky of a part of the grid that begins at `corner` (x, y).
    box_px : float
        Side of the boxes.
    """
    name = f"{master.target}, {master.filter}"
    where = {"target": master.target, "panel": master.panel, "filter": master.filter, "rig": "+".join(master.rigs)}
    mark = f"{FALL_VERSION} {master.sha256}"
    for row in ws.ledger.findings(KIND, **where):
        if row.document.get("mark") == mark:
            return _read(row.document)
    if len(frames) < LEAST_SUBS:
        return Fall()
    grid = ws.ledger.grid(master.target, master.panel)
    if grid is None:
        return Fall()
    inside = (corner[0], corner[1], corner[0] + blank.shape[1] - 1, corner[1] + blank.shape[0] - 1)
    windows = []
    for box in choose_windows(blank, inside):
        x0, y0, x1, y1 = (box[0] - corner[0], box[1] - corner[1], box[2] - corner[0], box[3] - corner[1])
        windows.append((box, blank[y0 : y1 + 1, x0 : x1 + 1]))
    ws.progress.say(f"Measuring how the noise of {name} falls with the number of subs")
    try:
        with ready_subs(ws, list(frames), grid, CalibrationRoom(ws)) as ready:
            parts = nested_parts(len(ready.subs))
            options = FoldOptions(memory_bytes=ws.memory_bytes, workers=ws.workers)
            measured = noise_of_parts(ready.subs, parts, windows, box_px, options, cancelled=ws.cancelled)
            fall = Fall() if measured is None else _fall(name, ready, parts, measured)
    except (FoldError, FrameError) as error:
        return Fall(notes=(f"{name}: whether more time helps could not be measured: {error.what}",))
    document = {
        "mark": mark,
        "points": [[p.subs, p.exposure_s, p.noise_e_per_s, p.ideal_e_per_s] for p in fall.points],
        "floor_share": fall.floor_share,
        "floor_sigmas": fall.floor_sigmas,
        "notes": list(fall.notes),
    }
    row_of = FindingRow(
        kind=KIND,
        document=document,
        target=master.target,
        panel=master.panel,
        filter=master.filter,
        rig="+".join(master.rigs),
    )
    ws.ledger.replace_findings(KIND, [row_of], **where)
    return fall


def _read(document: dict[str, object]) -> Fall:
    points = document["points"]
    notes = document["notes"]
    share = document["floor_share"]
    assert isinstance(points, list)
    assert isinstance(notes, list)
    return Fall(
        points=tuple(FallPoint(subs=p[0], exposure_s=p[1], noise_e_per_s=p[2], ideal_e_per_s=p[3]) for p in points),
        floor_share=share if isinstance(share, float) else None,
        floor_sigmas=float(document["floor_sigmas"]) if isinstance(document["floor_sigmas"], float) else 0.0,
        notes=tuple(str(n) for n in notes),
    )


def _fall(
    name: str,
    ready: ReadySubs,
    parts: Sequence[Sequence[npt.NDArray[np.int64]]],
    measured: Sequence[tuple[float, float]],
) -> Fall:
    each = ready.sigmas**-2.0
    exposure = np.array([s.exposure_s for s in ready.subs])
    information = [float(np.mean([each[p].sum() for p in amount])) for amount in parts]
    variances = [v for v, _ in measured]
    errors = [e for _, e in measured]
    a, floor, error = fit_floor(information, variances, errors)
    today = a / information[-1] + floor
    first = np.sqrt(variances[0] * information[0])
    points = tuple(
        FallPoint(
            subs=len(amount[0]),
            exposure_s=float(np.mean([exposure[p].sum() for p in amount])),
            noise_e_per_s=float(np.sqrt(v)),
            ideal_e_per_s=float(first / np.sqrt(i)),
        )
        for amount, v, i in zip(parts, variances, information)
    )
    share = float(floor / today)
    notes = []
    if floor > 3.0 * error and share > 0.3:
        notes.append(
            f"{name}: {100 * share:.0f} % of the noise in 10 arcsec boxes does not fall with time: flats, gradients, pattern, or "
            "faint structure of the sky itself; more hours bring less than the square root promises"
        )
    return Fall(
        points=points, floor_share=share, floor_sigmas=float(floor / error) if error > 0.0 else 0.0, notes=tuple(notes)
    )


def write_crops(
    ws: Workspace, master: MasterRow, frames: Sequence[FrameRow], box: Box, *, folder: Path | None = None
) -> list[Crop]:
    """The same part of the field from a quarter, half and all of a master's subs, evenly picked, with one stretch for all.

    Parameters
    ----------
    box : x0, y0, x1, y1
        Of the grid, inclusive.
    folder : Path, optional
        The campaign's own when not given.
    """
    grid = ws.ledger.grid(master.target, master.panel)
    if grid is None:
        raise FoldError(f"{master.target} has no grid")
    folder = folder or ws.depth_folder
    options = FoldOptions(memory_bytes=ws.memory_bytes, workers=ws.workers)
    images: list[tuple[str, npt.NDArray[np.int64], npt.NDArray[np.float32]]] = []
    with ready_subs(ws, list(frames), grid, CalibrationRoom(ws)) as ready:
        exposure = np.array([s.exposure_s for s in ready.subs])
        for part, step in PARTS:
            which = np.arange(0, len(ready.subs), step)
            images.append((part, which, fold_window(ready.subs, which, box, options, ws.cancelled)))
    level = [float(np.nanmedian(image)) for _, _, image in images]
    whole = images[-1][2] - np.float32(level[-1])
    dark, bright = (float(v) for v in np.nanpercentile(whole, [1.0, 99.7]))
    crops = []
    for (part, which, image), sky in zip(images, level):
        words = [master.target, f"panel{master.panel}" if master.panel else "", master.filter, *master.rigs, part]
        stem = "_".join("".join(c if c.isalnum() or c in "-+." else "-" for c in w) for w in words if w)
        shown = image - np.float32(sky)
        unit = fits.PrimaryHDU(np.asarray(image, np.float32))
        unit.header["BUNIT"] = "electron/s"
        unit.header["NSUBS"] = (len(which), "subs in this part")
        unit.header["EXPTIME"] = float(exposure[which].sum())
        unit.header["CROPX0"], unit.header["CROPY0"] = box[0], box[1]
        file, picture = folder / f"{stem}.fits", folder / f"{stem}.png"
        folder.mkdir(parents=True, exist_ok=True)
        write_fits(file, unit)
        _write_grey(picture, shown, dark, bright)
        crops.append(
            Crop(
                target=master.target,
                panel=master.panel,
                filter=master.filter,
                part=part,
                subs=len(which),
                exposure_s=float(exposure[which].sum()),
                file=str(file),
                picture=str(picture),
                box_px=box,
            )
        )
    return crops


def _write_grey(path: Path, image: npt.NDArray[np.float32], dark: float, bright: float) -> None:
    """A grey picture through asinh between two levels; +y is up."""
    from PIL import Image

    span = max(bright - dark, 1e-12)
    share = np.nan_to_num(np.clip((image - dark) / span, 0.0, 1.0))
    grey = np.arcsinh(8.0 * share) / np.arcsinh(8.0)
    pixels = np.rint(255.0 * grey).astype(np.uint8)[::-1]
    with atomic_write(path) as file:
        Image.fromarray(np.ascontiguousarray(pixels)).save(file, format="PNG")
