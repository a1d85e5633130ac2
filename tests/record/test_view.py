"""A view of a record is in metres on the ground, whatever the grid of its file does to lengths."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from math import dist
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf.filemanagement import readfile

from lateralline import contract
from lateralline.draw import symbols
from lateralline.draw.sheet import SheetOptions, draw_picture
from lateralline.errors import ContractError
from lateralline.page import write_page
from lateralline.page.places import PairRow
from lateralline.record import rows
from lateralline.record.lineage import read_lineage
from lateralline.record.profile import line_profile
from lateralline.record.rows import LayerRow, columns_of
from lateralline.record.symbology import style_of
from lateralline.record.view import read_record
from lateralline.write.dxf import write_dxf

MakeSite = Callable[..., Any]
KINDS = [*(k for k in vars(rows).values() if hasattr(k, "layer")), PairRow]
PIPE = symbols.line_look(style_of("pipe_segments").rule[0].symbol)
#: At 40.6° north a grid unit of Web Mercator is 0.76 m on the ground.
MERCATOR = "EPSG:3857"


@pytest.fixture
def two_metres(sheets: Any, make_site: MakeSite, tmp_path: Path) -> Path:
    """A record in Web Mercator whose one segment is 2 m long."""
    pipe = np.full(4, None, dtype=object)
    ends = [(1.0, 2.0, 98.0), (1.0 + 2 * np.cos(0.3), 2.0 + 2 * np.sin(0.3), 98.0)]
    pipe[0] = shapely.LineString(ends)
    shape = ["straight", "bend", "two_bends", "bend"]
    site = sheets.changed(make_site(), "pipe_segments", geometry=pipe, shape=shape)
    made: Path = sheets.built(tmp_path / "out", site, crs=MERCATOR)
    return made


def test_web_mercator_is_stretched_in_the_file(two_metres: Path) -> None:
    """What the other tests would be blind to: the file's own lengths are a third too long."""
    file = pyogrio.read_dataframe(two_metres, layer="pipe_segments").geometry.dropna()
    assert file.length.iloc[0] > 2.6
    view = read_record(two_metres)
    assert view.layers["pipe_segments"].geometry.dropna().length.iloc[0] == pytest.approx(
        2.0, rel=1e-4
    )


def test_picture_and_sheet_are_true_to_their_scale_and_bar_in_web_mercator(
    sheets: Any, two_metres: Path, tmp_path: Path
) -> None:
    """Lengths on paper, read back from the PDF, against the scale and the bar drawn with them."""
    figure = sheets.first_page(read_record(two_metres), SheetOptions("A3"), tmp_path / "sheet.pdf")
    said = [t.get_text() for t in sheets.texts_of(figure)]
    draw_picture(two_metres, "", tmp_path / "picture.pdf")
    ratio = next(float(m[1]) for t in said if (m := re.match(r"scale .*?1:(\d+)", t)))
    bar = next(m for t in said if (m := re.fullmatch(r"([\d.]+) (m|ft|us-ft)", t)))
    metres = float(bar[1]) * {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}[bar[2]]
    for name in ("sheet.pdf", "picture.pdf"):
        pieces = sheets.strokes(tmp_path / name, PIPE["color"], PIPE["lw"])
        (drawn,) = {round(dist(*p), 3) for p in pieces if len(p) == 2} - {8.0}  # the key's sample
        parts = [
            p
            for p in sheets.strokes(tmp_path / name, symbols.INK, 0.4)
            if len(p) == 4 and np.ptp(p[:, 1]) == pytest.approx(1.3, abs=1e-3)
        ]
        whole = float(np.ptp(np.vstack(parts)[:, 0]))
        assert drawn / whole == pytest.approx(2.0 / metres, rel=1e-3), name
        if name == "sheet.pdf":
            assert drawn == pytest.approx(2_000.0 / ratio, rel=1e-3)


def test_a_page_counts_metres_on_the_ground_in_web_mercator(
    two_metres: Path, tmp_path: Path
) -> None:
    """Its ticks and its ruler read the coordinates of its plan."""
    write_page(two_metres, "", tmp_path / "p.html")
    html = (tmp_path / "p.html").read_text(encoding="utf-8")
    found = re.search(r'<script[^>]*id="data"[^>]*>(.*?)</script>', html, re.S)
    assert found is not None
    data = json.loads(found[1])
    first, second = data["places"]["stops"][:2]
    apart = np.hypot(second["x"] - first["x"], second["y"] - first["y"])
    assert apart == pytest.approx(np.hypot(3.0, 0.37), rel=1e-3)  # as they were made


