"""Imports point one way: a module may import only stages that stand before its own, lazy imports included."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "src" / "nightfold"

ORDER = (
    "errors units flags robust settings kernels rig sky frames engine ledger simulate intake calibrate measure align "
    "optics judge fold depth plan watch picture charts record campaign warm web cli"
).split()

LEDGER_KEEPERS = {"ledger", "record", "web", "cli", "campaign"}
SIMULATE_MAY_USE = {"errors", "units", "flags", "settings", "simulate", "frames"}


def stage_of(path: Path) -> str:
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


def imports_of(path: Path) -> set[str]:
    """Stages that a module imports, at the top or inside a function."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; write it in full"
            module = node.module or ""
            names = [f"{module}.{alias.name}" for alias in node.names] if module == "nightfold" else [module]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith("nightfold.")}
    return found


MODULES = sorted(p for p in SOURCE.rglob("*.py") if p != SOURCE / "__init__.py" and p != SOURCE / "__main__.py")


def test_every_folder_has_its_place() -> None:
    stages = {stage_of(p) for p in MODULES}
    assert stages <= set(ORDER), f"not in the order: {sorted(stages - set(ORDER))}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_imports_point_one_way(path: Path) -> None:
    own = ORDER.index(stage_of(path))
    later = {s for s in imports_of(path) if s in ORDER and ORDER.index(s) > own}
    assert not later, f"{stage_of(path)} imports from later stages: {sorted(later)}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_only_stage_modules_know_the_ledger(path: Path) -> None:
    if stage_of(path) in LEDGER_KEEPERS or path.name == "stage.py":
        return
    assert "ledger" not in imports_of(path)


@pytest.mark.parametrize("path", [p for p in MODULES if stage_of(p) == "simulate"], ids=lambda p: p.name)
def test_simulate_shares_no_numerical_code(path: Path) -> None:
    assert imports_of(path) <= SIMULATE_MAY_USE


@pytest.mark.parametrize("path", [p for p in MODULES if stage_of(p) in {"web", "cli"}], ids=lambda p: p.name)
def test_front_ends_hold_no_numerics(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert "import numpy" not in text
    assert "import scipy" not in text
