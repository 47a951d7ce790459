"""A campaign from what headers tell: site, rigs, filters and targets, with every guess as one plain sentence."""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, TypeVar

from nightfold.frames.records import FrameHeader
from nightfold.intake.night import FARTHEST_CLOCK_H

T = TypeVar("T")

LINES: dict[str, tuple[float, float]] = {
    "Ha": (656.28, 5.0),
    "OIII": (500.68, 5.0),
    "SII": (672.4, 5.0),
    "NII": (658.35, 5.0),
    "Hb": (486.13, 5.0),
    "L": (550.0, 300.0),
    "R": (640.0, 100.0),
    "G": (535.0, 100.0),
    "B": (450.0, 100.0),
}
"""Centre and assumed width in nm of filters by name: lines in air (NIST ASD; Osterbrock & Ferland 2006), the mean of the
[S II] pair, usual centres of broad filters (common practice, no source). Widths are guesses and are told as such."""

SAME_FIELD_DEG = 1.0

SAME_GAIN = 1.02
"""Electrons per count that differ by more are not of one setting."""


@dataclass(frozen=True, slots=True)
class Guess:
    """The tables of a campaign.toml and what was assumed on the way."""

    tables: dict[str, Any]
    sentences: tuple[str, ...]


def guess_campaign(headers: Sequence[FrameHeader], *, name: str | None = None) -> Guess:
    """Site, rigs and targets that explain these headers.

    Parameters
    ----------
    headers : sequence of FrameHeader
        Of all frames, calibration frames included.
    name : str, optional
        The campaign's name; the commonest object's when not given.
    """
    told: list[str] = []
    subs = [h for h in headers if h.kind == "sub"]
    rigs = _rigs(headers, told)
    targets = _targets(subs, [r["name"] for r in rigs], told)
    tables: dict[str, Any] = {"name": name or (targets[0]["name"] if targets else "campaign")}
    site = _site(headers, told)
    if site:
        tables["site"] = site
    tables["rig"] = rigs
    tables["target"] = targets
    return Guess(tables, tuple(told))


def _commonest(values: Iterable[T | None]) -> T | None:
    counts = Counter(v for v in values if v is not None)
    return counts.most_common(1)[0][0] if counts else None


def _median(values: Iterable[float | None]) -> float | None:
    finite = [v for v in values if v is not None and math.isfinite(v)]
    return float(median(finite)) if finite else None


def _site(headers: Sequence[FrameHeader], told: list[str]) -> dict[str, Any] | None:
    latitude = _median(h.site_latitude_deg for h in headers)
    longitude = _median(h.site_longitude_deg for h in headers)
    if latitude is None or longitude is None:
        told.append(
            "No file names the site: nights are told apart by gaps between subs, and air mass only where headers give it."
        )
        return None
    site: dict[str, Any] = {"latitude_deg": round(latitude, 4), "longitude_deg": round(longitude, 4)}
    height = _median(h.site_elevation_m for h in headers)
    site["elevation_m"] = 0 if height is None else round(height)
    where = f"Site from the headers: latitude {latitude:.2f}°, longitude {longitude:.2f}° (east positive), "
    where += "height not told, 0 m taken" if height is None else f"{height:.0f} m above the sea"
    clock_h = _commonest(h.utc_offset_h for h in headers)
    solar_h = ((longitude + 180.0) % 360.0 - 180.0) / 15.0
    if clock_h is None or not clock_h.is_integer() or abs(clock_h - solar_h) > FARTHEST_CLOCK_H:
        told.append(f"{where}; no time zone: nights run from noon to noon of the mean Sun, times are shown in UTC.")
        return site
    # Names of the tz database: west of Greenwich is plus there.
    site["time_zone"] = "UTC" if clock_h == 0 else f"Etc/GMT{-clock_h:+.0f}"
    told.append(
        f"{where}; the clock there UTC{clock_h:+.0f} h, as files tell it; if it changes with the season, name its zone."
    )
    return site


