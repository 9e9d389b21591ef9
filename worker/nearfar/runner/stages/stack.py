"""A stack as its units work on it: frames, plan and steps, and what this worker may take for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from nearfar.jobs import Unit
from nearfar.merge.plan import Plan, allow_open_files, make_plan
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor.correcting import NO_MASTERS
from nearfar.merge.stack_frames import StackInput, Workplace
from nearfar.merge.stack_keys import place_of
from nearfar.merge.steps import Steps
from nearfar.merge.survey import Mark as Seen
from nearfar.merge.survey import rows_bytes
from nearfar.runner.disk import check_room
from nearfar.runner.hands import Gauge, Hands
from nearfar.runner.holding import Holding
from nearfar.runner.loading import NOT_A_FRAME, ON_REQUEST, Frames, Marks, Task
from nearfar.runner.planning import SET_ASIDE
from nearfar.runner.preparing import prepare_all

LAYING = 0.4
"""Share of a unit's progress that decoding frames again takes, if it has to."""
DIGESTING = 0.2
"""Share of a survey that digests take."""


class Stack:
    """What the units of one job have in common.

    Parameters
    ----------
    holding, hands
        The unit that is held, and what this worker may take for it.
    task
        What the job wants.
    scratch
        Where its outputs lie.
    """

    def __init__(self, holding: Holding, hands: Hands, task: Task, scratch: Scratch) -> None:
        self.holding, self.hands, self.task, self.scratch = holding, hands, task, scratch
        self.claim = holding.claim
        self.gauge = Gauge(holding)
        self.left_out: dict[int, str] = {}
        self.marks: Mapping[Path, Seen] = {}
        self.masters = NO_MASTERS
        self.spent: list[Path] = []
        """What nobody needs any longer once the outcome is kept."""

    def find_marks(self, places: Sequence[int], *, anew: bool) -> int:
        """Digests of frames; bytes that had to be read for them."""
        marks = Marks(self.task, self.scratch, self.holding.check, anew=anew)
        tick = self.gauge.part(DIGESTING if anew else 0.0, len(places))
        self.marks = marks.all(places, self.hands.threads, tick)
        return marks.bytes_read

    def frames(self) -> tuple[Frames, list[int]]:
        """Headers of all frames, and their places in the order in which they were taken."""
        task = self.task
        frames = Frames.read(task, task.wanted(), self.holding.check)
        order = frames.in_order()
        frames, self.masters = prepare_all(task, self.scratch, frames, order)
        headers = [frames.headers[k] for k in order]
        place_of(task.reference, headers)
        allow_open_files(len(headers))
        wanted, aside = set(task.wanted()), task.job.settings.get(SET_ASIDE) or {}
        self.left_out = {
            k: aside.get(path.name, ON_REQUEST) for k, path in enumerate(task.paths) if k not in wanted
        }
        self.left_out |= dict.fromkeys(frames.results, NOT_A_FRAME)
        return frames, order

    def plan(self, frames: Frames, order: Sequence[int]) -> Plan:
        """The plan for these frames."""
        recipe = self.task.recipe
        return make_plan(
            [frames.headers[k] for k in order],
            limit=self.hands.memory,
            threads=self.hands.threads,
            tile=min(recipe.render.tile, 256),
            learned=recipe.render.chooser != "rule",
        )

    def steps(self) -> tuple[Steps, list[int]]:
        """The steps of the whole stack, and the places of its frames in the store."""
        frames, order = self.frames()
        workplace = self.workplace(frames, order)
        self.find_marks(order, anew=False)
        reference = place_of(self.task.reference, [frames.headers[k] for k in order])
        return Steps(self.given(frames, order, reference), workplace), order

    def given(self, frames: Frames, places: Sequence[int], reference: int | None = None) -> StackInput:
        """These frames, whose marks were found, as the engine takes them; ``reference`` counts among ``places``."""
        return StackInput(
            headers=[frames.headers[k] for k in places],
            marks=self.marks,
            recipe=self.task.recipe,
            reference=reference,
            masters=self.masters,
        )

    def workplace(self, frames: Frames, places: Sequence[int]) -> Workplace:
        """Where these frames are worked on. Raises `DoesNotFit` if this worker's memory is too little for them."""
        return Workplace(plan=self.plan(frames, places), scratch=self.scratch, check=self.holding.check)

    def room(self, folder: Path, need: int) -> None:
        """Raise `OSError` if a disk has no room for so many bytes."""
        check_room(folder, need, self.hands.spare_disk)

    def lay_out(self, steps: Steps, places: Sequence[int]) -> None:
        """Ensure that the pixels of these frames can be read here."""
        missing = [k for k in places if not steps.is_surveyed(k, rows=True)]
        if missing:
            self.room(steps.scratch.local, sum(rows_bytes(steps.frames[k].header) for k in missing))
            steps.survey(missing, rows=True, tick=self.gauge.part(LAYING, len(missing)))

    def units(self) -> tuple[Unit, ...]:
        """All units of this run."""
        store, claim = self.holding.store, self.claim
        return self.holding.tell(lambda: store.units(claim.job, run=claim.run))

    def others(self) -> int:
        """How many other workers there are."""
        store = self.holding.store
        return len(self.holding.tell(lambda: store.workers(alive=True))) - 1
