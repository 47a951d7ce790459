"""What the package imports is what it says it needs: a fresh machine has nothing else."""

from __future__ import annotations

import ast
import importlib.metadata
import re
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
BROUGHT_ALONG = {"pyerfa": "astropy", "llvmlite": "numba", "pydantic-core": "pydantic", "starlette": "fastapi"}
"""Parts of a dependency that have a name of their own."""


def imported() -> set[str]:
    """Top-level modules that the package imports, lazy imports included."""
    found: set[str] = set()
    for file in (ROOT / "src").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                found.add(node.module.split(".")[0])
    return found - set(sys.stdlib_module_names) - {"nightfold"}


def plain(name: str) -> str:
    return re.split(r"[<>=\[;! ]", name)[0].lower().replace("_", "-")


def test_every_import_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {plain(d) for d in project["dependencies"]}
    declared |= {plain(d) for extra, many in project["optional-dependencies"].items() if extra != "test" for d in many}
    owners = importlib.metadata.packages_distributions()
    missing = {}
    for module in imported():
        names = {plain(d) for d in owners.get(module, [module])}
        names |= {BROUGHT_ALONG[n] for n in names if n in BROUGHT_ALONG}
        if not names & declared:
            missing[module] = sorted(names)
    assert not missing, f"pyproject.toml does not name {missing}"
