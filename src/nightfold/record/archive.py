"""The campaign as a bag (BagIt, RFC 8493): everything that made the masters and pictures, with a hash of every file.

Files are hashed while they are copied, so that each raw is read once. The bag is built beside its place and put there
whole; a run that was killed goes on with what is copied already.
"""

from __future__ import annotations

import csv
import hashlib
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from urllib.parse import quote, unquote

from nightfold.engine.core import CancelToken, NullProgress, Progress, default_workers, parallel_map, write_text
from nightfold.errors import FrameError, LedgerError
from nightfold.frames.identity import CHUNK, hash_file
from nightfold.ledger.records import FrameRow
from nightfold.ledger.workspace import Workspace

PART = ".part"
MANIFEST, TAG_MANIFEST = "manifest-sha256.txt", "tagmanifest-sha256.txt"
TAG_FILES = ("bagit.txt", "bag-info.txt", MANIFEST)
_PASSWORD = re.compile(r"(?m)^(\s*database_url\s*=\s*[\"'][^:\"']+://[^:@/\"']*):[^@\"']*@")


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveReport:
    """A bag that was written."""

    file: str
    files: int
    bytes: int
    raws: int
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveCheck:
    """A bag that was read again; `sound` is True if every file is there, with its hash, and none besides."""

    file: str
    sound: bool
    checked: int
    changed: tuple[str, ...]
    missing: tuple[str, ...]
    unlisted: tuple[str, ...]


def write_archive(ws: Workspace, folder: Path, *, references: bool = False) -> ArchiveReport:
    """Write the campaign as a bag into a new `folder`.

    Parameters
    ----------
    references : bool
        List the raws with path, size and hash instead of copying them.
    """
    if folder.exists() and any(folder.iterdir()):
        raise LedgerError(
            f"{folder} is not empty", allowed="a folder that does not exist yet", next_step="name another"
        )
    home = ws.folder.resolve()
    if folder.resolve() == home or home in folder.resolve().parents:
        raise LedgerError(
            "an archive inside its own campaign would hold itself",
            seen=str(folder),
            allowed="a folder outside the campaign's",
        )
    part = folder.with_name(folder.name + PART)
    data = part / "data"
    data.mkdir(parents=True, exist_ok=True)
    sources, left_out = _sources(ws, references)
    _check_room(part, sources)
    manifest: dict[str, tuple[str, int]] = {}
    ws.progress.start(len(sources), "Copying into the archive", "files")
    try:
        for name, entry in parallel_map(
            lambda item: (item[0], _copied(item[1], data / item[0])),
            list(sources.items()),
            workers=ws.workers,
            cancelled=ws.cancelled,
        ):
            manifest[name] = entry
            ws.progress.advance()
    finally:
        ws.progress.finish()
    for name in _write_records(ws, data, manifest):
        manifest[name] = (hash_file(data / name), (data / name).stat().st_size)
    _remove_strangers(data, set(manifest))
    _write_tags(part, manifest, ws.settings.name)
    if folder.exists():
        folder.rmdir()
    os.replace(part, folder)
    return ArchiveReport(
        file=str(folder),
        files=len(manifest),
        bytes=sum(size for _, size in manifest.values()),
        raws=sum(1 for name in manifest if name.startswith("raws/")),
        left_out=tuple(left_out),
    )


def check_archive(
    folder: Path, *, progress: Progress | None = None, cancelled: CancelToken | None = None
) -> ArchiveCheck:
    """Read a bag again and compare every file with its hash; no campaign is needed for it."""
    progress = progress or NullProgress()
    listed: dict[str, str] = {}
    for name in (MANIFEST, TAG_MANIFEST):
        file = folder / name
        if not file.is_file():
            raise LedgerError(f"{folder} is not an archive", seen=f"no {name}", next_step="name the folder of a bag")
        listed |= _read_manifest(file)
    root = folder.resolve()
    outside = [n for n in listed if not (folder / n).resolve().is_relative_to(root)]
    if outside:
        raise LedgerError("the archive lists files outside itself", seen=outside[0], allowed="paths inside the bag")

    def state(item: tuple[str, str]) -> tuple[str, str]:
        name, sha256 = item
        path = folder / name
        if not path.is_file():
            return name, "missing"
        try:
            return name, "ok" if hash_file(path) == sha256 else "changed"
        except FrameError:
            return name, "changed"

    states: dict[str, str] = {}
    progress.start(len(listed), "Reading the archive again", "files")
    try:
        for name, found in parallel_map(state, list(listed.items()), workers=default_workers(), cancelled=cancelled):
            states[name] = found
            progress.advance()
    finally:
        progress.finish()
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    unlisted = sorted(n for n in there - set(listed) if n != TAG_MANIFEST)
    changed = tuple(sorted(n for n, s in states.items() if s == "changed"))
    missing = tuple(sorted(n for n, s in states.items() if s == "missing"))
    return ArchiveCheck(
        file=str(folder),
        sound=not (changed or missing or unlisted),
        checked=len(states),
        changed=changed,
        missing=missing,
        unlisted=tuple(unlisted),
    )


