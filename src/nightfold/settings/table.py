"""What every table of campaign.toml shares, and the kinds of numbers in it."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Name = Annotated[str, Field(min_length=1, max_length=120)]


def _arrangement(value: str) -> str:
    if value not in ("", "RGGB", "BGGR", "GRBG", "GBRG"):
        raise ValueError("must be empty for monochrome, or RGGB, BGGR, GRBG or GBRG: the first rows of the sensor")
    return value


ColourFilters = Annotated[str, AfterValidator(_arrangement)]
"""The colour filters of the sensor's first four pixels, two a row; "" for none."""


class Table(BaseModel):
    """A table of the file: unknown keys are mistakes, and so are values of another kind ("30" is no number)."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


def mistake_at(*path: str | int, what: str) -> PydanticCustomError:
    """A mistake that a rule over several keys finds, pointing to the key to mend, `path` below the table of the rule."""
    return PydanticCustomError("rule", "{what}", {"what": what, "path": path})
