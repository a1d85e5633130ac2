"""Pictures of a site as files, for taking them along: into a new site, or beside a workbook."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from lateralline.ingest.intake import is_file
from lateralline.ingest.photos import FOLDER, named_folder, plain_path
from lateralline.pictures import SUFFIXES


def picture_files(source: Path, listed: Iterable[str]) -> dict[str, Path]:
    """Return the pictures of a site, a folder or a workbook, by their names in a site's folder.

    `listed` are those of photos.csv; of the rest, those in the folder whose names say what they
    show. What is not there is left out.
    """
    home, named = source if source.is_dir() else source.parent, named_folder(source)
    paths = [path for path in map(plain_path, listed) if path]
    found = {path: home / path for path in paths if is_file(home / path)}
    for path in sorted(named.iterdir()) if named.is_dir() else ():
        taken = f"{named.name}/{path.name}" in found
        if path.suffix.casefold() in SUFFIXES and is_file(path) and not taken:
            found[f"{FOLDER}/{path.name}"] = path
    return found


def beside_book(
    source: Path, book: Path, rows: Iterable[Mapping[str, str]]
) -> tuple[dict[str, Path], list[Mapping[str, str]]]:
    """Return a site's pictures by their names in `BOOK.photos`, and rows of photos.csv that say so.

    `source` is the folder or workbook that they come from.
    """
    own, new = named_folder(source).name, named_folder(book).name

    def inside(path: str) -> str:
        return path.removeprefix(f"{own}/").removeprefix(f"{FOLDER}/")

    rows = list(rows)
    listed = [plain_path(row.get("file", "")) for row in rows]
    files = {inside(name): path for name, path in picture_files(source, listed).items()}
    moved = [
        {**row, "file": f"{new}/{inside(path)}"} if path else row
        for row, path in zip(rows, listed, strict=True)
    ]
    return files, moved
