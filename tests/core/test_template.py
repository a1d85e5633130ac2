"""A new site folder reads at once, explains every column, and refuses what no site can be."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pytest

from lateralline import contract
from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.template import new_site_files
from tests.support.finding_names import OF_A_NEW_SITE, called

DAY = date(2026, 5, 6)


def write(folder: Path, files: dict[str, str], flow: str = "with") -> Path:
    for name, text in files.items():
        text = text.replace('flow = "with, against or unknown"', f'flow = "{flow}"')
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("unit", ["m", "cm", "ft", "us-ft", "in"])
@pytest.mark.parametrize("crs", ["local", "EPSG:32617", 'a "quoted" CRS'])
def test_a_new_site_reads_and_says_there_are_no_stops(tmp_path: Path, unit: str, crs: str) -> None:
    files = new_site_files("EX-001", unit=unit, horizontal=crs, surveyed=DAY)
    folder = write(tmp_path, files)
    if "quoted" in crs:
        with pytest.raises(SiteFaultsError, match="horizontal must be a CRS that PROJ knows"):
            read_site(folder)
        return
    record = read_site(folder)
    assert (record.settings.id, record.settings.surveyed) == ("EX-001", DAY)
    assert set(record.settings.units.values()) == {unit}
    assert {called(f) for f in record.findings} == OF_A_NEW_SITE


def test_only_the_crew_knows_the_flow(tmp_path: Path) -> None:
    files = new_site_files("EX-001", surveyed=DAY)
    with pytest.raises(SiteFaultsError, match="flow must be one of with, against, unknown; got"):
        read_site(write(tmp_path, files, "with, against or unknown"))
    assert read_site(write(tmp_path, files, "unknown")).settings.runs[0].flow == "unknown"
    drawing = files["site.toml"].partition("\nflow = ")[0].splitlines()[-8:]
    assert any("against   entry o====camera==>===  <-- water runs" in line for line in drawing)


def test_its_examples_read_without_their_comment_signs(tmp_path: Path) -> None:
    files = new_site_files("EX-001", surveyed=DAY)
    for name, text in files.items():
        if name.endswith(".csv"):
            notes, examples = text.split("# For example, without the #:\n")
            *rows, header = examples.splitlines()
            assert rows
            files[name] = "\n".join([notes, header, *(r.removeprefix("# ") for r in rows)])
    record = read_site(write(tmp_path, files))
    assert record.marks.spots.name.tolist() == ["1A", "1B"]
    assert record.stops.counter_m.tolist() == [4.30]
    assert len(record.exposures.line) == len(record.observations.run) == 1


def test_every_column_and_key_is_explained() -> None:
    files = new_site_files("EX-001", surveyed=DAY)
    kept = {f"{name}.csv" for name in contract.KEPT}  # builds write it, no crew
    assert not kept & set(files)
    filled_in = (name for name in contract.INPUTS if name not in contract.KEPT)
    for table in map(contract.load, filled_in):
        text = files["site.toml" if table.name == "site" else f"{table.name}.csv"]
        for column in table.field:
            assert column.title in text
            if table.name == "site":
                assert f"{column.name} = " in text
            else:
                assert f"# {column.name}" in text


def test_shown_defaults_are_the_defaults() -> None:
    lines = new_site_files("EX-001", surveyed=DAY)["site.toml"].splitlines()
    shown = tomllib.loads(
        "\n".join(ln[2:] for ln in lines[lines.index("[accuracy]") :] if "_m = " in ln)
    )
    for name, value in shown.items():
        assert value == contract.load("site").column(name, "accuracy").default


def test_csv_templates_are_ascii_so_a_spreadsheet_may_save_them() -> None:
    files = new_site_files("EX-001", surveyed=DAY)
    assert all(text.isascii() for name, text in files.items() if name.endswith(".csv"))
