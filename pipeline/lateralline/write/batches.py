"""Rows that wait: gathers small tables so that files are written a few thousand rows at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import pyarrow as pa

#: Rows of one layer that wait in memory before they are written.
BATCH_ROWS: Final = 4096
#: Sites of one layer that wait: a small table costs more than its rows.
BATCH_SITES: Final = 32


class Batches:
    """Hands `write(layer, table)` the tables of many sites as one, never more than it must hold."""

    def __init__(self, write: Callable[[str, pa.Table], None]) -> None:
        """Begin with nothing waiting."""
        self._write = write
        self._waiting: dict[str, list[pa.Table]] = {}

    def add(self, tables: Mapping[str, pa.Table]) -> None:
        """Take one site's layers; write those that have waited long enough."""
        for name, table in tables.items():
            waiting = self._waiting.setdefault(name, [])
            waiting.append(table)
            if len(waiting) >= BATCH_SITES or self.waiting_rows(name) >= BATCH_ROWS:
                self._flush(name)

    def waiting_rows(self, layer: str) -> int:
        """Return how many rows of a layer wait."""
        return sum(t.num_rows for t in self._waiting.get(layer, ()))

    def flush(self) -> None:
        """Write everything that waits."""
        for name in self._waiting:
            self._flush(name)

    def _flush(self, name: str) -> None:
        waiting, self._waiting[name] = self._waiting[name], []
        table = pa.concat_tables(waiting).combine_chunks() if waiting else None
        if table is not None and table.num_rows:
            self._write(name, table)
