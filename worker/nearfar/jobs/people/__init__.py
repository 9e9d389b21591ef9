"""Who may use a server: accounts, keys, sessions and links, in the job store."""

from __future__ import annotations
