"""Settings: sizes, who overrides whom, what follows the machine, and how refusals read."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nearfar import settings
from nearfar.errors import UsageError
from nearfar.settings import LEAST_MEMORY, format_size, load, parse_size

# IEC 80000-13:2008 (binary prefixes) and the SI brochure (decimal ones), from memory.
SIZES = [
    ("2GiB", 2 * 1024**3),
    ("400MiB", 400 * 1024**2),
    ("400 MiB", 400 * 1024**2),
    ("1.5 GB", 1_500_000_000),
    ("1.5gib", 3 * 512 * 1024**2),
    (".5 KiB", 512),
    ("1048576", 1048576),
    ("64 kB", 64_000),
    ("3 TB", 3 * 10**12),
    ("1 TiB", 1024**4),
    ("2G", 2 * 1024**3),
    ("  7 B ", 7),
]


@pytest.mark.parametrize(("text", "size"), SIZES)
def test_sizes_are_read_as_people_write_them(text: str, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not a size"),
        ("lots", "not a size"),
        ("-2GiB", "not a size"),
        ("2GiB and more", "not a size"),
        ("1e9", "not a size"),
        ("nan", "not a size"),
        ("2 GiBs", "no unit 'GiBs'"),
        ("2 Q", "no unit 'Q'"),
        ("0", "no memory at all"),
        ("0.0001 B", "no memory at all"),
        ("٢GiB", "not a size"),
    ],
)
def test_what_is_no_size_is_refused_with_what_would_do(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as refusal:
        parse_size(text)
    assert repr(text) in str(refusal.value)
    assert "GiB" in str(refusal.value)


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0 B"),
        (1, "1 B"),
        (1023, "1023 B"),
        (1024, "1 KiB"),
        (1536, "1.5 KiB"),
        (700 << 20, "700 MiB"),
        (1_500_000_000, "1.4 GiB"),
        (2 << 30, "2 GiB"),
        (1 << 50, "1024 TiB"),
    ],
)
def test_sizes_are_written_in_binary_units(size: int, text: str) -> None:
    assert format_size(size) == text


@given(st.integers(1, 2**60))
def test_a_size_that_was_written_reads_back_within_one_percent(size: int) -> None:
    assert parse_size(format_size(size)) == pytest.approx(size, rel=0.01)


@pytest.fixture
def settings_toml(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "own.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_options_go_before_the_environment_and_that_before_the_file(
    settings_toml: Callable[[str], Path],
) -> None:
    file = settings_toml('memory = "1GiB"\nthreads = 3\nscratch = "/from/file"\n')
    environment = {"NEARFAR_MEMORY": "2GiB", "NEARFAR_SCRATCH": "/from/environment"}
    loaded = load(memory="3GiB", environment=environment, file=file)
    assert loaded.memory == 3 << 30
    assert loaded.scratch == Path("/from/environment")
    assert loaded.threads == 3


def test_an_empty_variable_says_nothing(settings_toml: Callable[[str], Path]) -> None:
    assert load(environment={"NEARFAR_THREADS": ""}, file=settings_toml("threads = 3")).threads == 3


def test_the_file_is_found_through_its_variable(settings_toml: Callable[[str], Path]) -> None:
    file = settings_toml('memory = "1234 MB"')
    assert load(environment={"NEARFAR_CONFIG": str(file)}).memory == 1_234_000_000


def test_the_persons_own_file_is_found_by_the_base_directory_specification(tmp_path: Path) -> None:
    own = tmp_path / "nearfar" / "nearfar.toml"
    own.parent.mkdir()
    own.write_text("threads = 5", encoding="utf-8")
    assert load(environment={"XDG_CONFIG_HOME": str(tmp_path)}).threads == 5


@pytest.mark.parametrize(
    ("options", "environment", "begin"),
    [
        ({"memory": "lots"}, {}, "--memory: 'lots' is not a size"),
        ({}, {"NEARFAR_MEMORY": "2XB"}, "NEARFAR_MEMORY: '2XB': there is no unit"),
        ({"threads": "0"}, {}, "--threads: '0' is not a number of threads"),
        ({"threads": "two"}, {}, "--threads: 'two' is not a number of threads"),
        ({}, {"NEARFAR_THREADS": "1.5"}, "NEARFAR_THREADS: '1.5' is not a number of threads"),
        ({"scratch": " "}, {}, "--scratch: the scratch folder is empty"),
    ],
)
def test_a_refusal_begins_with_where_the_text_stands(
    options: dict[str, str], environment: dict[str, str], begin: str
) -> None:
    with pytest.raises(UsageError) as refusal:
        load(environment=environment, **options)  # type: ignore[arg-type]
    assert str(refusal.value).startswith(begin)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('memroy = "2GiB"', "did you mean memory"),
        ("colour = 3", "known are memory, threads, scratch"),
        ("threads = true", "threads is True"),
        ("memory = 1.5", "memory is 1.5; expected text"),
        ("memory =", "not readable as TOML"),
        ("threads = 0", "threads: '0' is not a number of threads"),
    ],
)
def test_a_files_mistakes_are_refused_with_its_path(
    settings_toml: Callable[[str], Path], text: str, words: str
) -> None:
    file = settings_toml(text)
    with pytest.raises(UsageError, match=words) as refusal:
        load(environment={}, file=file)
    assert str(file) in str(refusal.value)


def test_a_file_that_is_named_but_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="No such file"):
        load(environment={"NEARFAR_CONFIG": str(tmp_path / "none.toml")})


def test_scratch_lies_in_the_persons_cache_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    # XDG base directory specification: relative paths in the variable are ignored.
    monkeypatch.setenv("HOME", str(tmp_path))
    assert load(environment={"XDG_CACHE_HOME": "/fast/cache"}).scratch == Path("/fast/cache/nearfar")
    assert load(environment={"XDG_CACHE_HOME": "relative"}).scratch == tmp_path / ".cache" / "nearfar"
    assert load(environment={}, scratch="~/work").scratch == tmp_path / "work"


def test_every_setting_stands_in_the_annotated_file_and_reads_when_uncommented(checkout: Path) -> None:
    text = (checkout / "config" / "nearfar.toml").read_text(encoding="utf-8")
    top = text.split("\n# [")[0]  # what follows is the server's
    lines = [line.removeprefix("# ") for line in top.splitlines()]
    table = tomllib.loads("\n".join(line for line in lines if line.split(" = ")[0] in settings.NAMES))
    assert set(table) == set(settings.NAMES)
    assert tomllib.loads(text) == {}  # as shipped it leaves everything to the machine


# --- what follows the machine, on pictures of /proc and /sys


MEMINFO = "MemTotal:       8388608 kB\nMemFree:          10000 kB\nMemAvailable:    4194304 kB\n"


def lay(root: Path, files: dict[str, str]) -> Path:
    """Write files below ``root``, which then stands for the machine's."""
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="ascii")
    return root


