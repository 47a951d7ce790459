"""What the headers of a folder say before anything is taken in: in one sentence each, and at most three questions.

Nothing is written, and only headers are read.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from nightfold.frames.records import FrameHeader
from nightfold.frames.spellings import filter_of
from nightfold.intake.guess import LINES, rig_key
from nightfold.intake.night import night_of
from nightfold.intake.scan import Scanned

MOST_QUESTIONS = 3
FEW_OF_A_SET = 7
"""Calibration frames of one set that a first look takes: their noise is then less than that of a few subs."""
LABELS = {"Ha": "Hα", "OIII": "[O III]", "SII": "[S II]", "NII": "[N II]", "Hb": "Hβ"}
KINDS = {"bias": "bias frame", "dark": "dark", "flat": "flat", "flat_dark": "flat-dark"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One answer to tap: its words, and the filter that it stands for."""

    words: str
    filter: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something the files do not say. `match` is the shell pattern of the files it is about, `sub` one of them."""

    words: str
    match: str
    sub: str
    answers: tuple[Answer, ...]
    likely: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderLook:
    """What a folder holds, as its headers tell."""

    folder: str
    files: int
    refused: int
    subs: int
    sentences: tuple[str, ...]
    questions: tuple[Question, ...]


def look_at_headers(folder: Path, scanned: Sequence[Scanned]) -> FolderLook:
    """The account of a folder from its files' headers."""
    known = [(s.path, s.header) for s in scanned if s.header is not None]
    subs = [(p, h) for p, h in known if h.kind == "sub"]
    headers = [h for _, h in subs]
    told: list[str] = []
    if subs:
        told.append(_subs_sentence(headers))
        told.append(_hours_sentence(headers))
    others = Counter(h.kind for _, h in known if h.kind != "sub")
    if others:
        counts = [f"{n} {KINDS[k]}{'s' if n != 1 else ''}" for k, n in sorted(others.items(), key=lambda i: -i[1])]
        told.append(f"Calibration: {', '.join(counts)}.")
    told += _calibration_gaps([h for _, h in known])
    refused = [s for s in scanned if s.header is None]
    if refused:
        told.append(
            f"{len(refused)} file{'s' if len(refused) != 1 else ''} cannot be read, such as {refused[0].path.name}."
        )
    return FolderLook(
        folder=str(folder),
        files=len(scanned),
        refused=len(refused),
        subs=len(subs),
        sentences=tuple(told),
        questions=tuple(_questions(subs)),
    )


def _plural(count: int, word: str) -> str:
    return f"{count} {word}{'s' if count != 1 else ''}"


def _subs_sentence(headers: Sequence[FrameHeader]) -> str:
    """ "412 subs of one object, 5 nights, 2 cameras." """
    objects = {h.object for h in headers if h.object}
    named = (
        f"of {next(iter(objects))}"
        if len(objects) == 1
        else f"of {len(objects)} objects"
        if objects
        else "without an object's name"
    )
    nights = {_night(h) for h in headers} - {None}
    cameras = {rig_key(h) for h in headers}
    parts = [f"{_plural(len(headers), 'sub')} {named}"]
    if nights:
        parts.append(_plural(len(nights), "night"))
    parts.append(_plural(len(cameras), "camera"))
    return ", ".join(parts) + "."


def _night(header: FrameHeader) -> object:
    if header.start is None:
        return None
    found = night_of(header.start, utc_offset_h=header.utc_offset_h, header_longitude_deg=header.site_longitude_deg)
    return found.date


def _hours_sentence(headers: Sequence[FrameHeader]) -> str:
    seconds: dict[str | None, float] = defaultdict(float)
    for h in headers:
        seconds[h.filter] += h.exposure_s or 0.0
    order = sorted(seconds, key=lambda f: (f is None, LINES.get(f or "", (9e9, 0.0))[0]))
    parts = [f"{LABELS.get(f, f) if f else 'without a filter'} {seconds[f] / 3600:.1f} h" for f in order]
    told = ", ".join(parts)
    return f"{told[0].upper()}{told[1:]}."


