"""Hostile text in a database: kept as it was typed, run by nothing; see `test_hostile_outputs`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from lateralline.api import registers
from tests.cli.test_hostile_outputs import FIELDS, PRIVATE, record, site, tag, tagged
from tests.support.postgis import Server

__all__ = ["record", "site"]  # fixtures


def test_every_field_stands_in_its_table_unchanged(
    record: Path,
    new_register: Callable[[], Server],
) -> None:
    register = new_register()
    registers.publish([record], register.url)
    for field, layers in FIELDS.items():
        for layer in layers:
            rows = register.rows(f"SELECT t::text, to_json(t)::text FROM asbuilt.{layer} t")
            assert rows, layer
            texts = [str(value) for row in rows for value in row]
            held = [text for text in texts if tag(field) in text]
            assert bool(held) == (field not in PRIVATE), (field, layer)
    (name,) = register.rows("SELECT value FROM asbuilt.lineage WHERE item = 'site'")[0]
    assert name == tagged("site.name")
    assert int(register.rows("SELECT count(*) FROM asbuilt.field_marks")[0][0]) > 0
