"""What ``jobs``, ``show``, ``cancel``, ``hold``, ``release``, ``again`` and ``server`` do: look at a server, give orders."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from nearfar.cli.client.follow import JobProgress, ended, follow, left_behind, time_left
from nearfar.cli.client.http import Server, find_server
from nearfar.cli.client.send import recipe_of
from nearfar.cli.say import say, say_json, table, warn
from nearfar.errors import ServerAway, ServerError
from nearfar.progress import format_seconds
from nearfar.settings import format_size

PAGE = 200
"""Jobs asked for at a time; the most that a server gives."""


def run_jobs(options: argparse.Namespace, _signals: Any) -> int:
    """``nearfar jobs``."""
    with Server(find_server(options)) as server:
        found, more = jobs_of(server, options)
    if options.json:
        say_json({"jobs": found, "next": more})
    elif not found:
        say("no jobs")
    else:
        head = ("job", "state", "", "frames", "owner", "changed", "stack")
        say(*table(head, [line_of(job) for job in found]))
        if more:
            say(f"... and more; --limit shows more than {len(found)}")
    return 0


def jobs_of(server: Server, options: argparse.Namespace) -> tuple[list[dict[str, Any]], str | None]:
    """As many jobs as are wanted, newest first, and the cursor that goes on after them."""
    found: list[dict[str, Any]] = []
    cursor: str | None = None
    while len(found) < options.limit:
        page = server.get(
            "/jobs",
            state=options.state,
            search=options.search,
            owner=options.owner,
            limit=min(PAGE, options.limit - len(found)),
            cursor=cursor,
        )
        found += page["jobs"]
        cursor = page["next"]
        if cursor is None or not page["jobs"]:
            break
    return found, cursor


def line_of(job: Mapping[str, Any]) -> tuple[str, ...]:
    """A job as a row of the table."""
    state = f"{job['state']}: {job['reason']}" if job.get("reason") else job["state"]
    running = job["state"] in {"running", "held"}
    return (
        str(job["id"]),
        job["state"],
        f"{int(100 * job['progress'])} %" if running else "",
        str(job["frames"]["total"]),
        job["owner"],
        local_time(job["updated"]),
        job["stack"] + (f" ({job['reason']})" if state != job["state"] else ""),
    )


def local_time(text: str | None) -> str:
    """A time of the server's in this machine's zone, to the second."""
    if text is None:
        return ""
    return datetime.fromisoformat(text).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def run_show(options: argparse.Namespace, signals: Any) -> int:
    """``nearfar show``."""
    with Server(find_server(options)) as server:
        if options.follow:
            signals.ask(left_behind(options.job))
            with JobProgress() as progress:
                job = follow(server, options.job, progress.show, note=progress.note)
        else:
            job = server.job(options.job)
        if options.json:
            say_json(job)
        else:
            frames = server.get(f"/jobs/{job['id']}/frames")["frames"]
            files = server.get(f"/jobs/{job['id']}/files")["files"]
            mended = job.get("mends", {}).get("state", "none") != "none"
            mends = server.get(f"/jobs/{job['id']}/mends")["items"] if mended else ()
            say(*told(job, frames, files), *(told_mends(job, mends) if mended else ()))
    return ended(job)[1] if options.follow else 0


def told(
    job: Mapping[str, Any], frames: Iterable[Mapping[str, Any]], files: Iterable[Mapping[str, Any]]
) -> list[str]:
    """All that a person wants to know of a job."""
    count = job["frames"]
    lines = [f"job {job['id']}: {job['stack']}", f"state     {job['state']}"]
    if job.get("reason"):
        lines.append(f"reason    {job['reason']}")
    if job.get("waits"):
        lines.append(f"waits     {job['waits']}")
    if job["state"] not in {"done", "waiting"}:
        stage = f" ({job['stage']})" if job.get("stage") else ""
        left = f", {time_left(job['left'])}" if job.get("left") else ""
        lines.append(f"progress  {int(100 * job['progress'])} %{stage}{left}")
    frames = list(frames)
    parts = ("expected", "present", "used", "left_out", "refused")
    known = ", ".join(f"{count[part]} {part.replace('_', ' ')}" for part in parts if count[part])
    lines.append(f"frames    {count['total']}: {known}")
    lines += [
        f"          {frame['name']}: {frame['state']}, {frame['reason']}"
        for frame in frames
        if frame["reason"]
    ]
    lines += [f"          {text}" for text in _how_to_use(job, frames)]
    lines.append(f"recipe    {job['recipe']}, priority {job['priority']}, owner {job['owner']}")
    lines.append(f"created   {local_time(job['created'])}")
    if job.get("finished"):
        lines.append(f"finished  {local_time(job['finished'])}")
    for what, name in (("fetched", "fetched_from"), ("delivered", "delivered_to")):
        if job.get(name):
            it = job[name]
            lines.append(
                f"{what:9} {it['place']}: {it['state']}{', ' + it['reason'] if it['reason'] else ''}"
            )
    if job.get("again_of"):
        lines.append(f"again of  job {job['again_of']}")
    lines += [f"file      {file['name']} ({format_size(file['size'])})" for file in files]
    return lines


def _how_to_use(job: Mapping[str, Any], frames: Iterable[Mapping[str, Any]]) -> list[str]:
    """What to do if frames that were left out for their light, or set aside on a card, are wanted."""
    aside = (job.get("settings") or {}).get("set_aside") or {}
    names = [
        frame["name"]
        for frame in frames
        if frame["reason"]
        and (frame["name"] in aside or 'other_light = "keep"' in frame["reason"])
        and not frame["reason"].startswith("cannot be used")
    ]
    if not names or job["state"] in {"running", "waiting", "held"}:
        return []
    use = " ".join(f"--use {shlex.quote(name)}" for name in names)
    return [f"nearfar again {job['id']} {use} takes {'it' if len(names) == 1 else 'them'} in"]


def told_mends(job: Mapping[str, Any], mends: Iterable[Mapping[str, Any]]) -> list[str]:
    """How the mends of a picture stand, and each of them; ``mends`` are annotations."""
    stand = job["mends"]
    reason = f": {stand['reason']}" if stand.get("reason") else ""
    lines = [f"mends     {stand['count']} in force, {stand['state']}{reason}"]
    for mend in mends:
        what = mend["body"].get("nearfar:frame") or mend["body"].get("value")
        where = mend["target"]["selector"]["value"]
        undone = "" if mend["nearfar:inForce"] else f", undone by {mend['nearfar:undoneBy']}"
        who = f"by {mend['creator']['nickname']}, {local_time(mend['created'])}"
        lines.append(f"          {mend['nearfar:number']}: {what} in {where}, {who}{undone}")
    return lines


def run_order(options: argparse.Namespace, _signals: Any) -> int:
    """``nearfar cancel``, ``hold`` and ``release``: each job for itself; the exit code is that of the last refusal."""
    code = 0
    with Server(find_server(options)) as server:
        for number in options.jobs:
            try:
                job = server.post(f"/jobs/{number}/{options.command}", reason_of(options))
                say(f"job {number} ({job['stack']}): {job['state']}")
            except ServerAway:
                raise
            except ServerError as error:
                if error.status in {401, 403}:
                    raise
                about = "" if f"job {number} " in str(error) else f"job {number}: "
                warn(f"nearfar: {about}{error}")
                code = error.exit_code
    return code


def reason_of(options: argparse.Namespace) -> dict[str, object]:
    """Body of the order."""
    return {"reason": options.reason} if getattr(options, "reason", None) else {}


def run_again(options: argparse.Namespace, signals: Any) -> int:
    """``nearfar again``."""
    recipe, own = recipe_of(options.recipe)
    change = {
        "recipe": recipe,
        "settings": own,
        "leave_out": options.leave_out or None,
        "use": options.use or None,
    }
    with Server(find_server(options)) as server:
        job = server.post(
            f"/jobs/{options.job}/run-again",
            {name: value for name, value in change.items() if value is not None},
        )
        said = f"job {job['id']} ({job['stack']}): {job['state']}"
        say(f"{said}, made from job {options.job}" if job["id"] != options.job else said)
        if not options.follow:
            return 0
        signals.ask(left_behind(job["id"]))
        with JobProgress() as progress:
            job = follow(server, job["id"], progress.show, note=progress.note)
    text, code = ended(job)
    say(text)
    return code


STATES = {"pause": "paused", "drain": "draining", "open": "open"}


def run_server(options: argparse.Namespace, _signals: Any) -> int:
    """``nearfar server``."""
    with Server(find_server(options)) as server:
        found = (
            server.put("/server", {"state": STATES[options.wish]}) if options.wish else server.get("/server")
        )
    if options.json:
        say_json(found)
    else:
        say(*figures_of(found))
    return 0


def figures_of(found: Mapping[str, Any]) -> list[str]:
    """State and figures of the server, one a line."""
    jobs = ", ".join(f"{count} {state}" for state, count in found["jobs"].items() if count)
    lines = [
        f"server   {found['state']}, Nearfar {found['version']}",
        f"jobs     {jobs or 'none'}",
        f"units    {found['units']['held']} in work, {found['units']['ready']} ready",
        f"workers  {found['workers']}, units at a time {found['slots']}",
    ]
    if found.get("oldest_waiting"):
        lines.append(f"waiting  for {format_seconds(found['oldest_waiting'])} at most")
    return lines + [f"{name:7}  {found[name]}" for name in ("disk", "broker") if found.get(name)]
