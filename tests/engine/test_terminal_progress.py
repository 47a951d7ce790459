"""What a piece of work says of itself where no bar can be drawn."""

from __future__ import annotations

import pytest

from nightfold.cli.output import TerminalProgress


@pytest.mark.parametrize(
    ("total", "unit", "told"),
    [(3, "tiles", "Folding: 3 tiles\n"), (1, "tiles", "Folding: 1 tile\n"), (0, "subs", ""), (2, "", "Folding: 2\n")],
)
def test_one_is_not_several_and_nothing_is_not_told(
    total: int, unit: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    progress = TerminalProgress()
    progress.start(total, "Folding", unit)
    progress.finish()
    assert capsys.readouterr().err == told
