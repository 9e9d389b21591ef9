"""Every error that Nearfar raises on purpose, and the exit code that goes with each.

NearfarError                    4  the work failed
├── UsageError                  2  the command was used wrongly
├── InputRefused                3  the input cannot be worked on as it is
│   ├── FrameRefused               one file, with the reason
│   ├── StackRefused               frames that do not go together, or too few
│   ├── NotCovered                 a slice of depth is missing, and the recipe says to wait for a person
│   └── RecipeRefused              a recipe that cannot be read
├── WorkFailed                  4  something went wrong on the way
│   └── SourceChanged              a frame was written to while it was worked on
├── StoreError                  4  the job store refuses, or cannot be used as it is
│   ├── StoreUnreachable           the database does not answer; asking again may help
│   ├── NotFound                   no job, unit or worker of that number or name
│   ├── IllegalTransition          the state that something is in does not allow what was asked
│   ├── KeyReused                  an idempotency key that came before with another submission
│   └── LostClaim                  another worker has the unit now, or nobody wants it: drop the work
├── BucketRefused               4  an object storage says no, or cannot be used as it is set up
│   └── BucketAway                 it does not answer; asking again may help
├── ServerError                 4  a server that was asked over HTTP says no
│   └── ServerAway                 nothing answers, or the connection broke; asking again may help
├── DoesNotFit                  5  memory or disk allowed is too small
└── Interrupted               130  stopped on request; the next run continues from here
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any


class NearfarError(Exception):
    """Root of all errors raised on purpose. The message is written for the person at the keyboard."""

    exit_code = 4


class UsageError(NearfarError):
    """The command line, or an argument of a public function, is not one that is understood."""

    exit_code = 2


class InputRefused(NearfarError):
    """The input cannot be worked on as it is."""

    exit_code = 3


class FrameRefused(InputRefused):
    """One file cannot be used: says which, what was found, what was expected and what to do.

    Parameters
    ----------
    path
        The file.
    found
        What it is or holds, e.g. ``'CMYK colour (4 inks)'``.
    expected
        What would have been accepted, e.g. ``'RGB or greyscale'``.
    remedy
        What the owner can do about it, as an instruction.
    """

    def __init__(self, path: Path | str, *, found: str, expected: str, remedy: str) -> None:
        self.path = Path(path)
        self.found = found
        self.expected = expected
        self.remedy = remedy
        super().__init__(f"{self.path.name}: found {found}; expected {expected}. {remedy}")


class StackRefused(InputRefused):
    """The frames do not go together, or there are too few of them.

    Parameters
    ----------
    odd
        Why single frames do not go with the others, by their paths, if that can be told.
    """

    def __init__(self, message: str, *, odd: Mapping[Path, str] | None = None) -> None:
        self.odd = dict(odd or {})
        super().__init__(message)


class NotCovered(InputRefused):
    """The frames leave a slice of depth out, and the recipe says to hold such a stack until a person has looked."""


class RecipeRefused(InputRefused):
    """A recipe cannot be read, or holds a key or a value that is not known."""


class WorkFailed(NearfarError):
    """Something went wrong on the way that is not the input's fault."""


class SourceChanged(WorkFailed):
    """A frame changed between the survey and the delivery."""


class StoreError(NearfarError):
    """The job store refuses what was asked, or cannot be used as it is."""


class StoreUnreachable(StoreError):
    """The database does not answer, or is busy for too long. Whether a change in progress was kept is not known."""


class NotFound(StoreError):
    """There is no job, unit, frame or worker of that number or name."""


class IllegalTransition(StoreError):
    """The state that a job or unit is in does not allow what was asked.

    Parameters
    ----------
    what
        The thing, e.g. ``'job 17'``.
    state
        The state that it is in.
    wanted
        The state that was asked for.
    possible
        The states that may follow.
    """

    def __init__(self, what: str, *, state: str, wanted: str, possible: Iterable[str]) -> None:
        self.what = what
        self.state = state
        self.wanted = wanted
        self.possible = tuple(sorted(possible))
        after = f"it can become {', '.join(self.possible)}" if self.possible else "that is final"
        super().__init__(f"{what} is {state} and cannot be {wanted}; {after}.")


class KeyReused(StoreError):
    """An idempotency key came before, with another submission."""


class LostClaim(StoreError):
    """A worker wrote about a unit that it no longer holds. The work is to be dropped, and its output with it."""


class BucketRefused(NearfarError):
    """An object storage refuses what was asked, or is not set up as it has to be."""


class BucketAway(BucketRefused):
    """An object storage does not answer, or not now. Whether what was asked for was done is not known."""


class ServerError(NearfarError):
    """A server that was asked over HTTP refuses, or answers what is not understood.

    Parameters
    ----------
    message
        What happened and what to do.
    status
        The HTTP status of the answer; 0 if there was none.
    problem
        Members of the answer's problem details (RFC 9457), if it had any.
    """

    def __init__(self, message: str, *, status: int = 0, problem: Mapping[str, Any] | None = None) -> None:
        self.status = status
        self.problem = dict(problem or {})
        super().__init__(message)


class ServerAway(ServerError):
    """No server answers, or the connection broke. Whether what was asked for was done is not known."""


class DoesNotFit(NearfarError):
    """The memory or the disk space allowed is too small; the message names the limit that would do.

    Parameters
    ----------
    need
        Bytes of memory that would do, if it is memory that is too small.
    """

    exit_code = 5

    def __init__(self, message: str, *, need: int | None = None) -> None:
        self.need = need
        super().__init__(message)


class Interrupted(NearfarError):
    """Stopped on request."""

    exit_code = 130
