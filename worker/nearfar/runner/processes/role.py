"""Whether a process belongs to the server, or to further workers, on this machine or another."""

from __future__ import annotations

ROLE, HELPER = "NEARFAR_ROLE", "worker"
"""Variable of the environment, and what it says in processes of further workers."""
