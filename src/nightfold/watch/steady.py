"""Which files are whole: those whose size and time stand still from one look to the next, whatever order they come in."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

FileState = tuple[int, int]
"""Size in bytes and time of the last change in nanoseconds."""


class Steady:
    """Remembers the files of earlier looks and hands out, once, each that has stood still.

    Parameters
    ----------
    settle_s : float
        How long size and time must have stood still. A controller that writes over a share may pause in mid-file.
    """

    def __init__(self, settle_s: float) -> None:
        self._settle_s = settle_s
        self._since: dict[Path, tuple[FileState, float]] = {}
        self._given: dict[Path, FileState] = {}

    def look(self, files: Mapping[Path, FileState], now_s: float) -> list[Path]:
        """Files to take in now, by time and name: steady, and not given out in this state before.

        A file that grew after it was given out comes again. One that vanished and came back unchanged does not.
        """
        ready = []
        for path, state in files.items():
            seen, since = self._since.get(path, (None, now_s))
            if seen != state or now_s < since:  # changed, or the clock was put back: count anew
                self._since[path] = (state, now_s)
            elif now_s - since >= self._settle_s and state[0] > 0 and self._given.get(path) != state:
                ready.append(path)
        for path in [p for p in self._since if p not in files]:
            del self._since[path]
        ready.sort(key=lambda p: (files[p][1], p.name))
        self._given.update((path, files[path]) for path in ready)
        return ready

    @property
    def waiting(self) -> int:
        """Files that are seen but not given out yet."""
        return sum(1 for path, (state, _) in self._since.items() if self._given.get(path) != state)
