"""Where the repository's own files are."""

from __future__ import annotations

from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[2]
SAMPLES: Final = ROOT / "sample_sites"
