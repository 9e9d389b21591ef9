"""Brackets planned over HTTP."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearfar.bracket import Bracket
from nearfar.jobs import FrameEntry, Store
from tests.api.conftest import Client
from tests.api.making import submit
from tests.scenes import files, tags

RAIL = {"sensor": [36, 24], "magnification": 1, "f_number": 5.6, "depth": 12, "criterion": "20um"}


def test_a_rail_is_planned_as_by_hand(client: Client) -> None:
    # Depth of one frame 2 N c (m + 1) / m2 (Lefkowitz 1979, from memory): 0.448 mm; 30 % overlap leaves 0.314 mm a step.
    answer = client.post("/api/v1/plan", json=RAIL)
    assert answer.status_code == 200
    plan = answer.json()
    assert plan["frames"] == 40
    assert Bracket.from_json(plan).frames == 40


def test_infinity_has_a_name(client: Client) -> None:
    ask = {"sensor": [36, 24], "focal": 24, "f_number": 8, "near": 1000, "far": "inf"}
    plan = client.post("/api/v1/plan", json=ask).json()
    assert plan["asked"]["far"] == "inf"
    assert 2 <= plan["frames"] <= 10


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"depth": None}, "depth"),
        ({"depth": -1}, "/depth"),
        ({"criterion": "sharp"}, "sharp"),
        ({"colour": 1}, "/colour"),
        ({"depth": 1e9}, "frames"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_words(
    client: Client, change: dict[str, Any], named: str
) -> None:
    answer = client.post("/api/v1/plan", json={k: v for k, v in (RAIL | change).items() if v is not None})
    assert answer.status_code == 422
    assert named in answer.json()["detail"]


def test_the_card_is_one_page_that_its_policy_lets_show_itself(client: Client) -> None:
    answer = client.post("/api/v1/plan/card", json=RAIL | {"title": "Moss <on> slate"})
    assert answer.headers["content-type"].startswith("text/html")
    assert "Moss &lt;on&gt; slate" in answer.text
    assert "<script" not in answer.text
    assert re.search(r"style-src 'sha256-[\w+/=]+'", answer.headers["content-security-policy"])
    assert "rail" in answer.text.casefold()


RING = {"sensor": [36, 24], "focal": 100, "f_number": 8, "near": 500, "far": 700}


def shot(folder: Path, marks: Sequence[float]) -> tuple[FrameEntry, ...]:
    """Frames whose camera wrote these focus distances, in mm."""
    found = []
    for k, mark in enumerate(marks):
        camera = tags.Camera(distance=Fraction(round(1000 * mark), 10**6))
        path = folder / f"{k + 1:02d}.jpg"
        pixels = np.full((16, 24, 3), 90, np.uint8)
        path.write_bytes(
            files.jpeg(pixels, quality=80, exif=tags.exif_block(camera, k), profile=tags.srgb_profile())
        )
        found.append(FrameEntry(path=str(path), size=path.stat().st_size))
    return tuple(found)


def test_a_stack_is_compared_with_the_plan_that_it_was_shot_by(
    client: Client, store: Store, tmp_path: Path
) -> None:
    plan = client.post("/api/v1/plan", json=RING).json()
    marks = [step["mark"] for step in plan["steps"]]
    job = submit(store, frames=shot(tmp_path, [m for k, m in enumerate(marks) if k not in (3, 4)]))
    assert client.get(f"/api/v1/jobs/{job}/plan").status_code == 404
    attached = client.post(f"/api/v1/jobs/{job}/plan", json=plan).json()
    assert (attached["by"], attached["missed"], attached["complete"]) == ("distance", [4, 5], False)
    assert "frame 4 was missed" in " ".join(attached["said"])
    assert client.get(f"/api/v1/jobs/{job}/plan").json() == attached


def test_frames_without_distances_are_counted(client: Client, store: Store) -> None:
    plan = client.post("/api/v1/plan", json=RAIL).json()
    job = submit(store)
    found = client.post(f"/api/v1/jobs/{job}/plan", json=plan).json()
    assert (found["by"], found["planned"], found["captured"], found["short"]) == ("number", 40, 3, 37)


@pytest.mark.parametrize("plan", [{}, {"format": "nearfar-bracket/1", "asked": {"focal": "x"}, "steps": []}])
def test_what_is_no_plan_is_not_attached(client: Client, store: Store, plan: dict[str, Any]) -> None:
    job = submit(store)
    assert client.post(f"/api/v1/jobs/{job}/plan", json=plan).status_code == 422
    assert client.get(f"/api/v1/jobs/{job}/plan").status_code == 404
    assert client.post("/api/v1/jobs/99/plan", json=plan).status_code == 404
