"""Rows of the ledger as plain records. Times are UTC and aware."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFrame:
    """A file just read, to be taken in."""

    path: Path
    size: int
    mtime_ns: int
    fingerprint: str
    kind: str
    rig: str | None
    target: str | None
    panel: int | None
    filter: str | None
    night: date | None
    start: datetime | None
    exposure_s: float | None
    width_px: int
    height_px: int
    header: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class AddCounts:
    """What adding frames did: new contents, contents known already, and files that only moved."""

    taken_in: int
    already_known: int
    moved: int
    new_fingerprints: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRow:
    """One content: an exposure, wherever its files are. `path` is the latest place where it was seen."""

    id: int
    fingerprint: str
    sha256: str | None
    kind: str
    rig: str | None
    target: str | None
    panel: int | None
    filter: str | None
    night: date | None
    start: datetime | None
    exposure_s: float | None
    width_px: int
    height_px: int
    header: dict[str, Any]
    path: Path

    @property
    def name(self) -> str:
        """The file's name."""
        return self.path.name


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceRow:
    """A file that holds, or held, a content."""

    frame_id: int
    path: Path
    size: int
    mtime_ns: int
    gone: bool
    seen_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRow:
    """A file that was not taken in."""

    path: Path
    reason: str
    seen_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """What was measured on a frame: scalars, and the packed arrays of stars and sky."""

    frame_id: int
    version: int
    calibration: str
    scalars: dict[str, Any]
    arrays: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class GridRow:
    """The pixel grid of a target and panel, kept for good."""

    id: int
    target: str
    panel: int | None
    rig: str | None
    reference_frame_id: int
    width_px: int
    height_px: int
    wcs: dict[str, Any] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementRow:
    """How a frame lies on a grid, or why it could not be placed."""

    frame_id: int
    grid_id: int
    found: bool
    reason: str
    document: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRow:
    """The automatic verdict on a frame."""

    frame_id: int
    keep: bool
    worth: float | None
    weight: float | None
    scale: float | None
    transparency: float | None
    causes: list[list[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class SolutionRow:
    """Where a sub lies on the sky and how bright its stars are, or why that is not known."""

    frame_id: int
    solved: bool
    document: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRow:
    """A person's decision: keep, drop or clear."""

    frame_id: int
    verdict: str
    why: str
    made_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationRow:
    """A master calibration frame on disk."""

    key: str
    kind: str
    path: Path
    document: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterRow:
    """A master on disk; the latest of its target, panel, filter and rigs."""

    id: int
    target: str
    panel: int | None
    filter: str
    rigs: tuple[str, ...]
    grid_id: int
    path: Path
    sha256: str
    document: dict[str, Any] = field(repr=False)
    made_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureRow:
    """A picture on disk, with its recipe."""

    id: int
    target: str
    path: Path
    recipe_path: Path
    sha256: str
    document: dict[str, Any] = field(repr=False)
    made_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """A dated result of any kind: a focus run, a flat that does not fit, a message of the watch."""

    kind: str
    document: dict[str, Any]
    rig: str | None = None
    target: str | None = None
    panel: int | None = None
    filter: str | None = None
    night: date | None = None
    id: int | None = None  # given by the ledger
    made_at: datetime | None = None  # given by the ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """A command that ran; `ended_at` None: it runs still, or was killed."""

    id: int
    command: str
    version: str
    began_at: datetime
    ended_at: datetime | None
    outcome: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRow:
    """A dated event of a rig; rig None concerns all."""

    rig: str | None
    on: date
    text: str
