"""`build` and `check` on practice sites: exit codes, whole outputs, and batches that go on."""

from __future__ import annotations

import io
import json
import re
import shutil
from pathlib import Path

import pyogrio
import pytest
from rich.console import Console

from lateralline import api, contract, stages
from lateralline.cli import report
from lateralline.cli.terminal import console
from lateralline.findings import title_of
from lateralline.record import CAUTION
from lateralline.simulate import SCENARIOS, make_site
from tests.support.command import run
from tests.support.places import SAMPLES


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of two good sites and a faulty one between them; read only."""
    folder = tmp_path_factory.mktemp("sites")
    for name, scenario in (("a", "slope-levels"), ("b", "faulty"), ("c", "gnss-bend-branch")):
        made = SCENARIOS[scenario]
        make_site(made, made.seed, folder / name)
    return folder


def with_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let link report one finding that is an error, as for a chord longer than its counter."""
    from dataclasses import replace

    from lateralline.findings import Finding

    found = Finding("error", "link", "chord-too-long", "stop R1/2", "impossible", "0.4 m", "look")
    honest = stages.link
    monkeypatch.setattr(
        stages, "link", lambda *a: replace(got := honest(*a), findings=(*got.findings, found))
    )


# ---- build --------------------------------------------------------------------------------


def test_a_clean_site_is_built_whole_and_exits_0(sites: Path, tmp_path: Path) -> None:
    built = run("build", sites / "a", "-o", tmp_path / "out")
    assert built.exit_code == 0, built.output
    assert (tmp_path / "out" / "asbuilt.gpkg").stat().st_size > 0
    content = json.loads((tmp_path / "out" / "manifest.json").read_text(encoding="utf-8"))
    assert [s["id"] for s in content["sites"]] == ["QH-031"]
    for layer in contract.LAYERS:
        text = (tmp_path / "out" / "geojson" / f"{layer}.geojson").read_text(encoding="utf-8")
        assert json.loads(text)["type"] == "FeatureCollection"
    said = " ".join(built.output.split())
    assert "1 site built" in said
    assert "No clearance to dig" in said


def test_a_faulty_site_writes_nothing_and_exits_2(sites: Path, tmp_path: Path) -> None:
    refused = run("build", sites / "b", "-o", tmp_path / "out")
    assert refused.exit_code == 2
    assert f"{sites / 'b'}/marks.csv:2: base_offset must be a number" in refused.output
    assert "Traceback" not in refused.output
    assert list(tmp_path.iterdir()) == []


def test_a_bad_site_does_not_stop_the_batch(sites: Path, tmp_path: Path) -> None:
    built = run("build", sites, "-o", tmp_path / "out", "--json")
    assert built.exit_code == 1
    told = json.loads(built.output)
    assert [s["site_id"] for s in told["sites"]] == ["QH-031", "QH-022"]
    (failure,) = told["failures"]
    assert failure["source"] == str(sites / "b")
    assert failure["faults"]
    assert (tmp_path / "out" / "asbuilt.gpkg").exists()


def test_a_sketch_never_keeps_sites_on_the_map_out(sites: Path, tmp_path: Path) -> None:
    """Its layers would have no CRS; so it waits till the end, and is told the way out."""
    sketch = SCENARIOS["local-sketch"]
    make_site(sketch, sketch.seed, tmp_path / "sketch")
    built = run("build", tmp_path / "sketch", sites / "a", sites / "c", "-o", tmp_path / "out")
    assert built.exit_code == 1
    said = " ".join(built.output.split())
    assert "a sketch has no place on the map" in said
    assert "build it on its own into another folder" in said
    assert f"2 sites built into {tmp_path / 'out'}; 1 not built" in said


@pytest.mark.parametrize("crs", [(), ("--crs", "EPSG:32617")])
@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 0, 2)])
def test_sites_with_every_kind_of_levels_go_into_one_output(
    sites: Path, tmp_path: Path, order: tuple[int, ...], crs: tuple[str, ...]
) -> None:
    """Each keeps its own z, and is told when that is of another kind than the first site's."""
    relative = SCENARIOS["tape-ties"]
    make_site(relative, relative.seed, tmp_path / "relative")
    three = [sites / "c", tmp_path / "relative", sites / "a"]  # ellipsoidal, none, NAVD88
    built = run("build", *(three[i] for i in order), "-o", tmp_path / "out", "--json", *crs)
    assert built.exit_code == 0, built.output
    first, *rest = json.loads(built.output)["sites"]
    codes = [{f["code"] for f in site["findings"]} for site in rest]
    assert all("levels-mixed" in found for found in codes)
    assert "levels-mixed" not in {f["code"] for f in first["findings"]}
    fixes = pyogrio.read_dataframe(tmp_path / "out" / "asbuilt.gpkg", layer="transmitter_fixes")
    assert fixes.crs.to_epsg() == 32617  # two of three
    there = fixes[fixes.geometry.notna()]
    assert set(there.site_id) == {"QH-014", "QH-022", "QH-031"}
    assert there.geometry.z.to_numpy() == pytest.approx(
        there.transmitter_level_m.to_numpy(), abs=1e-9
    )


