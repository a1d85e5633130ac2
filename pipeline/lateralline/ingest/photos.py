"""Photos of a site: rows of photos.csv and files whose names say what they show, read and hashed.

What a row names must be there, as with every table: an unknown stop, two things in one row or a
path that leaves the site is a fault. What is wrong with a picture itself is a warning, and the
picture is left out: it proves nothing of where a pipe lies, so nobody's record waits for it.

Names by rule, in the folder `photos` of the site (`BOOK.photos` beside a workbook): run and stop
`R1-3`, run and counter `R1@12.4`, an exposure `EX1`, a node `L1-bend-2`; then nothing, a blank or
_ and anything. The longest name that fits counts. A file that photos.csv lists is not asked for
its name.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Final, TypeAlias

from lateralline.catalogue import Given
from lateralline.findings import finding
from lateralline.ingest.intake import entries, is_file
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.rows import InputRow, InputRows
from lateralline.names import wrong_sign
from lateralline.pictures import (
    MOST_BYTES,
    SUFFIXES,
    Photo,
    PhotoRow,
    Picture,
    UnusablePictureError,
    read_picture,
)
from lateralline.records import InputFile

#: Pictures of a site, and their files for the manifest.
Pictures: TypeAlias = tuple[tuple[Photo, ...], tuple[InputFile, ...]]
#: The folder of pictures whose names say what they show, in that of a site.
FOLDER: Final = "photos"
#: Pictures of one site; a crew takes a few at each stop.
MOST: Final = 1_000

_SHOWS: Final = ("stop", "counter", "exposure", "node")
_COUNTER: Final = re.compile(r"\d+(\.\d+)?", re.ASCII)
_HOW: Final = "as photos/kerb.jpg, from the folder of the site on"


@dataclass(frozen=True, slots=True)
class PhotoSubjects:
    """What a picture may show; None where the table that names it could not be read whole."""

    stops: Mapping[str, tuple[str, ...]] | None  # by run
    counters: Mapping[str, tuple[float, ...]] | None  # of observations, by run
    exposures: Collection[str] | None


def named_folder(source: Path) -> Path:
    """Return the folder of pictures named by rule, of a site's folder or workbook."""
    return source / FOLDER if source.is_dir() else source.with_name(f"{source.stem}.{FOLDER}")


def plain_path(text: str) -> str:
    r"""Return a path as it is kept, parted by /; "" for one that cannot lie in the site.

    >>> plain_path("photos\\kerb.jpg"), plain_path("./a.jpg"), plain_path("photos/../a.jpg")
    ('photos/kerb.jpg', 'a.jpg', '')
    >>> plain_path("/etc/a.jpg"), plain_path("C:a.jpg"), plain_path("")
    ('', '', '')
    """
    path = PurePosixPath(text.replace("\\", "/"))
    outside = path.is_absolute() or ".." in path.parts or PureWindowsPath(text).drive
    return "" if outside or not path.name else str(path)


# ---- rows ----------------------------------------------------------------------------------


def check_photos(rows: Iterable[InputRow], known: PhotoSubjects, ledger: Ledger) -> None:
    """Note each row whose file leaves the site, or that does not name one thing that is there."""
    for row in rows:
        if row.text("file") and not plain_path(row.text("file")):
            row.fault(ledger, "file", "must be a file in the folder of the site", _HOW)
        given = [column for column in _SHOWS if row.given(column)]
        if len(given) != 1:
            must = "must say one thing that the photo shows: stop, counter, exposure or node"
            hint = f"the row gives {' and '.join(given)}" if given else "the row gives none"
            row.fault(ledger, given[1] if given else "stop", must, hint)
            continue
        (column,) = given
        if column in ("stop", "counter") and not row.given("run"):
            row.fault(ledger, "run", f"must be given with {column}")
        elif column in ("exposure", "node") and row.given("run"):
            row.fault(ledger, "run", f"must be empty beside {column}")
        _check_known(row, column, known, ledger)


