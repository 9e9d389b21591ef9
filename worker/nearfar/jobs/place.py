"""Where an SQLite store may lie: on a disk of the one host that uses it.

Its locks and its shared memory work within one kernel only. On a network file system, or with a second host at the
same file, two writers would each believe to be alone, and the store would be damaged.
"""

from __future__ import annotations

import ctypes
import hashlib
import hmac
import os
import platform
import re
from pathlib import Path

from nearfar.errors import StoreError

NETWORK_MAGIC = {
    # Numbers by which the kernel tells file systems apart: statfs(2), linux/magic.h.
    0x6969: "NFS",
    0x517B: "SMB",
    0xFF534D42: "CIFS",
    0xFE534D42: "SMB 2",
    0x564C: "NCP",
    0x5346414F: "AFS",
    0x6B414653: "AFS",
    0x73757245: "Coda",
    0x00C36400: "Ceph",
    0x01021997: "9P",
    0x0BD00BD0: "Lustre",
    0x7461636F: "OCFS2",
    0x01161970: "GFS2",
    0x47504653: "GPFS",
}
NETWORK_TYPES = re.compile(
    r"fuse\.(sshfs|glusterfs|rclone|s3fs|goofys|gcsfuse|davfs2?|curlftpfs|smbnetfs|ceph|cephfs|moosefs|mfs|"
    r"lizardfs|juicefs|seaweedfs|hdfs|gvfsd-fuse|onedrive|vmhgfs-fuse|prl_fsd)|virtiofs|vboxsf|davfs|"
    r"nfs4?|cifs|smb3?|afs|ceph|9p|lustre|glusterfs|beegfs|orangefs"
)
APPLICATION = b"nearfar job store"


def folder_of(file: Path) -> Path:
    """The folder of a store's file.

    Raises
    ------
    StoreError
        It is not there, or this user may not write in it.
    """
    folder = file.resolve().parent  # a link may lead elsewhere
    if not folder.is_dir():
        raise StoreError(f"job store {file}: there is no folder {folder}; make it first")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise StoreError(f"job store {file}: this user may not write in {folder}; change its owner or mode")
    return folder


def refuse_network(folder: Path, *, root: Path = Path("/"), magic: int | None = None) -> None:
    """Refuse a folder whose file system is shared over a network.

    Parameters
    ----------
    folder
        Existing folder in which the store is to lie.
    root
        Where /proc is found.
    magic
        The number of the file system; asked of the kernel if not given.

    Raises
    ------
    StoreError
        With the folder, the file system found, and what to do.
    """
    name = network_name(folder, root=root, magic=magic)
    if name is not None:
        raise StoreError(
            f"job store in {folder}: found {name}, a file system shared with other machines; expected a disk of this "
            "machine. Choose another folder for the store, or use PostgreSQL: postgresql://user@host/database"
        )


def network_name(folder: Path, *, root: Path = Path("/"), magic: int | None = None) -> str | None:
    """Name of the file system of a folder if that is shared over a network; parameters as `refuse_network`."""
    name = NETWORK_MAGIC.get(filesystem_magic(folder) if magic is None else magic)
    kind = mount_type(folder, root)
    return kind if name is None and NETWORK_TYPES.fullmatch(kind) else name


def filesystem_magic(folder: Path) -> int:
    """The kernel's number for the kind of file system that a folder lies on; 0 if it cannot be asked."""
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "statfs"):
        return 0
    # A statfs structure is at most 120 bytes; its first word is the number.
    answer = ctypes.create_string_buffer(512)
    if libc.statfs(os.fsencode(folder), answer) != 0:
        return 0
    return ctypes.c_long.from_buffer(answer).value & 0xFFFFFFFF


def mount_type(folder: Path, root: Path = Path("/")) -> str:
    """Type of the file system by the table of mounts, e.g. ``'ext4'`` or ``'fuse.sshfs'``; empty if not known."""
    return mount_of(folder, root)[1]


def mount_of(folder: Path, root: Path = Path("/")) -> tuple[str, str]:
    """Where the file system of a folder is mounted, and its type; empty texts if not known."""
    try:
        table = (root / "proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return "", ""
    best, found = -1, ("", "")
    for line in table.splitlines():
        before, _, after = line.partition(" - ")
        point = Path(re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), before.split(" ")[4]))
        # A later line covers an earlier one at the same place.
        if len(point.parts) >= best and folder.resolve().is_relative_to(point):
            best, found = len(point.parts), (str(point), after.split(" ")[0])
    return found


def host_id(*, root: Path = Path("/")) -> str:
    """A name for this host that stays the same over restarts and reveals nothing about it.

    A digest of /etc/machine-id, as machine-id(5) asks; in a container without one of the kernel's boot id, which all
    containers of a host share until it is booted again.
    """
    for place in ("etc/machine-id", "proc/sys/kernel/random/boot_id"):
        try:
            seed = (root / place).read_bytes().strip()
        except OSError:
            continue
        if len(seed) >= 32:  # 'uninitialized' is not
            return hmac.new(seed, APPLICATION, hashlib.sha256).hexdigest()[:32]
    return hmac.new(platform.node().encode(), APPLICATION, hashlib.sha256).hexdigest()[:32]
