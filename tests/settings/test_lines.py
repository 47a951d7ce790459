"""The line of a key, in awkward files by hand and in generated ones by counting."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightfold.settings.lines import KeyLines

AWKWARD = '''\
# a = 1 in a comment
name = "x = [ 3 ] # not a comment" # [comment]
text = """
[site]
fake = 1 \\""" still
"""
raw = \'\'\'
[[rig]]
\'\'\'
"quoted.key" = 1
a.b."c d" = 2

[ site . deep ]
pairs = [
  [0, 15], # first
  # between
  [
    90, 25 ],
]
[[rig]]
name = 'one'
[rig.camera]
gains = [ { setting = 1, more = { x = "]}" } },
          { setting = 2 } ]
[[rig.filter]]
name = "Ha"
[[rig.filter]]
name = "OIII"
[[rig]]
[[rig.filter]]
name = "L"
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("name",), 2),
        (("text",), 3),
        (("raw",), 7),
        (("quoted.key",), 10),
        (("a", "b", "c d"), 11),
        (("site", "deep"), 13),
        (("site", "deep", "pairs", 0, 1), 15),
        (("site", "deep", "pairs", 1), 17),
        (("site", "deep", "pairs", 1, 0), 18),
        (("rig", 0), 20),
        (("rig", 0, "name"), 21),
        (("rig", 0, "camera", "gains", 0, "more", "x"), 23),
        (("rig", 0, "camera", "gains", 1, "setting"), 24),
        (("rig", 0, "filter", 0, "name"), 26),
        (("rig", 0, "filter", 1, "name"), 28),
        (("rig", 1), 29),
        (("rig", 1, "filter", 0, "name"), 31),
        (("rig", 1, "filter", 0, "width_nm"), 30),  # missing: its table
        (("rig", 7, "name"), 20),
        (("nothing",), None),
        ((), None),
    ],
)
def test_keys_are_found_in_an_awkward_file(path: tuple[str | int, ...], line: int | None) -> None:
    tomllib.loads(AWKWARD)
    assert KeyLines(AWKWARD).find(path) == line


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.sampled_from(["1", '"a#b"', "[1,\n 2]", "{ x = 1 }", "'''\n\n'''"])),
        max_size=12,
    )
)
def test_blank_lines_and_values_of_several_lines_shift_what_follows(parts: list[tuple[int, str]]) -> None:
    text, expected, line = "", {}, 1
    for i, (blanks, value) in enumerate(parts):
        text += "\n" * blanks + f"k{i} = {value}\n"
        expected[f"k{i}"] = line + blanks
        line += blanks + value.count("\n") + 1
    tomllib.loads(text)
    lines = KeyLines(text)
    assert {key: lines.find([key]) for key in expected} == expected


@settings(max_examples=200)
@given(st.text(alphabet="[]{}=,.\"'#\\\n ab1", max_size=40))
def test_any_text_that_is_toml_is_read_to_its_end(text: str) -> None:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = KeyLines(text)
    for key in data:
        found = lines.find([key])
        if key.isalnum():  # quoted keys with escapes fall back to their table
            assert found is not None
            assert key in text.split("\n")[found - 1]
