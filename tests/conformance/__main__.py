"""``python -m tests.conformance``: what ``make conformance`` runs."""

from __future__ import annotations

import sys

from tests.conformance.validator import main

sys.exit(main())
