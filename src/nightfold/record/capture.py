"""What the capture record says of one target: gathered from the ledger, without a word on where the site lies.

Left out of everything here: the site's coordinates, height and zone, and all folders; files are named by their name alone.
Times are nights (by their evening's date) or UTC.
"""

from __future__ import annotations

import platform
import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from nightfold.charts.filters import filter_label, filter_styles, in_order, wavelength_nm
from nightfold.charts.records import Strip, StripNight, TrendPoint
from nightfold.errors import LedgerError, NightfoldError, SettingsError
from nightfold.intake.stage import header_of_row
from nightfold.judge.records import Loss
from nightfold.judge.stage import JudgedSub, report
from nightfold.ledger.records import FrameRow, MasterRow, PictureRow
from nightfold.ledger.workspace import Workspace
from nightfold.picture.steps import load_recipe
from nightfold.record.strip import campaign_strip, centres_nm, hours_by_filter
from nightfold.settings.models import CampaignSettings, Rig

LIBRARIES = ("numpy", "scipy", "numba", "astropy", "skyfield", "pillow", "drizzle")
"""Whose versions can change a result."""

MOST_DROPPED = 60
"""Dropped subs that are listed one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterRow:
    """One filter of one rig."""

    filter: str
    rig: str
    subs: int
    lengths: str
    kept_h: float
    dropped_h: float
    fwhm_arcsec: float | None
    fwhm_px: float | None
    noise_e_per_s: float | None
    noise_over_ideal: float | None
    depth: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NightRow:
    """One night: the Moon, what was kept through which filters, and the sky."""

    night: date
    moon: str
    taken: str
    kept_h: float
    dropped_h: float
    fwhm_arcsec: float | None
    sky: str
    transparency: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRow:
    """What one cause did: subs dropped for it, their hours, and hours of clear sky lost to it in all."""

    cause: str
    subs: int
    hours: float
    lost_h: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DroppedRow:
    """One dropped sub."""

    night: str
    filter: str
    name: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRow:
    """A file that was made, by its content."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureData:
    """All words and numbers of a capture record."""

    title: str
    campaign: str
    credits: tuple[str, ...]
    caption: str
    filters: tuple[FilterRow, ...]
    nights: tuple[NightRow, ...]
    causes: tuple[CauseRow, ...]
    dropped: tuple[DroppedRow, ...]
    more_dropped: int
    rigs: tuple[str, ...]
    calibration: tuple[str, ...]
    events: tuple[str, ...]
    processing: tuple[str, ...]
    software: tuple[str, ...]
    files: tuple[FileRow, ...]
    picture: PictureRow | None
    strip: Strip
    subs: tuple[JudgedSub, ...]
    trends: Mapping[str, tuple[TrendPoint, ...]]


def gather(
    ws: Workspace, *, target: str | None = None, depths: Mapping[tuple[str, tuple[str, ...]], str] | None = None
) -> CaptureData:
    """The record of a target: of the named one, else of the one that the latest picture shows, else of the most hours.

    Parameters
    ----------
    depths : mapping, optional
        Sentences on the depth that was reached, by filter and rigs.
    """
    rows = ws.ledger.frames(kind="sub")
    name = target_of(ws, rows, target)
    mine = [r for r in rows if (r.target or "") == name]
    judged = report(ws)
    subs = [s for s in judged.subs if (s.target or "") == name]
    masters = [m for m in ws.ledger.masters() if m.target == name]
    picture = next((p for p in reversed(ws.ledger.pictures()) if p.target == name), None)
    strip = _strip_of(ws, subs)
    return CaptureData(
        title=name or ws.settings.name,
        campaign=ws.settings.name,
        credits=tuple(
            t for t in (ws.settings.credits.creator, ws.settings.credits.facility, ws.settings.credits.rights) if t
        ),
        caption=caption_of(name or ws.settings.name, subs, ws.settings),
        filters=_filters(ws, subs, masters, depths or {}),
        nights=_nights(subs, strip),
        causes=_causes(subs, judged.losses, len(subs) == len(judged.subs)),
        dropped=_dropped(subs)[:MOST_DROPPED],
        more_dropped=max(0, sum(s.verdict != "keep" for s in subs) - MOST_DROPPED),
        rigs=_rigs(ws.settings, mine),
        calibration=_calibration(ws, {r.rig for r in mine}),
        events=tuple(
            f"{e.on.day} {e.on:%B %Y}: {e.text}" + (f" ({e.rig})" if e.rig else "") for e in ws.ledger.events()
        ),
        processing=_processing(ws, masters, picture),
        software=_software(ws),
        files=tuple(
            [FileRow(name=m.path.name, sha256=m.sha256) for m in masters]
            + ([FileRow(name=picture.path.name, sha256=picture.sha256)] if picture else [])
        ),
        picture=picture,
        strip=strip,
        subs=tuple(subs),
        trends=_trends(subs),
    )


