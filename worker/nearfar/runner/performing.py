"""What each kind of unit does: from the store's rows to the steps of the merge, and back to an outcome."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from nearfar.errors import DoesNotFit, FrameRefused
from nearfar.jobs import FrameNote, FrameState, Outcome, Unit, UnitKind, UnitPlan, UnitState
from nearfar.merge.correcting import NO_MASTERS, space
from nearfar.merge.deliver import Outputs
from nearfar.merge.keys import Fingerprint, file_digest
from nearfar.merge.plan import Plan, allow_open_files, make_plan, peak_resident
from nearfar.merge.report import Report
from nearfar.merge.scratch import Scratch, share_scratch
from nearfar.merge.sharing import help_register, register_with_helpers
from nearfar.merge.stack_keys import place_of
from nearfar.merge.steps import Steps
from nearfar.merge.survey import Mark as Seen
from nearfar.merge.survey import changed, rows_bytes
from nearfar.runner.bound import bounded
from nearfar.runner.disk import check_room
from nearfar.runner.failures import Failure, failure_of, told_by_another
from nearfar.runner.hands import Gauge, Hands
from nearfar.runner.holding import Holding
from nearfar.runner.loading import NOT_A_FRAME, ON_REQUEST, Frames, Marks, Task
from nearfar.runner.preparing import prepare_all, prepare_some
from nearfar.runner.results.publish import Mark, Results, check_result, safe_name
from nearfar.runner.results.small import SMALL, keep_small
from nearfar.runner.weights import Extent, helpers, last_units, seconds_so_far

LAYING = 0.4
"""Share of a unit's progress that decoding frames again takes, if it has to."""
DIGESTING = 0.2
"""Share of a survey that digests take."""
CHECKING = 0.3
"""Share of delivery that writing the files and opening them again takes."""
T = TypeVar("T")


