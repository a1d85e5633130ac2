"""What tests share: made sites, scenes and records, and places on the disk."""

from __future__ import annotations

import os

for library in ("OPENBLAS", "MKL", "OMP"):  # read when numpy is first imported, so before that
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")
