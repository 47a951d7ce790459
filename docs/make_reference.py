"""The site's pages on Python and JSON, made from the library's own signatures while the site is built."""

from __future__ import annotations

import ast
import collections.abc
import dataclasses
import importlib
import inspect
import types
import typing
from pathlib import Path
from typing import Any

METHOD_OF_COMMAND = {
    "start": "start", "demo": "demo", "take-in": "take_in", "judge": "judge", "fold": "fold", "depth": "depth",
    "picture": "picture", "tonight": "tonight", "exposure": "exposure", "frame": "frame", "season": "season",
    "calendar": "calendar", "show": "show", "sheet": "sheet", "record": "record", "copies": "copies", "verify": "verify",
    "archive": "archive", "watch": "watch", "optics focus": "focus_run", "optics law": "focus_law", "optics field": "optics_field",
    "optics collimation": "collimation", "optics polar": "polar_error", "optics tracking": "tracking",
    "optics camera": "camera_test", "optics summary": "optics_summary",
}  # fmt: skip


def _names_of(module_name: str) -> dict[str, Any]:
    """What annotations of a module may name: its own names, and those that it imports for types only."""
    module = importlib.import_module(module_name)
    names: dict[str, Any] = {}
    for node in ast.walk(ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in ("nightfold", "astropy"):
            source = importlib.import_module(node.module)
            names.update({a.asname or a.name: getattr(source, a.name) for a in node.names if hasattr(source, a.name)})
    return {**names, **vars(module)}


def _methods() -> list[tuple[str, Any]]:
    from nightfold.campaign import Campaign

    found = []
    # The parts in their order; what opens and closes comes with the last of them.
    members = {name: value for part in reversed(Campaign.__mro__[:-1]) for name, value in vars(part).items()}
    for name, value in members.items():
        plain = value.__func__ if isinstance(value, classmethod | staticmethod) else value
        if not name.startswith("_") and inspect.isfunction(plain):
            found.append((name, plain))
    return found


def _indented_parts(text: str) -> str:
    """A NumPy docstring as Markdown: sections as bold words, parameters as a list."""
    lines = inspect.cleandoc(text).splitlines()
    out: list[str] = []
    i = 0
    while i < len(lines):
        if i + 1 < len(lines) and set(lines[i + 1].strip()) == {"-"}:
            out += ["", f"**{lines[i].strip()}**", ""]
            i += 2
            continue
        line = lines[i]
        if " : " in line and not line.startswith(" ") and i + 1 < len(lines) and lines[i + 1].startswith("    "):
            name, _, kind = line.partition(" : ")
            words = []
            i += 1
            while i < len(lines) and (lines[i].startswith("    ") or not lines[i].strip()):
                words.append(lines[i].strip())
                i += 1
            out.append(f"- `{name}` ({kind}): {' '.join(w for w in words if w)}")
            continue
        out.append(line)
        i += 1
    return "\n".join(out).strip()


def python_text() -> str:
    """The Python reference in Markdown."""
    import nightfold
    from nightfold.campaign import Campaign

    parts = ["# Python\n", inspect.cleandoc(nightfold.__doc__ or ""), "", "Public names: "]
    parts[-1] += ", ".join(f"`nightfold.{n}`" for n in nightfold.__all__) + ".\n"
    parts += ["## nightfold.Campaign\n", _indented_parts(Campaign.__doc__ or ""), ""]
    for name, function in _methods():
        signature = str(inspect.signature(function)).replace("'", "")
        for before in ("self, ", "self", "cls, "):
            signature = signature.replace(f"({before}", "(", 1)
        parts += [
            f"### {name}\n",
            "```python",
            f"{name}{signature}",
            "```",
            "",
            _indented_parts(function.__doc__ or ""),
            "",
        ]
    return "\n".join(parts).strip() + "\n"


# -- JSON --------------------------------------------------------------------------------------------------------------


def _words_of(kind: Any, seen: list[type]) -> str:
    """A type in the words of JSON; records met on the way are added to `seen`."""
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if kind is type(None):
        return "null"
    if kind in (str, Path):
        return "text"
    if kind is bool:
        return "true or false"
    if kind in (int, float):
        return "number"
    if kind is Any:
        return "any"
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        if kind not in seen:
            seen.append(kind)
        return f"[{kind.__name__}](#{kind.__name__.lower()})"
    if origin in (typing.Union, types.UnionType):
        known = [_words_of(k, seen) for k in inside if k is not type(None)]
        return " or ".join(dict.fromkeys(known)) + (", or null" if type(None) in inside else "")
    if origin is typing.Literal:
        return " or ".join(f'"{v}"' for v in inside)
    if origin is typing.Annotated:
        return _words_of(inside[0], seen)
    if origin in (tuple, list, set, frozenset, collections.abc.Sequence):
        kinds = [k for k in inside if k is not Ellipsis]
        return "list of " + " and ".join(dict.fromkeys(_words_of(k, seen) for k in kinds))
    if origin in (dict, collections.abc.Mapping):
        return f"object of {_words_of(inside[1], seen)} by name"
    return {"date": "date", "datetime": "time, UTC", "QTable": "table"}.get(getattr(kind, "__name__", ""), "number")


def _record(kind: type, seen: list[type]) -> list[str]:
    names: dict[str, Any] = {}
    for base in reversed(kind.__mro__):  # what a record inherits is named in its base's module
        if base is not object:
            scope = _names_of(base.__module__)
            own_names = inspect.get_annotations(base).items()
            names.update({k: eval(v, scope) if isinstance(v, str) else v for k, v in own_names})
    text = inspect.cleandoc(kind.__doc__ or "")
    own = "" if text.startswith(f"{kind.__name__}(") else _indented_parts(text)
    lines = [f"### {kind.__name__}\n", own, "", "| key | value |", "|---|---|"]
    lines += [f"| `{f.name}` | {_words_of(names.get(f.name, Any), seen)} |" for f in dataclasses.fields(kind)]
    return [*lines, ""]


def json_text() -> str:
    """The keys of the JSON documents in Markdown."""
    seen: list[type] = []
    parts = [
        "# JSON",
        "",
        "With `--json` a command prints one document and nothing else on standard output. Numbers are in the unit of their key; what",
        "is not known is `null`, never NaN. Times are ISO 8601 in UTC with `Z`, dates `YYYY-MM-DD`; angles are degrees, positions on",
        "the sky ICRS J2000; pixels count from 0. The exit status is 0 when something was done, 1 when nothing could be done and 2 for",
        'wrong usage. With status 1 the document is `{"error": {"what", "seen", "allowed", "next"}}`. Keys are added in later versions;',
        "those that are here stay.",
        "",
        "| command | document |",
        "|---|---|",
    ]
    methods = dict(_methods())
    for command, method in METHOD_OF_COMMAND.items():
        if method not in methods:
            continue
        names = _names_of(methods[method].__module__)
        returned = typing.get_type_hints(methods[method], names).get("return", Any)
        inside = typing.get_args(returned)
        kind = inside[0] if typing.get_origin(returned) is collections.abc.Iterator else returned
        words = _words_of(kind, seen)
        parts.append(f"| `{command}` | {words}{', one line an event' if kind is not returned else ''} |")
    parts += [
        "",
        "`new` gives `campaign`; `keep` and `drop` give `changed`; `note` gives `noted`.",
        "",
        "## Records",
        "",
    ]
    done = 0
    while done < len(seen):
        parts += _record(seen[done], seen)
        done += 1
    return "\n".join(parts).strip() + "\n"


def on_files(files: Any, config: Any) -> Any:
    """Called by MkDocs: add both pages."""
    from mkdocs.structure.files import File

    for name, text in (("python.md", python_text()), ("json.md", json_text())):
        files.append(File.generated(config, name, content=text))
    return files
