"""`accept`: an accepted finding stays on record, and asks again when its figures change."""

from __future__ import annotations

import json
import os
import shutil
import tomllib
from datetime import date
from pathlib import Path

import pytest

import lateralline
from lateralline.api.acceptances import NotAcceptedError
from lateralline.errors import OutputError, SiteFaultsError
from lateralline.findings import finding
from lateralline.ingest import read_site
from lateralline.output import rewrite
from lateralline.record.view import read_record
from tests.support.command import run
from tests.support.finding_names import called
from tests.support.places import SAMPLES

CODE, SUBJECT = "entry-not-located", "run R1"
WHY = ("--by", "Crew B", "--reason", "the owner digs there anyway", "--on", "2026-06-01")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "site"
    shutil.copytree(SAMPLES / "gnss-bend-branch", folder)
    return folder


def counts(site: Path) -> tuple[int, int, int]:
    found = lateralline.check(site)
    return len(found.errors), len(found.warnings), len(found.accepted)


def test_a_finding_accepted_stays_on_record_and_is_not_asked_for(site: Path) -> None:
    before, files = (site / "site.toml").read_bytes(), sorted(p.name for p in site.iterdir())
    assert counts(site) == (0, 2, 0)
    told = run("accept", site, CODE, SUBJECT, *WHY)
    assert told.exit_code == 0, told.output
    assert sorted(p.name for p in site.iterdir()) == files
    after = (site / "site.toml").read_bytes()
    assert after.startswith(before)  # every comment and line of the user's
    (mine,) = tomllib.loads(after.decode())["accepted"]
    assert (mine["code"], mine["subject"], mine["by"], mine["on"]) == (
        CODE,
        SUBJECT,
        "Crew B",
        date(2026, 6, 1),
    )
    assert counts(site) == (0, 1, 1)
    out = site.parent / "out"
    said = run("build", site, "-o", out, "--full")
    words = " ".join(said.output.split())
    assert "1 accepted" in words
    assert "accepted by Crew B on 2026-06-01: the owner digs there anyway (warning)" in words
    view = read_record(out / "asbuilt.gpkg")
    assert view.findings["accepted"] == 1
    assert view.findings["warning"] == 1
    row = view.layers["findings"].set_index(["code", "subject"]).loc[(CODE, SUBJECT)]
    assert (row["severity"], row["accepted_by"], str(row["accepted_on"])[:10]) == (
        "warning",
        "Crew B",
        "2026-06-01",
    )
    assert row["accepted_reason"] == "the owner digs there anyway"
    assert row["cause"] == mine["cause"]
    features = json.loads((out / "geojson" / "findings.geojson").read_text("utf-8"))["features"]
    assert [f["properties"]["accepted_by"] for f in features].count("Crew B") == 1
    assert run("page", out, "-o", site.parent / "page.html").exit_code == 0
    page = (site.parent / "page.html").read_text(encoding="utf-8")
    assert "accepted by Crew B on 2026-06-01: the owner digs there anyway" in page
    assert "✓ accepted warning" in page
    # accepted, and yet not located
    assert set(view.layers["unlocated"]["run_id"]) >= {"R1"}


def test_nothing_is_left_beside_the_site_that_update_wrote(tmp_path: Path) -> None:
    site, added = SAMPLES / "gnss-bend-branch", SAMPLES / "added" / "gnss-bend-branch"
    june = tmp_path / "june"
    assert run("update", site, added, "-o", june).exit_code in (0, 1)
    before = sorted(p.name for p in june.iterdir())
    told = run("accept", june, CODE, SUBJECT, *WHY)
    assert told.exit_code == 0, told.output
    assert sorted(p.name for p in june.iterdir()) == before
    assert "kept as" not in told.output
    assert counts(june)[2] == 1


def test_what_is_not_located_and_every_number_stay_as_they_were(site: Path) -> None:
    built = site.parent / "before"
    assert run("build", site, "-o", built).exit_code == 0
    assert run("accept", site, CODE, SUBJECT, *WHY).exit_code == 0
    again = site.parent / "after"
    assert run("build", site, "-o", again).exit_code == 0
    for layer in (
        "unlocated",
        "position_corridor",
        "tolerance_zone",
        "pipe_centreline",
        "level_band",
    ):
        one, other = (
            (o / "geojson" / f"{layer}.geojson").read_text("utf-8") for o in (built, again)
        )
        assert one == other, layer


def test_other_figures_ask_again_and_name_who_accepted_before(site: Path) -> None:
    assert run("accept", site, CODE, SUBJECT, *WHY).exit_code == 0
    text = (site / "site.toml").read_text(encoding="utf-8")
    changed = text.replace("counter_at_entry = 0.00", "counter_at_entry = -0.40", 1)
    assert changed != text
    (site / "site.toml").write_text(changed, encoding="utf-8")
    assert counts(site)[1:] == (2, 0)
    found = lateralline.check(site)
    (note,) = (f for f in found if called(f) == "acceptance-unused")
    assert note.severity == "info"
    assert note.subject == SUBJECT
    assert "was accepted by Crew B on 2026-06-01 for other figures" in note.message
    line = changed.splitlines().index("[[accepted]]") + 1
    assert note.where == f"site.toml:{line}"


