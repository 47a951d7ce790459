"""The command that watches a folder while the night is shot."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, guarded
from nightfold.engine.core import CancelToken, NullProgress
from nightfold.engine.documents import to_document


def register(app: App) -> None:
    """Add this command to the command line."""
    app.command(watch)


def watch(
    *paths: Path,
    quiet_minutes: Annotated[
        float | None, Parameter(help="Say so when nothing new came for so long; five sub lengths when not given.")
    ] = None,
    interval_s: Annotated[float, Parameter(help="How often to look.")] = 2.0,
    settle_s: Annotated[float, Parameter(help="How long a file must have stood still to be whole.")] = 3.0,
    once: Annotated[bool, Parameter(negative="", help="Stop when all that is there has been taken in.")] = False,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Follow the folders where the controller writes, judge each sub as it comes, and say when something needs a person.

    Messages also go to a phone where the campaign's secrets.toml holds addresses: [phone] urls = ["..."], as the package
    Apprise takes them. With --json one line an event. Stop it with Ctrl-C.

    Example: nightfold watch /media/share/tonight

    Parameters
    ----------
    paths: Path
        Folders; subfolders are followed too.
    """

    def work(token: CancelToken, _progress: TerminalProgress) -> int:
        quiet = NullProgress()  # a bar for every sub would hide the messages
        with Campaign.open(campaign_folder(common), progress=quiet, cancelled=token) as campaign:
            events = campaign.watch(
                paths, quiet_minutes=quiet_minutes, interval_s=interval_s, settle_s=settle_s, once=once
            )
            for event in events:
                if common.json:
                    print(json.dumps(to_document(event), ensure_ascii=False), flush=True)
                else:
                    mark = {"message": "! ", "clear": "  ", "sub": "  "}.get(event.kind, "")
                    print(f"{event.at[11:19]} {mark}{event.text}", flush=True, file=sys.stdout)
        return 0

    return guarded(common, work)