def target_of(ws: Workspace, rows: Sequence[FrameRow], target: str | None) -> str:
    """The target that the record is of; "" where subs name none."""
    hours: dict[str, float] = defaultdict(float)
    for r in rows:
        hours[r.target or ""] += r.exposure_s or 0.0
    if not hours:
        raise LedgerError("there is nothing to record yet", seen="no subs", next_step="take files in first")
    if target is not None:
        if target not in hours:
            raise SettingsError(
                "no sub of this target was taken in", seen=target, allowed=", ".join(n for n in hours if n) or "none"
            )
        return target
    shown = [p.target for p in reversed(ws.ledger.pictures()) if p.target in hours]
    return shown[0] if shown else max(hours, key=lambda n: (hours[n], n))


def _strip_of(ws: Workspace, subs: Sequence[JudgedSub]) -> Strip:
    """The campaign's strip cut down to one target's subs; without tonight, goals and next step, which age."""
    whole = campaign_strip(ws, with_tonight=False)
    by_night: dict[str, list[JudgedSub]] = defaultdict(list)
    for s in subs:
        by_night[str(s.night)].append(s)
    nights = []
    for n in whole.nights:
        here = by_night.get(n.date.isoformat(), [])
        if here:
            kept = [s for s in here if s.verdict == "keep"]
            nights.append(
                StripNight(
                    date=n.date, moon_illuminated_fraction=n.moon_illuminated_fraction, moon_waxing=n.moon_waxing,
                    filters=hours_by_filter(here), fwhm_arcsec=_middle([s.fwhm_arcsec for s in kept]),
                    fwhm_px=_middle([s.fwhm_px for s in kept]), sky_over_usual=n.sky_over_usual, once=0,
                )
            )  # fmt: skip
    kept_h, dropped_h = sum(n.kept_h for n in nights), sum(n.dropped_h for n in nights)
    text = f"{kept_h:.1f} h were kept from {len(nights)} night{'s' if len(nights) != 1 else ''}"
    text += f", {dropped_h:.1f} h dropped" if dropped_h >= 0.05 else ""
    return Strip(
        campaign=whole.campaign, nights=tuple(nights), filters=whole.filters, goals=(), tonight=None, next=text, kept_h=kept_h,
        dropped_h=dropped_h, southern=whole.southern, notes=(),
    )  # fmt: skip


def _middle(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None and v == v]
    return float(median(known)) if known else None


def _filters(
    ws: Workspace,
    subs: Sequence[JudgedSub],
    masters: Sequence[MasterRow],
    depths: Mapping[tuple[str, tuple[str, ...]], str],
) -> tuple[FilterRow, ...]:
    found = []
    for name in in_order([s.filter for s in subs], centres_nm(ws)):
        here = [s for s in subs if (s.filter or "no filter") == name]
        for rig in sorted({s.rig or "" for s in here}):
            mine = [s for s in here if (s.rig or "") == rig]
            kept = [s for s in mine if s.verdict == "keep"]
            lengths = Counter(f"{s.exposure_s:g} s" for s in kept if s.exposure_s)
            master = next((m for m in masters if m.filter == name and rig in m.rigs), None)
            document: Mapping[str, Any] = master.document if master is not None else {}
            found.append(
                FilterRow(
                    filter=filter_label(name) if name != "no filter" else name, rig=rig, subs=len(kept),
                    lengths=", ".join(f"{n} × {length}" for length, n in lengths.most_common()),
                    kept_h=sum(s.exposure_s or 0.0 for s in kept) / 3600.0,
                    dropped_h=sum(s.exposure_s or 0.0 for s in mine if s.verdict != "keep") / 3600.0,
                    fwhm_arcsec=_middle([s.fwhm_arcsec for s in kept]), fwhm_px=_middle([s.fwhm_px for s in kept]),
                    noise_e_per_s=document.get("noise_e_per_s"), noise_over_ideal=document.get("noise_over_ideal"),
                    depth=depths.get((name, tuple(master.rigs)), "") if master is not None else "",
                )
            )  # fmt: skip
    return tuple(found)


