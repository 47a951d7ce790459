"""The capture table: one line per night, rig, filter and length of sub, as CSV to hand on. No word on where the site lies."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Sequence
from statistics import median

from nightfold.judge.stage import JudgedSub, report
from nightfold.ledger.workspace import Workspace

COLUMNS = (
    "night", "target", "rig", "filter", "exposure_s", "subs_kept", "hours_kept", "subs_dropped", "hours_dropped", "fwhm_arcsec",
    "transparency", "dropped_for",
)  # fmt: skip


def capture_table(ws: Workspace) -> str:
    """The table as CSV (RFC 4180), nights in order; a number that is not known is left empty."""
    groups: dict[tuple[str, ...], list[JudgedSub]] = defaultdict(list)
    for sub in report(ws).subs:
        length = "" if sub.exposure_s is None else f"{sub.exposure_s:g}"
        groups[sub.night or "", sub.target or "", sub.rig or "", sub.filter or "", length].append(sub)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    for key in sorted(groups):
        subs = groups[key]
        kept = [s for s in subs if s.verdict == "keep"]
        dropped = [s for s in subs if s.verdict != "keep"]
        causes = sorted({c.cause for s in dropped for c in s.causes})
        writer.writerow(
            [
                *key, len(kept), _hours(kept), len(dropped), _hours(dropped), _median([s.fwhm_arcsec for s in kept]),
                _median([s.transparency for s in kept]), "; ".join(causes),
            ]
        )  # fmt: skip
    return stream.getvalue()


def _hours(subs: Sequence[JudgedSub]) -> str:
    return f"{sum(s.exposure_s or 0.0 for s in subs) / 3600.0:.3f}"


def _median(values: Sequence[float | None]) -> str:
    known = [v for v in values if v is not None]
    return f"{median(known):.2f}" if known else ""
