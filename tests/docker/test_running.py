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
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml  # type: ignore[import-untyped]

from tests.acceptance.command import lay
from tests.acceptance.serving import Served, served
from tests.api.process import NO_TLS
from tests.ports import free_port
from tests.scenes import render
from tests.worker.jobs.postgresql import missing
from tests.worker.runner.serving import end_all, wait_for

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
USER = 10001
ENTER = """
set -eu
mount --rbind / "$ROOT"
cut -d " " -f 2 /proc/self/mounts | grep "^$ROOT" | grep -v "^$ROOT/dev" | while read -r place; do
    mount -o remount,bind,ro "$place" 2>/dev/null || [ "$place" != "$ROOT" ]
done
mount --bind "$DATA" "$ROOT/srv"
mount -t tmpfs -o mode=1777 tmpfs "$ROOT/mnt"
exec chroot "$ROOT" setpriv --reuid "$WHO" --regid "$WHO" --clear-groups --no-new-privs --bounding-set -all "$@"
"""
COMMAND = Path(sys.executable).parent / "nearfar"
DISK = {"NearfarDiskFull", "NearfarDiskFillsUp"}
"""Alarms that this machine's disk may rightly ring."""


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[dict[str, str]]:
    """Where a container's file systems lie, and who runs in it; skips where this machine lets us make none."""
    if os.geteuid() != 0:
        pytest.skip("only root can make file systems as a container has them")
    data, root = tmp_path / "data", tmp_path / "root"
    inside = f"/srv/nearfar-{os.getpid()}"  # no other server's, for its processes are ended by it
    for folder in (data, root, data / Path(inside).name):
        folder.mkdir()
    tried = {}
    for who in (USER, 0):  # where the interpreter lies in somebody's home, root without any right has to do
        found = {"DATA": str(data), "ROOT": str(root), "WHO": str(who)}
        probe = _entered(found, f"touch /mnt/x && {COMMAND} --version && ! touch {data}/x", 60)
        if probe.returncode == 0:
            break
        tried[who] = probe.stderr.strip()[-300:]
    else:
        pytest.skip(f"this machine lets us make no container of our own, or nobody else run us: {tried}")
    for folder in (data, data / Path(inside).name):
        os.chown(folder, who, who)
    yield {**found, "NEARFAR_SERVER_DATA": inside, "OUTSIDE": str(data / Path(inside).name)}
    end_all(Path(inside))


def _entered(
    where: dict[str, str], script: str, timeout: float, **env: str
) -> subprocess.CompletedProcess[str]:
    """What a shell script says and writes in a container of file systems."""
    command = ["unshare", "--mount", "--propagation", "private", "sh", "-c", ENTER, "enter"]
    environment = {"PATH": f"{COMMAND.parent}:{os.environ['PATH']}", "HOME": "/mnt", "TMPDIR": "/mnt"}
    environment["PYTHONPATH"] = os.environ.get("PYTHONPATH", "")
    environment["PYTHONDONTWRITEBYTECODE"] = "1"
    return subprocess.run(
        [*command, "sh", "-c", script],
        env={**environment, **env, **where},
        capture_output=True,
        text=True,
        timeout=timeout,
    )


