"""What requests and answers look like on the wire."""

from __future__ import annotations
