"""Masters as FITS files: written whole or not at all, the same bytes for the same inputs; and their short account.

Strings in FITS are ASCII. Names that are not are kept with percent signs, as in addresses ("%" itself too), and come
back as they were.
"""

from __future__ import annotations

import math
import sys
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote, unquote

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from nightfold.align.records import Transform
from nightfold.errors import FoldError
from nightfold.fold.boxes import Box
from nightfold.frames.header import read_layout
from nightfold.frames.write import write_fits

if TYPE_CHECKING:
    from astropy.wcs import WCS

Plane = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int16]
Verdict = Literal["keep", "drop"]

PRINTABLE = "".join(chr(code) for code in range(32, 127) if chr(code) != "%")
MOST_SUBS = 32767
"""What COVERAGE and REJECTED, 16-bit counts, can hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubRow:
    """One sub offered to the fold, as the SUBS table tells it. A dropped sub has weight 0.

    TRANSFORM holds `best_affine`, where that is given because the transform has distortion, else the transform's matrix.
    """

    file: str
    sha256: str
    weight: float
    scale: float
    transform: Transform | None  # None where the sub could not be placed
    verdict: Verdict
    best_affine: npt.NDArray[np.float64] | None = None

    @property
    def table_matrix(self) -> npt.NDArray[np.float64]:
        """The six numbers of TRANSFORM, (2, 3); NaN where the sub could not be placed."""
        if self.best_affine is not None:
            return self.best_affine
        return np.full((2, 3), np.nan) if self.transform is None else self.transform.matrix


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterSummary:
    """What a master says of itself in numbers; NaN or None where it is not known."""

    target: str
    panel: int | None
    filter: str
    rigs: tuple[str, ...]
    subs_used: int
    subs_dropped: int
    exposure_s: float
    width_px: int
    height_px: int
    common_box_px: Box | None
    cut_box_px: Box | None
    noise_e_per_s: float
    noise_over_ideal: float
    registration_rms_px: float
    fwhm_px: float
    rejected_fraction: float

    def as_json(self, file: str) -> dict[str, Any]:
        """The master's entry in the document of `fold`; unknown is null."""
        return {
            "target": self.target,
            "panel": self.panel,
            "filter": self.filter,
            "rigs": list(self.rigs),
            "file": file,
            "subs_used": self.subs_used,
            "subs_dropped": self.subs_dropped,
            "exposure_s": _known(self.exposure_s),
            "width_px": self.width_px,
            "height_px": self.height_px,
            "common_box_px": None if self.common_box_px is None else list(self.common_box_px),
            "cut_box_px": None if self.cut_box_px is None else list(self.cut_box_px),
            "noise_e_per_s": _known(self.noise_e_per_s),
            "noise_over_ideal": _known(self.noise_over_ideal),
            "registration_rms_px": _known(self.registration_rms_px),
            "fwhm_px": _known(self.fwhm_px),
            "rejected_fraction": _known(self.rejected_fraction),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterDocument:
    """A master as it goes to disk and comes back; planes of one shape (height, width).

    `image` float32 electron/s and `variance` float32 (electron/s)^2, NaN where no sub covers; `coverage` int16 counts
    the subs that cover a pixel, rejected samples included, `rejected` int16 those rejected there. `wcs_cards` are FITS
    cards of the celestial coordinates. `history` tells how it was made, without times of writing.
    """

    image: Plane
    variance: Plane
    coverage: Counts
    rejected: Counts
    subs: tuple[SubRow, ...]
    summary: MasterSummary
    wcs_cards: fits.Header | None = None
    facts: dict[str, str | int | float | bool] = field(default_factory=dict)
    history: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Master:
    """A master read back, with its header and, where it carries celestial coordinates, its WCS."""

    document: MasterDocument
    header: fits.Header
    wcs: WCS | None

    @property
    def image(self) -> Plane:
        """electron/s, (height, width)."""
        return self.document.image

    @property
    def variance(self) -> Plane:
        """(electron/s)^2, (height, width)."""
        return self.document.variance

    @property
    def coverage(self) -> Counts:
        """Subs that cover each pixel."""
        return self.document.coverage

    @property
    def rejected(self) -> Counts:
        """Samples rejected at each pixel."""
        return self.document.rejected

    @property
    def subs(self) -> tuple[SubRow, ...]:
        """The subs offered, used and dropped."""
        return self.document.subs

    @property
    def summary(self) -> MasterSummary:
        """Its account in numbers."""
        return self.document.summary

    @property
    def exposure_s(self) -> float:
        """Summed exposure of the subs used."""
        return self.document.summary.exposure_s

    @property
    def moving_sky(self) -> tuple[float, ...] | None:
        """Sky beyond that of the darkest subs, over grid pixels (1, x, y, x², xy, y²), electron/s; None if there is none."""
        if "MOVSKY0" not in self.header:
            return None
        return tuple(float(self.header[f"MOVSKY{i}"]) for i in range(6))

    @property
    def filter(self) -> str:
        """The filter's name."""
        return self.document.summary.filter


def fold_document(
    masters: list[tuple[MasterSummary, str]], *, seconds: float, peak_memory_bytes: int
) -> dict[str, Any]:
    """The JSON document of `fold` from each master's summary and file."""
    return {
        "masters": [summary.as_json(file) for summary, file in masters],
        "seconds": _known(seconds),
        "peak_memory_bytes": peak_memory_bytes,
    }


def write_master(path: Path, document: MasterDocument, *, spend: bool = False) -> None:
    """Write a master: primary image, VARIANCE, COVERAGE, REJECTED, SUBS and, where a sub has distortion, MODEL.

    With `spend` the planes may be used up: their bytes are turned where they lie, once, instead of back and forth.
    """
    _check(document)
    write_fits(path, *_units(document, spend))


def read_master(path: Path) -> Master:
    """The master in `path`."""
    try:
        read_layout(path)  # refuses a file that promises more than it holds before room is made for it
        with fits.open(path, memmap=False) as units:
            header = units[0].header.copy()
            document = MasterDocument(
                image=units[0].data.astype(np.float32),
                variance=units["VARIANCE"].data.astype(np.float32),
                coverage=units["COVERAGE"].data.astype(np.int16),
                rejected=units["REJECTED"].data.astype(np.int16),
                subs=_rows_from(units["SUBS"].data, units["MODEL"].data if "MODEL" in units else None),
                summary=_summary_from(header),
                wcs_cards=None,
                history=tuple(_from_ascii(str(line)) for line in header.get("HISTORY", [])),
            )
    except Exception as problem:  # a file that is none of ours ends in any of astropy's errors
        raise FoldError(
            f"{path.name} is not a master of ours",
            seen=f"{type(problem).__name__}: {problem}",
            next_step="fold the filter again",
        ) from problem
    return Master(document=document, header=header, wcs=celestial(header))


def _units(document: MasterDocument, spend: bool) -> list[Any]:
    primary = fits.PrimaryHDU(_as_stored(document.image, np.float32, spend))
    header = primary.header
    header["BUNIT"] = ("electron/s", "at the reference transparency")
    _write_summary(header, document.summary)
    if document.wcs_cards is not None:
        header.extend(document.wcs_cards.cards, update=True, strip=True)
    for keyword, value in document.facts.items():
        header[keyword] = _to_ascii(value) if isinstance(value, str) else value
    for line in document.history:
        header.add_history(_to_ascii(line))
    variance = fits.ImageHDU(_as_stored(document.variance, np.float32, spend), name="VARIANCE")
    variance.header["BUNIT"] = "electron2/s2"
    coverage = fits.ImageHDU(_as_stored(document.coverage, np.int16, spend), name="COVERAGE")
    rejected = fits.ImageHDU(_as_stored(document.rejected, np.int16, spend), name="REJECTED")
    units = [primary, variance, coverage, rejected, _subs_table(document.subs)]
    if any(sub.transform is not None and sub.transform.distortion is not None for sub in document.subs):
        units.append(_model_table(document.subs))
    return units


def _as_stored(plane: npt.NDArray[Any], dtype: npt.DTypeLike, spend: bool) -> npt.NDArray[Any]:
    values = np.asarray(plane, dtype)
    if not spend or sys.byteorder == "big" or not values.flags.writeable:
        return values
    return values.byteswap(inplace=True).view(values.dtype.newbyteorder(">"))


def _subs_table(subs: tuple[SubRow, ...]) -> Any:
    """SUBS: one row per sub offered."""
    files = [_to_ascii(sub.file) for sub in subs]
    longest = max([len(name) for name in files], default=1)
    matrices = [sub.table_matrix.ravel() for sub in subs]
    columns = [
        fits.Column("FILE", f"{max(longest, 1)}A", array=np.array(files, dtype=f"S{max(longest, 1)}")),
        fits.Column("SHA256", "64A", array=np.array([sub.sha256 for sub in subs], dtype="S64")),
        fits.Column("WEIGHT", "D", array=np.array([sub.weight for sub in subs], np.float64)),
        fits.Column("SCALE", "D", array=np.array([sub.scale for sub in subs], np.float64)),
        fits.Column("TRANSFORM", "6D", array=np.array(matrices, np.float64).reshape(len(subs), 6)),
        fits.Column("VERDICT", "4A", array=np.array([sub.verdict for sub in subs], dtype="S4")),
    ]
    return fits.BinTableHDU.from_columns(columns, name="SUBS")


def _model_table(subs: tuple[SubRow, ...]) -> Any:
    """MODEL: the full transform of each row of SUBS; NaN in DISTORT where the affine is all there is.

    (u, v) = ((x, y) - CENTRE) / RADIUS; x' and y' are LINEAR, as TRANSFORM is read, and the sum of seven coefficients
    times u2, uv, v2, u3, u2v, uv2, v3.
    """
    linear = np.full((len(subs), 6), np.nan)
    distortion = np.full((len(subs), 14), np.nan)
    centre = np.zeros((len(subs), 2))
    radius = np.ones(len(subs))
    for i, sub in enumerate(subs):
        if sub.transform is not None and sub.transform.distortion is not None:
            linear[i] = sub.transform.matrix.ravel()
            distortion[i] = sub.transform.distortion.ravel()
            centre[i] = sub.transform.centre
            radius[i] = sub.transform.radius
    columns = [
        fits.Column("LINEAR", "6D", array=linear),
        fits.Column("DISTORT", "14D", array=distortion, dim="(7,2)"),
        fits.Column("CENTRE", "2D", unit="pixel", array=centre),
        fits.Column("RADIUS", "D", unit="pixel", array=radius),
    ]
    table = fits.BinTableHDU.from_columns(columns, name="MODEL")
    table.header["COMMENT"] = "u=(x-CENTRE1)/RADIUS, v=(y-CENTRE2)/RADIUS; added to LINEAR in x', y':"
    table.header["COMMENT"] = "7 coefficients of u2 uv v2 u3 u2v uv2 v3 each; rows as in SUBS"
    return table


def _rows_from(table: Any, model: Any | None) -> tuple[SubRow, ...]:
    rows = []
    for i in range(len(table)):
        matrix = np.asarray(table["TRANSFORM"][i], np.float64).reshape(2, 3)
        transform = None if not np.isfinite(matrix).all() else Transform(matrix=matrix)
        best_affine = None
        if model is not None and np.isfinite(model["DISTORT"][i]).all():
            best_affine = matrix
            transform = Transform(
                matrix=np.asarray(model["LINEAR"][i], np.float64).reshape(2, 3),
                distortion=np.asarray(model["DISTORT"][i], np.float64).reshape(2, 7),
                centre=(float(model["CENTRE"][i][0]), float(model["CENTRE"][i][1])),
                radius=float(model["RADIUS"][i]),
            )
        rows.append(
            SubRow(
                file=unquote(str(table["FILE"][i])),
                sha256=str(table["SHA256"][i]),
                weight=float(table["WEIGHT"][i]),
                scale=float(table["SCALE"][i]),
                transform=transform,
                verdict="keep" if str(table["VERDICT"][i]) == "keep" else "drop",
                best_affine=best_affine,
            )
        )
    return tuple(rows)


def _write_summary(header: fits.Header, s: MasterSummary) -> None:
    """The summary's cards. What is not known has no card."""
    header["FILTER"] = (_to_ascii(s.filter), "filter")
    header["OBJECT"] = (_to_ascii(s.target), "target")
    header["EXPTIME"] = (s.exposure_s, "[s] sum of the subs used")
    if s.panel is not None:
        header["PANEL"] = (s.panel, "panel of the mosaic")
    for i, rig in enumerate(s.rigs, start=1):
        header[f"RIG{i}"] = (_to_ascii(rig), "rig")
    header["NUSED"] = (s.subs_used, "subs used")
    header["NDROPPED"] = (s.subs_dropped, "subs offered and dropped")
    numbers = {
        "NOISE": (s.noise_e_per_s, "[electron/s] of blank sky, robust"),
        "NOISEIDL": (s.noise_over_ideal, "that over the ideal of these subs"),
        "REGRMS": (s.registration_rms_px, "[pix] registration residual per axis"),
        "FWHM": (s.fwhm_px, "[pix] median of clean stars"),
        "REJFRAC": (s.rejected_fraction, "share of samples rejected"),
    }
    for keyword, (value, comment) in numbers.items():
        if math.isfinite(value):
            header[keyword] = (float(value), comment)
    for name, box, what in (("BOX", s.common_box_px, "every sub covers"), ("CUT", s.cut_box_px, "of 85% weight")):
        if box is not None:
            for suffix, value in zip(("X0", "Y0", "X1", "Y1"), box, strict=True):
                header[name + suffix] = (int(value), f"[pix] 0-based inclusive box {what}")


def _summary_from(header: fits.Header) -> MasterSummary:
    rigs: list[str] = []
    while f"RIG{len(rigs) + 1}" in header:
        rigs.append(unquote(str(header[f"RIG{len(rigs) + 1}"])))
    nan = float("nan")
    return MasterSummary(
        target=unquote(str(header["OBJECT"])),
        panel=None if "PANEL" not in header else int(header["PANEL"]),
        filter=unquote(str(header["FILTER"])),
        rigs=tuple(rigs),
        subs_used=int(header["NUSED"]),
        subs_dropped=int(header["NDROPPED"]),
        exposure_s=float(header["EXPTIME"]),
        width_px=int(header["NAXIS1"]),
        height_px=int(header["NAXIS2"]),
        common_box_px=_box_from(header, "BOX"),
        cut_box_px=_box_from(header, "CUT"),
        noise_e_per_s=float(header.get("NOISE", nan)),
        noise_over_ideal=float(header.get("NOISEIDL", nan)),
        registration_rms_px=float(header.get("REGRMS", nan)),
        fwhm_px=float(header.get("FWHM", nan)),
        rejected_fraction=float(header.get("REJFRAC", nan)),
    )


def _box_from(header: fits.Header, name: str) -> Box | None:
    if name + "X0" not in header:
        return None
    x0, y0, x1, y1 = (int(header[name + suffix]) for suffix in ("X0", "Y0", "X1", "Y1"))
    return x0, y0, x1, y1


def celestial(header: fits.Header) -> WCS | None:
    """The celestial coordinates of the header, None if it has none."""
    if "CTYPE1" not in header:
        return None
    from astropy.wcs import WCS, FITSFixedWarning

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        wcs = WCS(header)
    return wcs if wcs.has_celestial else None


def _check(document: MasterDocument) -> None:
    """Everything that would make a file that contradicts itself is told before it is written."""
    shape = document.image.shape
    for name in ("variance", "coverage", "rejected"):
        other = getattr(document, name).shape
        if other != shape:
            raise FoldError("planes of a master differ in size", seen=f"image {shape}, {name} {other}", allowed="one")
    summary = document.summary
    if (summary.height_px, summary.width_px) != shape:
        raise FoldError(
            "the summary is of another master",
            seen=f"{summary.width_px}x{summary.height_px} px",
            allowed=f"{shape[1]}x{shape[0]} px",
        )
    if len(document.subs) > MOST_SUBS:
        raise FoldError("too many subs for one master", seen=str(len(document.subs)), allowed=f"up to {MOST_SUBS}")
    used = [sub for sub in document.subs if sub.verdict == "keep"]
    total = sum(sub.weight for sub in used)
    if used and abs(total - 1.0) > 1e-9:
        raise FoldError("weights of the subs used do not sum to 1", seen=f"{total:.12g}", allowed="1")
    wrong = [sub.file for sub in document.subs if sub.verdict == "drop" and sub.weight != 0.0]
    if wrong:
        raise FoldError(f"dropped sub {wrong[0]} has a weight", allowed="0")


def _to_ascii(text: str) -> str:
    return quote(text.replace("\n", " "), safe=PRINTABLE)


def _from_ascii(text: str) -> str:
    return unquote(text)


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
