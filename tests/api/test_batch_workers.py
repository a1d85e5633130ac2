"""A record depends on its sites and their order, and on nothing that made it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from lateralline import api
from lateralline.simulate import SCENARIOS, make_site
from tests.support.command import content
from tests.support.places import SAMPLES
from tests.support.village import make_village


@pytest.fixture(scope="module")
def village(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sites of levels by five kinds, a faulty one, one with the id of another, and a sketch."""
    folder = tmp_path_factory.mktemp("village")
    make_village(folder, 6)
    for name, scenario in (("PR-0045", "faulty"), ("PR-0055", "local-sketch")):
        make_site(SCENARIOS[scenario], SCENARIOS[scenario].seed, folder / name)
    shutil.copytree(folder / "PR-002", folder / "PR-0065")
    return folder


def test_the_record_is_the_same_to_the_byte_whoever_works(
    village: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1778155200")
    made = {}
    for workers in (1, 3):
        sites = tmp_path / "sites"
        shutil.copytree(village, sites)
        told: list[tuple[str, str, tuple[object, ...]]] = []

        def hear(result: api.SiteResult | api.SiteFailure, told: list[object] = told) -> None:
            what = result.stage if isinstance(result, api.SiteFailure) else result.summary()
            told.append((result.source.name, what, result.findings))

        record = api.build(sites, tmp_path / "out", on_site=hear, workers=workers)
        assert {f.source.name: f.stage for f in record.failures} == {
            "PR-0045": "read", "PR-0055": "write", "PR-0065": "read",
        }  # fmt: skip
        ids = {p.parent.name: p.read_bytes() for p in sites.rglob("ids.csv")}
        assert len(ids) == 6
        made[workers] = (content(tmp_path / "out"), [repr(t) for t in told], ids)
        shutil.rmtree(tmp_path / "out")
        shutil.rmtree(sites)
    for one, several in zip(made[1], made[3], strict=True):
        assert one == several
    findings = made[1][0]["geojson/findings.geojson"]
    assert findings.count(b"levels-mixed") >= 2  # what a site is told because of those before


def test_sketches_alike(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each but the first is told that there is another: by whoever wrote them before."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1778155200")
    for n in range(4):
        sketch = tmp_path / "sites" / f"S{n}"
        shutil.copytree(SAMPLES / "local-sketch", sketch)
        toml = sketch / "site.toml"
        text = toml.read_text(encoding="utf-8")
        toml.write_text(text.replace('id = "', f'id = "S{n}-', 1), encoding="utf-8")
    for workers in (1, 2):
        for ids in tmp_path.rglob("ids.csv"):
            ids.unlink()
        record = api.build(tmp_path / "sites", tmp_path / f"out-{workers}", workers=workers)
        found = [f for f in record.findings if f.code == "no-map-position" and f.stage == "write"]
        assert len(found) == 3
    assert content(tmp_path / "out-1") == content(tmp_path / "out-2")


def test_a_check_finds_the_same(village: Path) -> None:
    one, several = (api.check([village], workers=n) for n in (1, 2))
    assert [repr(f) for f in one] == [repr(f) for f in several]
    assert one.failures == several.failures
