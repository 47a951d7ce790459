"""Pages set in type: a template and its data into a PDF or a picture, with nothing fetched and the fonts that come along."""

from __future__ import annotations

import importlib.resources
import json
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from nightfold.engine.documents import to_document
from nightfold.errors import NightfoldError

Format = Literal["pdf", "png"]


def set_in_type(
    template: str,
    data: Mapping[str, Any],
    files: Mapping[str, bytes],
    *,
    form: Format = "pdf",
    pixels_per_inch: float = 150.0,
) -> bytes:
    """A document of `record/templates` with its words from `data` and its charts and pictures from `files`.

    The words are handed over as data, so that no name of a target or a file is taken for a command of the type-setter.
    The same data give the same bytes: the fonts are those of the type-setter itself, and no date of making is kept.

    Raises
    ------
    NightfoldError
        The type-setter is not installed, or asks for more than one picture for a PNG.
    """
    try:
        import typst
    except ImportError as error:
        raise NightfoldError(
            "printed pages need the package typst, which is not installed",
            next_step="install it with: pip install typst",
        ) from error
    source = importlib.resources.files("nightfold.record").joinpath("templates", template).read_bytes()
    words = json.dumps(to_document(data), ensure_ascii=False).encode()
    with TemporaryDirectory(prefix="nightfold-") as folder:
        for name, content in {"main.typ": source, "data.json": words, **files}.items():
            Path(folder, name).write_bytes(content)
        compile_page: Any = typst.compile
        result = compile_page(
            Path(folder, "main.typ"), root=folder, format=form, ppi=pixels_per_inch if form == "png" else None, ignore_system_fonts=True,
            timestamp=0,
        )  # fmt: skip
    if isinstance(result, list):
        if len(result) != 1:
            raise NightfoldError(
                "a document of several pages cannot be one picture",
                seen=f"{len(result)} pages",
                allowed="a file ending in .pdf",
            )
        result = result[0]
    return bytes(result)
