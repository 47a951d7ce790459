"""Where each content was seen: what exists only once, and which files could go without loss. Nothing is ever deleted.

A file that is missing from a folder that is there is gone. One whose folder is missing too may lie on a drive that is in a
drawer: it still counts as a copy, on a drive of its own, and is told as out of reach.
"""

from __future__ import annotations

import os
from collections import defaultdict
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from nightfold.ledger.lines import PlaceLine
from nightfold.ledger.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class OnceLine:
    """A content that was seen in one place only; `file` None: all its places are gone."""

    file: str | None
    night: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NightCopies:
    """How a night's frames are kept: on `drives` separate drives at least."""

    night: str
    frames: int
    once: int
    lost: int
    drives: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CopiesReport:
    """What exists once, how many contents exist more often, and files that are second or later copies.

    `same_drive` counts contents whose copies all lie on one drive, which a broken drive takes together; `out_of_reach`
    counts places whose folder is not there now.
    """

    once: tuple[OnceLine, ...]
    many: int
    lost: tuple[OnceLine, ...]
    same_drive: int
    out_of_reach: int
    nights: tuple[NightCopies, ...]
    could_go: tuple[str, ...]
    could_go_bytes: int


def copies_report(ws: Workspace) -> CopiesReport:
    """Look where the contents of the ledger lie now: places that are no more do not count, and are recorded as gone."""
    seen_at: dict[int, list[PlaceLine]] = {}
    for line in ws.ledger.place_lines():
        seen_at.setdefault(line.frame_id, []).append(line)
    reachable = cache(os.path.isdir)  # a folder holds many
    vanished: list[Path] = []
    once, lost, could_go = [], [], []
    many = same_drive = out_of_reach = bytes_to_go = 0
    by_night: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for places in seen_at.values():
        here: list[tuple[str, int | str]] = []
        for place in (p for p in places if not p.gone):
            number = _drive(place.path, place.size)
            if number is not None:
                here.append((place.path, number))
            elif reachable(os.path.dirname(place.path)):
                vanished.append(Path(place.path))
            else:
                out_of_reach += 1
                parts = Path(place.path).parts
                here.append((place.path, parts[min(2, len(parts) - 1)]))
        night = places[0].night.isoformat() if places[0].night else None
        drives = len({drive for _, drive in here})
        by_night[night or ""].append((len(here), drives))
        if not here:
            lost.append(OnceLine(file=places[-1].path, night=night))
        elif len(here) == 1:
            once.append(OnceLine(file=here[0][0], night=night))
        else:
            many += 1
            same_drive += drives == 1
            seen: set[int] = set()
            for path, drive in here:
                if isinstance(drive, str):
                    continue
                # The first on each drive stays; a second on the same drive guards against nothing but a slip of the hand.
                if drive in seen:
                    could_go.append(path)
                    bytes_to_go += os.stat(path).st_size
                seen.add(drive)
    if vanished:
        ws.ledger.mark_gone(vanished)
    nights = tuple(
        NightCopies(
            night=night or "no date",
            frames=len(counts),
            once=sum(1 for n, _ in counts if n == 1),
            lost=sum(1 for n, _ in counts if n == 0),
            drives=min(d for _, d in counts),
        )
        for night, counts in sorted(by_night.items())
    )
    return CopiesReport(
        once=tuple(once),
        many=many,
        lost=tuple(lost),
        same_drive=same_drive,
        out_of_reach=out_of_reach,
        nights=nights,
        could_go=tuple(could_go),
        could_go_bytes=bytes_to_go,
    )


def _drive(path: str, size: int) -> int | None:
    """Number of the drive that holds a file of this size; None if it does not."""
    try:
        status = os.stat(path)
    except OSError:
        return None
    return status.st_dev if status.st_size == size else None