def test_half_of_what_is_available_is_taken(tmp_path: Path) -> None:
    root = lay(tmp_path, {"proc/meminfo": MEMINFO})
    assert settings.default_memory(root) == 2 << 30


def test_a_containers_limit_counts_where_it_leaves_less(tmp_path: Path) -> None:
    # Control group v2: Linux Documentation/admin-guide/cgroup-v2.rst, from memory.
    group = "sys/fs/cgroup/jobs/one/"
    files = {
        "proc/meminfo": MEMINFO,
        "proc/self/cgroup": "0::/jobs/one\n",
        group + "memory.max": f"{1 << 30}\n",
        group + "memory.current": f"{600 << 20}\n",
        group + "memory.stat": f"anon 1\ninactive_file {100 << 20}\nactive_file 7\n",
    }
    assert settings.available_memory(lay(tmp_path, files)) == (1024 - 500) << 20


def test_the_limit_of_a_group_above_counts_too(tmp_path: Path) -> None:
    files = {
        "proc/meminfo": MEMINFO,
        "proc/self/cgroup": "0::/jobs/one\n",
        "sys/fs/cgroup/jobs/one/memory.max": "max\n",
        "sys/fs/cgroup/jobs/one/memory.current": "0\n",
        "sys/fs/cgroup/jobs/memory.max": f"{3 << 30}\n",
        "sys/fs/cgroup/jobs/memory.current": f"{1 << 30}\n",
    }
    assert settings.available_memory(lay(tmp_path, files)) == 2 << 30


def test_the_first_version_of_control_groups_is_read_too(tmp_path: Path) -> None:
    # Linux Documentation/admin-guide/cgroup-v1/memory.rst, from memory. Without a limit it reads 2^63 - 4096.
    group = "sys/fs/cgroup/memory/box/"
    files = {
        "proc/meminfo": MEMINFO,
        "proc/self/cgroup": "5:memory:/box\n4:cpu,cpuacct:/box\n",
        group + "memory.limit_in_bytes": f"{2 << 30}\n",
        group + "memory.usage_in_bytes": f"{1 << 30}\n",
        group + "memory.stat": "cache 4\ntotal_inactive_file 0\n",
        "sys/fs/cgroup/memory/memory.limit_in_bytes": "9223372036854771712\n",
        "sys/fs/cgroup/memory/memory.usage_in_bytes": "5\n",
    }
    assert settings.available_memory(lay(tmp_path, files)) == 1 << 30


def test_a_full_or_unknown_machine_still_gets_the_least(tmp_path: Path) -> None:
    assert settings.available_memory(tmp_path) is None
    assert settings.default_memory(tmp_path) == LEAST_MEMORY
    root = lay(tmp_path, {"proc/meminfo": "MemAvailable:    1024 kB\n"})
    assert settings.default_memory(root) == LEAST_MEMORY


def test_a_quota_of_processors_is_rounded_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(16)))
    assert settings.default_threads(tmp_path) == 16
    files = {"proc/self/cgroup": "0::/\n", "sys/fs/cgroup/cpu.max": "250000 100000\n"}
    assert settings.default_threads(lay(tmp_path, files)) == 3
    assert settings.default_threads(lay(tmp_path, {"sys/fs/cgroup/cpu.max": "max 100000\n"})) == 16


def test_a_quota_of_the_first_version_is_read_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(16)))
    group = "sys/fs/cgroup/cpu/box/"
    files = {
        "proc/self/cgroup": "4:cpu:/box\n",
        group + "cpu.cfs_quota_us": "400000\n",
        group + "cpu.cfs_period_us": "100000\n",
        "sys/fs/cgroup/cpu/cpu.cfs_quota_us": "-1\n",
        "sys/fs/cgroup/cpu/cpu.cfs_period_us": "100000\n",
    }
    assert settings.default_threads(lay(tmp_path, files)) == 4


def test_on_this_machine_no_more_is_found_than_there_is() -> None:
    # psutil reads the same from the system on its own.
    available = settings.available_memory()
    assert available is not None
    assert 0 < available <= psutil.virtual_memory().total
    assert 1 <= settings.default_threads() <= (psutil.cpu_count() or 1)
