"""Plans of planned works and of dig zones beside pipes, one picture each. They need `draw`."""

from __future__ import annotations

from typing import Final

SUFFIXES: Final = (".png", ".svg", ".pdf")
