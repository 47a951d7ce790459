"""Masters of a campaign into pictures, each with its recipe beside it."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.align.catalogue import load_catalogue
from nightfold.engine.core import write_text
from nightfold.errors import PictureError
from nightfold.fold.boxes import intersection
from nightfold.fold.masters import read_master
from nightfold.frames.identity import hash_file
from nightfold.judge.photometry.stage import filter_zero_point, zero_points
from nightfold.ledger.records import MasterRow
from nightfold.ledger.workspace import Workspace
from nightfold.picture.annotate import SkyObject, annotate
from nightfold.picture.automatic import Balance
from nightfold.picture.export import SUFFIXES, hand_over, write_picture
from nightfold.picture.metadata import caption, sky_facts
from nightfold.picture.proof import proof_strips
from nightfold.picture.ready import Box, cut_to
from nightfold.picture.recipe import Mix, Recipe, apply_recipe, automatic_recipe, load_recipe, recipe_text
from nightfold.picture.records import Plane
from nightfold.picture.render import noise_effects
from nightfold.picture.steps import Level, Turn
from nightfold.picture.turning import north_up, turned_wcs
from nightfold.rig.core import scale_arcsec_px
from nightfold.sky.objects import objects_near

MOST_LISTED = 500
"""Catalogue stars that a recipe may carry; the faintest of a rich field stay neutral."""
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
    caption: str
    annotated: str | None = None
    linear: tuple[str, ...] = ()
    proof: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def make_picture(
    ws: Workspace,
    recipe_given: Path | Recipe | None,
    *,
    target: str | None = None,
    rig: str | None = None,
    panel: int | None = None,
    palette: str | None = None,
    balance: Balance = "signal",
    out: Path | None = None,
    exact: bool = False,
    upright: bool = False,
    annotated: bool = False,
    linear: bool = False,
    proof: bool = False,
    gpu: bool = False,
    preview_px: int | None = None,
) -> PictureReport:
    """Mix the masters of one target and rig into a picture.

    Without `out` a TIFF, a PNG and a JPEG are written into the campaign's pictures folder; with it, that file alone. The
    recipe and a caption are written beside the picture.

    Parameters
    ----------
    panel : int, optional
        The panel of a mosaic; that of the recipe when not given, else the only or first one.
    balance : str
        What an automatic recipe brings the filters to one scale by: "signal", "noise" or "zero-points".
    upright : bool
        Turn the picture so that north is up and east to the left; the masters must carry coordinates.
    annotated, linear, proof : bool
        Also write a copy with names, scale and compass; the masters as linear files, equally cut; strips that show what
        each step does.
    gpu : bool
        Sharpen on a graphics card (extra `gpu`).
    preview_px : int, optional
        Make a picture of at most about so many pixels on its longer side, from masters averaged in blocks: quicker, and
        without coordinates.
    """
    began = time.perf_counter()
    if out is not None and out.suffix.lower() not in SUFFIXES:
        raise PictureError("the picture's kind is not known", seen=out.name, allowed=", ".join(SUFFIXES))
    given = load_recipe(recipe_given) if isinstance(recipe_given, Path) else recipe_given
    wanted = target or (given.target if given else None)
    rows = _masters(ws, wanted, rig, _panel_wanted(ws, given, wanted, panel))
    notes = left_out(ws, rows)
    by_zero_points = given is not None and any(
        isinstance(s, Level) and s.scale_by == "zero-points" for s in given.steps
    )
    if by_zero_points or (given is None and balance == "zero-points"):
        zero_points(ws)
    planes = read_planes(ws, rows)
    if given is None:
        recipe = _automatic(ws, planes, rows, palette, balance)
    else:
        recipe = given.model_copy(update={"panel": rows[0].panel})
        notes += _compare(given, planes, exact)
    if upright:
        recipe = _upright(recipe, planes)
    rgb = apply_recipe(recipe, planes, preview_px=preview_px, threads=ws.workers, on_card=gpu)
    for filter_name, effect in noise_effects(recipe, planes).items():
        notes.append(
            f"{filter_name}: noise reduction leaves {100 * effect.noise_left:.0f} % of the pixel noise; "
            f"of a 5 sigma detail as fine as a star {100 * effect.detail_kept:.0f} % stays."
        )
    name = next((s.palette for s in recipe.steps if isinstance(s, Mix)), "")
    wcs = picture_wcs(recipe, planes, (rgb.shape[0], rgb.shape[1])) if preview_px is None else None
    facts = _facts(ws, rows, recipe, name) | (sky_facts(wcs, (rgb.shape[0], rgb.shape[1])) if wcs is not None else {})
    files = _write(ws, rows, recipe, rgb, out, name, facts)
    first = Path(files[0])
    recipe_path = first.with_suffix(".recipe.toml")
    replay = [f"Recipe of {first.name}; replay it with: nightfold picture RECIPE"]
    write_text(recipe_path, recipe_text(recipe, replay))
    write_text(first.with_suffix(".txt"), caption(facts))
    report = PictureReport(
        file=files[0],
        recipe=str(recipe_path),
        width_px=rgb.shape[1],
        height_px=rgb.shape[0],
        files=tuple(files),
        palette=name,
        caption=caption(facts),
        annotated=_annotated(first, rgb, wcs, facts, notes) if annotated else None,
        linear=_linear(ws, first, planes, recipe) if linear else (),
        proof=_proof(ws, first, recipe, planes) if proof else (),
        notes=tuple(notes),
        seconds=time.perf_counter() - began,
    )
    ws.ledger.save_picture(
        target=recipe.target,
        path=first.absolute(),
        recipe_path=recipe_path.absolute(),
        sha256=hash_file(first),
        document={"palette": name, "panel": recipe.panel, "masters": recipe.masters, "files": files},
    )
    return report


def read_planes(ws: Workspace, rows: Sequence[MasterRow]) -> dict[str, Plane]:
    """Masters of one grid as planes by filter."""
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
            scale_arcsec_px=_scale_of(ws, row, master.wcs),
            cut_box_px=summary.cut_box_px,
            wcs=master.wcs,
            moving_sky=master.moving_sky,
            zero_point_mag=_zero_point(ws, row, {s.sha256 for s in master.subs}),
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
    return planes


def _zero_point(ws: Workspace, row: MasterRow, subs: Set[str]) -> float | None:
    """AB magnitude of 1 electron/s of a master, as the catalogue stars in its subs have told it; None where they have not."""
    frames = [f for f in ws.ledger.frames(kind="sub", target=row.target, filter=row.filter) if f.sha256 in subs]
    known = filter_zero_point(ws, frames)
    return None if known is None else known.zero_point.mag


def _scale_of(ws: Workspace, row: MasterRow, wcs: Any) -> float | None:
    """Arcseconds a pixel of a master: from its coordinates, else from the rig that its grid is made of."""
    if wcs is not None:
        from astropy.wcs.utils import proj_plane_pixel_scales

        return float(np.mean(proj_plane_pixel_scales(wcs.celestial)) * 3600.0)
    grid = ws.ledger.grid(row.target, row.panel)
    rig = ws.settings.rig_named(grid.rig if grid else None)
    if rig is None or not rig.camera.pixel_um or not rig.telescope.focal_length_mm:
        return None
    return scale_arcsec_px(rig.camera.pixel_um, rig.telescope.focal_length_mm)


def _upright(recipe: Recipe, planes: Mapping[str, Plane]) -> Recipe:
    """The recipe with a last turn that brings north up, in place of a turn that it may have."""
    steps = [s for s in recipe.steps if not isinstance(s, Turn)]
    cut = cut_to(planes[next(iter(recipe.masters))], recipe.cut_box_px)
    if cut.wcs is None:
        raise PictureError(
            "north cannot be brought up: the masters have no place on the sky",
            next_step="give the target's coordinates and the rig's focal length in campaign.toml, then fold again",
        )
    return recipe.model_copy(update={"steps": [*steps, north_up(cut.wcs, (cut.image.shape[0], cut.image.shape[1]))]})


def picture_wcs(recipe: Recipe, planes: Mapping[str, Plane], shape: tuple[int, int]) -> Any:
    """Coordinates of the picture that a recipe makes, as an astropy WCS; None where the masters have none."""
    plane = planes[next(iter(recipe.masters))]
    if plane.wcs is None:
        return None
    cut = cut_to(plane, recipe.cut_box_px)
    turn = next((s for s in recipe.steps if isinstance(s, Turn)), None)
    return turned_wcs(cut.wcs, turn, (cut.image.shape[0], cut.image.shape[1]), shape)


def _annotated(
    first: Path, rgb: npt.NDArray[np.float32], wcs: Any, facts: Mapping[str, Any], notes: list[str]
) -> str | None:
    """A JPEG with the names of listed objects, a scale bar and a compass."""
    if wcs is None:
        notes.append("No annotated copy: the masters have no place on the sky.")
        return None
    radius_deg = 0.5 * float(np.hypot(*rgb.shape[:2])) * abs(float(facts["scale_deg"][1]))
    listed = [
        SkyObject(name=o.name, ra_deg=o.ra_deg, dec_deg=o.dec_deg, diameter_arcmin=o.major_arcmin)
        for o in objects_near(float(facts["ra_deg"]), float(facts["dec_deg"]), radius_deg)
    ]
    path = first.with_name(f"{first.stem}_annotated.jpg")
    write_picture(path, annotate(rgb, wcs, listed), facts=facts)
    return str(path)


def _linear(ws: Workspace, first: Path, planes: Mapping[str, Plane], recipe: Recipe) -> tuple[str, ...]:
    """The masters for any editor, cut to the recipe's box, in a folder beside the picture."""
    ws.progress.start(1, "Writing linear masters", "sets")
    used = {f: planes[f] for f in recipe.masters}
    written = hand_over(first.with_name(f"{first.stem}_linear"), used, name=_safe(recipe.target), box=recipe.cut_box_px)
    ws.progress.finish()
    return tuple(str(p) for p in written)


