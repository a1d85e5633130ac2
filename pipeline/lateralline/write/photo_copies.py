"""Pictures of a site copied into a record as they are, byte for byte, on request.

What cameras write into files goes along: where and when a picture was taken, by what, perhaps by
whom. A copy whose digest is another than the record states would be none.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Final

from lateralline.errors import OutputError
from lateralline.output.proof import sha256
from lateralline.records import FieldRecord, Product
from lateralline.write.media import MEDIA

#: Folder of the copies in an output folder, with one for each site.
FOLDER: Final = "photos"


def with_copies(products: Iterable[Product], record: FieldRecord, out: Path) -> tuple[Product, ...]:
    """Copy a site's pictures below the folder `out`; return its layers, which say where to.

    Raises OutputError for a picture that changed since it was read, OSError when the disk fails.
    """
    source = Path(record.folder)
    home = source if source.is_dir() else source.parent
    to: list[object] = []
    for photo in record.photos:
        name = f"{FOLDER}/{record.settings.id}/{photo.row.file}"
        if name not in to:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(home / photo.row.file, out / name)
            if sha256(out / name) != photo.picture.sha256:
                raise OutputError(f"{photo.row.file} was changed while the site was built")
        to.append(name)
    return tuple(
        replace(p, columns={**p.columns, "copied_to": to}) if p.layer == MEDIA else p
        for p in products
    )
