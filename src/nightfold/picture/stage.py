"""Masters of a campaign into pictures, each with its recipe beside it."""

from __future__ import annotations

import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightfold.engine.core import atomic_write
from nightfold.errors import PictureError
from nightfold.fold.boxes import intersection
from nightfold.fold.masters import read_master
from nightfold.frames.identity import hash_file
from nightfold.ledger.records import MasterRow
from nightfold.ledger.workspace import Workspace
from nightfold.picture.export import SUFFIXES, write_picture
from nightfold.picture.recipe import Mix, Recipe, apply_recipe, automatic_recipe, load_recipe, recipe_text
from nightfold.picture.records import Plane

COLOUR_NAMES = ("Red", "Green", "Blue")


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureReport:
    """A picture that was made; `file` is the first of `files`."""

    file: str
    recipe: str
    width_px: int
    height_px: int
    seconds: float
    files: tuple[str, ...]
    palette: str
    notes: tuple[str, ...] = ()


def make_picture(
    ws: Workspace,
    recipe_file: Path | None,
    *,
    target: str | None = None,
    rig: str | None = None,
    palette: str | None = None,
    out: Path | None = None,
    exact: bool = False,
) -> PictureReport:
    """Mix the masters of one target and rig into a picture.

    Without `out` a TIFF, a PNG and a JPEG are written into the campaign's pictures folder; with it, that file alone. The
    recipe is written beside the picture.
    """
    began = time.perf_counter()
    if out is not None and out.suffix.lower() not in SUFFIXES:
        raise PictureError("the picture's kind is not known", seen=out.name, allowed=", ".join(SUFFIXES))
    given = load_recipe(recipe_file) if recipe_file is not None else None
    rows = _masters(ws, target or (given.target if given else None), rig)
    notes: list[str] = []
    ws.progress.start(len(rows), "Reading masters", "masters")
    planes: dict[str, Plane] = {}
    for row in rows:
        master = read_master(row.path)
        summary = master.summary
        planes[row.filter] = Plane(
            filter=row.filter,
            image=master.image,
            variance=master.variance,
            sha256=row.sha256,
            cut_box_px=summary.cut_box_px,
        )
        ws.progress.advance()
    ws.progress.finish()
    sizes = {p.image.shape for p in planes.values()}
    if len(sizes) > 1:
        raise PictureError(
            "the masters differ in size",
            seen=", ".join(f"{w}x{h}" for h, w in sorted(sizes)),
            allowed="one grid",
            next_step="fold all anew",
        )
    if given is None:
        recipe = _automatic(planes, rows, palette)
    else:
        recipe = given
        notes += _compare(given, planes, exact)
    rgb = apply_recipe(recipe, planes)
    name = next((s.palette for s in recipe.steps if isinstance(s, Mix)), "")
    files = _write(ws, rows, recipe, rgb, out, name)
    recipe_path = Path(files[0]).with_suffix(".recipe.toml")
    with atomic_write(recipe_path) as file:
        file.write(
            recipe_text(recipe, [f"Recipe of {Path(files[0]).name}; replay it with: nightfold picture RECIPE"]).encode()
        )
    report = PictureReport(
        file=files[0],
        recipe=str(recipe_path),
        width_px=rgb.shape[1],
        height_px=rgb.shape[0],
        seconds=time.perf_counter() - began,
        files=tuple(files),
        palette=name,
        notes=tuple(notes),
    )
    ws.ledger.save_picture(
        target=recipe.target,
        path=Path(files[0]).absolute(),
        recipe_path=recipe_path.absolute(),
        sha256=hash_file(Path(files[0])),
        document={"palette": name, "masters": recipe.masters, "files": files},
    )
    return report


