"""What the image starts, without an engine: as its user, on a root file system that can only be read; Prometheus scrapes it.

The commands and variables are those of docker/compose.yaml; the name spaces are those of unshare(1).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml  # type: ignore[import-untyped]

from tests.acceptance.command import lay
from tests.acceptance.serving import Served, served
from tests.scenes import render
from tests.worker.jobs.postgresql import missing
from tests.worker.runner.serving import end_all, wait_for

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
USER = 10001
ENTER = """
set -eu
mount --rbind / "$ROOT"
mount --bind "$DATA" "$ROOT/srv"
mount -t tmpfs -o mode=1777 tmpfs "$ROOT/mnt"
mount -o remount,bind,ro "$ROOT"
exec chroot "$ROOT" setpriv --reuid "$WHO" --regid "$WHO" --clear-groups --no-new-privs --bounding-set -all "$@"
"""


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[dict[str, str]]:
    """Where a container's file systems lie; skips where this machine lets us make none."""
    data, root = tmp_path / "data", tmp_path / "root"
    for folder in (data, root):
        folder.mkdir()
    tmp_path.chmod(0o755)
    if os.geteuid() != 0 or subprocess.run(["unshare", "-m", "true"], capture_output=True).returncode != 0:
        missing("this machine lets us make no name spaces")
    who = USER if _may_run(USER) else 0
    os.chown(data, who, who)
    yield {"DATA": str(data), "ROOT": str(root), "WHO": str(who)}
    end_all(Path("/srv"))


def _may_run(who: int) -> bool:
    """Whether a user may run this interpreter; where it lies in somebody's home, root without any right has to do."""
    enter = ["setpriv", "--reuid", str(who), "--regid", str(who), "--clear-groups", "--no-new-privs"]
    tried = [*enter, "--bounding-set", "-all", "sh", "-c", f"{sys.executable} -c 'import nearfar'"]
    return subprocess.run(tried, capture_output=True).returncode == 0


def test_it_runs_as_nobody_in_particular_and_writes_nothing_but_data_and_scratch(
    alone: dict[str, str], checkout: Path, tmp_path: Path
) -> None:
    environment = {
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "PYTHONPATH": os.environ.get("PYTHONPATH", f"{checkout / 'worker'}:{checkout / 'api'}"),
        "PYTHONDONTWRITEBYTECODE": "1",
        "HOME": "/mnt",
        "TMPDIR": "/mnt",
        "USER": "nearfar",
        "NEARFAR_CONFIG": os.devnull,
        "NEARFAR_ALIVE": "/mnt/alive",
        "NEARFAR_LOG": "json",
        "NEARFAR_UMASK": "0027",
        "NEARFAR_SERVER_DATA": "/srv",
        "NEARFAR_WORKER_SCRATCH": "/mnt/scratch",
        "NEARFAR_WORKER_SPARE_DISK": "1MiB",
        "NEARFAR_WORKER_MEMORY": "1GiB",
        "NEARFAR_SERVER_PORT": "0",
        "NEARFAR_INBOX_QUIET": "1",
        "NEARFAR_INBOX_QUIET_UNSEEN": "1",
        **alone,
    }
    script = textwrap.dedent(
        f"""
        set -eu
        if touch {checkout}/written 2>/dev/null; then echo "root can be written" >&2; exit 9; fi
        sh {checkout}/docker/start.sh serve &
        server=$!
        trap 'kill $server; wait $server' TERM
        n=0
        until [ -f "$(ls -d /srv/results/moss 2>/dev/null)/moss.tif" ]; do
            sleep 0.5; n=$((n + 1)); [ $n -lt 600 ] || exit 8; kill -0 $server || exit 7
        done
        python -m nearfar.runner.alive
        kill $server; wait $server
        """
    )
    folder = Path(alone["DATA"]) / "inbox" / "moss"
    lay(render("occlusion", frames=3, size=(320, 240), seed=4).frames, folder)
    for path in (folder, folder.parent, *folder.iterdir()):
        os.chown(path, int(alone["WHO"]), int(alone["WHO"]))
    command = [
        "unshare",
        "--mount",
        "--propagation",
        "private",
        "sh",
        "-c",
        ENTER,
        "enter",
        "sh",
        "-c",
        script,
    ]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=420)
    assert done.returncode == 0, (done.returncode, done.stdout[-2000:], done.stderr[-4000:])
    picture = Path(alone["DATA"]) / "results" / "moss" / "moss.tif"
    assert picture.stat().st_uid == int(alone["WHO"])
    assert picture.stat().st_mode & 0o007 == 0, "not for everybody"
    lines = [line for line in done.stderr.splitlines() if line.startswith("{")]
    assert lines
    assert {json.loads(line)["process"] for line in lines} >= {"work"}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    base = tmp_path_factory.mktemp("scraped")
    with served(base / "data") as running:
        lay(render("occlusion", frames=3, size=(160, 120), seed=4).frames, running.inbox / "moss")
        wait_for(lambda: (running.results / "moss" / "moss.tif").exists(), 180)
        yield running