def _check_known(row: InputRow, column: str, known: PhotoSubjects, ledger: Ledger) -> None:
    run = row.text("run")
    if column == "exposure" and known.exposures is not None:
        if (name := row.text(column)) and name not in known.exposures:
            must = "must be an exposure of exposures"
            row.fault(ledger, column, must, nearest(name, known.exposures))
    elif column == "stop" and known.stops is not None and run in known.stops:
        if (name := row.text(column)) and name not in known.stops[run]:
            must = f"must be a stop of run {run} in stops"
            row.fault(ledger, column, must, nearest(name, known.stops[run]))
    elif column == "counter" and known.counters is not None and column not in row.bad:
        there, at = known.counters.get(run, ()), row.number(column)
        if run and at not in there:
            must = f"must be the counter of an observation of run {run}"
            close = sorted(there, key=lambda c: abs(c - at))[:3]
            hint = f"nearest: {', '.join(f'{c:g}' for c in close)}" if close else "there is none"
            row.fault(ledger, column, must, hint)


# ---- which pictures ------------------------------------------------------------------------


def read_photos(
    source: Path, tables: Mapping[str, InputRows], metres_per_counter: float, ledger: Ledger
) -> Pictures:
    """Return the pictures of a site whose rows were checked, and their files for the manifest.

    A picture that lies outside the site, as by a link, is a fault.
    """
    home = source if source.is_dir() else source.parent
    asked = _listed(home, tables["photos"], metres_per_counter, ledger)
    asked += _named(source, {row.file for row in asked}, tables, metres_per_counter, ledger)
    if len(asked) > MOST:
        must = f"must be at most {MOST} photos of one site; there are {len(asked)}"
        ledger.fault(tables["photos"].file, 0, "file", "", must, "leave out those of no use")
        return (), ()
    found = {row.file: _read(home, row, ledger) for row in reversed(asked)}  # told of first rows
    photos = [
        Photo(row, picture)
        for row in dict.fromkeys(asked)
        if (picture := found[row.file]) is not None
    ]
    _note_twice(photos, ledger)
    if held := sum(p is not None and p.placed for p in found.values()):
        ledger.note("photo-holds-position", "site", photos=held)
    files = [
        InputFile(file, p.sha256, p.size_bytes, 0)
        for file, p in sorted(found.items())
        if p is not None
    ]
    return tuple(photos), tuple(files)


def _listed(
    home: Path, rows: InputRows, metres_per_counter: float, ledger: Ledger
) -> list[PhotoRow]:
    """Return the pictures that photos.csv names."""
    listed = []
    for row in rows:
        file = plain_path(row.text("file"))
        if file and not _lies_in(home, file):
            row.fault(ledger, "file", "must be a file in the folder of the site", _HOW)
        listed.append(
            PhotoRow(
                file,
                row.where,
                run=row.text("run"),
                stop=row.text("stop"),
                counter_m=row.number("counter") * metres_per_counter,
                exposure=row.text("exposure"),
                node=row.text("node"),
                taken_on=row.text("taken_on"),
                private=row.text("private") == "true",
                note=row.text("note"),
            )
        )
    return [row for row in listed if row.file]


def _lies_in(home: Path, file: str) -> bool:
    """Whether a file of the site lies there with all links followed."""
    inside, path = os.path.realpath(home), os.path.realpath(home / file)
    return os.path.commonpath([inside, path]) == inside


def _named(
    source: Path,
    listed: Collection[str],
    tables: Mapping[str, InputRows],
    metres_per_counter: float,
    ledger: Ledger,
) -> list[PhotoRow]:
    """Return the pictures whose own names say what they show, those listed left out."""
    folder = named_folder(source)
    if not folder.is_dir():
        return []
    things, counters = _things(tables), defaultdict[str, list[tuple[str, float]]](list)
    for row in tables["observations"]:
        run = row.text("run")
        counters[run.casefold()].append((run, row.number("counter")))
    named = []
    for path in entries(folder, ledger):
        file = f"{folder.name}/{path.name}"
        hidden = path.name.startswith((".", "~"))
        if path.suffix.casefold() not in SUFFIXES or file in listed or hidden:
            continue
        if wrong_sign(path.name) or not _lies_in(folder.parent, file):
            must = "must be a photo in the folder of the site, with a name of plain text"
            ledger.fault(file, 0, "file", "", must)
            continue
        meant = _meant(path.stem, things, counters, metres_per_counter)
        if len(meant) == 1:
            named.append(replace(meant[0], file=file))
        else:
            values: dict[str, Given] = {"both": [row.shows for row in meant]} if meant else {}
            variant = "names" if meant else "name"
            _tell("photo-not-placed", variant, PhotoRow(file), values, ledger)
    return named


