"""A small version of `resumed`: the harness must run, find nothing, and find."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.trust import resumed

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGINT to a process")


def test_thirty_sites_interrupted_twice_are_those_of_a_single_go(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code = resumed.main(["--sites", "30", "--seed", "5"])
    said = capsys.readouterr().out
    assert code == 0, said
    rows = [line.split(" | ") for line in said.splitlines() if line.startswith("| interrupted")]
    (_, none, first, _), (_, before, second, _) = rows
    assert int(none) == 0 < int(first) == int(before) < int(second) < 30
    assert "the same to the byte" in said


def test_a_file_that_differs_is_named(tmp_path: Path) -> None:
    for name in ("one", "other"):
        (tmp_path / name / "geojson").mkdir(parents=True)
        (tmp_path / name / "geojson" / "a.geojson").write_text("{}")
    one, other = (resumed.digests(tmp_path / name) for name in ("one", "other"))
    assert resumed.unlike(one, other) == []
    (tmp_path / "other" / "geojson" / "a.geojson").write_text("{ }")
    (tmp_path / "other" / "more").touch()
    assert resumed.unlike(one, resumed.digests(tmp_path / "other")) == ["geojson/a.geojson", "more"]


def test_a_build_that_ends_by_itself_was_not_interrupted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(resumed, "command", lambda *_: [sys.executable, "-c", ""])
    assert resumed.main(["--sites", "1"]) == 1
    assert "exit code 0" in capsys.readouterr().out
