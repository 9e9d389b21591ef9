"""The image, the compose file and what Prometheus is told: in the form of their standards, and of this program's settings.

Image annotations: OCI image specification, 'Pre-Defined Annotation Keys'. The compose file is held against the published
schema of the compose specification, as check-jsonschema carries it; the Dockerfile against the rules of hadolint.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml  # type: ignore[import-untyped]

from nearfar.server_settings import TABLES, ServerSettings
from tests.worker.jobs.postgresql import missing

OTHERS = {"NEARFAR_LOG", "NEARFAR_ALIVE", "NEARFAR_UMASK"}
"""Variables that are no settings of a table."""
SERVICES = {"store", "broker", "api", "watch", "keep", "mend", "worker", "prometheus", "grafana"}
OURS = {"api", "watch", "keep", "mend", "worker"}


@pytest.fixture
def docker(checkout: Path) -> Path:
    return checkout / "docker"


@pytest.fixture
def compose(docker: Path) -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load((docker / "compose.yaml").read_text(encoding="utf-8"))
    return found


def settings() -> set[str]:
    known = set()
    for table in TABLES:
        for name in ServerSettings.model_fields[table].annotation.model_fields:  # type: ignore[union-attr]
            known.add(f"NEARFAR_{table}_{name}".upper())
    return known | OTHERS


def tool(name: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """What a program of the test requirements says."""
    found = shutil.which(name, path=str(Path(sys.executable).parent)) or shutil.which(name)
    if found is None:
        missing(f"{name} is not installed; 'make setup' installs it")
    return subprocess.run([found, *map(str, words)], capture_output=True, text=True)


def schema(file: Path) -> subprocess.CompletedProcess[str]:
    return tool("check-jsonschema", "--builtin-schema", "vendor.compose-spec", file)


def test_the_compose_file_is_one_by_the_published_schema(docker: Path, tmp_path: Path) -> None:
    done = schema(docker / "compose.yaml")
    assert done.returncode == 0, done.stdout + done.stderr
    text = (docker / "compose.yaml").read_text(encoding="utf-8")
    odd = tmp_path / "compose.yaml"
    odd.write_text(text.replace("restart: unless-stopped", "restart_always: true", 1), encoding="utf-8")
    assert schema(odd).returncode == 1


def test_the_image_is_built_by_the_rules_of_the_trade(docker: Path, tmp_path: Path) -> None:
    done = tool("hadolint", docker / "Dockerfile")
    assert done.returncode == 0, done.stdout + done.stderr
    odd = tmp_path / "Dockerfile"
    odd.write_text("FROM python\nRUN cd /tmp && apt-get install gcc\n")
    said = tool("hadolint", odd)
    assert said.returncode == 1
    assert {"DL3006", "DL3015"} <= set(re.findall(r"DL\d{4}", said.stdout)), (
        "no tag, and all that is recommended"
    )


def test_every_part_of_a_studio_has_its_service(compose: dict[str, Any]) -> None:
    assert set(compose["services"]) == SERVICES
    assert set(compose) == {"name", "x-nearfar", "services", "secrets", "volumes"}
    for name, service in compose["services"].items():
        assert re.fullmatch(r"[a-z]+(/[a-z]+)?(:v?[\d.]+)?", service["image"]), "a short name, no host"
        assert service["restart"] == "unless-stopped", name
        for needed in service.get("depends_on", {}):
            assert needed in SERVICES


@pytest.mark.parametrize("name", sorted(OURS))
def test_our_containers_may_do_no_more_than_they_need(compose: dict[str, Any], name: str) -> None:
    service = compose["services"][name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["user"] == "${NEARFAR_UID:-10001}:${NEARFAR_GID:-10001}"
    assert set(service["environment"]) <= settings(), "each variable is a setting"
    bound, scratch = service["volumes"]
    assert bound["source"] == bound["target"], "frames have the same path everywhere"
    assert scratch["type"] == "volume", "scratch is each container's own"


def test_nobody_in_a_container_gains_rights_and_who_listens_asks_for_a_password(
    compose: dict[str, Any],
) -> None:
    for name, service in compose["services"].items():
        assert service["security_opt"] == ["no-new-privileges:true"], name
    for name in ("prometheus", "grafana"):
        assert compose["services"][name]["cap_drop"] == ["ALL"]
    broker, told = compose["services"]["broker"], compose["services"]["worker"]["environment"]
    assert broker["command"][-2:] == ["--requirepass", broker["environment"]["REDISCLI_AUTH"]]
    for service, url in (("store", "NEARFAR_STORE_URL"), ("broker", "NEARFAR_BROKER_URL")):
        variable = f"NEARFAR_{service}_PASSWORD".upper()
        assert f":${{{variable}:?letters and digits}}@" in told[url]
        assert any(variable in value for value in compose["services"][service]["environment"].values())


def test_every_variable_is_in_the_example(compose: dict[str, Any], docker: Path) -> None:
    used = set(re.findall(r"\$\{(NEARFAR_\w+)", (docker / "compose.yaml").read_text(encoding="utf-8")))
    named = set(
        re.findall(r"^#? ?(NEARFAR_\w+)=", (docker / "example.env").read_text(encoding="utf-8"), re.MULTILINE)
    )
    assert used == named


def test_the_image_runs_without_rights_and_says_what_it_is(docker: Path) -> None:
    text = (docker / "Dockerfile").read_text(encoding="utf-8")
    stages = re.findall(r"^FROM (\S+)", text, re.MULTILINE)
    assert len(stages) == 2
    assert set(stages) == {"python:3.12-slim"}
    last = text.rpartition("\nFROM ")[2]
    assert re.search(r"^USER (\d+):\d+", last, re.MULTILINE)[1] != "0"  # type: ignore[index]
    for key in ("title", "description", "licenses", "version", "revision", "created"):
        assert f"org.opencontainers.image.{key}=" in last
    assert "HEALTHCHECK" in last
    assert "gcc" not in last, "what compiles stays in the first stage"
    given = set(re.findall(r"(NEARFAR_\w+)=", last))
    assert given <= settings()
    for source in re.findall(r"^COPY (?!--from)(\S+)", text, re.MULTILINE):
        assert (docker.parent / source).exists()
    for line in text.splitlines():
        assert "://" not in line


def test_the_lock_of_the_image_is_part_of_the_lock_of_the_project(checkout: Path) -> None:
    def pins(name: str) -> set[str]:
        text = (checkout / "config" / name).read_text(encoding="utf-8")
        return set(re.findall(r"^([a-z0-9_.-]+==[^ ;]+)", text, re.MULTILINE))

    assert pins("server.lock") <= pins("requirements.lock")


def promtool(*words: str | Path) -> subprocess.CompletedProcess[str]:
    if shutil.which("promtool") is None:
        missing("promtool is not installed (on Debian: apt-get install prometheus)")
    return subprocess.run(["promtool", *map(str, words)], capture_output=True, text=True)


def test_the_rules_are_rules_and_each_alarm_was_heard(docker: Path) -> None:
    rules = docker / "prometheus" / "rules.yml"
    done = promtool("check", "rules", rules)
    assert done.returncode == 0, done.stdout + done.stderr
    done = promtool("test", "rules", docker / "prometheus" / "rules.test.yml")
    assert done.returncode == 0, done.stdout + done.stderr
    alarms = {
        r["alert"] for g in yaml.safe_load(rules.read_text())["groups"] for r in g["rules"] if "alert" in r
    }
    tested = yaml.safe_load((docker / "prometheus" / "rules.test.yml").read_text())["tests"]
    heard = {a["alertname"] for t in tested for a in t.get("alert_rule_test", []) if a["exp_alerts"]}
    assert alarms == heard


def test_panels_of_the_dashboard_lie_beside_each_other(docker: Path) -> None:
    board = json.loads((docker / "grafana" / "dashboards" / "nearfar.json").read_text(encoding="utf-8"))
    taken: set[tuple[int, int]] = set()
    for panel in board["panels"]:
        place = panel["gridPos"]
        cells = {
            (x, y)
            for x in range(place["x"], place["x"] + place["w"])
            for y in range(place["y"], place["y"] + place["h"])
        }
        assert place["x"] + place["w"] <= 24
        assert not cells & taken, panel["title"]
        taken |= cells
    assert len({panel["id"] for panel in board["panels"]}) == len(board["panels"])
