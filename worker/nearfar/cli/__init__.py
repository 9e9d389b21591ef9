"""The command ``nearfar``: one module for each group of commands, loaded when it runs."""

from __future__ import annotations
