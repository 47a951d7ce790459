"""The masters of one picture kept at hand for live mixing: recipes, layers, previews, and saved versions."""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from nightfold.engine.core import write_text
from nightfold.errors import NightfoldError, PictureError
from nightfold.ledger.workspace import Workspace
from nightfold.picture.live.core import LiveFacts, fitting_palettes, formulas, live_layers
from nightfold.picture.recipe import Recipe, apply_recipe, load_recipe, recipe_text
from nightfold.picture.records import Plane
from nightfold.picture.stage import read_planes

PREVIEW_PX = 1200
"""Long side of what is mixed live: fills a 10-inch tablet, and a wireless network carries it within a second or two."""
MOST_VERSIONS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureFile:
    """One file that a picture was written to."""

    name: str
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MadePicture:
    """A picture that was written, with its number in the ledger."""

    id: int
    target: str
    palette: str
    made_at: datetime
    files: tuple[PictureFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """A recipe that was saved on the page."""

    number: int
    name: str
    recipe: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureRoom:
    """What there is to mix: the latest recipe (null before the first picture), palettes that fit, versions, pictures."""

    recipe: dict[str, Any] | None
    palettes: dict[str, dict[str, tuple[float, float, float]]]
    formulas: dict[str, Any]
    versions: tuple[Version, ...]
    pictures: tuple[MadePicture, ...]
    masters: int


def picture_room(ws: Workspace) -> PictureRoom:
    """What the ledger and the pictures' folder hold; no pixel is read."""
    masters = [m for m in ws.ledger.masters() if m.path.exists()]
    recipe = _latest(ws)
    filters = list(recipe.masters) if recipe is not None else []
    return PictureRoom(
        recipe=None if recipe is None else recipe.model_dump(mode="json"),
        palettes=fitting_palettes(filters),
        formulas=formulas(),
        versions=versions(ws),
        pictures=tuple(
            MadePicture(
                id=p.id, target=p.target, palette=str(p.document.get("palette", "")), made_at=p.made_at, files=_files(p)
            )
            for p in _latest_pictures(ws)
        ),
        masters=len(masters),
    )


def _latest_pictures(ws: Workspace) -> list[Any]:
    """The latest row of each picture file, newest first: a file that was written again is one picture."""
    latest: dict[str, Any] = {}
    for row in ws.ledger.pictures():
        if row.path.exists():
            latest[str(row.path)] = row
    return sorted(latest.values(), key=lambda r: r.made_at, reverse=True)


def _files(row: Any) -> tuple[PictureFile, ...]:
    paths = [Path(f) for f in row.document.get("files", [])]
    paths.append(row.recipe_path)
    return tuple(PictureFile(name=p.name, bytes=p.stat().st_size) for p in paths if p.is_file())


def picture_file(ws: Workspace, picture_id: int, name: str) -> Path:
    """The path of a picture's file by its name; only files that the ledger lists."""
    row = next((p for p in ws.ledger.pictures() if p.id == picture_id), None)
    paths = [] if row is None else [*(Path(f) for f in row.document.get("files", [])), row.recipe_path]
    found = next((p for p in paths if p.name == name and p.is_file()), None)
    if found is None:
        raise PictureError("no picture of this campaign has this file", seen=f"{picture_id}, {name[:80]}")
    return found


def _latest(ws: Workspace) -> Recipe | None:
    """The recipe of the latest picture that still fits masters at hand."""
    for row in _latest_pictures(ws):
        try:
            return load_recipe(row.recipe_path)
        except NightfoldError:
            continue
    return None


def versions(ws: Workspace) -> tuple[Version, ...]:
    """Saved recipes, oldest first; a file that is none is passed over."""
    found = []
    for path in sorted(_folder(ws).glob("*.recipe.toml")):
        number, _, rest = path.name.removesuffix(".recipe.toml").partition("-")
        if not number.isdigit():
            continue
        try:
            recipe = load_recipe(path)
        except NightfoldError:
            continue
        found.append(Version(number=int(number), name=rest.replace("-", " "), recipe=recipe.model_dump(mode="json")))
    return tuple(sorted(found, key=lambda v: v.number))


def save_version(ws: Workspace, recipe: Recipe, name: str) -> Version:
    """Keep a recipe under the next number."""
    have = versions(ws)
    if len(have) >= MOST_VERSIONS:
        raise PictureError("there are too many saved versions", seen=f"{len(have)}", allowed=f"{MOST_VERSIONS}")
    number = 1 + max((v.number for v in have), default=0)
    plain = "-".join("".join(c if c.isalnum() else " " for c in name).split())[:60] or "version"
    write_text(_folder(ws) / f"{number:03d}-{plain}.recipe.toml", recipe_text(recipe, [f"Saved as version {number}."]))
    return Version(number=number, name=plain.replace("-", " "), recipe=recipe.model_dump(mode="json"))


def _folder(ws: Workspace) -> Path:
    return ws.pictures_folder / "versions"


class Mixer:
    """Masters of one picture in memory, and layers made from them. One piece of work at a time."""

    def __init__(self, ws: Workspace) -> None:
        self._ws = ws
        self._lock = threading.Lock()
        self._key: tuple[tuple[int, str], ...] = ()
        self._planes: dict[str, Plane] = {}

    def layers(self, recipe: Recipe, *, preview_px: int = PREVIEW_PX) -> tuple[LiveFacts, bytes]:
        """What the page mixes from."""
        with self._lock:
            return live_layers(recipe, self._of(recipe), preview_px=preview_px, threads=self._ws.workers)

    def preview(self, recipe: Recipe, *, preview_px: int = PREVIEW_PX, as_png: bool = False) -> bytes:
        """The exact formulas at preview size, as a picture file."""
        with self._lock:
            rgb = apply_recipe(recipe, self._of(recipe), preview_px=preview_px, threads=self._ws.workers)
        upright = np.rint(np.clip(rgb[::-1], 0.0, 1.0) * np.float32(255.0)).astype(np.uint8)
        buffer = io.BytesIO()
        picture = Image.fromarray(np.ascontiguousarray(upright), "RGB")
        if as_png:
            picture.save(buffer, "PNG", compress_level=1)
        else:
            picture.save(buffer, "JPEG", quality=92, subsampling=0)
        return buffer.getvalue()

    def _of(self, recipe: Recipe) -> dict[str, Plane]:
        """The masters that the recipe was made on, else the latest of its filters."""
        rows = [m for m in self._ws.ledger.masters(target=recipe.target) if m.path.exists()]
        if recipe.panel is not None:
            rows = [m for m in rows if m.panel == recipe.panel]
        chosen = {}
        for name, sha256 in recipe.masters.items():
            mine = [m for m in rows if m.filter == name]
            same = [m for m in mine if m.sha256 == sha256]
            if not mine:
                raise PictureError("a master of the recipe is gone", seen=name, next_step=f"fold {name} again")
            chosen[name] = (same or mine)[0]
        sets = {m.rigs for m in chosen.values()}
        if len(sets) > 1:  # masters of several rigs: those of one that has all filters
            whole = [
                r
                for r in {m.rigs for m in rows}
                if all(any(m.filter == f and m.rigs == r for m in rows) for f in chosen)
            ]
            if whole:
                chosen = {f: next(m for m in rows if m.filter == f and m.rigs == whole[0]) for f in chosen}
        key = tuple(sorted((m.id, m.sha256) for m in chosen.values()))
        if key != self._key:
            self._planes = read_planes(self._ws, list(chosen.values()))
            self._key = key
        return self._planes


__all__ = ["Mixer", "PictureRoom", "Version", "picture_file", "picture_room", "save_version", "versions"]
