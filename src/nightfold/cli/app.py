"""The root of the command line: global options, the list of commands, and exit statuses.

0: done (anything was done, the rest listed); 1: could not be done, one line why; 2: wrong usage.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from cyclopts import App, CycloptsError

import nightfold
from nightfold.cli import (
    catalogue,
    depth,
    frames,
    keeping,
    masters,
    optics,
    pictures,
    plan,
    record,
    serve,
    start,
    watch,
)
from nightfold.cli.output import set_campaign_folder, tell_error
from nightfold.errors import NightfoldError

app = App(
    name="nightfold",
    help="Keeps a deep-sky imaging campaign from the first plan to the finished picture.",
    help_epilogue="Example: nightfold start /media/astro/nights my-campaign",
    version=nightfold.__version__,
    help_format="markdown",
)
for module in (start, plan, frames, catalogue, masters, optics, depth, pictures, record, keeping, watch, serve):
    module.register(app)
app.register_install_completion_command(name="completion")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit status."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    # `--campaign` before the command's name belongs to the launcher; after it, to the command itself.
    head: list[str] = []
    while words and words[0].startswith("--campaign"):
        head.append(words.pop(0))
        if head[-1] == "--campaign" and words:
            head.append(words.pop(0))
    set_campaign_folder(_folder_of(head))
    try:
        result = app(words, exit_on_error=False, print_error=True, result_action="return_value")
    except CycloptsError:
        return 2
    except NightfoldError as error:
        return tell_error(error, as_json="--json" in words)
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return 1
    return result if isinstance(result, int) else 0


def _folder_of(head: list[str]) -> Path | None:
    if not head:
        return None
    return Path(head[-1].removeprefix("--campaign="))


if __name__ == "__main__":
    sys.exit(main())
