"""One registry of flag bits: each has one name, one value and one description, the same everywhere."""

from __future__ import annotations

from enum import IntFlag


class StarFlag(IntFlag):
    """What is known against a measured star. 0 is a clean star."""

    SATURATED = 1
    """A pixel of it reached the sensor's ceiling; its flux and shape are lower limits."""
    BLENDED = 2
    """Another source lies inside its measuring window."""
    EDGE = 4
    """Its window leaves the frame."""
    NOT_A_STAR = 8
    """Sharper than the frame's stars can be: a hot pixel or a cosmic ray."""
    ELONGATED = 16
    """Far more elongated than the frame's stars: a piece of a streak."""
    NO_FIT = 32
    """The profile fit did not converge; the shape is from moments."""
    BAD_PIXELS = 64
    """A known bad pixel lies inside its window."""

    @property
    def words(self) -> str:
        """The set flags in plain words."""
        return ", ".join(f.name.lower().replace("_", " ") for f in type(self) if f in self and f.name)
