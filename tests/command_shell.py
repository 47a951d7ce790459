"""Runs commands in a campaign and reads their documents, as scripts would."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from nightfold.cli import main


class Shell:
    """A campaign's folder with the command line before it."""

    def __init__(self, capsys: pytest.CaptureFixture[str], folder: Path) -> None:
        self.capsys = capsys
        self.folder = folder

    @classmethod
    def new(cls, capsys: pytest.CaptureFixture[str], folder: Path, settings: str) -> Shell:
        """A new campaign in `folder`, with these settings."""
        wanted = folder.with_name("wanted.toml")
        wanted.write_text(settings, encoding="utf-8")
        assert main(["new", str(folder), "--from", str(wanted)]) == 0
        return cls(capsys, folder)

    def __call__(self, *words: str | Path, status: int = 0) -> Any:
        """The document that a command prints; its exit status must be `status`."""
        self.capsys.readouterr()
        found = main(["--campaign", str(self.folder), *map(str, words), "--json"])
        captured = self.capsys.readouterr()
        assert found == status, captured.err
        assert "Traceback" not in captured.err
        return json.loads(captured.out) if captured.out else None

    def text(self, *words: str) -> str:
        """What a command prints for people."""
        self.capsys.readouterr()
        assert main(["--campaign", str(self.folder), *words]) == 0
        return self.capsys.readouterr().out