def _things(tables: Mapping[str, InputRows]) -> dict[str, list[PhotoRow]]:
    """Return what a picture's name may begin with, in small letters, and what that is."""
    things = defaultdict[str, list[PhotoRow]](list)
    for row in tables["stops"]:
        run, stop = row.text("run"), row.text("stop")
        things[f"{run}-{stop}".casefold()].append(PhotoRow("", run=run, stop=stop))
    for row in tables["exposures"]:
        name = row.text("name")
        things[name.casefold()].append(PhotoRow("", exposure=name))
    ids = (row.text("id") for row in tables["ids"] if row.text("what") != "segment")
    for node in dict.fromkeys(ids):
        things[node.replace("/", "-").casefold()].append(PhotoRow("", node=node))
    return things


def _meant(
    stem: str,
    things: Mapping[str, list[PhotoRow]],
    counters: Mapping[str, list[tuple[str, float]]],
    metres_per_counter: float,
) -> list[PhotoRow]:
    """Return what a name without its suffix stands for: none, one, or several alike."""
    stem = stem.casefold()
    ends = [at for at in range(len(stem), 0, -1) if stem[at : at + 1] in ("", "_", " ")]
    for head in (stem[:at] for at in ends):
        if head in things:
            return things[head]
        run, _, number = head.rpartition("@")
        if _COUNTER.fullmatch(number):
            at_counter = [name for name, c in counters.get(run, ()) if c == float(number)]
            metres = float(number) * metres_per_counter
            return [PhotoRow("", run=name, counter_m=metres) for name in dict.fromkeys(at_counter)]
    return []


# ---- what stands in them -------------------------------------------------------------------


def _read(home: Path, row: PhotoRow, ledger: Ledger) -> Picture | None:
    """Return a picture; None, with a finding, when it is not there or cannot be used."""
    path, near = home / row.file, ""
    try:
        if not is_file(path):
            alike = (p.name for p in path.parent.iterdir()) if path.parent.is_dir() else ()
            near = next((n for n in alike if n.casefold() == path.name.casefold()), "")
            raise UnusablePictureError("missing")
        if path.stat().st_size > MOST_BYTES:
            raise UnusablePictureError("large")
        return read_picture(path.read_bytes())
    except UnusablePictureError as e:
        variant = e.variant
    except OSError:
        variant = "unreadable"
    values: dict[str, Given] = {"near": near} if variant == "missing" else {}
    _tell("photo-unusable", variant, row, values, ledger)
    return None


def _note_twice(photos: Sequence[Photo], ledger: Ledger) -> None:
    """Note pictures that are there for two things: by their names, or byte for byte."""
    first: dict[str, Photo] = {}
    for photo in photos:
        row, other = photo.row, first.setdefault(photo.picture.sha256, photo).row
        if (row.file, row.shows) == (other.file, other.shows) and row.where == other.where:
            continue
        variant = "file" if row.file == other.file else "copy"
        if variant == "copy" and row.shows == other.shows and row.stop:
            continue  # twice in the folder, and no harm done
        values: dict[str, Given] = {"shows": row.shows, "other": other.shows}
        values |= {"file": other.file} if variant == "copy" else {}
        _tell("photo-twice", variant, row, values, ledger)


def _tell(
    code: str, variant: str, row: PhotoRow, values: Mapping[str, Given], ledger: Ledger
) -> None:
    """Note a finding of a picture."""
    subject = f"photo {row.file}"
    ledger.findings.append(finding(code, subject, variant=variant, where=row.where, more=values))


# ---- taken along: into a new site, or beside a workbook -------------------------------------


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
