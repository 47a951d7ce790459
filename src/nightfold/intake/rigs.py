"""Which rig of the campaign made a frame."""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase

from nightfold.frames.records import FrameHeader
from nightfold.intake.records import RigHints

_PIXEL_TOLERANCE = 0.03
_FOCAL_TOLERANCE = 0.05  # headers carry nominal focal lengths; real ones differ by a per cent or two


def match_rig(header: FrameHeader, rigs: Sequence[RigHints]) -> str | None:
    """Name of the rig that made a frame; None if none fits or two fit equally well.

    A rig fits if nothing that both it and the header say differs. Among those that fit, the one with most in common wins.
    """
    scores = [(common, rig.name) for rig in rigs if (common := _in_common(header, rig)[0]) is not None]
    if not scores:
        return None
    best = max(score for score, _ in scores)
    names = [name for score, name in scores if score == best]
    if len(names) > 1:
        return None
    return names[0] if best > 0 or len(rigs) == 1 else None


def why_no_rig(header: FrameHeader, rigs: Sequence[RigHints]) -> str:
    """One line on why `match_rig` found none."""
    if not rigs:
        return "the campaign has no rig"
    differs = [f"{rig.name}: {why}" for rig in rigs if (why := _in_common(header, rig)[1])]
    fits = [rig.name for rig in rigs if _in_common(header, rig)[0] is not None]
    if len(fits) > 1:
        return f"{', '.join(fits)} fit equally well; tell them apart under [rig.match]"
    return "no rig fits; " + "; ".join(differs) if differs else "the header says nothing that tells the rig"


def _in_common(header: FrameHeader, rig: RigHints) -> tuple[int | None, str]:
    """How many things agree, or None and the first that differs."""
    common = 0
    for key, wanted in rig.match.items():
        seen = getattr(header, key, None)
        if not _agrees(seen, wanted):
            return None, f"{key} is {seen}, not {wanted}"
        common += 10  # the person's own words outweigh all the rest
    if rig.width_px and rig.height_px:
        x, y = header.binning
        bound = (rig.width_px // x, rig.height_px // y)
        size = (header.width_px, header.height_px)
        if size[0] > bound[0] or size[1] > bound[1]:
            return None, f"{size[0]} x {size[1]} pixels, more than {bound[0]} x {bound[1]}"
        if size == bound:
            common += 2
        elif header.cfa and size[0] < 0.5 * bound[0]:
            return None, f"{size[0]} x {size[1]} pixels, far fewer than {bound[0]} x {bound[1]}"
        else:
            common -= 1  # a part of the sensor, perhaps
    for seen, wanted_number, tolerance, scale, what in (
        (header.pixel_um, rig.pixel_um, _PIXEL_TOLERANCE, header.binning[0], "µm pixels"),
        (header.focal_length_mm, rig.focal_length_mm, _FOCAL_TOLERANCE, 1, "mm focal length"),
    ):
        if seen is None or wanted_number is None:
            continue
        # Some programs write the pixel before binning; either is accepted.
        if min(abs(seen / (wanted_number * s) - 1.0) for s in {1, scale}) > tolerance:
            return None, f"{seen:g} {what}, not {wanted_number:g}"
        common += 2
    for text, wanted_text, what in (
        (header.camera, rig.camera, "camera"),
        (header.telescope, rig.telescope, "telescope"),
    ):
        if text and wanted_text:
            if not _agrees(text, wanted_text):
                return None, f"{what} is {text}, not {wanted_text}"
            common += 3
    return common, ""


def _agrees(seen: object, wanted: object) -> bool:
    if isinstance(wanted, str):
        return isinstance(seen, str) and fnmatchcase(seen.casefold().strip(), wanted.casefold().strip())
    if isinstance(seen, (int, float)) and isinstance(wanted, (int, float)):
        return abs(float(seen) - float(wanted)) <= 0.01 * abs(float(wanted))
    if isinstance(seen, tuple) and isinstance(wanted, (list, tuple)):
        return seen == tuple(wanted)
    return seen == wanted
