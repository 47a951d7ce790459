"""Write docs/commands.md from the commands' own help; `tests/test_docs.py` checks that it is current."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent


def commands_text() -> str:
    """The command reference in Markdown."""
    from nightfold.cli.app import app

    called, sys.argv = sys.argv, ["nightfold"]  # the usage lines show how the program was called
    try:
        text = app.generate_docs(output_format="markdown")
    finally:
        sys.argv = called
    head = "<!-- Written by docs/make_commands.py from the commands' own help: change that, not this. -->\n\n"
    return head + "\n".join(line.rstrip() for line in text.splitlines()).strip() + "\n"


if __name__ == "__main__":
    (HERE / "commands.md").write_text(commands_text(), encoding="utf-8")
