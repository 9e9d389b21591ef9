"""Behind a real proxy at a sub-path: every page, its files, its stream and its forms."""

from __future__ import annotations

import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from tests.pages.conftest import Studio
from tests.ports import free_port
from tests.worker.jobs.postgresql import missing

CONF = """
worker_processes 1; daemon off; pid {folder}/pid; error_log {folder}/error.log;
events {{}}
http {{
  access_log off;
  client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/f;
  uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  server {{
    listen 127.0.0.1:{port};
    location /merge/ {{
      proxy_pass http://127.0.0.1:{inner}{strip};
      proxy_set_header Host $http_host; proxy_http_version 1.1; proxy_request_buffering off; client_max_body_size 0;
    }}
  }}
}}
"""


@contextmanager
def nginx(folder: Path, inner: int, *, strip: bool) -> Iterator[str]:
    """The proxy; takes the sub-path off where ``strip`` says so. Gives its address."""
    program = (
        shutil.which("nginx")
        or shutil.which("nginx", path="/usr/sbin")
        or missing("nginx is not installed (on Debian: apt-get install nginx-light)")
    )
    folder.mkdir()
    port = free_port()
    conf = folder / "nginx.conf"
    conf.write_text(CONF.format(folder=folder, port=port, inner=inner, strip="/" if strip else ""))
    process = subprocess.Popen([program, "-e", str(folder / "error.log"), "-p", str(folder), "-c", str(conf)])
    url = f"http://127.0.0.1:{port}"
    try:
        for _ in range(1200):
            assert process.poll() is None, (folder / "error.log").read_text()
            try:
                httpx.get(url)
                break
            except httpx.TransportError:
                time.sleep(0.05)
        yield url
    finally:
        process.terminate()
        process.wait(60)


@pytest.mark.parametrize("strip", [True, False])
def test_all_of_it_works_behind_a_proxy_that_takes_the_sub_path_off_or_does_not(
    studio: Studio, page: Any, tmp_path: Path, strip: bool
) -> None:
    inner = urlsplit(studio.url).port
    assert inner is not None
    with nginx(tmp_path / "nginx", inner, strip=strip) as outer:
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{outer}/merge/")
        page.fill("[name=stack]", f"proxied-{strip}")
        page.locator(".drop input").set_input_files(sorted(studio.frames.iterdir()))
        page.wait_for_selector(f"[id^=done-]:has-text('proxied-{strip}') img", timeout=60_000)
        page.click(f"[id^=done-] figcaption a:text-is('proxied-{strip}')")
        page.wait_for_selector(".plots svg")
        page.click("text=Look closely")
        page.wait_for_selector("#viewer[data-ready]")
        page.click("[data-do=focus]")
        page.wait_for_selector("[data-legend=focus]:visible")
        page.click("[data-do=here]")
        page.wait_for_function(
            "() => { const i = document.querySelector('label.crop img'); return i?.complete && i.naturalWidth > 0; }"
        )
        page.click("nav >> text=Overview")
        page.get_by_role("button", name="Pause", exact=True).click()
        page.wait_for_selector(".serverline strong:text-is('paused')")
        page.get_by_role("button", name="Open", exact=True).click()
        page.wait_for_selector(".serverline strong:text-is('open')")
        assert page.url.startswith(f"{outer}/merge/")
        elsewhere = [url for url in asked if not url.startswith((f"{outer}/merge/", "blob:", "data:"))]
        assert asked
        assert elsewhere == []
        page.goto("about:blank")
