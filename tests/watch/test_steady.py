"""Files are handed out when they are whole: growing, stalled, renamed, coming back, out of order."""

from __future__ import annotations

from pathlib import Path

from nightfold.watch.steady import Steady

A, B = Path("a.fits"), Path("b.fits")


def test_a_file_is_given_once_it_stands_still() -> None:
    steady = Steady(3.0)
    assert steady.look({A: (0, 1)}, 0.0) == [], "the first byte is not there yet"
    assert steady.look({A: (100, 1)}, 1.0) == []
    assert steady.look({A: (200, 2)}, 2.0) == [], "it grows"
    assert steady.look({A: (200, 2)}, 4.0) == [], "not long enough"
    assert steady.waiting == 1
    assert steady.look({A: (200, 2)}, 5.0) == [A]
    assert steady.look({A: (200, 2)}, 9.0) == []
    assert steady.waiting == 0


def test_a_file_that_pauses_and_grows_comes_again() -> None:
    steady = Steady(1.0)
    steady.look({A: (100, 1)}, 0.0)
    assert steady.look({A: (100, 1)}, 1.0) == [A]
    assert steady.look({A: (300, 2)}, 2.0) == []
    assert steady.look({A: (300, 2)}, 3.0) == [A]


def test_renames_and_returns() -> None:
    steady = Steady(1.0)
    steady.look({A: (100, 1)}, 0.0)
    assert steady.look({A: (100, 1)}, 1.0) == [A]
    steady.look({B: (100, 1)}, 2.0)
    assert steady.look({B: (100, 1)}, 3.0) == [B], "another name may be another file"
    steady.look({A: (100, 1), B: (100, 1)}, 4.0)
    assert steady.look({A: (100, 1), B: (100, 1)}, 9.0) == [], "an unchanged file that comes back was seen already"


def test_what_came_out_of_order_goes_by_time() -> None:
    steady = Steady(0.0)
    files = {A: (5, 20), B: (5, 10)}
    steady.look(files, 0.0)
    assert steady.look(files, 0.1) == [B, A]