def test_per_crs_each_has_a_folder_and_all_are_named(sites: Path, tmp_path: Path) -> None:
    sketch, city = SAMPLES / "local-sketch", tmp_path / "city"
    built = run("build", sites / "a", sketch, "-o", city, "--per-crs")
    assert built.exit_code == 0, built.output
    assert sorted(p.name for p in city.iterdir()) == ["EPSG-32617", "local"]
    said = " ".join(built.output.split())
    assert f"2 sites built into {city / 'EPSG-32617'}, {city / 'local'}." in said
    faulty = run("build", sites / "a", SAMPLES / "faulty", "-o", tmp_path / "b", "--per-crs")
    assert faulty.exit_code == 1
    (name,) = (p.name for p in (tmp_path / "b").iterdir())
    assert name == "EPSG-32617"
    assert "none of those sites could be built" in " ".join(faulty.output.split())
    refused = run("build", sites / "a", "-o", city, "--per-crs", "--crs", "EPSG:32617")
    assert refused.exit_code == 2
    assert "does not go with --crs" in refused.output


def test_error_findings_exit_1(
    sites: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_an_error(monkeypatch)
    built = run("build", sites / "a", "-o", tmp_path / "out", "--quiet")
    assert built.exit_code == 1
    assert "error   stop R1/2  chord-too-long\n            Impossible: 0.4 m.\n" in built.output
    assert (tmp_path / "out").is_dir()


def test_quiet_says_nothing_when_nothing_is_wrong(sites: Path, tmp_path: Path) -> None:
    assert run("build", sites / "a", "-o", tmp_path / "out", "-q").output == ""


def test_an_unforeseen_error_is_reported_and_the_batch_goes_on(
    sites: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = stages.solve

    def solve(marks: object, stops: object, settings: object, seen: object) -> object:
        if settings.id == "QH-031":
            raise IndexError("index 7 is out of bounds")
        return honest(marks, stops, settings, seen)

    monkeypatch.setattr(stages, "solve", solve)
    built = run("build", sites / "a", sites / "c", "-o", tmp_path / "out")
    assert built.exit_code == 1
    said = " ".join(built.output.split())
    assert f"{sites / 'a'}: could not be solved: IndexError: index 7 is out of bounds" in said
    assert "please report it" in said
    assert "QH-022" in said
    assert f"1 site built into {tmp_path / 'out'}; 1 not built" in said


def test_an_output_that_is_there_is_kept_unless_replacing_is_asked_for(
    sites: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    assert run("build", sites / "a", "-o", out).exit_code == 0
    first = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    refused = run("build", sites / "c", "-o", out)
    assert refused.exit_code == 2
    assert "--replace" in refused.output
    assert json.loads((out / "manifest.json").read_text(encoding="utf-8")) == first
    assert run("build", sites / "b", "-o", out, "--replace").exit_code == 2
    assert json.loads((out / "manifest.json").read_text(encoding="utf-8")) == first
    assert run("build", sites / "c", "-o", out, "--replace").exit_code == 0
    second = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    assert [s["id"] for s in second["sites"]] == ["QH-022"]


def test_a_folder_of_other_things_is_never_replaced(sites: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("precious")
    refused = run("build", sites / "a", "-o", tmp_path, "--replace")
    assert refused.exit_code == 2
    assert (tmp_path / "notes.txt").read_text() == "precious"


@pytest.mark.parametrize("crs", ["EPSG:999999", "nonsense"])
def test_an_unknown_crs_is_refused_in_one_line(sites: Path, tmp_path: Path, crs: str) -> None:
    refused = run("build", sites / "a", "-o", tmp_path / "out", "--crs", crs)
    assert refused.exit_code == 2
    assert crs in refused.output
    assert len(refused.output.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_what_writing_found_is_told_too(sites: Path, tmp_path: Path) -> None:
    told = run("build", sites / "a", "-o", tmp_path / "out", "--crs", "EPSG:32618", "--json")
    (site,) = json.loads(told.output)["sites"]
    assert "datum-shift-error" in {f["code"] for f in site["findings"]}


@pytest.mark.parametrize("refused", ["there", "missing", "option", "no site"])
def test_under_json_a_refusal_is_one_document_too(
    sites: Path, tmp_path: Path, refused: str
) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes.txt").write_text("precious")
    made = tmp_path / ("out" if refused == "there" else "new")
    asked: list[object] = [
        tmp_path if refused == "no site" else sites / ("z" if refused == "missing" else "a")
    ]
    asked += ["-o", made, "--json"]
    told = run("build", *asked, *["--colour"] * (refused == "option"))
    assert told.exit_code == 2
    content = json.loads(told.stdout)
    assert content["command"] == "build"
    assert content["exit_code"] == 2
    assert content["sites"] == []
    assert content["error"]
    assert told.stderr.strip().splitlines()[-1].endswith(content["error"].splitlines()[-1][-20:])
    assert not (tmp_path / "new").exists()


def test_every_document_says_where_the_output_is_and_how_the_run_ended(
    sites: Path, tmp_path: Path
) -> None:
    built = run("build", sites / "a", sites / "b", "-o", tmp_path / "out", "--json")
    told = json.loads(built.stdout)
    assert (told["out"], told["exit_code"]) == (str(tmp_path / "out"), 1)
    nothing = json.loads(run("build", sites / "b", "-o", tmp_path / "no", "--json").stdout)
    assert (nothing["out"], nothing["exit_code"]) == (None, 2)


# ---- check --------------------------------------------------------------------------------


def test_check_writes_nothing_and_exits_0_when_clean(
    sites: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(sites.rglob("*"))
    checked = run("check", sites / "a")
    assert checked.exit_code == 0, checked.output
    assert "QH-031" in checked.output
    assert "nothing was written" in checked.output
    assert list(tmp_path.iterdir()) == []
    assert sorted(sites.rglob("*")) == before


def test_check_exits_1_with_error_findings(sites: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_an_error(monkeypatch)
    assert run("check", sites / "a").exit_code == 1


def test_check_exits_2_with_faults_and_tells_all_of_them(sites: Path) -> None:
    checked = run("check", sites)
    assert checked.exit_code == 2
    for file in ("site.toml", "marks.csv", "stops.csv", "control.csv", "observations.csv"):
        assert f"{sites / 'b'}/{file}:" in checked.output
    assert "QH-022" in checked.output


def test_a_site_nobody_has_filled_in_is_told_what_is_missing(tmp_path: Path) -> None:
    """First which end counts from where; then that nothing is located yet."""
    site = tmp_path / "EX-001"
    assert run("new", site, "--crs", "local", "--surveyed", "2026-05-06").exit_code == 0
    asked = run("check", site)
    assert asked.exit_code == 2
    assert "flow must be one of with, against, unknown" in " ".join(asked.output.split())
    settings = (site / "site.toml").read_text(encoding="utf-8")
    told = re.sub(r"(?m)^flow = .*$", 'flow = "with"', settings)
    assert told != settings
    (site / "site.toml").write_text(told, encoding="utf-8")
    checked = run("check", site, "--full")
    assert checked.exit_code == 1
    words = " ".join(checked.output.split())
    missing = f"{title_of('line-not-located')}: site"
    assert missing in words
    assert "1 site checked" in words
    quiet = run("check", site, "-q").output
    assert missing in " ".join(quiet.split())
    (summary,) = json.loads(run("check", site, "--json").output)["sites"]
    assert "line-not-located" in {f["code"] for f in summary["findings"]}


def test_a_new_site_on_a_map_asks_for_control(tmp_path: Path) -> None:
    site = tmp_path / "EX-001"
    assert run("new", site, "--crs", "EPSG:32617", "--surveyed", "2026-05-06").exit_code == 0
    settings = (site / "site.toml").read_text(encoding="utf-8")
    told = re.sub(r"(?m)^flow = .*$", 'flow = "with"', settings)
    (site / "site.toml").write_text(told, encoding="utf-8")
    checked = run("check", site, "--full")
    assert checked.exit_code == 2
    words = " ".join(checked.output.split())
    assert "fill in control.csv, or marks with method gnss" in words
    assert "1 not checked" in words


def test_check_finds_what_build_finds(sites: Path, tmp_path: Path) -> None:
    def findings(*arguments: object) -> list[object]:
        (site,) = json.loads(run(*arguments, "--json").output)["sites"]
        return [f for f in site["findings"] if f["stage"] != "write"]

    built = findings("build", sites / "a", "-o", tmp_path / "out")
    assert built
    assert findings("check", sites / "a") == built


# ---- draw ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(sites: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output of the two good sites."""
    out = tmp_path_factory.mktemp("built") / "out"
    assert run("build", sites / "a", sites / "c", "-o", out).exit_code == 0
    return out


def test_a_site_of_a_batch_is_drawn(built: Path, tmp_path: Path) -> None:
    drawn = run("draw", built, "-o", tmp_path / "plan.png", "--site", "QH-031")
    assert drawn.exit_code == 0, drawn.output
    assert CAUTION in " ".join(drawn.stdout.split())
    assert (tmp_path / "plan.png").read_bytes().startswith(b"\x89PNG")


def test_a_picture_that_is_there_is_kept_unless_replacing_is_asked_for(
    built: Path, tmp_path: Path
) -> None:
    picture = tmp_path / "plan.svg"
    picture.write_text("precious")
    asked = ("draw", built, "-o", picture, "--site", "QH-031")
    refused = run(*asked)
    assert refused.exit_code == 2
    assert "--replace" in refused.output
    assert run(*asked, "--replace").exit_code == 2
    assert picture.read_text() == "precious"
    picture.unlink()
    assert run(*asked).exit_code == 0
    assert run(*asked, "--replace").exit_code == 0
    assert "<svg" in picture.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "said"), [((), "holds 2 sites"), (("--site", "QH-1"), "no site 'QH-1'")]
)
def test_drawing_asks_which_site_and_names_them(
    built: Path, tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    refused = run("draw", built, "-o", tmp_path / "plan.png", *arguments)
    assert refused.exit_code == 2
    words = " ".join(refused.output.split())
    assert said in words
    assert "QH-022, QH-031" in words
    assert list(tmp_path.iterdir()) == []


def test_a_picture_of_another_kind_is_refused_before_drawing(built: Path, tmp_path: Path) -> None:
    refused = run("draw", built, "-o", tmp_path / "plan.bmp", "--site", "QH-031")
    assert refused.exit_code == 2
    assert ".png, .svg, .pdf; got 'plan.bmp'" in " ".join(refused.stderr.split())


def test_drawing_anything_else_is_refused(sites: Path, tmp_path: Path) -> None:
    refused = run("draw", sites / "a", "-o", tmp_path / "plan.png")
    assert refused.exit_code == 2
    assert "no output of lateralline build" in " ".join(refused.output.split())


# ---- sites and the terminal ---------------------------------------------------------------


def test_a_workbook_stands_for_its_folder(sites: Path, tmp_path: Path) -> None:
    shutil.copytree(sites / "a", tmp_path / "a")
    (tmp_path / "a" / "book.xlsx").write_bytes(b"")
    assert report.find_sites([tmp_path / "a" / "book.xlsx"]) == [tmp_path / "a"]


def test_a_folder_of_sites_gives_them_in_order_and_once(sites: Path) -> None:
    (sites / ".hidden").mkdir(exist_ok=True)
    found = report.find_sites([sites, sites / "a"])
    assert found == [sites / "a", sites / "b", sites / "c"]


@pytest.mark.parametrize("command", ["build", "check"])
def test_no_site_is_refused_before_anything_runs(tmp_path: Path, command: str) -> None:
    out = ("-o", tmp_path / "out") if command == "build" else ()
    refused = run(command, tmp_path, *out)
    assert refused.exit_code == 2
    assert "lateralline new" in " ".join(refused.output.split())
    assert run(command, tmp_path / "nowhere", *out).exit_code == 2


def test_progress_is_shown_on_a_terminal_only(sites: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def shown(terminal: bool) -> str:
        out = io.StringIO()
        fake = Console(file=out, force_terminal=terminal, width=100)
        monkeypatch.setattr(report, "console", lambda: fake)
        pair = [sites / "b", sites / "c"]
        with report.reported(pair, report.Outcome(), report.Manner()) as on_site:
            api.check(pair, on_site=on_site)
        return out.getvalue()

    assert "2/2" in shown(terminal=True)
    plain = shown(terminal=False)
    assert "2/2" not in plain
    assert "\x1b" not in plain


def test_the_console_is_no_terminal_under_a_pipe() -> None:
    assert not console().is_terminal
