"""What the bench of a city builds are sites, and a command that fails is no figure."""

from __future__ import annotations

from pathlib import Path

import pytest

from lateralline import api
from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.proof import city
from tests.support.command import run


def test_sites_of_a_city_differ_by_id_and_reading(tmp_path: Path) -> None:
    city.make_sites(tmp_path / "sites", 3)
    folders = sorted((tmp_path / "sites").iterdir())
    records = [read_site(folder) for folder in folders]
    assert [r.settings.id for r in records] == ["CITY-000000", "CITY-000001", "CITY-000002"]
    assert len({(f / "marks.csv").read_bytes() for f in folders}) == 3
    with pytest.raises(SiteFaultsError):
        read_site(tmp_path)


def test_long_and_many_lines_are_as_long_and_as_many_as_asked(tmp_path: Path) -> None:
    city._write(city._long_line(20), tmp_path / "long")
    city._write(city._many_lines(3), tmp_path / "many")
    long, many = api.check(tmp_path / "long"), api.check(tmp_path / "many")
    assert [f.code for found in (long, many) for f in found.errors] == []
    record = read_site(tmp_path / "long")
    assert len(record.stops.stop) == pytest.approx(20, abs=1)
    assert len({r.line for r in read_site(tmp_path / "many").settings.runs}) == 3


def test_a_command_that_fails_is_told_and_one_with_findings_is_not(tmp_path: Path) -> None:
    assert city._run("-c", "raise SystemExit(1)").cpu_s > 0.0
    with pytest.raises(RuntimeError, match="exit code 2"):
        city._run("-c", city._COMMAND, "check", tmp_path / "nowhere")
    refused = run("bench", "--city", "10,many")
    assert refused.exit_code == 2
    assert "numbers of sites" in " ".join(refused.output.split())