def test_it_runs_as_nobody_in_particular_and_writes_nothing_but_data_and_scratch(
    alone: dict[str, str], checkout: Path, tmp_path: Path
) -> None:
    environment = {
        "USER": "nearfar",
        "NEARFAR_CONFIG": os.devnull,
        "NEARFAR_ALIVE": "/mnt/alive",
        "NEARFAR_LOG": "json",
        "NEARFAR_UMASK": "0027",
        "NEARFAR_WORKER_SCRATCH": "/mnt/scratch",
        "NEARFAR_WORKER_SPARE_DISK": "1MiB",
        "NEARFAR_WORKER_MEMORY": "1GiB",
        "NEARFAR_SERVER_PORT": "0",
        "NEARFAR_INBOX_QUIET": "1",
        "NEARFAR_INBOX_QUIET_UNSEEN": "1",
    }
    script = textwrap.dedent(
        f"""
        set -eu
        if touch {checkout}/written 2>/dev/null; then echo "root can be written" >&2; exit 9; fi
        sh {checkout}/docker/start.sh serve &
        server=$!
        trap 'kill $server 2>/dev/null; wait $server' EXIT
        n=0
        until [ -f "$NEARFAR_SERVER_DATA/results/moss/moss.tif" ]; do
            sleep 0.5; n=$((n + 1)); [ $n -lt 480 ] || exit 8; kill -0 $server || exit 7
        done
        python -m nearfar.runner.alive
        trap - EXIT
        kill $server; wait $server
        """
    )
    folder = Path(alone["OUTSIDE"]) / "inbox" / "moss"
    lay(render("occlusion", frames=3, size=(320, 240), seed=4).frames, folder)
    for path in (folder, folder.parent, *folder.iterdir()):
        os.chown(path, int(alone["WHO"]), int(alone["WHO"]))
    done = _entered(alone, script, 360, **environment)
    assert done.returncode == 0, (done.returncode, done.stdout[-2000:], done.stderr[-4000:])
    picture = Path(alone["OUTSIDE"]) / "results" / "moss" / "moss.tif"
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
        wait_for(lambda: (running.results / "moss" / "moss.tif").exists(), 300)
        yield running


@pytest.fixture(scope="module")
def prometheus(server: Served, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A Prometheus that scrapes the server by the configuration of the image, every few seconds; its address."""
    if shutil.which("prometheus") is None:
        missing("Prometheus is not installed (on Debian: apt-get install prometheus)")
    base = tmp_path_factory.mktemp("prometheus")
    source = Path(__file__).parents[2] / "docker" / "prometheus"
    told: dict[str, Any] = yaml.safe_load((source / "prometheus.yml").read_text())
    told["global"] = {"scrape_interval": "3s", "evaluation_interval": "1s"}
    told["rule_files"] = [str(source / "rules.yml")]
    (base / "key").write_text("no key is asked for")
    told["scrape_configs"][0]["authorization"]["credentials_file"] = str(base / "key")
    told["scrape_configs"][0]["static_configs"] = [{"targets": [server.url.removeprefix("http://")]}]
    (base / "prometheus.yml").write_text(yaml.safe_dump(told))
    port = free_port()
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
        told_often = 'sum_over_time(up{job="nearfar"}[10m]) >= 3'
        wait_for(lambda: _value(url, told_often), 120, what=f"Prometheus reads us thrice; see {base / 'log'}")
        yield url
    finally:
        process.terminate()
        process.wait(60)


def _value(url: str, query: str) -> list[float] | None:
    try:
        answer = httpx.get(f"{url}/api/v1/query", params={"query": query}, verify=NO_TLS, timeout=20)
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
            expr, what = target["expr"], f"{panel['title']}: {target['expr']}"
            assert _value(prometheus, expr) is not None, what
            if panel["title"] not in quiet:
                wait_for(partial(_value, prometheus, expr), 60, what=what)


def test_a_server_that_is_well_rings_no_alarm(prometheus: str) -> None:
    def rules() -> list[dict[str, Any]]:
        groups = httpx.get(f"{prometheus}/api/v1/rules", verify=NO_TLS, timeout=20).json()["data"]["groups"]
        return [rule for group in groups for rule in group["rules"]]

    def loud() -> set[str]:
        return {rule["name"] for rule in rules() if rule.get("state") in ("pending", "firing")}

    wait_for(lambda: {rule["health"] for rule in rules()} == {"ok"}, 60, what="every rule was tried")
    assert len(rules()) == 14
    wait_for(lambda: loud() <= DISK, 60, what=f"alarms of a server that is well: {loud()}")
