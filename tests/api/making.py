"""Jobs in all states and results on the disk, without a worker: the test plays its part."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Any

from nearfar.intake.card.kept_card import Kept, card_files
from nearfar.intake.card.sorted_card import Question, SortedCard, SortedStack
from nearfar.jobs import (
    Claim,
    FrameEntry,
    JobState,
    Outcome,
    Store,
    Submission,
    UnitKind,
    UnitPlan,
)
from nearfar.places import Places

WORKER = "bench/1-1"


def submission(**changes: Any) -> Submission:
    values: dict[str, Any] = {
        "stack": "moss",
        "owner": "studio",
        "recipe": "standard",
        "sources": ("/inbox/moss",),
        "frames": tuple(FrameEntry(path=f"/inbox/moss/{k:02d}.tif", size=1000 + k) for k in range(3)),
        "units": (UnitPlan(kind=UnitKind.SURVEY, stop=3), UnitPlan(kind=UnitKind.DELIVER)),
    }
    return Submission(**values | changes)


def submit(store: Store, **changes: Any) -> int:
    return store.submit(submission(**changes), who="tester").job


def claim(store: Store) -> Claim:
    store.register(WORKER, host="bench", pid=1, version="0", slots=1, memory=1 << 40, disk=1 << 40)
    found = store.claim(WORKER)
    assert found is not None
    return found


def finish(
    store: Store, places: Places, job: int, *, name: str = "moss", picture: bytes = b"a picture"
) -> Path:
    """Bring the only job that is under way to its end, with a result on the disk; the picture."""
    folder = places.results / name
    folder.mkdir(parents=True)
    (folder / f"{name}.tif").write_bytes(picture)
    (folder / f"{name}.report.json").write_text('{"format": "nearfar-report/1"}', encoding="utf-8")
    (folder / f"{name}.preview.jpg").write_bytes(b"\xff\xd8 a preview")
    found = folder / f"{name}.tif"
    while store.job(job).state not in {JobState.DONE, JobState.FAILED}:
        unit = claim(store)
        outcome = Outcome(job_result=str(found)) if unit.kind is UnitKind.DELIVER else Outcome()
        store.finish(unit, outcome)
    return found


def done(store: Store, places: Places, **changes: Any) -> int:
    """A job that is done, with a result."""
    job = submit(store)
    finish(store, places, job, **changes)
    return job


def fail(store: Store, *, cause: str = "input", reason: str = "02.tif cannot be read") -> None:
    store.fail(claim(store), cause=cause, reason=reason, retry=False)


def field(data: bytes, algorithm: str = "sha-256") -> str:
    """A digest as RFC 9530 writes it."""
    value = hashlib.new(algorithm.replace("-", ""), data).digest()
    return f"{algorithm}=:{base64.b64encode(value).decode()}:"


def keep_card(places: Places, card: str, folder: Path) -> list[Path]:
    """A card as if it had been sorted: a clear stack of all frames but the last two, which are asked about."""
    frames = sorted(folder.iterdir())
    clear, unclear = tuple(frames[:-2]), tuple(frames[-2:])
    question = Question(
        text=f"Do {unclear[0].name} and {unclear[1].name} belong to one stack?",
        frames=unclear,
        suggests={"do": "split", "before": str(unclear[1])},
    )
    stacks = (
        SortedStack(name="stack-001", frames=clear, confidence=0.99, state="clear", why="one view"),
        SortedStack(
            name="stack-002", frames=unclear, confidence=0.4, state="ask", why="little speaks for it"
        ),
    )
    found = SortedCard(stacks=stacks, left_out=(), questions=(question,), order=tuple(frames))
    files = {path.name: (path.stat().st_ino, path.stat().st_size, path.stat().st_mtime_ns) for path in frames}
    kept = Kept(path=str(folder), files=files, card=found, small={str(frames[0]): "0" * 24})
    card_files(places).write(card, kept)
    small = card_files(places).small_file(card, "0" * 24)
    small.parent.mkdir(parents=True)
    small.write_bytes(b"\xff\xd8 a small picture \xff\xd9")
    return frames