def _masters(ws: Workspace, target: str | None, rig: str | None) -> list[MasterRow]:
    """The masters of one target and one set of rigs: those asked for, else the deepest."""
    rows = [m for m in ws.ledger.masters(target=target) if m.path.exists()]
    if rig is not None:
        rows = [m for m in rows if rig in m.rigs]
    if not rows:
        raise PictureError(
            "there are no masters for a picture",
            seen=f"target {target or 'any'}, rig {rig or 'any'}",
            next_step="fold first: nightfold fold",
        )
    groups: dict[tuple[str, int | None, tuple[str, ...]], list[MasterRow]] = defaultdict(list)
    for row in rows:
        groups[(row.target, row.panel, row.rigs)].append(row)

    def depth(group: list[MasterRow]) -> tuple[int, bool, float]:
        # Of two rigs with as many filters, the one whose own pixels the grid is made of resolves more on it.
        grid = ws.ledger.grid(group[0].target, group[0].panel)
        at_home = grid is not None and grid.rig in group[0].rigs
        return len(group), at_home, sum(float(m.document.get("exposure_s") or 0.0) for m in group)

    return max(groups.values(), key=depth)


def _automatic(planes: dict[str, Plane], rows: list[MasterRow], palette: str | None) -> Recipe:
    box = intersection([p.cut_box_px for p in planes.values()])
    if box is None:
        raise PictureError(
            "the masters share no area that is deep enough",
            seen="an empty common box",
            next_step="look at the masters' coverage",
        )
    return automatic_recipe(planes, target=rows[0].target, box=box, palette=palette)


def _compare(recipe: Recipe, planes: dict[str, Plane], exact: bool) -> list[str]:
    """Tell, or with `exact` refuse, masters other than those the recipe was made on."""
    other = [f for f, sha in recipe.masters.items() if sha and f in planes and planes[f].sha256 != sha]
    if not other:
        return []
    text = f"The recipe was made on other masters of {', '.join(other)}; it is replayed on those at hand."
    if exact:
        raise PictureError(
            f"the recipe was made on other masters of {', '.join(other)}",
            allowed="with --exact, the same masters",
            next_step="leave --exact out to replay it on those at hand",
        )
    return [text]


def _write(
    ws: Workspace, rows: list[MasterRow], recipe: Recipe, rgb: npt.NDArray[np.float32], out: Path | None, palette: str
) -> list[str]:
    facts = _facts(ws, rows, recipe, palette)
    if out is not None:
        paths = [out]
    else:
        rigs = "-".join(rows[0].rigs)
        stem = "_".join(_safe(p) for p in (recipe.target, rigs, palette) if p)
        paths = [ws.pictures_folder / f"{stem}{suffix}" for suffix in (".tiff", ".png", ".jpg")]
    ws.progress.start(len(paths), "Writing the picture", "files")
    for path in paths:
        write_picture(path, rgb, facts=facts)
        ws.progress.advance()
    ws.progress.finish()
    return [str(p) for p in paths]


def _facts(ws: Workspace, rows: list[MasterRow], recipe: Recipe, palette: str) -> dict[str, object]:
    """What the picture's metadata tell; never where the site is."""
    mix = next((s for s in recipe.steps if isinstance(s, Mix)), None)
    shares = mix.rows if mix else {}
    wave = {f.name: f.centre_nm for r in ws.settings.rig for f in r.filter}
    used = [r for r in rows if r.filter in shares]
    colours = [" and ".join(n for n, s in zip(COLOUR_NAMES, shares[r.filter]) if s) for r in used]
    hours = sum(float(r.document.get("exposure_s") or 0.0) for r in used) / 3600.0
    return {
        "title": recipe.target,
        "description": f"{recipe.target}: {', '.join(r.filter for r in used)} as {palette or 'grey'}, {hours:.1f} h. False colour.",
        "bands": [r.filter for r in used],
        "colours": colours,
        "wavelengths_nm": [wave[r.filter] for r in used if wave.get(r.filter)],
        "exposures_s": [r.document.get("exposure_s") for r in used],
    }


def _safe(text: str) -> str:
    return "".join(c if c.isalnum() or c in "-+." else "-" for c in text).strip("-.") or "x"