def _nights(subs: Sequence[JudgedSub], strip: Strip) -> tuple[NightRow, ...]:
    by_night: dict[str, list[JudgedSub]] = defaultdict(list)
    for s in subs:
        by_night[str(s.night)].append(s)
    rows = []
    for n in strip.nights:
        kept = [s for s in by_night[n.date.isoformat()] if s.verdict == "keep"]
        taken = "; ".join(
            f"{filter_label(f.filter) if f.filter != 'no filter' else f.filter} {f.subs_kept} of {f.subs_kept + f.subs_dropped}"
            for f in n.filters
        )
        magnitude = _middle([s.sky_mag_arcsec2 for s in kept])
        sky = f"{n.sky_over_usual:.2f} × usual" if n.sky_over_usual is not None else ""
        moon = ""
        if n.moon_illuminated_fraction is not None:
            moon = f"{n.moon_illuminated_fraction:.0%}" + (" waxing" if n.moon_waxing else " waning")
        rows.append(
            NightRow(
                night=n.date, moon=moon, taken=taken, kept_h=n.kept_h, dropped_h=n.dropped_h, fwhm_arcsec=n.fwhm_arcsec,
                sky=f"{magnitude:.2f} mag/arcsec²" if magnitude is not None and len(n.filters) == 1 else sky,
                transparency=_middle([s.transparency for s in kept]),
            )
        )  # fmt: skip
    return tuple(rows)


CAUSES = {
    "cloud": "cloud", "trailing": "trailing", "focus": "focus", "seeing": "seeing", "sky-glow": "bright sky", "dew": "dew",
    "pointing": "pointing", "wrong-frame": "a wrong frame", "sensor": "the sensor", "overexposed": "overexposure",
    "unreadable": "unreadable files", "person": "decided by hand", "low-altitude": "low altitude", "short-subs": "short subs",
}  # fmt: skip
"""Causes in words."""


def _causes(subs: Sequence[JudgedSub], losses: Sequence[Loss], all_subs: bool) -> tuple[CauseRow, ...]:
    """Causes of drops, with the hours of clear sky lost to each where the record is of the whole campaign."""
    hours: dict[str, list[float]] = defaultdict(list)
    for s in subs:
        if s.verdict != "keep":
            hours[s.causes[0].cause if s.causes else "unreadable"].append((s.exposure_s or 0.0) / 3600.0)
    lost: dict[str, float] = defaultdict(float)
    for loss in losses if all_subs else ():
        lost[loss.cause] += loss.hours
    names = sorted({*hours, *lost}, key=lambda c: (-max(lost.get(c, 0.0), sum(hours.get(c, ()))), c))
    return tuple(
        CauseRow(
            cause=CAUSES.get(c, c), subs=len(hours.get(c, ())), hours=sum(hours.get(c, ())), lost_h=lost.get(c) if all_subs else None
        )
        for c in names
    )  # fmt: skip


def _dropped(subs: Sequence[JudgedSub]) -> tuple[DroppedRow, ...]:
    return tuple(
        DroppedRow(
            night=str(s.night or ""),
            filter=filter_label(s.filter),
            name=Path(s.file).name,
            reason="; ".join(c.detail for c in s.causes) or "no reason on record",
        )
        for s in subs
        if s.verdict != "keep"
    )


def _rigs(settings: CampaignSettings, rows: Sequence[FrameRow]) -> tuple[str, ...]:
    """Each rig in a sentence, with the gains and temperatures that its subs were taken at."""
    found = []
    for name in sorted({r.rig or "" for r in rows}):
        rig = settings.rig_named(name)
        headers = [header_of_row(r) for r in rows if (r.rig or "") == name]
        text = (
            rig_sentence(rig)
            if rig is not None
            else (f"{name}." if name else "A rig that campaign.toml does not know.")
        )
        gains = sorted({h.gain for h in headers if h.gain is not None})
        cold = [h.set_point_c if h.set_point_c is not None else h.sensor_c for h in headers]
        known = sorted({round(c) for c in cold if c is not None})
        if gains:
            text += f" Gain {', '.join(f'{g:g}' for g in gains)}."
        if known:
            text += f" Sensor at {_range(known)} °C."
        found.append(text)
    return tuple(found)