def rig_key(header: FrameHeader) -> tuple[str, int, int, int]:
    """What tells two rigs apart: the camera's name, its unbinned size (to a few pixels), the focal length."""
    x, y = header.binning
    focal = round(header.focal_length_mm or 0)
    return (header.camera or header.telescope or "", header.width_px * x // 8, header.height_px * y // 8, focal)


def _rigs(headers: Sequence[FrameHeader], told: list[str]) -> list[dict[str, Any]]:
    groups: dict[tuple[str, int, int, int], list[FrameHeader]] = defaultdict(list)
    for header in headers:
        groups[rig_key(header)].append(header)
    # Calibration frames often lack the telescope: they belong to the rig of the same camera and size.
    with_subs = {k: g for k, g in groups.items() if any(h.kind == "sub" for h in g)}
    rigs: list[dict[str, Any]] = []
    for key, group in sorted(with_subs.items(), key=lambda item: -len(item[1])):
        rigs.append(_rig(key, group, len(with_subs) > 1, [r["name"] for r in rigs], told))
    return rigs


def _rig(
    key: tuple[str, int, int, int], group: Sequence[FrameHeader], several: bool, taken: list[str], told: list[str]
) -> dict[str, Any]:
    first = group[0]
    focal = _median(h.focal_length_mm for h in group)
    aperture = _median(h.aperture_mm for h in group)
    name = _unique(_commonest(h.telescope for h in group) or key[0] or "rig", taken)
    rig: dict[str, Any] = {"name": name, "telescope": {}, "camera": {}}
    if focal:
        rig["telescope"]["focal_length_mm"] = focal
    if aperture:
        rig["telescope"]["aperture_mm"] = aperture
    unbinned = min(group, key=lambda h: h.binning[0])
    in_one_size = {h.binning for h in group} == {(1, 1)}
    camera = rig["camera"]
    camera["width_px"] = unbinned.width_px * unbinned.binning[0]
    camera["height_px"] = unbinned.height_px * unbinned.binning[1]
    # Some programs write the pixel before binning and others after it: frames that are not binned leave no doubt.
    whole = [h for h in group if h.binning[0] == 1] or group
    pixel = _median(h.pixel_um / h.binning[0] for h in whole if h.pixel_um)
    if pixel:
        camera["pixel_um"] = round(pixel, 4)
    camera["cfa"] = first.cfa
    camera["gains"] = _gains(group, name, told)
    match: dict[str, Any] = {"width_px": first.width_px, "height_px": first.height_px} if in_one_size else {}
    if (several or not match) and (camera_name := _commonest(h.camera for h in group)):
        match["camera"] = camera_name
    if several and focal:
        match["focal_length_mm"] = focal
    if match:
        rig["match"] = match
    rig["filter"] = _filters(group, told)
    return rig


def _gains(group: Sequence[FrameHeader], rig: str, told: list[str]) -> list[dict[str, Any]]:
    by_setting: dict[float | None, list[FrameHeader]] = defaultdict(list)
    for header in group:
        by_setting[header.gain].append(header)
    gains = []
    for setting, frames in sorted(by_setting.items(), key=lambda item: (item[0] is None, item[0] or 0.0)):
        e_per_adu = _median(h.e_per_adu for h in frames)
        where = f"{rig}" + (f" at gain {setting:g}" if setting is not None else "")
        gain: dict[str, Any] = {}
        said = sorted({h.e_per_adu for h in frames if h.e_per_adu})
        if said and said[-1] > SAME_GAIN * said[0]:
            told.append(
                f"{where}: files tell {said[0]:g} to {said[-1]:g} electrons per count, as binned frames may; each file's own is taken."
            )
        elif e_per_adu is None:
            told.append(
                f"{where}: no file tells electrons per count; values are counts, called electrons, until campaign.toml tells it."
            )
        else:
            gain["e_per_adu"] = round(e_per_adu, 6)
        told.append(f"{where}: no file tells the read noise; it is measured on bias frames where there are any.")
        if setting is not None:
            gain["setting"] = setting
        saturation = _median(h.saturation_adu for h in frames)
        if saturation and "e_per_adu" in gain:
            gain["full_well_e"] = round(saturation * gain["e_per_adu"], 1)
        gains.append(gain)
    return gains


def _filters(group: Sequence[FrameHeader], told: list[str]) -> list[dict[str, Any]]:
    names = sorted({h.filter for h in group if h.filter}, key=lambda n: (LINES.get(n, (0.0, 0.0))[0], n))
    result = []
    for name in names:
        entry: dict[str, Any] = {"name": name}
        width_nm = _median(h.filter_width_nm for h in group if h.filter == name)
        if name in LINES:
            entry["centre_nm"], assumed_nm = LINES[name]
            entry["width_nm"] = width_nm or assumed_nm
            how = "by its name too" if width_nm else "assumed"
            told.append(
                f"Filter {name}: centre {LINES[name][0]:g} nm by its name, width {entry['width_nm']:g} nm {how}."
            )
        result.append(entry)
    if any(h.kind == "sub" and not h.filter for h in group):
        told.append("Some subs name no filter; they are taken as one filter called “unfiltered”.")
    return result


def _targets(subs: Sequence[FrameHeader], rigs: list[str], told: list[str]) -> list[dict[str, Any]]:
    targets: list[dict[str, Any]] = []
    by_object: dict[str | None, list[FrameHeader]] = defaultdict(list)
    for header in subs:
        by_object[_plain(header.object)].append(header)
    groups = sorted((g for key, g in by_object.items() if key is not None), key=lambda g: -len(g))
    groups += _by_place(by_object.get(None, []))
    for group in groups:
        name = _commonest(h.object for h in group) if group[0].object and group[0].object.strip() else None
        ra, dec = _place(group)
        near = next((t for t in targets if name is None and (ra is None or _near(t, ra, dec))), None)
        if near is not None:
            told.append(f"{len(group)} subs name no object; they are taken as {near['name']}.")
            continue
        target: dict[str, Any] = {"name": name or _unique("target", [t["name"] for t in targets]), "rigs": rigs}
        spellings = sorted({h.object.strip() for h in group if h.object} - {(name or "").strip()})
        others = [s for s in spellings if s.casefold() != (name or "").strip().casefold()]
        if others:
            target["match"] = {"object": others}
            told.append(f"{target['name']} is also written {', '.join(others)}; taken as one target.")
        if ra is not None and dec is not None:
            target["ra_deg"], target["dec_deg"] = round(ra, 4) % 360.0, round(dec, 4)
            if name is not None and (panels := _panels(group)):
                target["panel"] = panels
                told.append(f"{name} was shot in {len(panels)} places, more than half a frame apart; taken as panels.")
        else:
            told.append(f"{target['name']}: no file gives its place in the sky.")
        if name is None:
            where = f", at RA {target['ra_deg']:.2f}°, Dec {target['dec_deg']:.2f}°" if "ra_deg" in target else ""
            who = "1 sub names no object; it is" if len(group) == 1 else f"{len(group)} subs name no object; they are"
            told.append(f"{who} called “{target['name']}”{where}.")
        targets.append(target)
    return targets


def _by_place(subs: Sequence[FrameHeader]) -> list[list[FrameHeader]]:
    """Subs without a name by where they point, most first; those that do not say go with the most."""
    groups, lost = _pointings(subs, SAME_FIELD_DEG)
    if lost:
        groups = [[*groups[0], *lost], *groups[1:]] if groups else [lost]
    return groups


def _pointings(subs: Sequence[FrameHeader], apart_deg: float) -> tuple[list[list[FrameHeader]], list[FrameHeader]]:
    """Subs in groups that point within `apart_deg` of their first, most first; and those that do not say."""
    fields: list[tuple[dict[str, Any], list[FrameHeader]]] = []
    lost: list[FrameHeader] = []
    for header in subs:
        if header.ra_deg is None or header.dec_deg is None:
            lost.append(header)
            continue
        own = next((g for place, g in fields if _near(place, header.ra_deg, header.dec_deg, apart_deg)), None)
        if own is None:
            fields.append(({"ra_deg": header.ra_deg, "dec_deg": header.dec_deg}, [header]))
        else:
            own.append(header)
    return sorted((group for _, group in fields), key=lambda g: -len(g)), lost


def _panels(subs: Sequence[FrameHeader]) -> list[dict[str, Any]]:
    """The panels of a mosaic under one name; empty where there is one, or where the frame's size is not told.

    A single sub beside the rest is a slip of the mount, not a panel.
    """
    sides = [
        math.degrees(1e-3 * h.pixel_um * min(h.width_px, h.height_px) / h.focal_length_mm)
        for h in subs
        if h.pixel_um and h.focal_length_mm
    ]
    if not sides:
        return []
    groups, _ = _pointings(subs, 0.5 * float(median(sides)))
    places = [_place(group) for group in groups if len(group) > 1]
    if len(places) < 2:
        return []
    return [
        {"panel": i + 1, "ra_deg": round(ra, 4) % 360.0, "dec_deg": round(dec, 4)}
        for i, (ra, dec) in enumerate(places)
        if ra is not None and dec is not None
    ]


def _plain(name: str | None) -> str | None:
    """A name without case, blanks and marks, which people write now so and now so; marks between digits stay as one."""
    if name is None or not name.strip():
        return None
    folded = re.sub(r"(?<=\d)[^\w+]+(?=\d)", "_", name.strip().casefold())
    return re.sub(r"[^\w+]+|(?<!\d)_|_(?!\d)", "", folded) or folded


def _place(group: Sequence[FrameHeader]) -> tuple[float | None, float | None]:
    """Mean direction of the pointings, safe across RA 0h."""
    places = [(h.ra_deg, h.dec_deg) for h in group if h.ra_deg is not None and h.dec_deg is not None]
    if not places:
        return None, None
    x = sum(math.cos(math.radians(d)) * math.cos(math.radians(r)) for r, d in places)
    y = sum(math.cos(math.radians(d)) * math.sin(math.radians(r)) for r, d in places)
    z = sum(math.sin(math.radians(d)) for _, d in places)
    return math.degrees(math.atan2(y, x)) % 360.0, math.degrees(math.atan2(z, math.hypot(x, y)))


def _near(target: dict[str, Any], ra: float, dec: float | None, within_deg: float = SAME_FIELD_DEG) -> bool:
    if dec is None or "ra_deg" not in target:
        return False
    across = math.cos(math.radians(dec)) * ((ra - target["ra_deg"] + 180.0) % 360.0 - 180.0)
    return math.hypot(across, dec - target["dec_deg"]) < within_deg


def _unique(name: str, taken: list[str]) -> str:
    if name not in taken:
        return name
    number = 2
    while f"{name} {number}" in taken:
        number += 1
    return f"{name} {number}"