# -- what goes in ------------------------------------------------------------------------------------------------------


def _sources(ws: Workspace, references: bool) -> tuple[dict[str, Path], list[str]]:
    """Files to copy, by their name below data/; and what had to be left out."""
    found: dict[str, Path] = {}
    left_out: list[str] = []
    if not references:
        for row in ws.ledger.frames():
            path = _readable(ws, row)
            if path is None:
                left_out.append(f"{row.path}: is not there")
            else:
                found[_raw_name(row, found)] = path
    for kind in ("calibration", "masters", "pictures"):
        folder = ws.folder / kind
        found |= {f"{kind}/{p.relative_to(folder).as_posix()}": p for p in sorted(folder.rglob("*")) if p.is_file()}
    # Masters and pictures may have been written elsewhere; those on record belong in the bag.
    elsewhere = [("masters", m.path) for m in ws.ledger.masters()]
    elsewhere += [("pictures", p) for row in ws.ledger.pictures() for p in (row.path, row.recipe_path)]
    inside = {p.resolve() for p in found.values()}
    for kind, path in elsewhere:
        if not path.is_file():
            left_out.append(f"{path}: is not there")
        elif path.resolve() not in inside:
            found[_free_name(f"{kind}/{path.name}", found)] = path
            inside.add(path.resolve())
    return found, left_out


def _readable(ws: Workspace, row: FrameRow) -> Path | None:
    places = [p.path for p in ws.ledger.places([row.id]).get(row.id, []) if not p.gone]
    return next((p for p in [row.path, *places] if p.is_file()), None)


def _raw_name(row: FrameRow, taken: dict[str, Path]) -> str:
    night = row.night.isoformat() if row.night else "no-date"
    return _free_name(f"raws/{night}/{_safe(row.rig or 'no-rig')}/{row.kind}/{row.path.name}", taken)


def _free_name(name: str, taken: dict[str, Path]) -> str:
    path, number = PurePosixPath(name), 1
    while str(path) in taken:
        number += 1
        path = PurePosixPath(name).with_name(f"{number}-{PurePosixPath(name).name}")
    return str(path)


def _safe(text: str) -> str:
    return "".join(c if c.isalnum() or c in "-+." else "-" for c in text).strip("-.") or "x"


def _check_room(part: Path, sources: dict[str, Path]) -> None:
    wanted = sum(p.stat().st_size for p in sources.values())
    there = sum(p.stat().st_size for p in part.rglob("*") if p.is_file())
    free = shutil.disk_usage(part).free
    if wanted - there > free:
        raise LedgerError(
            "there is no room for the archive",
            seen=f"{free / 1e9:.1f} GB free",
            allowed=f"{(wanted - there) / 1e9:.1f} GB or more",
            next_step="choose another drive, or list the raws with --references",
        )


