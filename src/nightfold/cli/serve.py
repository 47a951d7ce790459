"""The command that opens the local page."""

from __future__ import annotations

import json
from typing import Annotated

from cyclopts import App, Parameter

from nightfold.cli.output import Common, campaign_folder, tell_error
from nightfold.errors import NightfoldError, SettingsError


def register(app: App) -> None:
    """Add the command to the command line."""
    app.command(serve)


def serve(
    *,
    port: Annotated[int, Parameter(help="Port on this machine; 0 takes a free one.")] = 8472,
    lan: Annotated[
        bool, Parameter(negative="", help="Open the page to the local network, for a tablet, with a one-time token.")
    ] = False,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Open the local page on which the whole campaign can be run.

    Only this machine can reach it, unless --lan is given: then an address with a one-time token and its QR code are
    printed for the tablet. In a folder without a campaign the page leads from raw frames, or the demo, to a picture.

    Example: nightfold serve
    """

    def say(text: str) -> None:
        print(json.dumps({"said": text}, ensure_ascii=False) if common.json else text, flush=True)

    try:
        if not 0 <= port <= 65535:
            raise SettingsError("the port is impossible", seen=f"{port}", allowed="0 to 65535")
        folder = campaign_folder(common)
        if not folder.is_dir():
            raise SettingsError(f"{folder} is not a folder", next_step="name a campaign's folder, or an empty one")
        from nightfold.web.serving import serve as serve_page

        serve_page(folder, port=port, lan=lan, say=say)
    except NightfoldError as error:
        return tell_error(error, as_json=common.json)
    except KeyboardInterrupt:
        pass  # Ctrl-C is how the page is closed
    return 0
