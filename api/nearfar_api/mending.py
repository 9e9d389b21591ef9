"""Mends over HTTP: from what is asked for to the store, and back to annotations with addresses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nearfar.errors import IllegalTransition
from nearfar.jobs import FrameEntry, Job, JobState, Mend
from nearfar.jobs.states import JOB_MOVES
from nearfar.runner.mending.annotations import Subject, annotation_of, read_wish
from nearfar_api.context import Context
from nearfar_api.models.answers import moment
from nearfar_api.problems import Problem
from nearfar_api.transfer import results

ANNOTATION_CONTEXT = "http://www.w3.org/ns/anno.jsonld"
LD_JSON = f'application/ld+json; profile="{ANNOTATION_CONTEXT}"'
"""Media type of annotations (Web Annotation Protocol, 2017, section 4.1)."""
TERMS = [ANNOTATION_CONTEXT, {"nearfar": "urn:nearfar:"}]
"""Context of an annotation that says more than the standard has words for."""


def add(ctx: Context, number: int, body: Mapping[str, Any], *, who: str) -> Mend:
    """Put a mend on record.

    Raises
    ------
    NotFound, IllegalTransition, UsageError, StoreError, Problem
    """
    subject = subject_of(ctx, number)
    return ctx.store.add_mend(number, annotation_of(read_wish(body, subject), subject), who=who)


def subject_of(ctx: Context, number: int) -> Subject:
    """The picture of a job, as far as a mend has to fit it. Raises `NotFound`, `IllegalTransition`, `Problem`."""
    job = ctx.store.job(number)
    if job.state is not JobState.DONE:
        raise IllegalTransition(
            f"job {number}", state=job.state, wanted="mended", possible=JOB_MOVES[job.state]
        )
    report = _report(ctx, job)
    try:
        width, height = (int(v) for v in report["size"])
        used = [(f["name"], f.get("digest")) for f in report["frames"] if f["used"]]
    except (KeyError, TypeError, ValueError) as error:
        raise _no_report(number) from error
    return Subject(job=number, size=(width, height), frames=_numbers(ctx.store.frames(number), used))


def _numbers(entries: Sequence[FrameEntry], used: Sequence[tuple[str, str | None]]) -> dict[int, str]:
    """Names of the frames that went into the picture by their numbers in the job."""
    known = set(used)
    found = {}
    for number, entry in enumerate(entries, start=1):
        name = entry.path.rpartition("/")[2]
        if (name, entry.digest) in known:
            found[number] = name
    return found


def _report(ctx: Context, job: Job) -> results.Report:
    try:
        return results.read_report(job, ctx.places)
    except ValueError as error:
        raise _no_report(job.id) from error


def _no_report(number: int) -> Problem:
    return Problem(
        "refused",
        f"The report of job {number} does not tell of its picture. Put the delivered report back, or run the job again.",
    )


def page(mends: Sequence[Mend], *, address: str, pictures: str) -> dict[str, Any]:
    """All mends of a job as an annotation page.

    Parameters
    ----------
    address
        Of the page.
    pictures
        What the identifiers of pictures are put behind.
    """
    items = [told(mend, address=f"{address}/{mend.number}", pictures=pictures, inner=True) for mend in mends]
    return {"@context": TERMS, "id": address, "type": "AnnotationPage", "startIndex": 0, "items": items}


def told(mend: Mend, *, address: str, pictures: str, inner: bool = False) -> dict[str, Any]:
    """One mend as an annotation: as it was kept, with addresses, who and when, and whether it is in force."""
    note = dict(mend.annotation)
    note["target"] = {**note["target"], "source": pictures + note["target"]["source"]}
    if "source" in note["body"]:
        note["body"] = {**note["body"], "source": pictures + note["body"]["source"]}
    note |= {
        "id": address,
        "creator": {"type": "Person", "nickname": mend.who},
        "created": moment(mend.made),
        "nearfar:number": mend.number,
        "nearfar:inForce": mend.undone is None,
    }
    if mend.undone is not None:
        note |= {"nearfar:undone": moment(mend.undone), "nearfar:undoneBy": mend.undone_by}
    return note if inner else {"@context": TERMS, **note}