def _proof(ws: Workspace, first: Path, recipe: Recipe, planes: Mapping[str, Plane]) -> tuple[str, ...]:
    written = []
    ws.progress.start(len(recipe.steps), "Writing proofs", "steps")
    for name, strip in proof_strips(recipe, planes, threads=ws.workers):
        path = first.with_name(f"{first.stem}_proof_{name}.png")
        write_picture(path, strip, facts={"title": f"{_title(ws, recipe)}: without and with {name}"})
        written.append(str(path))
        ws.progress.advance()
    ws.progress.finish()
    return tuple(written)


def _panel_wanted(ws: Workspace, recipe: Recipe | None, target: str | None, panel: int | None) -> int | None:
    """The panel asked for; else that of the recipe, told by its masters where it was written without one."""
    if panel is not None or recipe is None or recipe.target != target:
        return panel
    if recipe.panel is not None:
        return recipe.panel
    made_on = set(recipe.masters.values())
    return next((m.panel for m in ws.ledger.masters(target=recipe.target) if m.sha256 in made_on), None)


def _masters(ws: Workspace, target: str | None, rig: str | None, panel: int | None = None) -> list[MasterRow]:
    """The masters of one target, panel and set of rigs: those asked for, else the deepest target's only or first panel."""
    rows = [m for m in ws.ledger.masters(target=target) if m.path.exists()]
    if rig is not None:
        rows = [m for m in rows if rig in m.rigs]
    if not rows:
        raise PictureError(
            "there are no masters for a picture",
            seen=f"target {target or 'any'}, rig {rig or 'any'}",
            next_step="fold first: nightfold fold",
        )
    if panel is not None:
        have = sorted({m.panel for m in rows if m.panel is not None})
        rows = [m for m in rows if m.panel == panel]
        if not rows:
            raise PictureError(
                "there are no masters of this panel",
                seen=f"panel {panel}",
                allowed=", ".join(f"panel {p}" for p in have) or "no panel: the target is no mosaic",
                next_step="name a panel that is folded, or fold this one first: nightfold fold",
            )
    groups: dict[tuple[str, int | None, tuple[str, ...]], list[MasterRow]] = defaultdict(list)
    for row in rows:
        groups[(row.target, row.panel, row.rigs)].append(row)

    def depth(group: list[MasterRow]) -> tuple[int, bool, float]:
        # Of two rigs with as many filters, the one whose own pixels the grid is made of resolves more on it.
        grid = ws.ledger.grid(group[0].target, group[0].panel)
        at_home = grid is not None and grid.rig in group[0].rigs
        return len(group), at_home, sum(float(m.document.get("exposure_s") or 0.0) for m in group)

    chosen = max(groups.values(), key=depth)
    panels = [k[1] for k in groups if k[0] == chosen[0].target and k[1] is not None]
    if not panels:
        return chosen
    return max((g for k, g in groups.items() if k[:2] == (chosen[0].target, min(panels))), key=depth)