def test_what_was_accepted_under_an_old_code_is_accepted_still(site: Path) -> None:
    """Codes and causes are those a program of before wrote for this very site."""
    with (site / "site.toml").open("a", encoding="utf-8") as out:
        for code, subject, cause in (
            ("entry-not-mapped", "run R1", "c5b1cc14"),
            ("grid-not-ground", "site", "7b3e1d80"),
            ("which-zone", "site", "00000000"),
        ):
            out.write(f'\n[[accepted]]\ncode = "{code}"\nsubject = "{subject}"\nby = "B"\n')
            out.write(f'on = 2026-06-01\nreason = "r"\ncause = "{cause}"\n')
    found = lateralline.check(site)
    assert [f.name for f in found.accepted] == ["entry-not-located", "grid-scale/shorter"]
    notes = [f.values["found"] for f in found if f.code == "acceptance-unused"]
    assert notes == ["coordinates-unconfirmed"]  # its figures are others
    out_folder = site.parent / "out"
    assert run("build", site, "-o", out_folder).exit_code == 0
    layer = read_record(out_folder / "asbuilt.gpkg").layers["findings"]
    assert (layer["code"] == "acceptance-unused").sum() == 1
    assert (layer["accepted_by"] == "B").sum() == 2


def test_an_acceptance_of_nothing_is_told(site: Path) -> None:
    text = (site / "site.toml").read_text(encoding="utf-8")
    for code in ("mark-blunder", "datum-shift-error"):  # the second could only come of writing
        text += f'\n[[accepted]]\ncode = "{code}"\nsubject = "mark 1A"\nby = "B"\non = 2026-06-01\n'
        text += 'reason = "r"\ncause = "0123abcd"\n'
    (site / "site.toml").write_text(text, encoding="utf-8")
    out = site.parent / "out"
    assert run("build", site, "-o", out).exit_code == 0
    layer = read_record(out / "asbuilt.gpkg").layers["findings"]
    notes = layer[layer["code"] == "acceptance-unused"]
    assert len(notes) == 2
    assert all("is not found any more" in what for what in notes["what"])


def test_an_accepted_error_does_not_end_with_1(tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "frames-feet", site)
    assert run("check", site).exit_code == 1
    while errors := lateralline.check(site).errors:
        with (site / "site.toml").open("a", encoding="utf-8") as out:
            for f in errors:
                out.write(f'\n[[accepted]]\ncode = "{f.code}"\nsubject = "{f.subject}"\n')
                out.write(f'cause = "{f.cause}"\nby = "B"\non = 2026-06-01\nreason = "r"\n')
    said = run("check", site, "--json")
    assert said.exit_code == 0
    assert json.loads(said.output)["exit_code"] == 0


def test_what_cannot_be_accepted_is_refused_by_name_and_nothing_written(site: Path) -> None:
    before = (site / "site.toml").read_bytes()
    for code, subject, words in (
        ("entry-not-located", "run R9", "there are:"),
        ("no-such-code", "run R1", "the site has no finding no-such-code of run R1"),
    ):
        told = run("accept", site, code, subject, *WHY)
        assert told.exit_code == 2
        assert words in told.output
    with pytest.raises(NotAcceptedError, match="reason must be text"):
        lateralline.accept(site, CODE, SUBJECT, by="B", reason=" ")
    assert (site / "site.toml").read_bytes() == before
    assert run("accept", site, CODE, SUBJECT, *WHY).exit_code == 0
    told = run("accept", site, CODE, SUBJECT, *WHY)
    assert told.exit_code == 2
    assert "accepted already, by Crew B on 2026-06-01" in " ".join(told.output.split())


def test_a_workbook_is_told_what_to_type(tmp_path: Path) -> None:
    book = tmp_path / "quarry-book.xlsx"
    shutil.copy(SAMPLES / "quarry-book.xlsx", book)
    before = book.read_bytes()
    f = next(f for f in lateralline.check(book) if called(f) != "not-checked")
    with pytest.raises(NotAcceptedError, match=f"sheet accepted: code: {f.code}.*{f.cause}"):
        lateralline.accept(book, called(f), f.subject, by="B", reason="r")
    assert book.read_bytes() == before


def test_faults_of_an_acceptance_name_key_and_line(site: Path) -> None:
    file = site / "site.toml"
    top = len(file.read_text(encoding="utf-8").splitlines())
    with file.open("a", encoding="utf-8") as out:
        out.write('[[accepted]]\ncode = "mark-blunders"\nsubject = "mark 1A"\nby = "B"\n')
        out.write('on = "soon"\ncause = "xyz"\n')
    with pytest.raises(SiteFaultsError) as caught:
        read_site(site)
    said = {(f.row - top, f.column): str(f) for f in caught.value.faults}
    assert set(said) == {(2, "code"), (5, "on"), (6, "cause"), (1, "reason")}
    assert 'did you mean "mark-blunder"?' in said[2, "code"]


def test_a_cause_is_that_of_figures_as_they_are_printed() -> None:
    def cause(off_m: float) -> str:
        values = {"sigma_m": off_m}
        return finding("line-not-located", "line L1", variant="vague", more=values).cause

    assert cause(12.341) == cause(12.339)
    assert cause(12.341) != cause(13.341)
    other = finding("line-not-located", "line L2", variant="vague", more={"sigma_m": 12.341})
    assert other.cause == cause(12.341)  # the subject is compared beside it


def test_a_file_changed_meanwhile_or_a_full_disk_leaves_it_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "site.toml"
    file.write_bytes(b"theirs")
    with pytest.raises(OutputError, match="was changed meanwhile"):
        rewrite(file, b"ours", b"what was read")
    assert file.read_bytes() == b"theirs"

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OutputError, match="No space left"):
        rewrite(file, b"ours", b"theirs")
    assert file.read_bytes() == b"theirs"
    assert [p.name for p in tmp_path.iterdir()] == ["site.toml"]
