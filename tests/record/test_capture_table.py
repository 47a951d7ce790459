"""The capture table as CSV: it adds up to the verdicts, and says nothing of the site."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from nightfold.campaign import Campaign


def test_the_table_adds_up(small_campaign: Path) -> None:
    with Campaign.open(small_campaign) as campaign:
        text = campaign.capture_table()
        subs = campaign.verdicts().subs
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows == sorted(rows, key=lambda r: r["night"])
    assert sum(int(r["subs_kept"]) for r in rows) == sum(s.verdict == "keep" for s in subs)
    assert sum(int(r["subs_dropped"]) for r in rows) == sum(s.verdict == "drop" for s in subs)
    kept_h = sum(s.exposure_s or 0.0 for s in subs if s.verdict == "keep") / 3600.0
    assert abs(sum(float(r["hours_kept"]) for r in rows) - kept_h) < 0.001 * len(rows)
    assert {r["filter"] for r in rows} == {"Ha", "OIII"}
    assert not any(word in text for word in ("147.2", "32.6", "Brisbane"))