def left_out(ws: Workspace, rows: Sequence[MasterRow]) -> list[str]:
    """That the target has other panels, which this picture does not show."""
    first = rows[0]
    every = {m.panel for m in ws.ledger.masters(target=first.target) if m.panel is not None}
    others = sorted(every - {first.panel})
    if not others or first.panel is None:
        return []
    named = ", ".join(str(p) for p in others)
    parts = f"panel {named} is" if len(others) == 1 else f"panels {named} are"
    return [
        f"This is panel {first.panel} of {first.target}; {parts} not in it: a picture is made of one panel. "
        f"For another: --panel {others[0]}"
    ]


def _title(ws: Workspace, recipe: Recipe) -> str:
    """The target, with the panel where it has several, folded or only planned."""
    planned = {p.panel for t in ws.settings.target if t.name == recipe.target for p in t.panel}
    folded = {m.panel for m in ws.ledger.masters(target=recipe.target) if m.panel is not None}
    return (
        recipe.target if recipe.panel is None or len(planned | folded) < 2 else f"{recipe.target}, panel {recipe.panel}"
    )


def _automatic(
    ws: Workspace, planes: dict[str, Plane], rows: list[MasterRow], palette: str | None, balance: Balance
) -> Recipe:
    box = intersection([p.cut_box_px for p in planes.values()])
    if box is None:
        raise PictureError(
            "the masters share no area that is deep enough",
            seen="an empty common box",
            next_step="look at the masters' coverage",
        )
    listed = listed_stars(ws, planes[next(iter(planes))], box)
    recipe = automatic_recipe(planes, target=rows[0].target, box=box, palette=palette, listed=listed, balance=balance)
    return recipe.model_copy(update={"panel": rows[0].panel})


