"""The script that draws charts on the page: one file with everything in it, made once and kept, no network ever.

How the page embeds a chart under a strict content policy is in `EMBED_OPTIONS`: expressions are interpreted and not
compiled, no style element is added, no menu is shown, and nothing is loaded.
"""

from __future__ import annotations

import hashlib
import os
import sys
from importlib.metadata import version
from pathlib import Path

from nightfold.charts.theme import VL_VERSION
from nightfold.engine.core import atomic_write

EMBED_OPTIONS = {"mode": "vega-lite", "ast": True, "defaultStyle": False, "actions": False, "renderer": "svg"}
"""What the page gives `vegaEmbed`, besides a loader that refuses and a tooltip without a style of its own."""

SNIPPET = "export { vegaEmbed }"


def cache_folder() -> Path:
    """Where the script is kept between runs: the user's cache folder."""
    if given := os.environ.get("NIGHTFOLD_CACHE"):
        return Path(given)
    if os.name == "nt":
        return Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local")) / "nightfold" / "cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "nightfold"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "nightfold"


def chart_script(folder: Path | None = None) -> bytes:
    """The script as an ES module that exports `vegaEmbed`; made in about a second at the first call of a version.

    A cache that cannot be written only costs that second again.
    """
    import vl_convert

    wanted = f"{version('vl-convert-python')} {VL_VERSION} {SNIPPET}"
    file = (folder or cache_folder()) / f"charts-{hashlib.sha256(wanted.encode()).hexdigest()[:12]}.js"
    try:
        kept = file.read_bytes()
        if kept:
            return kept
    except OSError:
        pass
    script = vl_convert.javascript_bundle(SNIPPET, vl_version=VL_VERSION).encode()
    try:
        with atomic_write(file) as out:
            out.write(script)
    except OSError:
        pass
    return script
