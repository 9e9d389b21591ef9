"""What the processes of a server have in common: start and end, signs of progress, logs and traces."""

from __future__ import annotations
