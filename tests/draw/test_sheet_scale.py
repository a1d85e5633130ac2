"""A sheet measures true: lengths are read back from the PDF's own drawing operators.

Paper sizes: ISO 216 A3, A4; letter 8½ × 11 in, tabloid 11 × 17 in (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from math import dist
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from lateralline.draw import symbols
from lateralline.draw.paper import PaperScale, parse_scale
from lateralline.draw.sheet import SheetOptions
from lateralline.record.symbology import style_of
from lateralline.record.view import read_record

MakeSite = Callable[..., Any]
PIPE = symbols.line_look(style_of("pipe_segments").rule[0].symbol)
PLUMB = symbols.sign_look("plumb")
MM = 25.4 / 72.0
NEW_YORK = {"horizontal": "EPSG:2263", "x": 985_000.0, "y": 200_000.0}  # US survey feet
ARIZONA = {"horizontal": "EPSG:2222", "x": 700_000.0, "y": 900_000.0}  # international feet


def ten_metres(sheets: Any, make_site: MakeSite, **options: Any) -> Any:
    """A made-up site whose one pipe is 10 m long, to the east-north-east."""
    site = make_site(**options)
    z = 98.0
    ends = [(1.0, 2.0, z), (1.0 + 10 * np.cos(0.3), 2.0 + 10 * np.sin(0.3), z)]
    pipe = np.full(4, None, dtype=object)
    pipe[0] = shapely.LineString(ends)
    shape = ["straight", "bend", "two_bends", "bend"]
    return sheets.changed(site, "pipe_segments", geometry=pipe, shape=shape)


@pytest.mark.parametrize(
    ("paper", "way", "options", "crs", "scale", "mm"),
    [
        ("A4", "portrait", {"horizontal": "local", "x": 0.0, "y": 0.0}, None, "1:100", 100.0),
        ("A4", "landscape", {}, None, "1:80", 125.0),
        ("A3", "portrait", {}, "EPSG:3857", "1:200", 50.0),
        ("A3", "landscape", {}, "EPSG:4326", "1:75", 10_000.0 / 75.0),
        ("letter", "portrait", NEW_YORK, None, "1in=10ft", 10_000.0 / 120.0),
        ("tabloid", "landscape", NEW_YORK, None, "1in=8ft", 10_000.0 / 96.0),
        ("tabloid", "portrait", ARIZONA, None, "1in=20ft", 10_000.0 / 240.0),
    ],
    ids=["sketch", "UTM", "Web Mercator", "degrees", "us-ft", "us-ft, large", "international feet"],
)
def test_ten_metres_of_pipe_measure_ten_metres_to_scale(
    sheets: Any,
    make_site: MakeSite,
    tmp_path: Path,
    paper: str,
    way: Any,
    options: dict[str, Any],
    crs: str | None,
    scale: str,
    mm: float,
) -> None:
    """Whatever the file's coordinates do to lengths, and whatever its unit."""
    gpkg = sheets.built(tmp_path / "out", ten_metres(sheets, make_site, **options), crs=crs)
    asked = SheetOptions(paper, way, parse_scale(scale))
    sheets.first_page(read_record(gpkg, ""), asked, tmp_path / "s.pdf")
    strokes = sheets.strokes(tmp_path / "s.pdf", PIPE["color"], PIPE["lw"])
    drawn = [dist(*p) for p in strokes if len(p) == 2]
    # The key's sample of a pipe, and the one segment there is. 0.001 mm is what the PDF's decimals
    # leave, 2e-5 what the ellipsoidal height is not known by.
    assert drawn.count(pytest.approx(8.0)) == 1
    assert drawn.count(pytest.approx(mm, abs=1e-3, rel=2e-5)) == 1