def _calibration_gaps(headers: Sequence[FrameHeader]) -> list[str]:
    """What is plainly missing: kinds that no camera's frames have. Fits of temperature and angle come with take-in."""
    told = []
    for key in sorted({rig_key(h)[:3] for h in headers if h.kind == "sub"}):
        mine = [h for h in headers if rig_key(h)[:3] == key]
        lengths = {h.exposure_s for h in mine if h.kind == "sub"}
        where = f" for {key[0]}" if key[0] else ""
        darks = {h.exposure_s for h in mine if h.kind == "dark"}
        without = sorted(s for s in lengths - darks if s is not None)
        if without:
            told.append(f"No darks of {', '.join(f'{s:g}' for s in without)} s{where}.")
        elif lengths:
            told.append(f"Darks of every length are there{where}.")
        flats = {h.filter for h in mine if h.kind == "flat"}
        bare = [f for f in {h.filter for h in mine if h.kind == "sub"} - flats if f]
        if bare:
            told.append(f"No flats in {', '.join(LABELS.get(f, f) for f in sorted(bare))}{where}.")
    return told


def _questions(subs: Sequence[tuple[Path, FrameHeader]]) -> list[Question]:
    """Which filter each folder of subs without one was shot through; folders with the most subs first."""
    colour = {p for p, h in subs if h.cfa}
    bare: dict[Path, list[Path]] = defaultdict(list)
    for path, header in subs:
        if header.filter is None and path not in colour:
            bare[path.parent].append(path)
    questions = []
    for folder, files in sorted(bare.items(), key=lambda i: (-len(i[1]), str(i[0])))[:MOST_QUESTIONS]:
        likely = _likely(folder, files)
        names = ["Ha", "OIII", "SII", "L", "R", "G", "B"]
        answers = [Answer(words=LABELS.get(n, n), filter=n) for n in names]
        questions.append(
            Question(
                words=f"{_plural(len(files), 'sub')} in “{folder.name}” name{'s' if len(files) == 1 else ''} no filter. Which was it?",
                match=f"{folder.name}/*",
                sub=str(files[0]),
                answers=(*answers, Answer(words="None, or I don't know", filter="")),
                likely=likely,
            )
        )
    return questions


def _likely(folder: Path, files: Sequence[Path]) -> str | None:
    """A filter that the folder's name or all its files' names spell, for the first answer."""
    for text in (folder.name, *(p.stem for p in files[:3])):
        for word in "".join(c if c.isalnum() else " " for c in text).split():
            found = filter_of(word, {})
            if found in LINES:
                return found
    return None


def every_fifth(scanned: Sequence[Scanned], step: int = 5) -> list[Path]:
    """Files for a quick first look: every `step`-th sub of each camera and filter by time, and a few calibration frames of each set."""
    groups: dict[tuple[object, ...], list[tuple[str, Path]]] = defaultdict(list)
    sets: Counter[tuple[object, ...]] = Counter()
    chosen: list[Path] = []
    for found in scanned:
        if found.header is None:
            continue
        if (h := found.header).kind != "sub":
            # A set is told by what it is of and the night; its first frames will do for a look.
            key = (h.kind, *rig_key(h), h.filter, h.exposure_s, _night(h))
            sets[key] += 1
            if sets[key] <= FEW_OF_A_SET:
                chosen.append(found.path)
            continue
        when = found.header.start.isoformat() if found.header.start else ""
        groups[(*rig_key(found.header), found.header.filter)].append((when, found.path))
    for members in groups.values():
        chosen += [path for _, path in sorted(members)[::step]]
    return chosen


def facts_of_answers(answers: Mapping[str, str]) -> list[dict[str, str]]:
    """The person's answers as `[[header.by_name]]` rules, pattern to filter; "" leaves the files as they are."""
    return [{"match": match, "filter": name} for match, name in answers.items() if name]
