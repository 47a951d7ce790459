"""A PostgreSQL of the tests' own: made in a temporary folder, reached by a socket, gone afterwards."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def programs() -> Path | None:
    """Where the server's programs are; None if it is not installed."""
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: float(p.parent.name), reverse=True)
    found = shutil.which("initdb")
    return next((p for p in [*places, *([Path(found).parent] if found else [])] if (p / "initdb").exists()), None)


@contextmanager
def running_server() -> Iterator[str | None]:
    """The URL of a fresh database while the server runs; None where PostgreSQL is not installed.

    The server refuses to run as root, and then runs as the user that Debian's package makes for it.
    """
    place = programs()
    as_root = os.name != "nt" and os.geteuid() == 0
    if place is None or (as_root and "postgres" not in {u.pw_name for u in pwd.getpwall()}):
        yield None
        return
    folder = Path(tempfile.mkdtemp(prefix="pg"))  # a socket's path may have 107 bytes: not in pytest's deep folders
    runuser = (
        shutil.which("runuser", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin"])) or "runuser"
    )
    prefix = [runuser, "-u", "postgres", "--"] if as_root else []

    def run(*words: str) -> None:
        subprocess.run([*prefix, *words], check=True, capture_output=True, cwd=folder)

    try:
        if as_root:
            shutil.chown(folder, "postgres")
        data = str(folder / "data")
        run(
            str(place / "initdb"), "-D", data, "-A", "trust", "-U", "nightfold", "--no-sync", "-E", "UTF8", "--locale=C"
        )
        options = f"-k {folder} -c listen_addresses='' -c fsync=off"
        run(str(place / "pg_ctl"), "-D", data, "-o", options, "-l", str(folder / "log"), "-w", "start")
        try:
            yield f"postgresql+psycopg://nightfold@/postgres?host={folder}"
        finally:
            run(str(place / "pg_ctl"), "-D", data, "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
