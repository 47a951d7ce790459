"""The documentation says what the program does: commands, campaign keys, public names, the README's two commands."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import nightfold
from nightfold.settings import models

ROOT = Path(__file__).parents[1]


def test_the_command_reference_is_current() -> None:
    spec = importlib.util.spec_from_file_location("make_commands", ROOT / "docs" / "make_commands.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.commands_text() == (ROOT / "docs" / "commands.md").read_text(encoding="utf-8"), (
        "run: python3 dev.py docs"
    )


def commands(app: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    """Every command with its full name, those of groups included."""
    for name in app:
        if not name.startswith("-") and name != "completion":
            if [n for n in app[name] if not n.startswith("-")]:
                yield from commands(app[name], (*words, name))
            else:
                yield " ".join((*words, name)), app[name]


def test_every_command_has_an_example() -> None:
    from nightfold.cli.app import app

    found = dict(commands(app))
    assert {"new", "take-in", "fold"} <= set(found)
    for name, command in found.items():
        help_text = command.help or command.default_command.__doc__ or ""
        assert f"Example: nightfold {name}" in help_text, name


TABLES = [
    m for m in vars(models).values() if isinstance(m, type) and issubclass(m, models.Table) and m is not models.Table
]


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.__name__)
def test_every_campaign_key_is_described(table: type[models.Table]) -> None:
    text = (ROOT / "docs" / "campaign-file.md").read_text(encoding="utf-8")
    missing = [name for name in table.model_fields if f"`{name}`" not in text]
    assert not missing, f"docs/campaign-file.md says nothing of {missing}"


def test_public_names_are_there_and_sorted() -> None:
    assert nightfold.__all__ == sorted(nightfold.__all__)
    for name in nightfold.__all__:
        assert getattr(nightfold, name) is not None
    with pytest.raises(AttributeError, match="nothing_such"):
        _ = nightfold.nothing_such


def test_the_readme_opens_with_the_job_and_two_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = re.search(r"```\n(.*?)\n```", text, re.DOTALL)
    assert commands is not None
    assert commands.group(1).splitlines() == ["python3 dev.py demo", "python3 dev.py test"]


def test_every_step_of_a_recipe_is_described() -> None:
    from nightfold.picture import steps

    text = (ROOT / "docs" / "recipe.md").read_text(encoding="utf-8")
    models_of_steps = [m for m in vars(steps).values() if isinstance(m, type) and issubclass(m, steps.BaseModel)]
    named = {n for m in models_of_steps for n in m.model_fields if n != "step"}
    named |= {
        m.model_fields["step"].default for m in models_of_steps if "step" in m.model_fields and m is not steps._Step
    }
    assert {"gradient", "turn", "cut_box_px"} <= named
    missing = sorted(n for n in named if f"`{n}`" not in text)
    assert not missing, f"docs/recipe.md says nothing of {missing}"
