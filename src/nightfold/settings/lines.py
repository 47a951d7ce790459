"""On which line of a TOML text each key stands: a scanner that reads positions and leaves the values to `tomllib`.

The text must be valid TOML 1.0 (`tomllib` has read it before), so nothing is checked here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\r\n#]+")
_STRINGS = (
    re.compile(r'"""(?:[^"\\]|\\.|"(?!""))*"{3,5}', re.DOTALL),
    re.compile(r"'''(?:[^']|'(?!''))*'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)


class KeyLines:
    """Lines by the path of a key: names of tables and keys, numbers of elements counted from 0."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._scan()

    def find(self, path: Sequence[str | int]) -> int | None:
        """The line of a key, or of the nearest table above it; None for the file as a whole."""
        for end in range(len(path), 0, -1):
            if (line := self._lines.get(tuple(path[:end]))) is not None:
                return line
        return None

    def _scan(self) -> None:
        table: Path = ()
        while True:
            self._skip_blank()
            if self._at >= len(self._text):
                return
            if self._text.startswith("[[", self._at):
                start, self._at = self._at, self._at + 2
                table = self._table(self._key())
                self._counts[table] = self._counts.get(table, -1) + 1
                table = (*table, self._counts[table])
                self._at = self._text.index("]]", self._at) + 2
                self._note(table, start)
            elif self._text[self._at] == "[":
                start, self._at = self._at, self._at + 1
                table = self._table(self._key())
                self._at = self._text.index("]", self._at) + 1
                self._note(table, start)
            else:
                self._pair(table)

    def _note(self, path: Path, at: int) -> None:
        line = self._text.count("\n", 0, at) + 1
        for end in range(1, len(path) + 1):
            self._lines.setdefault(path[:end], line)

    def _table(self, names: Path) -> Path:
        """A header's path with the number of the latest element of each array of tables on the way."""
        path: Path = ()
        for i, name in enumerate(names):
            path = (*path, name)
            if path in self._counts and i < len(names) - 1:
                path = (*path, self._counts[path])
        return path

    def _skip_blank(self) -> None:
        found = _BLANK.match(self._text, self._at)
        self._at = found.end() if found else self._at

    def _string(self) -> str | None:
        for form in _STRINGS:
            if found := form.match(self._text, self._at):
                self._at = found.end()
                return found[0]
        return None

    def _key(self) -> Path:
        names: list[str | int] = []
        while True:
            self._skip_blank()
            if found := _BARE_KEY.match(self._text, self._at):
                names.append(found[0])
                self._at = found.end()
            else:
                quoted = self._string()
                if quoted is None:
                    self._at += 1  # not TOML; `tomllib` has refused it before
                else:
                    names.append(quoted[1:-1])
            self._skip_blank()
            if self._text[self._at : self._at + 1] != ".":
                return tuple(names)
            self._at += 1

    def _pair(self, table: Path) -> None:
        start = self._at
        path = (*table, *self._key())
        self._note(path, start)
        self._at += 1  # the sign of equality
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_blank()
        opening = self._text[self._at : self._at + 1]
        if opening == "[":
            self._several(path, "]")
        elif opening == "{":
            self._several(path, "}")
        elif self._string() is None:
            found = _SCALAR.match(self._text, self._at)
            self._at = found.end() if found else self._at + 1

    def _several(self, path: Path, closing: str) -> None:
        """The elements of an array, or the pairs of an inline table."""
        self._at += 1
        number = 0
        while True:
            self._skip_blank()
            if self._at >= len(self._text) or self._text[self._at] == closing:
                self._at += 1
                return
            if self._text[self._at] == ",":
                self._at += 1
            elif closing == "}":
                self._pair(path)
            else:
                self._note((*path, number), self._at)
                self._value((*path, number))
                number += 1
