"""Commands that talk to a server over HTTP and know nothing else of it."""

from __future__ import annotations
