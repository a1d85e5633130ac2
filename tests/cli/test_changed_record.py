"""Every command that makes something of a record says when somebody changed that since."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from lateralline import api
from tests.support.command import run
from tests.support.places import SAMPLES

CHANGED = "asbuilt.gpkg was changed since lateralline wrote it: nobody vouches for what is made"
STAMPED = "CHANGED since it was written, vouched for by nobody."
PLAN = SAMPLES / "planned-works" / "quarry-plan.geojson"
MAINS = SAMPLES / "register" / "quarry-mains.geojson"
REGISTER = SAMPLES / "register" / "quarry-register.geojson"
COMMANDS = (
    "sheet R -o a.pdf --crew", "draw R -o a.png", "page R -o a.html", "ties R -o t.pdf",
    "export R -o a.kml", "export R -o a.dxf", "zones R --rule cga -o z",
    f"clearance R {PLAN} --required 0.3m -o c", "handover R --profile municipal -o h",
    "calibrate R -o l.toml",
    f"match R {REGISTER} --id-column asset -o m",
    f"connect R --mains {MAINS} --id-column main -o j", "explain R R1/3",
    "seal R --key k",
)  # fmt: skip


#: What carries a caution and can be read as text, by what is made: how often the line stands there.
CARRIED = {
    "export R -o a.kml": ("a.kml",), "export R -o a.dxf": ("a.dxf",),
    "zones R --rule cga -o z": (
        "z/OVERLAY.md", "z/geojson/tolerance_zone.geojson", "z/hand_dig_zones.gpkg",
    ),
    f"clearance R {PLAN} --required 0.3m -o c": (
        "c/OVERLAY.md", "c/clearance.csv", "c/geojson/clearance_pairs.geojson", "c/clearance.gpkg",
    ),
    f"match R {REGISTER} --id-column asset -o m": ("m/OVERLAY.md", "m/register_matches.csv"),
}  # fmt: skip


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("changed") / "R"
    api.build(SAMPLES / "gnss-bend-branch", out)
    return out


@pytest.mark.parametrize("command", COMMANDS)
def test_what_is_made_of_a_changed_record_says_so(
    command: str, built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(built, "R")
    assert run("seal", "--new-key", "k").exit_code == 0
    before = run(*command.split())
    for name in CARRIED.get(command, ()):
        assert STAMPED.encode() not in Path(name).read_bytes(), name
    ends = (2,) if command.startswith("calibrate") else (0, 1)  # one site is too little to learn of
    assert before.exit_code in ends, before.output
    assert "was changed" not in " ".join(before.output.split())
    with closing(sqlite3.connect("R/asbuilt.gpkg")) as db, db:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            db.create_function(name, 1, lambda _: 0)  # of the index's triggers: no place moves
        db.execute("UPDATE pipe_nodes SET cover_m = cover_m + 1.0")
    after = run(
        *command.split(), *(["--replace"] if " -o " in command or "seal" in command else [])
    )
    said = " ".join(after.output.split())
    assert after.exit_code in ends, said
    told = "and sealed as it is now: asbuilt.gpkg" if command.startswith("seal") else CHANGED
    assert told in said, said
    for name in CARRIED.get(command, ()):
        text = Path(name).read_bytes().replace(b"\r\n", b"\n")
        assert STAMPED.encode() in text, name
        # and before the caution itself, which is there whole
        assert f"{STAMPED} No clearance to dig.".encode() in text, name
