"""`manifest.json`: what went in, what it was made with, what came out; one line per site.

The list of sites is written as they come, so it may be long. Two builds of the same inputs with
the same software differ only in `created` and in what carries that time (the GeoPackage, and so
its hash); with SOURCE_DATE_EPOCH set they do not differ at all.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import pyproj

from lateralline import contract
from lateralline.derive.dates import survey_days, valid_from
from lateralline.frames import Frame
from lateralline.output import proof
from lateralline.record import CAUTION
from lateralline.record.lineage import operations, software
from lateralline.records import FieldRecord


def created_at() -> datetime:
    """Return the time of this build, UTC; SOURCE_DATE_EPOCH (seconds since 1970) overrides it."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH")
    now = datetime.fromtimestamp(int(fixed), UTC) if fixed else datetime.now(UTC)
    return now.replace(microsecond=0)


class Manifest:
    """Grows site by site; `close` completes it. The file is no JSON before that."""

    def __init__(self, path: Path) -> None:
        """Begin the file."""
        self._path = path
        self._sites = 0
        head = json.dumps(
            {
                "format": proof.FORMAT,
                "schema_version": contract.SCHEMA_VERSION,
                "caution": CAUTION,
            },
            ensure_ascii=False,
        )
        path.write_text(head.removesuffix("}") + ', "sites": [', encoding="utf-8")

    def add(self, account: str) -> None:
        """Add one site, as `site_account` says it."""
        with self._path.open("a", encoding="utf-8") as file:
            file.write(("," if self._sites else "") + "\n" + account)
        self._sites += 1

    def close(self, folder: Path, rest: Mapping[str, object], created: datetime) -> None:
        """End the file with `rest`, software versions and a hash of every file in `folder`."""
        self._end(folder, {**rest, "software": software()}, _stamp_of(created))

    def _end(self, folder: Path, rest: Mapping[str, object], created: str) -> None:
        tail = {**rest, **proof.listed(folder, "record"), "created": created}
        with self._path.open("a", encoding="utf-8") as file:
            file.write("\n], " + _json(tail, indent=1).removeprefix("{").lstrip() + "\n")


def site_account(
    record: FieldRecord,
    frame: Frame,
    crs: pyproj.CRS | None,
    features: Mapping[str, int],
    *,
    in_geojson: bool,
) -> str:
    """Return what is said of a site: its inputs, frame, operations, parameters and features."""
    settings = record.settings
    return _json(
        {
            "id": settings.id,
            "name": settings.name,
            "surveyed": settings.surveyed.isoformat(),
            "record_version": settings.version,
            "valid_from": valid_from(settings, survey_days(record)).isoformat(),
            "inputs": [asdict(f) for f in record.inputs],
            "frame": frame.describe(),
            "operations": [asdict(o) for o in operations(frame, crs)],
            "accuracy": asdict(settings.accuracy),
            "units_as_given": settings.units,
            "features": dict(features),
            "in_geojson": in_geojson,
        }
    )


def list_anew(folder: Path) -> None:
    """Write a record's manifest anew, with the files that are in the folder now; all else stays."""
    path = folder / proof.MANIFEST
    said = json.loads(path.read_text(encoding="utf-8"))
    made = Manifest(path)
    for site in said.pop("sites"):
        made.add(_json(site))
    of_files = ("format", "caution", "kind", "stamp", "outputs", "created")
    rest = {name: value for name, value in said.items() if name not in of_files}
    made._end(folder, rest, said["created"])


def _stamp_of(created: datetime) -> str:
    return created.isoformat().replace("+00:00", "Z")


def _json(value: object, indent: int | None = None) -> str:
    return json.dumps(_known(value), ensure_ascii=False, allow_nan=False, indent=indent)


def _known(value: object) -> object:
    """Return `value` with every NaN as None: JSON has no word for it."""
    if isinstance(value, Mapping):
        return {k: _known(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_known(v) for v in value]
    return None if isinstance(value, float) and math.isnan(value) else value
