"""Where an SQLite store may lie, and which host may use it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from nearfar.errors import StoreError
from nearfar.jobs import Store, open_store
from nearfar.jobs.place import (
    NETWORK_MAGIC,
    filesystem_magic,
    host_id,
    mount_type,
    refuse_network,
)
from tests.worker.jobs.making import Clock, submit
from tests.worker.jobs.postgresql import missing

FUSE_MAGIC = 0x65735546
"""All that runs through FUSE has this one number (statfs(2)); the table of mounts tells more."""
LOCAL = 0xEF53
"""ext2, ext3 and ext4, by statfs(2)."""

# statfs(2) of the Linux manual pages, release 6.03, from memory.
MANUAL = {
    "NFS": 0x6969,
    "SMB": 0x517B,
    "CIFS": 0xFF534D42,
    "SMB 2": 0xFE534D42,
    "NCP": 0x564C,
    "AFS": 0x5346414F,
    "Coda": 0x73757245,
    "9P": 0x01021997,
    "OCFS2": 0x7461636F,
}
# Names of the same numbers in linux/magic.h.
HEADER = {
    "NFS_SUPER_MAGIC": "NFS",
    "SMB_SUPER_MAGIC": "SMB",
    "CIFS_SUPER_MAGIC": "CIFS",
    "SMB2_SUPER_MAGIC": "SMB 2",
    "NCP_SUPER_MAGIC": "NCP",
    "AFS_SUPER_MAGIC": "AFS",
    "AFS_FS_MAGIC": "AFS",
    "CODA_SUPER_MAGIC": "Coda",
    "CEPH_SUPER_MAGIC": "Ceph",
    "V9FS_MAGIC": "9P",
    "OCFS2_SUPER_MAGIC": "OCFS2",
}


def test_the_numbers_of_network_file_systems_are_those_of_the_manual() -> None:
    for name, number in MANUAL.items():
        assert NETWORK_MAGIC[number] == name


def test_the_numbers_are_those_of_the_kernel_s_header() -> None:
    header = Path("/usr/include/linux/magic.h")
    if not header.exists():
        missing("the kernel's headers are not installed (on Debian: apt-get install linux-libc-dev)")
    numbers = dict(re.findall(r"#define\s+(\w+)\s+(0x[0-9A-Fa-f]+)", header.read_text()))
    compared = {name: NETWORK_MAGIC[int(numbers[name], 16)] for name in HEADER if name in numbers}
    assert len(compared) >= 9
    assert compared == {name: HEADER[name] for name in compared}


@pytest.mark.parametrize("number", NETWORK_MAGIC)
def test_a_network_file_system_is_refused_with_a_way_out(tmp_path: Path, number: int) -> None:
    with pytest.raises(StoreError) as refused:
        refuse_network(tmp_path, magic=number)
    text = str(refused.value)
    assert str(tmp_path) in text
    assert f"found {NETWORK_MAGIC[number]}, a file system shared with other machines" in text
    assert "use PostgreSQL: postgresql://user@host/database" in text


def test_a_link_to_another_folder_is_followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "far").mkdir()
    (tmp_path / "near").mkdir()
    (tmp_path / "near" / "store.sqlite").symlink_to(tmp_path / "far" / "store.sqlite")
    monkeypatch.setattr(
        "nearfar.jobs.place.filesystem_magic", lambda folder: 0x6969 if folder.name == "far" else LOCAL
    )
    with pytest.raises(StoreError, match="far: found NFS"):
        open_store(f"sqlite:///{tmp_path}/near/store.sqlite")


def mounts(root: Path, *lines: str) -> Path:
    (root / "proc/self").mkdir(parents=True)
    (root / "proc/self/mountinfo").write_text("\n".join(lines) + "\n")
    return root


ROOT_LINE = "22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw"


@pytest.mark.parametrize(
    "kind", ["fuse.sshfs", "fuse.rclone", "fuse.glusterfs", "fuse.davfs", "virtiofs", "nfs4"]
)
def test_file_systems_behind_fuse_are_told_apart_by_the_table_of_mounts(tmp_path: Path, kind: str) -> None:
    folder = tmp_path / "with space" / "data"
    folder.mkdir(parents=True)
    point = str(tmp_path / "with space").replace(" ", "\\040")
    root = mounts(tmp_path / "root", ROOT_LINE, f"90 22 0:50 / {point} rw shared:9 - {kind} far:/away rw")
    assert mount_type(folder, root) == kind
    with pytest.raises(StoreError, match=f"found {kind}"):
        refuse_network(folder, root=root, magic=FUSE_MAGIC)


@pytest.mark.parametrize(
    "kind", ["fuseblk", "fuse.mergerfs", "fuse.fuse-overlayfs", "ext4", "btrfs", "tmpfs"]
)
def test_local_file_systems_will_do(tmp_path: Path, kind: str) -> None:
    root = mounts(tmp_path / "root", ROOT_LINE, f"90 22 0:50 / {tmp_path} rw - {kind} /dev/sdb1 rw")
    magic = FUSE_MAGIC if kind.startswith("fuse") else LOCAL
    assert mount_type(tmp_path, root) == kind
    refuse_network(tmp_path, root=root, magic=magic)


def test_the_innermost_mount_counts_and_of_two_at_one_place_the_later(tmp_path: Path) -> None:
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    root = mounts(
        tmp_path / "root",
        ROOT_LINE,
        f"90 22 0:50 / {inner} rw - xfs /dev/sdc1 rw",
        f"91 22 0:51 / {tmp_path / 'a'} rw - nfs far:/a rw",
        f"92 22 0:52 / {inner} rw - btrfs /dev/sdd1 rw",
    )
    assert mount_type(inner, root) == "btrfs"
    assert mount_type(tmp_path / "a", root) == "nfs"
    assert mount_type(tmp_path, root) == "ext4"
    assert mount_type(tmp_path, tmp_path / "nothing") == ""


def test_the_kernel_s_own_folder_shows_its_number() -> None:
    # PROC_SUPER_MAGIC by statfs(2).
    assert filesystem_magic(Path("/proc")) == 0x9FA0
    assert filesystem_magic(Path("/nowhere/at/all")) == 0


def test_opening_looks_at_the_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("nearfar.jobs.place.filesystem_magic", lambda folder: 0x6969)
    with pytest.raises(StoreError, match="found NFS"):
        open_store(f"sqlite:///{tmp_path}/store.sqlite")
    assert list(tmp_path.iterdir()) == []


def host_root(root: Path, *, machine: str | None, boot: str | None) -> Path:
    for place, text in (("etc/machine-id", machine), ("proc/sys/kernel/random/boot_id", boot)):
        if text is not None:
            (root / place).parent.mkdir(parents=True, exist_ok=True)
            (root / place).write_text(text + "\n")
    return root


def test_a_host_keeps_its_name_over_a_restart_and_does_not_tell_its_machine_id(tmp_path: Path) -> None:
    machine = "0123456789abcdef0123456789abcdef"
    before = host_id(
        root=host_root(tmp_path / "1", machine=machine, boot="11111111-2222-3333-4444-555555555555")
    )
    after = host_id(
        root=host_root(tmp_path / "2", machine=machine, boot="66666666-7777-8888-9999-000000000000")
    )
    assert before == after
    assert machine not in before
    other = host_id(root=host_root(tmp_path / "3", machine=machine[::-1], boot=None))
    assert other != before


@pytest.mark.parametrize("machine", [None, "", "uninitialized"])
def test_containers_of_one_boot_are_one_host(tmp_path: Path, machine: str | None) -> None:
    boots = ["11111111-2222-3333-4444-555555555555"] * 2 + ["66666666-7777-8888-9999-000000000000"]
    first, second, third = (
        host_id(root=host_root(tmp_path / str(k), machine=machine, boot=boot)) for k, boot in enumerate(boots)
    )
    assert first == second != third


def test_a_second_host_is_refused_while_the_first_is_heard_of(sqlite_url: str, clock: Clock) -> None:
    first = open_store(sqlite_url, clock=clock, host="bench")
    job = submit(first)
    clock.forward(119)
    with pytest.raises(
        StoreError, match="another host used it 119 s ago; an SQLite store serves one host alone"
    ):
        open_store(sqlite_url, clock=clock, host="attic")
    open_store(sqlite_url, clock=clock, host="bench")
    clock.forward(2)
    with pytest.raises(StoreError, match="another host used it 2 s ago"):
        open_store(sqlite_url, clock=clock, host="attic")
    clock.forward(120)
    second = open_store(sqlite_url, clock=clock, host="attic")
    assert second.job(job).stack == "moss"
    assert second.events()[-1].action == "store.moved"


def test_heartbeats_of_workers_are_signs_of_life(sqlite_url: str, clock: Clock) -> None:
    store = open_store(sqlite_url, clock=clock, host="bench")
    store.register("w1", host="bench", pid=1, version="0.2.0", slots=1, memory=1, disk=1)
    clock.forward(500)
    store.worker_beat("w1", memory=1, disk=1)
    clock.forward(100)
    with pytest.raises(StoreError, match="another host used it 100 s ago"):
        open_store(sqlite_url, clock=clock, host="attic")


def test_a_sign_of_life_from_a_clock_that_was_set_back_does_not_lock_the_store_for_years(
    sqlite_url: str, clock: Clock
) -> None:
    clock.forward(1e8)
    open_store(sqlite_url, clock=clock, host="bench")
    clock.forward(-1e8)
    assert open_store(sqlite_url, clock=clock, host="attic").jobs().jobs == ()


def test_postgresql_serves_many_hosts(postgresql_url: str) -> None:
    def opened(host: str) -> Store:
        return open_store(postgresql_url, host=host)

    job = submit(opened("bench"))
    assert opened("attic").job(job).stack == "moss"


@pytest.mark.parametrize(
    ("url", "expected"),
    [
        ("sqlite://", "jobs have to survive; name a file"),
        ("sqlite:///:memory:", "jobs have to survive; name a file"),
        ("sqlite:////no/such/folder/store.sqlite", "there is no folder /no/such/folder; make it first"),
        ("mysql://somewhere/jobs", "mysql is not supported; use sqlite or postgresql"),
        ("store.sqlite", "is not the address of a job store; write sqlite:////absolute/path"),
        ("", "is not the address of a job store"),
    ],
)
def test_addresses_that_will_not_do_are_refused(url: str, expected: str) -> None:
    with pytest.raises(StoreError, match=expected):
        open_store(url)
