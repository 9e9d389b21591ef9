"""Makes frames ready to be looked at, in a process of its own: a line of JSON in, a line out, one after the other.

It is the only process besides the workers that decodes frames. `nearfar.runner.looking.ready` starts it and ends it; a frame
that cannot be decoded, or that takes this process down, costs the API nothing but an answer.
"""

from __future__ import annotations

import json
import logging
import os
import resource
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TextIO

from nearfar.errors import FrameRefused, NearfarError
from nearfar.runner.looking.frame import make_ready
from nearfar.runner.looking.ready import Wish

THREADS = 2
log = logging.getLogger(__name__)


def main() -> int:
    """Answer until nobody asks any longer; the first line says how much memory may be taken."""
    answers = os.fdopen(os.dup(1), "w", encoding="ascii", buffering=1)
    os.dup2(2, 1)  # what libraries print is no answer
    memory = int(json.loads(sys.stdin.readline())["memory"])
    resource.setrlimit(resource.RLIMIT_DATA, (memory, memory))
    import cv2

    cv2.setNumThreads(THREADS)
    for line in sys.stdin:
        _answer(json.loads(line), answers, memory)
    return 0


def _answer(asked: Mapping[str, Any], answers: TextIO, memory: int) -> None:
    target = Path(asked["target"])
    part = target.with_name(f".{target.name}.part")
    try:
        wish = Wish(**{**asked["wish"], "size": tuple(asked["wish"]["size"])})
        target.parent.mkdir(parents=True, exist_ok=True)
        make_ready(wish, part, memory=memory, check=lambda: None)
        part.replace(target)
        said: dict[str, Any] = {"made": str(target)}
    except FrameRefused as error:
        told = (str(error.path), error.found, error.expected, error.remedy)
        said = {"refused": dict(zip(("path", "found", "expected", "remedy"), told, strict=True))}
    except MemoryError:
        said = {
            "failed": f"{memory >> 20} MiB of memory do not suffice to look at {Path(asked['wish']['path']).name}"
        }
    except (NearfarError, OSError) as error:
        said = {"failed": str(error)}
    except Exception as error:  # the next frame may be sound
        log.exception("a frame could not be made ready", extra={"action": "look.mistake"})
        said = {"failed": f"{Path(asked['wish']['path']).name}: {type(error).__name__}: {error}"}
    finally:
        part.unlink(missing_ok=True)
    answers.write(json.dumps(said) + "\n")


if __name__ == "__main__":
    raise SystemExit(main())