def _copied(source: Path, target: Path) -> tuple[str, int]:
    """Copy a file and return its hash and size; one that an earlier run copied whole is only hashed."""
    if target.is_file() and target.stat().st_size == source.stat().st_size:
        sha256 = hash_file(target)
        if sha256 == hash_file(source):
            return sha256, target.stat().st_size
    target.parent.mkdir(parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    half = target.with_name(target.name + PART)
    with source.open("rb") as read, half.open("wb") as write:
        while block := read.read(CHUNK):
            digest.update(block)
            write.write(block)
            size += len(block)
        write.flush()
        os.fsync(write.fileno())
    shutil.copystat(source, half)
    os.replace(half, target)
    return digest.hexdigest(), size


# -- what is written about it ------------------------------------------------------------------------------------------


def _write_records(ws: Workspace, data: Path, manifest: dict[str, tuple[str, int]]) -> Iterator[str]:
    """The settings, the ledger as a file and as tables, the list of raws, a README; yields their names."""
    settings = (ws.folder / "campaign.toml").read_text(encoding="utf-8")
    # A password in a database's address is nobody's business but its owner's.
    write_text(data / "campaign.toml", _PASSWORD.sub(r"\1:…@", settings))
    yield "campaign.toml"
    (data / "ledger.sqlite").unlink(missing_ok=True)
    ws.ledger.export_sqlite(data / "ledger.sqlite")
    yield "ledger.sqlite"
    (data / "tables").mkdir(exist_ok=True)
    for table, columns, rows in ws.ledger.tables():
        with (data / "tables" / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(columns)
            writer.writerows(rows)
        yield f"tables/{table}.csv"
    with (data / "raws.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["path", "size_bytes", "sha256", "kind", "rig", "filter", "night"])
        for row in ws.ledger.frames():
            places = ws.ledger.places([row.id])[row.id]
            writer.writerow(
                [
                    row.path,
                    places[-1].size,
                    row.sha256 or "",
                    row.kind,
                    row.rig or "",
                    row.filter or "",
                    row.night or "",
                ]
            )
    yield "raws.csv"
    write_text(data / "README.md", _readme(ws, manifest))
    yield "README.md"


def _readme(ws: Workspace, manifest: dict[str, tuple[str, int]]) -> str:
    raws = sum(1 for n in manifest if n.startswith("raws/"))
    lines = [
        f"# {ws.settings.name}",
        "",
        f"The whole of a deep-sky imaging campaign, written by Nightfold {version('nightfold')} on "
        f"{datetime.now(UTC).date().isoformat()}.",
        "",
        f"- `raws/`: {raws} raw frames by night, rig and kind, as they came from the camera"
        + ("" if raws else "; they are not in this bag, `raws.csv` says where they lie and what their hashes are"),
        "- `calibration/`, `masters/`, `pictures/`: what was made of them; recipes lie beside the pictures",
        "- `campaign.toml`: what was wanted; `ledger.sqlite`: every fact on record; `tables/`: the same as plain CSV",
        "- `raws.csv`: every frame with its SHA-256",
        "",
        "Check that nothing changed: `nightfold archive --check FOLDER`, any BagIt tool (RFC 8493), or, in this folder's parent,",
        "`sha256sum -c manifest-sha256.txt`.",
        "To go on working: take `campaign.toml` and `ledger.sqlite` into a folder and `nightfold take-in` the raws again.",
    ]
    return "\n".join(lines) + "\n"


def _remove_strangers(data: Path, wanted: set[str]) -> None:
    """Leftovers of an earlier run that do not belong to this bag."""
    for path in data.rglob("*"):
        if path.is_file() and path.relative_to(data).as_posix() not in wanted:
            path.unlink()


def _write_tags(part: Path, manifest: dict[str, tuple[str, int]], name: str) -> None:
    total = sum(size for _, size in manifest.values())
    write_text(part / "bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    title = " ".join(name.split())
    write_text(
        part / "bag-info.txt",
        f"Bagging-Date: {datetime.now(UTC).date().isoformat()}\n"
        f"Bag-Software-Agent: nightfold {version('nightfold')}\n"
        f"External-Description: Deep-sky imaging campaign {title}\n"
        f"Payload-Oxum: {total}.{len(manifest)}\n",
    )
    lines = [f"{sha}  {_encoded('data/' + n)}\n" for n, (sha, _) in sorted(manifest.items())]
    write_text(part / MANIFEST, "".join(lines))
    tags = [f"{hash_file(part / n)}  {n}\n" for n in TAG_FILES]
    write_text(part / TAG_MANIFEST, "".join(tags))


def _encoded(name: str) -> str:
    """CR, LF and the percent sign as RFC 8493, section 2.1.3, wants them."""
    return "".join(quote(c) if c in "\r\n%" else c for c in name)


def _read_manifest(file: Path) -> dict[str, str]:
    listed = {}
    for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
        sha256, _, name = line.partition("  ")
        if len(sha256) != 64 or not name:
            raise LedgerError(f"line {number} of {file.name} is not a hash and a path", seen=line[:60])
        listed[unquote(name)] = sha256.lower()
    return listed
