"""Settings that cannot be read are the one fault told; what only follows from them is not.

The messages are the project's own; nothing published says how an error should read. That a day is
written year-month-day follows TOML 1.0 (RFC 3339 dates), from memory.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from lateralline.ingest import read_site
from tests.support.made_files import base, faults_of, write

DAY = "surveyed = 2026-05-06"
COUNTER = 'entry = "CO1"\n'


def in_feet() -> dict[str, str]:
    """The sound site with its tape as it is read: feet and inches in offsets, polars and ties."""
    files = base()
    for old, new in (
        ("13.0,1.2", "13' 4 1/2\",-1' 2\""),
        ("P1:26.32", "P1:26' 3 3/4\""),
        ("P1,,,,13.2,45", "P1,,,,13' 2\",45"),
    ):
        assert old in files["marks.csv"]
        files["marks.csv"] = files["marks.csv"].replace(old, new)
    return files


# What stands in site.toml, in place of what; the one fault.
BROKEN = [
    (DAY, "surveyed = 06/02/2026",
     'site.toml:3: surveyed must be a date such as 2026-05-06, without quotes; got "06/02/2026" — '
     "write 2026-06-02 or 2026-02-06"),
    (DAY, "surveyed = 25.12.2026  # a Friday",
     'site.toml:3: surveyed must be a date such as 2026-05-06, without quotes; got "25.12.2026" — '
     "write 2026-12-25"),
    (DAY, 'surveyed = "06/02/2026"',
     'site.toml:3: surveyed must be a date such as 2026-05-06, without quotes; got "06/02/2026" — '
     "write 2026-06-02 or 2026-02-06"),
    ('tape = "ft"', "tape = ft",
     'site.toml:9: tape must be one of m, cm, ft, us-ft, in in quotes; got "ft" — '
     'write tape = "ft"'),
    ('tape = "ft"', 'tape = "foot"',
     'site.toml:9: tape must be one of m, cm, ft, us-ft, in; got "foot" — did you mean "ft"?'),
    ('tape = "ft"\n', "", "site.toml:8: tape must be given in [units] — "
     "must be one of m, cm, ft, us-ft, in"),
    (COUNTER, COUNTER + "counter_at_entry = 3,2\n",
     'site.toml:28: counter_at_entry must be a number; got "3,2" — write 3.2'),
    (COUNTER, COUNTER + "counter_at_entry = 3' 2\"\n",
     "site.toml:28: counter_at_entry must be a number; got \"3' 2\"\" — write \"3' 2\\\"\""),
    (COUNTER, COUNTER + "counter_at_entry = ?\n",
     'site.toml:28: counter_at_entry must be a number; got "?" — '
     "put # before counter_at_entry when it is not known"),
    ('id = "EX-001"', 'id = "EX-001"\nname = Millrace 3',
     'site.toml:3: name must be text in quotes; got "Millrace 3" — write name = "Millrace 3"'),
    ("[units]", "[units]\nslope_tape = True",
     'site.toml:9: slope_tape must be true or false; got "True" — write true'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "told"), BROKEN)
def test_settings_at_fault_are_all_that_is_told(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    """Feet and inches are no fault of the tables when it is the unit that nobody knows."""
    files = in_feet()
    assert old in files["site.toml"]
    files["site.toml"] = files["site.toml"].replace(old, new, 1)
    assert faults_of(write(tmp_path, files)) == [told]


@pytest.mark.parametrize(("old", "new", "told"), [b for b in BROKEN if "— write " in b[2]])
def test_what_is_told_to_write_can_be_read(tmp_path: Path, old: str, new: str, told: str) -> None:
    """The hint followed to the letter brings no other fault of that line."""
    files = in_feet()
    key = told.split()[1]
    value = told.rpartition("— write ")[2].partition(" or ")[0].removeprefix(f"{key} = ")
    mended = "\n".join(
        f"{key} = {value}" if line.startswith(f"{key} =") else line for line in new.splitlines()
    )
    files["site.toml"] = files["site.toml"].replace(old, mended + "\n" * old.endswith("\n"), 1)
    assert tomllib.loads(files["site.toml"])
    if "3' 2" in new:
        files["site.toml"] = files["site.toml"].replace('counter = "m"', 'counter = "ft"')
    folder = write(tmp_path, files)
    if old == COUNTER:  # the base's counters begin before it, which is no fault
        files["stops.csv"] = files["stops.csv"].replace("3.0", "4.0")
    assert read_site(folder).settings.id == "EX-001"


def test_what_is_wrong_in_any_unit_is_told_after_the_settings(tmp_path: Path) -> None:
    """A word in place of a number, a tie without a length."""
    files = in_feet()
    files["site.toml"] = files["site.toml"].replace(DAY, "surveyed = 06/02/2026")
    files["marks.csv"] = (
        files["marks.csv"].replace("-1' 2\"", "about 3").replace("P1:26' 3 3/4", "P9:x", 1)
    )
    files["control.csv"] = files["control.csv"].replace("100.1,,", "high,,")
    found = faults_of(write(tmp_path, files))
    assert [f.split(" must")[0] for f in found] == [
        "site.toml:3: surveyed",
        "control.csv:3: z",
        "marks.csv:2: base_offset",
        "marks.csv:3: ties",
    ]


def test_a_known_unit_still_refuses_feet_and_inches(tmp_path: Path) -> None:
    files = in_feet()
    files["site.toml"] = files["site.toml"].replace('tape = "ft"', 'tape = "m"')
    found = faults_of(write(tmp_path, files))
    assert len(found) == 5
    assert all("the unit is m: write" in f for f in found)