def listed_stars(ws: Workspace, plane: Plane, box: Box) -> list[tuple[float, float, float, float]]:
    """Catalogue stars in a box of a master, brightest first: pixel in the box, G and BP - RP; none without coordinates."""
    cut = cut_to(plane, box)
    if cut.wcs is None:
        return []
    height, width = cut.image.shape
    facts = sky_facts(cut.wcs, (height, width))
    radius_deg = 0.5 * float(np.hypot(height, width)) * abs(float(facts["scale_deg"][1]))
    near = load_catalogue().near(float(facts["ra_deg"]), float(facts["dec_deg"]), radius_deg)
    x, y = cut.wcs.wcs_world2pix(near.ra_deg, near.dec_deg, 0)
    colour = near.bp - near.rp
    inside = (x > -20) & (x < width + 20) & (y > -20) & (y < height + 20) & np.isfinite(colour)
    stars = np.column_stack([x, y, near.g, colour])[inside]
    return [(float(a), float(b), float(g), float(c)) for a, b, g, c in stars[:MOST_LISTED]]


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
    ws: Workspace,
    rows: list[MasterRow],
    recipe: Recipe,
    rgb: npt.NDArray[np.float32],
    out: Path | None,
    palette: str,
    facts: Mapping[str, Any],
) -> list[str]:
    if out is not None:
        paths = [out.absolute()]
    else:
        rigs = "-".join(rows[0].rigs)
        panel = f"panel{recipe.panel}" if _title(ws, recipe) != recipe.target else ""
        stem = "_".join(_safe(p) for p in (recipe.target, panel, rigs, palette) if p)
        paths = [ws.pictures_folder.absolute() / f"{stem}{suffix}" for suffix in (".tiff", ".png", ".jpg")]
    ws.progress.start(len(paths), "Writing the picture", "files")
    for path in paths:
        write_picture(path, rgb, facts=facts)
        ws.progress.advance()
    ws.progress.finish()
    return [str(p) for p in paths]


def _facts(ws: Workspace, rows: list[MasterRow], recipe: Recipe, palette: str) -> dict[str, Any]:
    """What the picture's metadata tell; never where the site is."""
    title = _title(ws, recipe)
    mix = next((s for s in recipe.steps if isinstance(s, Mix)), None)
    shares = mix.rows if mix else {}
    wave = {f.name: f.centre_nm for r in ws.settings.rig for f in r.filter}
    used = [r for r in rows if r.filter in shares]
    colours = [" and ".join(n for n, s in zip(COLOUR_NAMES, shares[r.filter]) if s) for r in used]
    hours = sum(float(r.document.get("exposure_s") or 0.0) for r in used) / 3600.0
    made_by = ws.settings.credits
    rig = ws.settings.rig_named(rows[0].rigs[0]) if rows[0].rigs else None
    telescope = rig.telescope if rig else None
    focal, aperture = (telescope.focal_length_mm, telescope.aperture_mm) if telescope else (None, None)
    return {
        "title": title,
        "object": recipe.target,
        "creator": made_by.creator,
        "rights": made_by.rights,
        "facility": made_by.facility or ", ".join(rows[0].rigs),
        "focal_length_mm": focal,
        "f_number": round(focal / aperture, 2) if focal and aperture else None,
        "description": f"{title}: {', '.join(r.filter for r in used)} as {palette or 'grey'}, {hours:.1f} h. False colour.",
        "bands": [r.filter for r in used],
        "colours": colours,
        "wavelengths_nm": [wave[r.filter] for r in used if wave.get(r.filter)],
        "exposures_s": [r.document.get("exposure_s") for r in used],
    }


def _safe(text: str) -> str:
    return "".join(c if c.isalnum() or c in "-+." else "-" for c in text).strip("-.") or "x"
