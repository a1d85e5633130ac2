"""A junction without a counter: what the camera saw nearby is offered, else that is missing."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from lateralline.stages import SiteResult, run_site

SAMPLE = Path(__file__).parents[2] / "sample_sites" / "gnss-bend-branch"


@pytest.mark.parametrize(("code", "name"), [("WYE", "seen"), ("CRACK", "missing")])
def test_a_wye_the_camera_saw_is_offered_as_the_junction(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, name: str
) -> None:
    monkeypatch.setattr("lateralline.derive.junctions._WIDE_M", 0.05)
    site = shutil.copytree(SAMPLE, tmp_path / "site")
    text = (site / "site.toml").read_text(encoding="utf-8")
    counter = float(re.search(r"at_counter = ([0-9.]+)", text)[1])
    text = re.sub(r"(at_counter = [0-9.]+\n)(run = .*)", "", text)
    (site / "site.toml").write_text(text, encoding="utf-8")
    seen = f"run,counter,code,text\nR1,{counter + 0.1:.2f},{code},left\n"
    (site / "observations.csv").write_text(seen, encoding="utf-8")
    result = run_site(site, until="derive")
    assert isinstance(result, SiteResult)
    [told] = [f for f in result.findings if f.code == "junction-counter"]
    assert told.variant == name
    if name == "seen":
        assert f'write at_counter = {counter + 0.1:g} and run = "R1" under' in told.what_to_do
        assert told.where == "observations.csv:2"
