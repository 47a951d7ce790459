"""Whether a folder lies on a network share: there SQLite's write-ahead log does not work.

The log needs memory shared by all who open the file, which does not reach across machines (SQLite documentation,
"Write-Ahead Logging", section 1, disadvantages). SQLite itself does not notice, so the file system is asked.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path, PurePosixPath

NETWORK_FILE_SYSTEMS = frozenset(
    "nfs nfs3 nfs4 cifs smb smb2 smb3 smbfs afpfs afs ceph glusterfs lustre ncpfs davfs webdav sshfs 9p drvfs vboxsf "
    "prl_fs virtiofs fuse.sshfs fuse.glusterfs fuse.rclone fuse.davfs2 fuse.s3fs macfuse osxfuse".split()
)
"""Types as the systems' mount tables spell them. Folders shared with a virtual machine's host count as network."""


def share_kind(folder: Path) -> str | None:
    """The kind of network file system that holds `folder`, or None for a local disk or where it cannot be told."""
    whole = folder.resolve()
    if sys.platform == "win32":
        return _windows_share(whole)
    try:
        if sys.platform == "darwin":
            mounts = parse_mount_output(
                subprocess.run(["/sbin/mount"], capture_output=True, text=True, check=True, timeout=5).stdout
            )
        else:
            mounts = parse_mount_table(Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace"))
    except (OSError, subprocess.SubprocessError):
        return None
    kind = kind_at(whole, mounts)
    return kind if kind in NETWORK_FILE_SYSTEMS else None


def parse_mount_table(text: str) -> list[tuple[str, str]]:
    """Mount points and types of Linux's table (fstab(5)); a blank in a path stands there as octal 040."""
    mounts = []
    for line in text.splitlines():
        parts = line.split()
        if len(parts) >= 3:
            point = re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), parts[1])
            mounts.append((point, parts[2]))
    return mounts


def parse_mount_output(text: str) -> list[tuple[str, str]]:
    """Mount points and types of macOS's `mount`: ``//host/share on /Volumes/share (smbfs, nodev)``."""
    found = (re.match(r".+? on (/.*) \((\w+)[,)]", line) for line in text.splitlines())
    return [(m[1], m[2]) for m in found if m]


def kind_at(folder: Path | PurePosixPath, mounts: list[tuple[str, str]]) -> str | None:
    """The type of the innermost mount that holds `folder`; of two at the same point the later one covers the first."""
    inside = [
        (len(PurePosixPath(point).parts), i, kind)
        for i, (point, kind) in enumerate(mounts)
        if PurePosixPath(folder.as_posix()).is_relative_to(point)
    ]
    return max(inside)[2] if inside else None


def _windows_share(folder: Path) -> str | None:
    if folder.drive.startswith("\\\\"):
        return "network path"
    if sys.platform == "win32":
        import ctypes

        remote = 4  # DRIVE_REMOTE of GetDriveTypeW, Windows SDK fileapi.h
        if ctypes.windll.kernel32.GetDriveTypeW(folder.anchor) == remote:
            return "network drive"
    return None
