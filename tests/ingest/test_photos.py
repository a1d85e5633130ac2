"""Which picture shows what: rows of photos.csv, names by rule, and all that is wrong with them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from lateralline.api.fieldwork import copy_to_workbook
from lateralline.errors import SiteFaultsError
from lateralline.ingest import photos, read_site
from lateralline.records import FieldRecord
from lateralline.revise.merge import merged_files
from tests.support.made_pictures import picture
from tests.support.places import SAMPLES

SLOPE = SAMPLES / "slope-levels"


def site(folder: Path, rows: str = "", **pictures: bytes) -> Path:
    """A sample without its own pictures, with these in photos/ and these rows."""
    shutil.copytree(SLOPE, folder, ignore=shutil.ignore_patterns("photos*", "truth.json"))
    (folder / "photos").mkdir()
    for name, data in pictures.items():
        (folder / "photos" / name).write_bytes(data)
    if rows:
        (folder / "photos.csv").write_text(rows, encoding="utf-8")
    return folder


def told(record: FieldRecord) -> list[tuple[str, str]]:
    found = (f for f in record.findings if f.code.startswith("photo-"))
    return [(f"{f.code}/{f.variant}".rstrip("/"), f.subject) for f in found]


def test_names_say_what_a_picture_shows(tmp_path: Path) -> None:
    names = ("R1-3.jpg", "r1-3_kerb 2.JPG", "R1@16.48_sag.jpg", "CO3 (1).jpg", "L1-bend-1_x.jpg",
             "IMG_0815.jpg", "R1-33_x.jpg", ".R1-4.jpg", "notes.txt")  # fmt: skip
    made = site(tmp_path / "s", **{n: picture(size=(9, 9 + i)) for i, n in enumerate(names)})
    record = read_site(made)
    shown = {p.row.file.removeprefix("photos/"): p.row.shows for p in record.photos}
    assert shown == {
        "R1-3.jpg": "stop R1/3",
        "r1-3_kerb 2.JPG": "stop R1/3",
        "R1@16.48_sag.jpg": "an observation of run R1",
        "CO3 (1).jpg": "exposure CO3",
        "L1-bend-1_x.jpg": "node L1/bend-1",
    }
    assert told(record) == [
        ("photo-not-placed/name", "photo photos/IMG_0815.jpg"),
        ("photo-not-placed/name", "photo photos/R1-33_x.jpg"),
    ]
    inputs = {f.name: f.sha256 for f in record.inputs}
    assert {p.row.file: p.picture.sha256 for p in record.photos}.items() <= inputs.items()


ROWS = """file,run,stop,counter,exposure,node,taken_on,note
../away.jpg,R1,1,,,,,
C:\\a.jpg,R1,1,,,,,
photos/a.jpg,R1,99,,,,,
photos/a.jpg,R9,1,,,,,
photos/a.jpg,,1,,,,,
photos/a.jpg,R1,1,,CO3,,,
photos/a.jpg,,,,,,,
photos/a.jpg,R1,,16.4,,,,
photos/a.jpg,,,,CO9,,,
photos/a.jpg,,,,CO3,,May,
"""


def test_every_row_at_fault_is_named_with_what_would_be_right(tmp_path: Path) -> None:
    with pytest.raises(SiteFaultsError) as refused:
        read_site(site(tmp_path / "s", ROWS))
    faults = [(f.row, f.column, f.hint) for f in refused.value.faults]
    assert [(row, column) for row, column, _ in sorted(faults)] == [
        (2, "file"), (3, "file"), (4, "stop"), (5, "run"), (6, "run"), (7, "exposure"),
        (8, "stop"), (9, "counter"), (10, "exposure"), (11, "taken_on"),
    ]  # fmt: skip
    assert {f.file for f in refused.value.faults} == {"photos.csv"}
    hints = {row: hint for row, _, hint in faults}
    assert hints[9] == "nearest: 16.48"
    assert hints[10] == 'did you mean "CO3"?'


def test_a_link_out_of_the_site_is_refused(tmp_path: Path) -> None:
    made = site(tmp_path / "s", "file,run,stop\nout.jpg,R1,1\n")
    (tmp_path / "secret.jpg").write_bytes(picture())
    (made / "out.jpg").symlink_to(tmp_path / "secret.jpg")
    with pytest.raises(SiteFaultsError, match=r"photos\.csv:2.*folder of the site"):
        read_site(made)


def test_what_is_wrong_with_a_picture_never_stops_a_site(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photos, "MOST_BYTES", 100_000)
    same = picture("red")
    rows = "file,run,stop,exposure\n" + "".join(
        f"photos/{name},{shows}\n"
        for name, shows in (
            ("gone.jpg", "R1,1,"), ("KERB.jpg", "R1,1,"), ("empty.jpg", "R1,1,"),
            ("text.jpg", "R1,1,"), ("huge.jpg", "R1,1,"), ("both.jpg", "R1,1,"),
            ("both.jpg", "R1,2,"), ("kerb.jpg", ",,CO3"),
        )
    )  # fmt: skip
    given = {"kerb.jpg": same, "empty.jpg": b"", "text.jpg": b"none", "huge.jpg": bytes(100_001),
             "both.jpg": picture("blue"), "R1-4_x.jpg": same}  # fmt: skip
    record = read_site(site(tmp_path / "s", rows, **given))
    assert sorted(told(record)) == [
        ("photo-twice/copy", "photo photos/R1-4_x.jpg"),
        ("photo-twice/file", "photo photos/both.jpg"),
        ("photo-unusable/empty", "photo photos/empty.jpg"),
        ("photo-unusable/large", "photo photos/huge.jpg"),
        ("photo-unusable/missing", "photo photos/KERB.jpg"),
        ("photo-unusable/missing", "photo photos/gone.jpg"),
        ("photo-unusable/unknown", "photo photos/text.jpg"),
    ]
    (near,) = (f for f in record.findings if f.subject == "photo photos/KERB.jpg")
    assert "kerb.jpg is there" in near.what
    assert near.where == "photos.csv:3"
    assert [p.row.file for p in record.photos] == [
        "photos/both.jpg", "photos/both.jpg", "photos/kerb.jpg", "photos/R1-4_x.jpg",
    ]  # fmt: skip


def test_a_workbook_has_its_pictures_beside_it(tmp_path: Path) -> None:
    book = tmp_path / "slope.xlsx"
    copy_to_workbook(SLOPE, book)
    folder, record = read_site(SLOPE), read_site(book)
    assert {p.row.file for p in record.photos} == {
        "slope.photos/cleanout.png", "slope.photos/R1-3_kerb.png",
    }  # fmt: skip
    key = [(p.row.shows, p.row.note, p.picture.sha256) for p in folder.photos]
    assert [(p.row.shows, p.row.note, p.picture.sha256) for p in record.photos] == key


def test_pictures_of_a_second_visit_come_along_and_never_replace_one(tmp_path: Path) -> None:
    added = tmp_path / "added"
    (added / "photos").mkdir(parents=True)
    (added / "photos" / "R1-5_more.jpg").write_bytes(picture())
    (added / "pit.jpg").write_bytes(picture("red"))
    (added / "photos.csv").write_text("file,exposure\npit.jpg,CO3\n", encoding="utf-8")
    merged = merged_files(SLOPE, added, tmp_path / "new")
    assert merged.faults == merged.site_faults == ()
    assert set(merged.pictures) == {"photos/R1-5_more.jpg", "pit.jpg"}
    assert "pit.jpg" in merged.texts["photos.csv"]
    (added / "photos" / "cleanout.png").write_bytes(picture())
    (taken,) = merged_files(SLOPE, added, tmp_path / "new").faults
    assert (taken.file, taken.column) == ("photos/cleanout.png", "file")