def _range(values: Sequence[int]) -> str:
    low, high = (f"{v:d}".replace("-", "−") for v in (values[0], values[-1]))
    return low if low == high else f"{low} to {high}"


def rig_sentence(rig: Rig) -> str:
    """Telescope, camera and filters of a rig, as far as they are known."""
    parts = [rig.name]
    tube = rig.telescope
    if tube.aperture_mm and tube.focal_length_mm:
        parts.append(
            f"{tube.aperture_mm:g} mm f/{tube.focal_length_mm / tube.aperture_mm:.1f}, focal length {tube.focal_length_mm:g} mm"
        )
    elif tube.focal_length_mm:
        parts.append(f"focal length {tube.focal_length_mm:g} mm")
    camera = rig.camera
    if camera.width_px and camera.height_px and camera.pixel_um:
        kind = "colour" if camera.cfa else "monochrome"
        parts.append(f"{kind} camera, {camera.width_px} × {camera.height_px} pixels of {camera.pixel_um:g} µm")
    if rig.scale_arcsec_px:
        parts.append(f"{rig.scale_arcsec_px:.2f}″ a pixel")
    if rig.filter:
        ordered = sorted(rig.filter, key=lambda f: (f.centre_nm or 9e9, f.name))
        parts.append(
            "filters "
            + ", ".join(filter_label(f.name) + (f" {f.width_nm:g} nm" if f.width_nm else "") for f in ordered)
        )
    return ": ".join((parts[0], "; ".join(parts[1:]))) + "." if len(parts) > 1 else f"{parts[0]}."


def _calibration(ws: Workspace, rigs: set[str | None]) -> tuple[str, ...]:
    """Calibration frames at hand, by rig and kind."""
    counts: Counter[tuple[str, str]] = Counter()
    for row in ws.ledger.frames():
        if row.kind != "sub" and row.rig in rigs:
            counts[row.rig or "", row.kind] += 1
    words = {
        "bias": ("bias frame", "bias frames"),
        "dark": ("dark", "darks"),
        "flat": ("flat", "flats"),
        "flat_dark": ("flat-dark", "flat-darks"),
    }
    lines = []
    for rig in sorted({r for r, _ in counts}):
        told = [f"{n} {words.get(k, (k, k))[n != 1]}" for (r, k), n in sorted(counts.items()) if r == rig]
        lines.append(f"{rig or 'Without a rig'}: {', '.join(told)}.")
    return tuple(lines)


def _processing(ws: Workspace, masters: Sequence[MasterRow], picture: PictureRow | None) -> tuple[str, ...]:
    """From subs to the picture, step by step."""
    lines = []
    for m in sorted(masters, key=lambda m: (wavelength_nm(m.filter, centres_nm(ws)), m.filter, m.rigs)):
        d = m.document
        text = f"{filter_label(m.filter)}, {', '.join(m.rigs)}: {d.get('subs_used', 0)} subs calibrated, registered"
        if d.get("registration_rms_px") is not None:
            text += f" (star residuals {d['registration_rms_px']:.2f} px)"
        text += " and combined by weight"
        if d.get("rejected_fraction") is not None:
            text += f"; {d['rejected_fraction']:.2%} of the samples rejected"
        lines.append(text + ".")
    if picture is None:
        return tuple(lines)
    try:
        recipe = load_recipe(_here(ws.pictures_folder, picture.recipe_path))
    except NightfoldError:
        return (*lines, "The picture's recipe is not where it was written.")
    for step in recipe.steps:
        what = (type(step).__doc__ or step.step).split("\n")[0].split(": ")[0].split(". ")[0].rstrip(".;")
        values = [
            f"{k.replace('_', ' ')} {v:g}" if isinstance(v, float) else f"{k.replace('_', ' ')} {v}"
            for k, v in step.model_dump().items()
            if k != "step" and isinstance(v, bool | int | float | str) and v != ""
        ]
        lines.append(f"{step.step}: {what.replace('`', '')}" + (f" ({', '.join(values)})." if values else "."))
    return tuple(lines)


