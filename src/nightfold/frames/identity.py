"""How a file is known again: by its content in full, or quickly by its header and a few sampled places."""

from __future__ import annotations

import hashlib
from pathlib import Path

from nightfold.errors import FrameError

CHUNK = 1 << 20
_HEAD_BYTES = 2880 * 4
_SAMPLE_BYTES = 4096
_SAMPLES = 4


def hash_file(path: Path) -> str:
    """SHA-256 of the whole file as it lies on the disk, in hexadecimal."""
    digest = hashlib.sha256()
    buffer = memoryview(bytearray(CHUNK))
    try:
        with path.open("rb", buffering=0) as file:
            while count := file.readinto(buffer):
                digest.update(buffer[:count])
    except OSError as error:
        raise FrameError(f"{path.name}: cannot be read", seen=error.strerror or str(error)) from error
    return digest.hexdigest()


def quick_fingerprint(path: Path) -> str:
    """Sixteen bytes, in hexadecimal, from the size, the first 11 KiB and four sampled places up to the end.

    Two exposures differ in it by their start in the header and by the noise of some ten thousand sampled pixels. It does
    not see a change elsewhere in the file; that is for `hash_file`.
    """
    digest = hashlib.blake2b(digest_size=16)
    try:
        with path.open("rb", buffering=0) as file:
            size = file.seek(0, 2)
            digest.update(size.to_bytes(8, "little"))
            file.seek(0)
            digest.update(file.read(_HEAD_BYTES))
            for i in range(1, _SAMPLES + 1):
                file.seek(max(0, (size - _SAMPLE_BYTES) * i // _SAMPLES))
                digest.update(file.read(_SAMPLE_BYTES))
    except OSError as error:
        raise FrameError(f"{path.name}: cannot be read", seen=error.strerror or str(error)) from error
    return digest.hexdigest()