class Performance:
    """One unit, from its claim to what is to be kept of it."""

    def __init__(self, holding: Holding, hands: Hands) -> None:
        self.holding = holding
        self.hands = hands
        self.claim = holding.claim
        self.gauge = Gauge(holding)
        self.task: Task | None = None
        self._left_out: dict[int, str] = {}
        self._marks: Mapping[Path, Seen] = {}
        self._spent: list[Path] = []
        self._masters = NO_MASTERS

    def outcome(self) -> Outcome:
        """Do the work. Raises what went wrong, `Stopped` if it is to end."""
        self.holding.check()
        _forget_peak()
        began = time.process_time()
        self.task = task = self.holding.tell(
            lambda: Task.load(self.holding.store, self.claim.job, self.hands.places)
        )
        places = self.hands.places
        work, local = (folder / str(task.root) for folder in (places.work, places.scratch))
        places.make_again(places.work)
        mark = f"u{self.claim.unit}t{self.claim.token}"
        scratch = share_scratch(work, local, mark=mark, all_see=places.share_rows)
        self.holding.clear = lambda: self._clear(scratch)
        perform = {
            UnitKind.SURVEY: self._survey,
            UnitKind.REGISTER: self._register,
            UnitKind.FOCUS: self._focus,
            UnitKind.RENDER: self._render,
            UnitKind.DELIVER: self._deliver,
        }
        with bounded(self.hands.memory, self.hands.threads):
            made = perform[self.claim.kind](task, scratch)
        spent = round(time.process_time() - began, 3)
        return replace(made, result={**(made.result or {}), "peak": peak_resident(), "processor": spent})

    def why_away(self) -> str | None:
        """Why the data folder cannot be used, if it cannot."""
        presence = self.hands.presence
        if presence is None:
            return None
        presence.forget()
        return presence.why_away(self.holding.store)

    def failure(self, error: Exception) -> Failure:
        """What an error says of the unit, with what is known here of workers and frames."""
        paths = self.task.paths if self.task is not None else ()
        found = failure_of(error, paths)
        if isinstance(error, FrameRefused) and found.cause == "input" and self._is_other(error.path):
            found = failure_of(changed(error.path), paths)
        if found.cause == "changed":  # while frames are surveyed they may still be arriving
            return replace(found, retry=self.claim.kind is UnitKind.SURVEY)
        if isinstance(error, DoesNotFit) and error.need is not None:
            return self._too_little_memory(error, error.need)
        return found

    def tidy(self) -> None:
        """Now that the outcome is kept, remove what nobody needs any longer: rendered bands of a delivered picture."""
        for path in self._spent:
            with suppress(OSError):
                path.unlink(missing_ok=True)

    def _clear(self, scratch: Scratch) -> None:
        """Remove what this unit has half made."""
        scratch.remove_passing()
        Results(self.hands.places.results).clear(self.claim.job, self.claim.token)

    def by_place(self, said: Mapping[Path, T]) -> dict[int, T]:
        """What was said of frames, by their places in the store."""
        paths = self.task.paths if self.task is not None else ()
        return {place: said[path] for place, path in enumerate(paths) if path in said}

    def _is_other(self, path: Path) -> bool:
        """Whether a frame is not the file any longer that was digested."""
        mark = self._marks.get(path)
        with suppress(OSError):
            if mark is not None:
                return Fingerprint.of(path) != mark[1]
            known = self._surveyed(path)
            return known is not None and file_digest(path) != known
        return False

    def _surveyed(self, path: Path) -> str | None:
        """Digest of a frame when it was surveyed, if that is done."""
        place = self.by_place({path: path})
        if self.task is None or not place or self.claim.kind is UnitKind.SURVEY:
            return None
        return self.task.entries[next(iter(place))].digest

    def _too_little_memory(self, error: DoesNotFit, need: int) -> Failure:
        workers = self.holding.tell(lambda: self.holding.store.workers(alive=True))
        elsewhere = any(w.memory >= need for w in workers if w.id != self.claim.worker)
        found = str(error).rsplit(" Give --memory", 1)[0]
        remedy = "give the workers more memory (memory in the table [worker] of the settings), or fewer slots"
        return Failure(
            cause="room",
            reason=f"{found} That is for each unit at work: {remedy}.",
            retry=elsewhere,
            memory=need if elsewhere else None,
        )

    def _find_marks(self, task: Task, scratch: Scratch, places: Sequence[int], *, anew: bool) -> int:
        """Digests of frames; bytes that had to be read for them."""
        marks = Marks(task, scratch, self.holding.check, anew=anew)
        tick = self.gauge.part(DIGESTING if anew else 0.0, len(places))
        self._marks = marks.all(places, self.hands.threads, tick)
        return marks.bytes_read

    # ---- the stack ----

    def _frames(self, task: Task, scratch: Scratch) -> tuple[Frames, list[int]]:
        """Headers of all frames, and their places in the order in which they were taken."""
        frames = Frames.read(task, task.wanted(), self.holding.check)
        order = frames.in_order()
        frames, self._masters = prepare_all(task, scratch, frames, order)
        headers = [frames.headers[k] for k in order]
        place_of(task.reference, headers)
        allow_open_files(len(headers))
        self._left_out = {k: ON_REQUEST for k in range(len(task.paths)) if k not in set(task.wanted())}
        self._left_out |= dict.fromkeys(frames.results, NOT_A_FRAME)
        return frames, order

    def _plan(self, task: Task, frames: Frames, order: Sequence[int]) -> Plan:
        return make_plan(
            [frames.headers[k] for k in order],
            limit=self.hands.memory,
            threads=self.hands.threads,
            tile=min(task.recipe.render.tile, 256),
            learned=task.recipe.render.chooser != "rule",
        )

    def _steps(self, task: Task, scratch: Scratch) -> tuple[Steps, list[int]]:
        """The steps of the whole stack, and the places of its frames in the store."""
        frames, order = self._frames(task, scratch)
        plan = self._plan(task, frames, order)
        headers = [frames.headers[k] for k in order]
        self._find_marks(task, scratch, order, anew=False)
        steps = Steps(
            headers,
            self._marks,
            recipe=task.recipe,
            plan=plan,
            scratch=scratch,
            reference=place_of(task.reference, headers),
            check=self.holding.check,
            masters=self._masters,
        )
        return steps, order

    def _room(self, folder: Path, need: int) -> None:
        check_room(folder, need, self.hands.spare_disk)

    def _lay_out(self, steps: Steps, places: Sequence[int]) -> None:
        """See that the pixels of these frames can be read here."""
        missing = [k for k in places if not steps.is_surveyed(k, rows=True)]
        if missing:
            self._room(steps.scratch.local, sum(rows_bytes(steps.frames[k].header) for k in missing))
            steps.survey(missing, rows=True, tick=self.gauge.part(LAYING, len(missing)))

    # ---- the units ----

    def _survey(self, task: Task, scratch: Scratch) -> Outcome:
        weights, least = None, 0
        then: tuple[UnitPlan, ...] = ()
        if self.claim.start == 0:  # what is wrong with the stack is to be known before all of it is decoded
            every, order = self._frames(task, scratch)
            plan = self._plan(task, every, order)
            first, least = every.headers[order[0]], plan.least
            extent = Extent.of_headers([every.headers[k] for k in order])
            _, weights = last_units(
                extent, (first.width, first.height), memory=plan.least, result=plan.result
            )
            then = helpers(extent, self._others(), memory=plan.least)
        batch = range(self.claim.start, min(self.claim.stop, len(task.paths)))
        frames = Frames.read(task, task.wanted(batch), self.holding.check)
        places = list(frames.headers)
        notes = [FrameNote(position=k, state=FrameState.LEFT_OUT, reason=NOT_A_FRAME) for k in frames.results]
        if not places:
            return Outcome(frames=notes, weights=weights, least=least, then=then)
        frames, self._masters = prepare_some(task, scratch, frames, self.holding.check)
        read = self._find_marks(task, scratch, places, anew=True)
        made = self._survey_frames(task, scratch, frames, places)
        for k in places:
            digest, fingerprint = self._marks[task.paths[k]]
            notes.append(
                FrameNote(position=k, state=FrameState.PRESENT, size=fingerprint.size, digest=digest)
            )
        counts = {**made, "bytes_read": float(read)}
        return Outcome(frames=notes, weights=weights, least=least, counts=counts, then=then)

    def _survey_frames(
        self, task: Task, scratch: Scratch, frames: Frames, places: Sequence[int]
    ) -> dict[str, float]:
        steps = Steps(
            [frames.headers[k] for k in places],
            self._marks,
            recipe=task.recipe,
            plan=self._plan(task, frames, places),
            scratch=scratch,
            reference=None,
            check=self.holding.check,
            masters=self._masters,
        )
        missing = [k for k in range(len(places)) if not steps.is_surveyed(k, rows=False)]
        headers = [steps.frames[k].header for k in missing]
        self._room(scratch.local, sum(map(rows_bytes, headers)))
        small = sum(h.width * h.height // 4 for h in headers)
        self._room(scratch.folder, small + space(self._masters))
        steps.survey(missing, rows=False, tick=self.gauge.part(1.0, len(missing)))
        kept = self.hands.places.state / SMALL / str(task.root)
        keep_small([(k + 1, frame) for k, frame in zip(places, steps.frames, strict=True)], scratch, kept)
        return {
            "frames": float(len(missing)),
            "pixels": float(sum(h.width * h.height for h in headers)),
        }

    def _others(self) -> int:
        """How many other workers there are."""
        store = self.holding.store
        return len(self.holding.tell(lambda: store.workers(alive=True))) - 1

    def _register(self, task: Task, scratch: Scratch) -> Outcome:
        own = [u for u in self._units() if u.kind is UnitKind.REGISTER]
        if self.claim.start > 0:
            self._help(task, scratch, own)
            return Outcome()
        steps, order = self._steps(task, scratch)
        if not steps.is_registered:
            self._lay_out(steps, range(len(order)))
        tick = self.gauge.part(1.0, 1.0)
        registration = register_with_helpers(steps, len(own) - 1, tick)
        notes = [
            FrameNote(
                position=place,
                state=FrameState.USED if pose.used else FrameState.LEFT_OUT,
                reason=None if pose.used else pose.why,
            )
            for place, pose in zip(order, registration.frames, strict=True)
        ]
        notes += [
            FrameNote(position=k, state=FrameState.LEFT_OUT, reason=why) for k, why in self._left_out.items()
        ]
        units, weights = last_units(
            Extent.of_headers([f.header for f in steps.frames]),
            steps.size,
            memory=min(steps.plan.least, self.hands.memory),
            result=steps.plan.result,
        )
        return Outcome(frames=notes, then=units, weights=weights)

    def _help(self, task: Task, scratch: Scratch, own: Sequence[Unit]) -> None:
        if any(u.start == 0 and u.state is UnitState.DONE for u in own):
            return
        with told_by_another(self.claim):
            steps, order = self._steps(task, scratch)
            if not steps.is_registered:
                self._lay_out(steps, range(len(order)))
                help_register(steps, self.claim.start, len(own) - 1)

    def _units(self) -> tuple[Unit, ...]:
        """All units of this run."""
        store, claim = self.holding.store, self.claim
        return self.holding.tell(lambda: store.units(claim.job, run=claim.run))

    def _focus(self, task: Task, scratch: Scratch) -> Outcome:
        steps, _ = self._steps(task, scratch)
        used = len(steps.used())
        cells = -(-steps.size[0] // 16) * -(-steps.size[1] // 16)
        self._room(scratch.folder, cells * (3 * used + 60))
        steps.focus(self.gauge.part(1.0, used))
        return Outcome()

    def _render(self, task: Task, scratch: Scratch) -> Outcome:
        steps, _ = self._steps(task, scratch)
        which = range(self.claim.start, min(self.claim.stop, steps.bands))
        return Outcome(counts={"pixels": self._render_bands(steps, which)})

    def _render_bands(self, steps: Steps, which: Sequence[int]) -> float:
        """Render what is missing of these bands; pixels made."""
        missing = steps.missing(which)
        if not missing:
            return 0.0
        self._lay_out(steps, steps.used())
        self._room(steps.scratch.folder, steps.plan.result * len(missing) // steps.bands)
        for _ in steps.render(missing, self.gauge.part(1.0, steps.blocks(missing))):
            self.holding.check()
        heights = [min(512, steps.size[1] - 512 * band) for band in missing]
        return float(sum(heights) * steps.size[0])

    def _deliver(self, task: Task, scratch: Scratch) -> Outcome:
        steps, _ = self._steps(task, scratch)
        results = Results(self.hands.places.results)
        self.hands.places.make_again(results.folder)
        mark = Mark(id=task.job.id, run=task.job.run, key=steps.keys.result)
        self._spent = [scratch.path(name, "band") for name in steps.keys.bands(steps.bands)]
        picture = results.find(task.job.stack, mark)
        if picture is not None:
            return Outcome(job_result=str(picture))
        made = self._render_bands(steps, range(steps.bands))
        self._room(scratch.local, steps.plan.result // 2)
        self._room(results.folder, steps.plan.result)
        picture = self._publish(task, steps, results, mark)
        return Outcome(job_result=str(picture), counts={"pictures": 1.0, "pixels": made})

    def _publish(self, task: Task, steps: Steps, results: Results, mark: Mark) -> Path:
        check = self.holding.check
        with results.staging(self.claim.job, self.claim.token) as staged, steps.delivery() as delivery:
            outputs = Outputs.beside(staged / f"{safe_name(task.job.stack)}.tif")
            left = max(0.0, 1.0 - CHECKING - self.holding.progress)
            share = steps.gather(delivery, self.gauge.part(left, steps.blocks(range(steps.bands))))
            seconds, peak = self._so_far(task)
            steps.deliver(
                *(delivery, share, outputs),
                notes=[f"{task.paths[k].name}: {why}" for k, why in sorted(self._left_out.items())],
                finish=lambda r: self._completed(r, mark, seconds, peak),
            )
            tick = self.gauge.part(CHECKING, 2.0)
            tick(1.0)
            check_result(outputs, size=steps.size, threads=self.hands.threads, check=check)
            tick(1.0)
            return results.publish(staged, task.job.stack, mark, fence=self._fence)

    def _so_far(self, task: Task) -> tuple[dict[str, float], int]:
        """Seconds of the units of each step of this run, and the peak of their memory."""
        units = self._units()
        attempts = self.holding.tell(lambda: self.holding.store.attempts(task.job.id))
        peaks = [int((u.result or {}).get("peak", 0)) for u in units]
        return seconds_so_far(units, attempts), max([0, *peaks])

    def _completed(self, report: Report, mark: Mark, seconds: dict[str, float], peak: int) -> Report:
        own = self.holding.seconds
        total = sum(seconds.values()) + own
        timed = report.timed({**seconds, "total": total}, max(peak, peak_resident()))
        return Report({**timed.content, "job": mark.as_json()})

    def _fence(self) -> None:
        """Raise if somebody else has the unit by now, or nobody wants it."""
        self.holding.check()
        self.holding.tell(self.holding.listen)
        self.holding.check()
        away = self.holding.tell(self.why_away)
        if away is not None:  # the folder below may be that of a share which is not mounted
            raise OSError(errno.ENODEV, away)


def _forget_peak() -> None:
    """Reset the kernel's count of this process's peak of memory (proc_pid_clear_refs(5))."""
    with suppress(OSError), open("/proc/self/clear_refs", "wb", buffering=0) as file:
        os.write(file.fileno(), b"5")