@pytest.mark.parametrize("scale", ["", "1:100", "1in=20ft"])
@pytest.mark.parametrize("name", ["tape-ties", "local-sketch"])
def test_the_scale_bar_is_as_long_as_it_says_in_the_crews_unit(
    sheets: Any, practice: dict[str, Path], tmp_path: Path, name: str, scale: str
) -> None:
    site = read_record(practice[name], "")
    asked = SheetOptions("letter", scale=parse_scale(scale) if scale else None)
    figure = sheets.first_page(site, asked, tmp_path / "s.pdf")
    said = [t.get_text() for t in sheets.texts_of(figure)]
    (length,) = filter(None, (re.fullmatch(r"([\d.]+) (m|ft|us-ft)", t) for t in said))
    assert length[2] == site.unit == {"tape-ties": "ft", "local-sketch": "m"}[name]
    (ratio,) = {m[1] for t in said if (m := re.match(r"scale .*?1:(\d+)", t))}
    bars = [p for p in sheets.strokes(tmp_path / "s.pdf", symbols.INK, 0.4)
            if len(p) == 4 and np.ptp(p[:, 1]) == pytest.approx(1.3, abs=1e-3)]  # fmt: skip
    assert len(bars) == 4
    metres = float(length[1]) * {"ft": 0.3048, "m": 1.0}[length[2]]
    whole = np.ptp(np.vstack(bars)[:, 0])
    assert whole == pytest.approx(1000.0 * metres / float(ratio), abs=1e-3)


def test_a_profile_is_to_both_its_scales(
    sheets: Any, practice: dict[str, Path], tmp_path: Path
) -> None:
    """Each stop's plumb line is as long, and as far from the next, as the record says."""
    site = read_record(practice["tape-ties"], "")
    figure = sheets.first_page(site, SheetOptions("A3"), tmp_path / "s.pdf")
    said = " ".join(t.get_text() for t in sheets.texts_of(figure))
    ratios = re.search(
        r"profile 1 in = \S+ ft \(1:(\d+)\) along, 1 in = \S+ ft \(1:(\d+)\) up", said
    )
    assert ratios is not None
    along, up = map(float, ratios.groups())
    assert along >= up
    fixes = site.layers["transmitter_fixes"].sort_values("chainage_m")
    plumb = sorted(
        (p for p in sheets.strokes(tmp_path / "s.pdf", PLUMB["color"], PLUMB["lw"]) if len(p) == 2),
        key=lambda p: float(p[0, 0]),
    )
    assert len(plumb) == len(fixes)
    heights = [np.ptp(p[:, 1]) for p in plumb]
    depths = (fixes["ground_level_m"] - fixes["transmitter_level_m"]).to_numpy(dtype=float)
    assert heights == pytest.approx(1000.0 * depths / up, abs=2e-3)
    steps = np.diff([p[0, 0] for p in plumb])
    assert steps == pytest.approx(1000.0 * np.diff(fixes["chainage_m"]) / along, abs=2e-3)


@pytest.mark.parametrize(
    ("paper", "size"),
    [
        ("A4", (210, 297)),
        ("A3", (297, 420)),
        ("letter", (215.9, 279.4)),
        ("tabloid", (279.4, 431.8)),
    ],
)
def test_papers_have_their_size_and_scales_are_round(
    sheets: Any, make_site: MakeSite, tmp_path: Path, paper: str, size: tuple[float, float]
) -> None:
    site = read_record(sheets.built(tmp_path / "out", make_site()), "")
    way = "portrait" if paper in ("A4", "tabloid") else "landscape"
    figure = sheets.first_page(site, SheetOptions(paper, way), tmp_path / "s.pdf")
    wanted = size if way == "portrait" else size[::-1]
    media = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", (tmp_path / "s.pdf").read_bytes())
    assert media is not None
    assert [float(v) * MM for v in media.groups()] == pytest.approx(wanted, abs=1e-4)
    said = " ".join(t.get_text() for t in sheets.texts_of(figure))
    feet = re.search(r"scale 1 in = ([\d.]+) ft \(1:(\d+)\)", said)  # the crew's tape is in us-ft
    assert feet is not None
    assert float(feet[1]) * 12 == float(feet[2])


def test_scales_are_read_as_they_are_written() -> None:
    assert parse_scale("1:100") == parse_scale("100") == PaperScale(100.0)
    assert parse_scale("1\" = 20'") == parse_scale("1in=20ft") == PaperScale(240.0, True)
    for text in ("", "1:0", "1:-5", "1in=0ft", "twenty", "1:1:1"):
        with pytest.raises(ValueError, match=r"1:100 or 1in=20ft"):
            parse_scale(text)
