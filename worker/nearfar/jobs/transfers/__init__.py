"""Transfers in the job store: what is to be fetched from object storage, and put there."""

from __future__ import annotations