@pytest.fixture(scope="module")
def prometheus(server: Served, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A Prometheus that scrapes the server by the configuration of the image, every second; its address."""
    if shutil.which("prometheus") is None:
        missing("Prometheus is not installed (on Debian: apt-get install prometheus)")
    base = tmp_path_factory.mktemp("prometheus")
    source = Path(__file__).parents[2] / "docker" / "prometheus"
    told: dict[str, Any] = yaml.safe_load((source / "prometheus.yml").read_text())
    told["global"] = {"scrape_interval": "1s", "evaluation_interval": "1s"}
    told["rule_files"] = [str(source / "rules.yml")]
    (base / "key").write_text("no key is asked for")
    told["scrape_configs"][0]["authorization"]["credentials_file"] = str(base / "key")
    told["scrape_configs"][0]["static_configs"] = [{"targets": [server.url.removeprefix("http://")]}]
    (base / "prometheus.yml").write_text(yaml.safe_dump(told))
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [
        "prometheus",
        f"--config.file={base / 'prometheus.yml'}",
        f"--storage.tsdb.path={base / 'tsdb'}",
    ]
    with (base / "log").open("wb") as log:
        process = subprocess.Popen(
            [*command, f"--web.listen-address=127.0.0.1:{port}"], stdout=log, stderr=log
        )
    url = f"http://127.0.0.1:{port}"
    try:
        wait_for(
            lambda: _value(url, 'up{job="nearfar"}') == [1.0], 90, what=(base / "log").read_text()[-500:]
        )
        time.sleep(3)
        yield url
    finally:
        process.terminate()
        process.wait(30)


def _value(url: str, query: str) -> list[float] | None:
    try:
        answer = httpx.get(f"{url}/api/v1/query", params={"query": query}, timeout=20)
    except httpx.TransportError:
        return None
    if answer.status_code != 200:
        return None
    return [float(sample["value"][1]) for sample in answer.json()["data"]["result"]]


def test_every_panel_asks_what_prometheus_can_answer(prometheus: str, checkout: Path) -> None:
    board = json.loads((checkout / "docker/grafana/dashboards/nearfar.json").read_text(encoding="utf-8"))
    quiet = {"Attempts that came to nothing", "Failures by cause", "Stacks in watched folders"}
    for panel in board["panels"]:
        for target in panel["targets"]:
            found = _value(prometheus, target["expr"])
            assert found is not None, (panel["title"], target["expr"])
            assert found or panel["title"] in quiet, (panel["title"], target["expr"])


def test_a_server_that_is_well_rings_no_alarm(prometheus: str) -> None:
    groups = httpx.get(f"{prometheus}/api/v1/rules").json()["data"]["groups"]
    rules = [rule for group in groups for rule in group["rules"]]
    assert len(rules) == 12
    assert {rule["health"] for rule in rules} == {"ok"}
    loud = {r["name"] for r in rules if r.get("state") in ("pending", "firing")}
    assert loud <= {"NearfarDiskFull"}, "this machine's disk may be full"