def test_ellipses_are_as_large_and_lie_as_in_the_record(
    sheets: Any, make_site: MakeSite, tmp_path: Path
) -> None:
    """Against the same record in its own grid, whose directions need no turn."""
    own = read_record(sheets.built(tmp_path / "own", make_site()))
    other = read_record(sheets.built(tmp_path / "other", make_site(), crs="EPSG:32616"))
    assert own.ground.turn_deg == 0.0
    assert abs(other.ground.turn_deg) > 1.0
    a, b = (np.array([(f.geometry.x, f.geometry.y) for f in v.fixes if f.geometry])
            for v in (own, other))  # fmt: skip
    way_a, way_b = a[-1] - a[0], b[-1] - b[0]
    turned = np.degrees(np.arctan2(*way_b) - np.arctan2(*way_a))
    assert other.ground.turn_deg == pytest.approx(turned, abs=0.01)
    for f, g in zip(own.fixes, other.fixes, strict=True):
        assert (g.ellipse_azimuth_deg - f.ellipse_azimuth_deg - turned + 90) % 180 == pytest.approx(
            90.0, abs=0.02
        ) or np.isnan(f.ellipse_azimuth_deg)
    for m, n in zip(own.nodes, other.nodes, strict=True):
        if m.east_sigma_m * m.north_sigma_m > abs(
            m.east_north_covariance_m2
        ):  # made up, and not all of it can be
            before = np.array(
                [
                    [m.east_sigma_m**2, m.east_north_covariance_m2],
                    [m.east_north_covariance_m2, m.north_sigma_m**2],
                ]
            )
            after = np.array(
                [
                    [n.east_sigma_m**2, n.east_north_covariance_m2],
                    [n.east_north_covariance_m2, n.north_sigma_m**2],
                ]
            )
            assert np.linalg.eigvalsh(after) == pytest.approx(np.linalg.eigvalsh(before), rel=1e-3)


def test_an_ellipse_in_cad_is_in_units_of_the_grid(two_metres: Path, tmp_path: Path) -> None:
    """A third longer in Web Mercator than on the ground, as all else in that drawing."""
    write_dxf(two_metres, tmp_path / "a.dxf")
    ellipses = readfile(tmp_path / "a.dxf").modelspace().query("ELLIPSE")
    drawn = sorted(e.dxf.major_axis.magnitude for e in ellipses)
    view = read_record(two_metres)
    known = [f.ellipse_major_95_m for f in view.fixes if f.geometry and f.ellipse_minor_95_m > 0.0]
    per_unit = float(view.ground.metres_per_unit[0, 0])
    assert per_unit < 0.8
    assert drawn == pytest.approx(sorted(k / per_unit for k in known if np.isfinite(k)), rel=1e-2)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_rows_have_the_names_and_types_that_the_contract_declares(kind: type[LayerRow]) -> None:
    known = {"text": "TextColumn", "boolean": "FlagColumn", "date": "DateColumn"}
    known["bytes"] = "BytesColumn"
    known |= dict.fromkeys(("real", "integer"), "RealColumn")
    declared = {c.name: known.get(c.type, "") for c in contract.load(kind.layer).field}
    declared["geometry"] = "ShapeColumn" if contract.load(kind.layer).geometry else ""
    read = {name: type(column).__name__ for name, column in columns_of(kind).items()}
    assert read == {name: declared[name] for name in read}


def test_what_was_read_of_a_file_cannot_be_changed(practice: dict[str, Path]) -> None:
    fix = read_record(practice["tape-ties"]).fixes[0]
    with pytest.raises(AttributeError, match="transmitter_depth_m is read from a file"):
        fix.transmitter_depth_m = 9.0


def test_an_older_file_without_a_column_reads_as_not_known(
    practice: dict[str, Path],
) -> None:
    view = read_record(practice["tape-ties"])
    nodes = view.layers["pipe_nodes"].drop(columns=["position_95_m", "nearest_fitting"])
    older = replace(view, layers={**view.layers, "pipe_nodes": nodes})
    assert all(np.isnan(n.position_95_m) and n.nearest_fitting == "" for n in older.nodes)
    assert len(line_profile(older, view.lines[0]).nodes) == len(
        line_profile(view, view.lines[0]).nodes
    )


def test_an_edited_number_of_the_lineage_is_refused_by_name() -> None:
    with pytest.raises(ContractError, match="accuracy tape_m must be a number; got '1 cm'"):
        read_lineage([("parameter", "accuracy tape_m", "1 cm")])