def _here(folder: Path, path: Path) -> Path:
    """A file where it was written, or under the same name in the campaign's folder if that was moved."""
    return path if path.exists() or not (folder / path.name).exists() else folder / path.name


def picture_file(ws: Workspace, picture: PictureRow | None) -> Path | None:
    """A picture's file that any program shows: JPEG before PNG; None if neither is there."""
    if picture is None:
        return None
    files = [Path(f) for f in picture.document.get("files", ())] + [picture.path]
    for ending in (".jpg", ".jpeg", ".png"):
        for file in files:
            there = _here(ws.pictures_folder, file)
            if file.suffix.lower() == ending and there.exists():
                return there
    return None


def _software(ws: Workspace) -> tuple[str, ...]:
    """What made this: our versions as the ledger has them, and the libraries of now."""
    used = sorted({r.version for r in ws.ledger.runs()} | {version("nightfold")})
    lines = [f"Nightfold {', '.join(used)}", f"Python {platform.python_version()}"]
    for name in LIBRARIES:
        try:
            lines.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return tuple(lines)


def caption_of(title: str, subs: Sequence[JudgedSub], settings: CampaignSettings) -> str:
    """A few sentences to go with the picture wherever it is shown; no place."""
    kept = [s for s in subs if s.verdict == "keep"]
    hours: dict[str, float] = defaultdict(float)
    for s in kept:
        hours[s.filter or "no filter"] += (s.exposure_s or 0.0) / 3600.0
    styles = filter_styles(list(hours))
    told = ", ".join(f"{styles[n].label} {hours[n]:.1f} h" for n in styles)
    nights = sorted({s.night for s in kept if s.night})
    parts = [f"{title}."]
    if kept:
        text = f"{sum(hours.values()):.1f} h of exposure in {len(kept)} subs: {told}"
        if nights:
            first, last = date.fromisoformat(nights[0]), date.fromisoformat(nights[-1])
            span = f"{first.day} {first:%B %Y}" + (f" to {last.day} {last:%B %Y}" if last != first else "")
            text += f"; {len(nights)} night{'s' if len(nights) != 1 else ''}, {span}"
        parts.append(text + ".")
    rigs = [_with_optics(name, settings.rig_named(name)) for name in sorted({s.rig for s in kept if s.rig})]
    if rigs:
        parts.append(f"Taken with {' and '.join(rigs)}.")
    parts.append(f"Calibrated, combined and mixed with Nightfold {version('nightfold')}.")
    parts += [re.sub(r"([^.])$", r"\1.", t) for t in (settings.credits.creator, settings.credits.rights) if t]
    return " ".join(parts)


def _with_optics(name: str, rig: Rig | None) -> str:
    """A rig's name with aperture and focal ratio where they are known."""
    aperture, focal = (rig.telescope.aperture_mm, rig.telescope.focal_length_mm) if rig is not None else (None, None)
    return f"{name} ({aperture:g} mm f/{focal / aperture:.1f})" if aperture and focal else name


def _trends(subs: Sequence[JudgedSub]) -> dict[str, tuple[TrendPoint, ...]]:
    """Nightly medians of kept subs with half their 16 % to 84 % range: sharpness, elongation, transparency."""
    arcsec = any(s.fwhm_arcsec is not None for s in subs)
    fields = {
        "sharpness": "fwhm_arcsec" if arcsec else "fwhm_px",
        "elongation": "ellipticity",
        "transparency": "transparency",
    }
    by_night: dict[str, list[JudgedSub]] = defaultdict(list)
    for s in subs:
        if s.night and s.verdict == "keep":
            by_night[s.night].append(s)
    found: dict[str, tuple[TrendPoint, ...]] = {}
    for key, field in fields.items():
        points = []
        for night, mine in sorted(by_night.items()):
            values = [float(v) for s in mine if (v := getattr(s, field)) is not None]
            if values:
                spread = None
                if len(values) >= 5:
                    cuts = quantiles(values, n=100, method="inclusive")
                    spread = (cuts[83] - cuts[15]) / 2.0
                points.append(TrendPoint(day=date.fromisoformat(night), value=float(median(values)), error=spread))
        found[key] = tuple(points)
    return found
