"""Pictures of a site copied into a record as they are, byte for byte, on request.

What cameras write into files goes along: where and when a picture was taken, by what, perhaps by
whom. A copy whose digest is another than the record states would be none.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Final, NamedTuple

from lateralline.errors import OutputError
from lateralline.ingest.remote import bring_file, url_of
from lateralline.output.proof import sha256
from lateralline.records import FieldRecord, Product
from lateralline.write.media import MEDIA

#: Folder of the copies in an output folder, with one for each site.
FOLDER: Final = "photos"


class PictureCopy(NamedTuple):
    """A picture to be copied."""

    source: Path
    name: str  # in the output folder
    sha256: str


def with_copies(
    products: Iterable[Product], record: FieldRecord
) -> tuple[tuple[Product, ...], tuple[PictureCopy, ...]]:
    """Return a site's layers, which say where its pictures are copied to, and what to copy."""
    source = Path(record.folder)
    home = source if source.is_dir() else source.parent
    copies = [
        PictureCopy(
            home / photo.row.file,
            f"{FOLDER}/{record.settings.id}/{photo.row.file}",
            photo.picture.sha256,
        )
        for photo in record.photos
    ]
    to: list[object] = [copy.name for copy in copies]
    named = tuple(
        replace(p, columns={**p.columns, "copied_to": to}) if p.layer == MEDIA else p
        for p in products
    )
    return named, tuple(dict.fromkeys(copies))


def copy_pictures(copies: Iterable[PictureCopy], out: Path) -> None:
    """PictureCopy pictures below the folder `out`.

    Raises OutputError for a picture that changed since it was read, OSError when the disk fails.
    """
    for source, name, digest in copies:
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        if url_of(source):
            bring_file(source, out / name)
        else:
            shutil.copyfile(source, out / name)
        if sha256(out / name) != digest:
            raise OutputError(f"{source.name} was changed while the site was built")
