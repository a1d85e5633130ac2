"""Operations between datums: grids of the user's own, zero shifts by consent, epochs, accuracy."""

from __future__ import annotations

import hashlib
import struct
from dataclasses import replace
from math import hypot, isnan, nan
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Transformer
from pyproj.transformer import AreaOfInterest
from scipy.stats import chi2

from lateralline import contract
from lateralline.derive.adapted import PLAN_95S, PLAN_SIGMAS, ZONES, shifted
from lateralline.errors import FrameError
from lateralline.frames import PLAN_95, Operation, levels_by_grid, operations, site_frame
from lateralline.frames.operations import GRIDS_VARIABLE, OperationTerms, apply, best
from lateralline.frames.systems import with_levels
from lateralline.place.levels import with_levels_of_gnss
from lateralline.record import layers
from lateralline.settings import Georeference
from lateralline.write.target import Target
from tests.support.finding_names import called

OSTN15 = "OSTN15_NTv2_OSGBtoETRS.gsb"
LONDON = (530_000.0, 180_000.0)
NO_DATUM = "+proj=tmerc +lat_0=45 +lon_0=9 +ellps=bessel +units=m +type=crs"


def ntv2(north_s: float, east_s: float) -> bytes:
    """A grid over 49–53° N, 4° W–1° E that shifts everything alike, in seconds of arc.

    Format from memory of NTv2 (Geomatics Canada); PROJ reads it, which is the check.
    """

    def text(word: str) -> bytes:
        return word.ljust(8).encode()

    def numbers(**values: float) -> bytes:
        return b"".join(text(k) + struct.pack("<d", v) for k, v in values.items())

    def whole(**values: int) -> bytes:
        return b"".join(text(k) + struct.pack("<ii", v, 0) for k, v in values.items())

    rows, columns = 9, 11
    head = whole(NUM_OREC=11, NUM_SREC=11, NUM_FILE=1) + text("GS_TYPE") + text("SECONDS")
    head += text("VERSION") + text("NTv2") + text("SYSTEM_F") + text("A") + text("SYSTEM_T")
    head += text("B")
    head += numbers(MAJOR_F=6377563.396, MINOR_F=6356256.909)
    head += numbers(MAJOR_T=6378137.0, MINOR_T=6356752.314)
    head += text("SUB_NAME") + text("X") + text("PARENT") + text("NONE")
    head += text("CREATED") + text("1") + text("UPDATED") + text("1")
    head += numbers(S_LAT=49 * 3600.0, N_LAT=53 * 3600.0, E_LONG=-3600.0, W_LONG=4 * 3600.0)
    head += numbers(LAT_INC=1800.0, LONG_INC=1800.0)
    head += whole(GS_COUNT=rows * columns)
    node = struct.pack("<4f", north_s, -east_s, 0.01, 0.01)  # west counts positive
    return head + node * (rows * columns) + text("END") + struct.pack("<d", 0.0)


def gtx(south: float, west: float, metres: float) -> bytes:
    """A geoid grid of 4° × 4° with one height everywhere; format from memory of VDatum's GTX."""
    rows = columns = 17
    head = struct.pack(">4d2i", south, west, 0.25, 0.25, rows, columns)
    return head + struct.pack(">f", metres) * (rows * columns)


@pytest.fixture
def grids(tmp_path: Path) -> Path:
    folder = tmp_path / "grids"
    folder.mkdir()
    return folder


def test_published_accuracy_is_taken_as_one_sigma_on_each_axis() -> None:
    """2.4477: √ of the 95 % point of χ² with two degrees of freedom (scipy)."""
    assert pytest.approx(np.sqrt(chi2.ppf(0.95, 2)), rel=1e-12) == PLAN_95
    operation = Operation("a", "b", "a to b", 2.0, False, False, ())
    assert operation.shift_95_m == pytest.approx(4.8955, abs=1e-4)
    assert isnan(replace(operation, accuracy_m=nan).shift_95_m)


def test_a_grid_of_the_users_own_is_found_used_and_hashed(make_site, grids: Path) -> None:
    """The file's own shift comes out, and PROJ's better operation is no longer missing."""
    data = ntv2(1.8, -5.5)
    (grids / OSTN15).write_bytes(data)
    record = make_site(horizontal="EPSG:27700", x=LONDON[0], y=LONDON[1]).record
    without = site_frame(record)
    said = replace(record.settings, georeference=Georeference(grids=str(grids)))
    frame = site_frame(replace(record, settings=said))
    (operation,) = frame.operations
    assert (operation.accuracy_m, operation.better_unavailable) == (1.0, ())
    assert operation.grids_used == ((OSTN15, hashlib.sha256(data).hexdigest()),)
    assert without.operations[0].accuracy_m == 2.0
    assert any("OSTN15" in missing for missing in without.operations[0].better_unavailable)
    here = np.zeros((1, 3))
    x, y = frame.to_site_crs(here)[0, :2]
    own = Transformer.from_crs("EPSG:27700", "EPSG:4277", always_xy=True).transform(x, y)
    moved = (frame.to_lonlat(here)[0] - own) * 3600.0
    assert moved == pytest.approx([-5.5, 1.8], abs=1e-4)
    # and a site that names no folder is not helped by the one before it
    assert site_frame(record).operations[0].accuracy_m == 2.0


def test_grids_for_all_sites_come_by_the_environment(
    make_site, grids: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (grids / OSTN15).write_bytes(ntv2(1.8, -5.5))
    record = make_site(horizontal="EPSG:27700", x=LONDON[0], y=LONDON[1]).record
    monkeypatch.setenv(GRIDS_VARIABLE, str(grids))
    assert site_frame(record).operations[0].accuracy_m == 1.0
    monkeypatch.delenv(GRIDS_VARIABLE)
    assert site_frame(record).operations[0].accuracy_m == 2.0


def test_a_zero_shift_needs_consent_and_a_stated_accuracy(make_site) -> None:
    record = make_site(horizontal=NO_DATUM, x=100.0, y=200.0).record
    refused = site_frame(record)
    assert {f.severity for f in refused.findings if called(f) == "datum-shift-unknown"} == {"error"}
    with pytest.raises(FrameError, match="no one has accepted"):
        refused.to_lonlat(np.zeros((1, 3)))
    only_accuracy = Georeference(shift_accuracy_m=2.0)
    still = site_frame(
        replace(record, settings=replace(record.settings, georeference=only_accuracy))
    )
    assert not still.operations[0].usable
    accepted = Georeference(accept_zero_shift=True, shift_accuracy_m=2.0)
    frame = site_frame(replace(record, settings=replace(record.settings, georeference=accepted)))
    (operation,) = frame.operations
    assert (operation.usable, operation.ballpark, operation.accuracy_m) == (True, True, 2.0)
    (finding,) = [f for f in frame.findings if f.code.startswith("datum-shift")]
    assert (finding.severity, called(finding)) == ("warning", "datum-shift-error/accepted")
    assert (finding.values["stated"], finding.values["accuracy_m"]) == (True, 2.0)
    # the same latitude and longitude as on the grid's own datum: the shift is zero
    x, y = frame.to_site_crs(np.zeros((1, 3)))[0, :2]
    base = CRS(NO_DATUM).geodetic_crs
    own = Transformer.from_crs(NO_DATUM, base, always_xy=True).transform(x, y)
    assert frame.to_lonlat(np.zeros((1, 3)))[0] == pytest.approx(own, abs=1e-9)


def test_a_geoid_taken_for_the_ellipsoid_is_beyond_consent() -> None:
    """Tens of metres in height: no accuracy of a shift in plan covers that."""
    terms = OperationTerms(accept_zero_shift=True, shift_accuracy_m=2.0)
    area = AreaOfInterest(-81.4, 42.1, -81.3, 42.2)
    _, operation = best(CRS("EPSG:6318").to_3d(), CRS("EPSG:6318+5703"), area, terms)
    assert operation.ballpark
    assert not operation.usable
    assert any("g2018u0" in grid for grid in operation.grids_missing)


def test_a_shift_of_unknown_accuracy_takes_the_one_the_site_states(make_site) -> None:
    text = NO_DATUM.replace(" +type", " +towgs84=598.1,73.7,418.2,0.202,0.045,-2.455,6.7 +type")
    record = make_site(horizontal=text, x=100.0, y=200.0).record
    assert isnan(site_frame(record).operations[0].accuracy_m)
    said = replace(record.settings, georeference=Georeference(shift_accuracy_m=1.5))
    (operation,) = site_frame(replace(record, settings=said)).operations
    assert (operation.accuracy_m, operation.stated, operation.ballpark) == (1.5, True, False)


# ---- time -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "target", "x", "y", "speed_m"),
    [
        ("EPSG:9000", "EPSG:7844", 144.0, -37.0, (0.055, 0.075)),  # ITRF2014 → GDA2020
        ("EPSG:9000", "EPSG:9069", 9.0, 50.0, (0.020, 0.030)),  # ITRF2014 → ETRF2014
        ("EPSG:9000", "EPSG:6318", -81.4, 42.1, (0.010, 0.025)),  # ITRF2014 → NAD83(2011)
    ],
)
def test_plates_move_between_epochs(
    make_site, source: str, target: str, x: float, y: float, speed_m: tuple[float, float]
) -> None:
    """Australia some 7 cm a year, Europe 2.5 cm, North America 1.5–2 cm (from memory)."""
    record = make_site(horizontal=source, x=x, y=y).record
    control = replace(record.control, x=record.control.x[:1] + np.array([0.0, 1e-5]))
    there = []
    for epoch in (2020.0, 2030.0):
        settings = replace(record.settings, epoch=epoch)
        frame = site_frame(replace(record, control=control, settings=settings))
        operation = frame.operation_to(target)
        assert operation.time_dependent
        assert operation.usable
        there.append(frame.to_crs(np.zeros((1, 3)), target)[0, :2])
        assert frame.describe()["coordinate_epoch"] == epoch
    (lon_a, lat_a), (lon_b, lat_b) = there
    moved_m = Geodesic.WGS84.Inverse(lat_a, lon_a, lat_b, lon_b)["s12"]
    assert speed_m[0] <= moved_m / 10.0 <= speed_m[1]


@pytest.mark.parametrize("horizontal", ["EPSG:9000", "EPSG:9990"])  # ITRF2014, ITRF2020
@pytest.mark.parametrize("place", [(144.0, -37.0), (-81.4, 42.1), (9.0, 50.0), (28.0, -26.0)])
@pytest.mark.parametrize("epoch", [None, 2026.35])
def test_a_world_frame_has_longitude_and_latitude_everywhere(
    make_site, horizontal: str, place: tuple[float, float], epoch: float | None
) -> None:
    """ITRF to the WGS 84 ensemble: EPSG rates the ensemble itself at 2 m (datum 6326), no better.

    Within an area PROJ sees only ways by way of missing grids, which are no help.
    """
    record = make_site(horizontal=horizontal, x=place[0], y=place[1]).record
    control = replace(record.control, x=record.control.x[:1] + np.array([0.0, 1e-5]))
    settings = replace(record.settings, epoch=epoch)
    frame = site_frame(replace(record, control=control, settings=settings))
    (operation,) = frame.operations
    assert operation.usable
    assert not operation.ballpark
    assert operation.accuracy_m == pytest.approx(2.0, abs=0.02)
    assert operation.grids_missing == ()
    assert not operation.undated
    lonlat = frame.to_lonlat(np.zeros((1, 3)))[0]
    assert lonlat == pytest.approx(frame.to_site_crs(np.zeros((1, 3)))[0, :2], abs=3e-5)
    assert not [f for f in frame.findings if f.severity == "error"]


def test_without_an_epoch_nobody_knows_how_good_a_time_dependent_way_is(make_site) -> None:
    """Australia has moved 0.4 m since 2020: 0.03 m, as published, would be false confidence."""
    record = make_site(horizontal="EPSG:9000", x=133.0, y=-25.0).record
    control = replace(record.control, x=record.control.x[:1] + np.array([0.0, 1e-5]))
    record = replace(record, control=control)
    undated = site_frame(record)
    operation = undated.operation_to("EPSG:7853")
    assert operation.time_dependent
    assert isnan(operation.accuracy_m)
    assert "without a coordinate epoch" in operation.off_by_text
    dated = site_frame(replace(record, settings=replace(record.settings, epoch=2026.35)))
    there = dated.operation_to("EPSG:7853")
    assert (there.accuracy_m, there.undated, there.zero_shift) == (0.03, False, False)
    here = np.zeros((1, 3))
    apart = undated.to_crs(here, "EPSG:7853") - dated.to_crs(here, "EPSG:7853")
    assert hypot(*apart[0, :2]) > 10.0 * PLAN_95 * 0.03 / 2.0  # what would have been claimed
    # the site's own word is taken instead, as for any other shift of unknown accuracy
    said = replace(record.settings, georeference=Georeference(shift_accuracy_m=0.6))
    stated = site_frame(replace(record, settings=said)).operation_to("EPSG:7853")
    assert (stated.accuracy_m, stated.stated) == (0.6, True)


def test_files_in_a_crs_reached_without_an_epoch_hold_no_zone(make_site) -> None:
    site = make_site(horizontal="EPSG:9000", x=133.0, y=-25.0)
    control = replace(site.record.control, x=np.array([133.0, 133.00001]))
    record = replace(site.record, control=control)
    frame = site_frame(record)
    target = Target(CRS("EPSG:7853"))
    said = target.site(frame)
    assert isnan(said.off_95_m)
    codes = {called(f): f for f in said.findings}
    assert codes["datum-shift-error/other-crs"].severity == "warning"
    assert "left out" in codes["datum-shift-error/other-crs"].by_how_much
    assert "an unknown distance:" in target.after(said).remark
    tables = layers.to_tables(site.products, record, frame, said.crs)
    assert not any(tables[layer].num_rows for layer in ZONES)
    rows = {r["item"]: r for r in tables["lineage"].to_pylist()}
    assert "no coordinate epoch" in rows["coordinate system of GeoPackage"]["value"]
    assert rows["ITRF2014 to GDA2020 / MGA zone 53"]["accuracy_m"] is None


def test_an_epoch_is_not_needed_where_another_way_does_without(make_site) -> None:
    """ITRF2020 to WGS 84 in North America: by NAD83(2011) and time, or straight."""
    area = AreaOfInterest(-81.4, 42.1, -81.35, 42.15)
    for dated in (False, True):
        _, operation = best(CRS("EPSG:9990"), CRS("EPSG:4326"), area, OperationTerms(dated=dated))
        assert operation.time_dependent == dated
        assert operation.accuracy_m == pytest.approx(2.0, abs=0.02)


# ---- grids that are damaged -------------------------------------------------------------------


@pytest.mark.parametrize("data", [b"", b"junk", ntv2(1.8, -5.5)[:300]])
def test_a_grid_that_cannot_be_read_is_named_with_its_path(
    make_site, grids: Path, data: bytes
) -> None:
    (grids / OSTN15).write_bytes(data)
    (grids / "sound.gtx").write_bytes(gtx(41.0, -83.0, -33.5))
    (grids / "readme.txt").write_text("no grid")
    record = make_site(horizontal="EPSG:27700", x=LONDON[0], y=LONDON[1]).record
    said = replace(record.settings, georeference=Georeference(grids=str(grids)))
    with pytest.raises(FrameError) as caught:
        site_frame(replace(record, settings=said))
    message = str(caught.value)
    assert f"{grids / OSTN15} ({len(data)} bytes)" in message
    assert "put whole copies there" in message
    assert "sound.gtx" not in message
    assert "readme" not in message
    assert site_frame(record).operations[0].accuracy_m == 2.0  # others go on without it


def test_a_grid_cut_short_is_named_when_it_runs_out(make_site, grids: Path) -> None:
    data = ntv2(1.8, -5.5)
    (grids / OSTN15).write_bytes(data[: len(data) // 2])
    record = make_site(horizontal="EPSG:27700", x=LONDON[0], y=LONDON[1]).record
    said = replace(record.settings, georeference=Georeference(grids=str(grids)))
    with pytest.raises(FrameError, match=f"cut short: {OSTN15}"):
        site_frame(replace(record, settings=said)).to_lonlat(np.zeros((1, 3)))


# ---- heights --------------------------------------------------------------------------------


def test_a_geoid_grid_makes_levels_of_heights(make_site, grids: Path) -> None:
    """Lake Erie, geoid 33.5 m below the ellipsoid everywhere: level = height + 33.5."""
    (grids / "g2018u0.gtx").write_bytes(gtx(41.0, -83.0, -33.5))
    record = make_site(horizontal="EPSG:6318", vertical="EPSG:6360", x=-81.4, y=42.1).record
    control = replace(record.control, x=np.array([-81.4, -81.3999]))
    said = replace(record.settings, georeference=Georeference(grids=str(grids)))
    frame = site_frame(replace(record, control=control, settings=said))
    height = np.array([140.0, nan])
    level, operation = levels_by_grid(frame, control.x, control.y, height)
    assert level[0] == pytest.approx(173.5, abs=1e-3)
    assert isnan(level[1])
    assert operation.grids_used[0][0] == "g2018u0.gtx"
    bare = site_frame(replace(record, control=control))
    none, missing = levels_by_grid(bare, control.x, control.y, height)
    assert np.isnan(none).all()
    assert not missing.usable


def test_heights_by_a_way_of_unknown_accuracy_are_no_levels(make_site, grids: Path) -> None:
    """From ITRF2014 without an epoch, by way of NAD83(2011) and its geoid: the epoch decides."""
    (grids / "g2018u0.gtx").write_bytes(gtx(41.0, -83.0, -33.5))
    record = make_site(horizontal="EPSG:9000", vertical="EPSG:5703", x=-81.4, y=42.1).record
    control = replace(record.control, x=np.array([-81.4, -81.3999]))
    where = Georeference(grids=str(grids), gnss_heights="ellipsoidal")
    said = replace(record.settings, georeference=where)
    record = replace(record, control=control, settings=said)
    for epoch in (None, 2026.35):
        dated = replace(record, settings=replace(said, epoch=epoch))
        height = np.array([140.0])
        level, operation = levels_by_grid(site_frame(dated), *np.array([[-81.4], [42.1]]), height)
        assert operation.undated == (epoch is None)
        assert isnan(level[0]) == (epoch is None)
        codes = {called(f): f for f in with_levels_of_gnss(dated)[2]}
        if epoch is None:
            assert codes["geoid-missing/unpublished"].variant == "undated"
        else:
            assert "geoid-used/grid" in codes


# ---- what an operation does to layers -------------------------------------------------------


def widths(tables, layer: str) -> np.ndarray:
    return np.array(tables[layer]["crs_shift_95_m"].to_pylist())


def test_zones_in_another_frame_are_wider_by_what_it_may_be_off(make_site) -> None:
    """British grid to WGS 84 without its grid: 2 m, so 4.9 m all round; nothing in its own CRS."""
    site = make_site(horizontal="EPSG:27700", x=LONDON[0], y=LONDON[1])
    # zeros are what derive says of a zone in the site's own frame
    products = tuple(
        replace(p, columns=p.columns | {"crs_shift_95_m": [0.0] * len(p.geometry)})
        if p.layer in ZONES
        else p
        for p in site.products
    )
    own = layers.to_tables(products, site.record, site.frame)
    lonlat = layers.to_lonlat(own, products, site.frame)
    utm = layers.to_tables(products, site.record, site.frame, CRS("EPSG:32630"))
    radius = PLAN_95 * 2.0
    for layer in ZONES:
        assert not widths(own, layer).any()
        assert widths(lonlat, layer) == pytest.approx(radius)
        assert widths(utm, layer) == pytest.approx(radius)
        if layer == "tolerance_zone":  # what is stated of a zone has the shift on both sides
            stated, bare = (np.array(t[layer]["width_m"].to_pylist()) for t in (utm, own))
            assert stated == pytest.approx(bare + 2.0 * radius)
        before, after = (layers.shapes(t[layer]) for t in (own, utm))
        for a, b in zip(before, after, strict=True):
            grown = hypot(*(np.ptp(np.array(b.exterior.coords), axis=0)[:2])) - hypot(
                *(np.ptp(np.array(a.exterior.coords), axis=0)[:2])
            )
            assert grown == pytest.approx(2.0 * radius * np.sqrt(2.0), rel=0.03)
    sigma, sure = (t["transmitter_fixes"]["east_sigma_m"].to_pylist() for t in (utm, own))
    assert sigma == pytest.approx([s if s is None else hypot(s, 2.0) for s in sure])
    major, before = (
        t["transmitter_fixes"]["ellipse_major_95_m"].to_pylist() for t in (lonlat, own)
    )
    assert [m for m in major if m] == pytest.approx([hypot(b, radius) for b in before if b])


def test_lineage_says_what_the_frame_of_each_file_may_be_off(make_site) -> None:
    site = make_site(horizontal="EPSG:27700", x=LONDON[0], y=LONDON[1])
    rows = layers.to_tables(site.products, site.record, site.frame, CRS("EPSG:32630"))["lineage"]
    said = {r["item"]: r for r in rows.to_pylist() if r["topic"] == "statement"}
    for file in ("GeoPackage", "GeoJSON"):
        assert "4.895 m (95 %)" in said[f"coordinate system of {file}"]["value"]
        assert said[f"coordinate system of {file}"]["accuracy_m"] == 2.0
    own = layers.to_tables(site.products, site.record, site.frame)["lineage"].to_pylist()
    assert "coordinate system of GeoPackage" not in {r["item"] for r in own}


def test_nothing_is_drawn_around_a_pipe_when_nobody_knows_how_far_off(make_site) -> None:
    site = make_site(rows=4)
    unknown = Operation("a", "b", "a to b", nan, False, False, ())
    after = {p.layer: p for p in shifted(site.products, unknown)}
    for layer in ZONES:
        assert after[layer].geometry is not None
        assert len(after[layer].geometry) == 0
        assert {len(v) for v in after[layer].columns.values()} == {0}
    assert np.isnan(after["transmitter_fixes"].columns["east_sigma_m"]).all()


@pytest.mark.parametrize(
    ("kinds", "accuracy_m"),
    [
        (("Conversion", "Conversion"), 0.0),
        (("Conversion", "Transformation"), nan),
        (("Other Coordinate Operation",), nan),
        ((), nan),
    ],
)
def test_only_conversions_are_exact_without_a_published_accuracy(
    kinds: tuple[str, ...], accuracy_m: float
) -> None:
    """ISO 19111 (from memory): a conversion changes coordinates on one datum, by definition."""
    steps = [SimpleNamespace(type_name=kind) for kind in kinds]
    chain = SimpleNamespace(accuracy=-1.0, operations=steps)
    assert operations._accuracy_m(chain) == pytest.approx(accuracy_m, nan_ok=True)


def test_plan_and_levels_change_together_as_each_does_alone() -> None:
    """Where PROJ (9.8) knows no way between compound systems that differ in both, by parts."""
    feet, metre = CRS("EPSG:6360"), CRS("EPSG:5703")  # NAVD88 height in US survey feet, in metres
    source = with_levels(CRS("EPSG:4326"), feet, "named")
    target = with_levels(CRS("EPSG:6318"), metre, "named")
    area = AreaOfInterest(-81.40, 42.10, -81.35, 42.15)
    there = np.array([[-81.39941, 42.10042, 601.2]])
    plan, shift = best(CRS("EPSG:4326"), CRS("EPSG:6318"), area)
    for way, operation in (
        operations.levels_then_plan(source, target, area, OperationTerms()),
        best(source, target, area),
    ):
        moved = apply(way, there, None)
        np.testing.assert_allclose(moved[:, :2], apply(plan, there[:, :2], None), atol=1e-10)
        assert moved[0, 2] == pytest.approx(601.2 * 1200 / 3937, abs=1e-9)
        assert (operation.source, operation.target) == (source.name, target.name)
        assert operation.accuracy_m == pytest.approx(shift.accuracy_m)
        assert not operation.ballpark


def test_an_exact_way_changes_nothing(make_site) -> None:
    site = make_site()
    exact = Operation("a", "b", "a to b", 0.0, False, False, ())
    assert shifted(site.products, exact) == site.products
    assert shifted(site.products, None) == site.products


def test_every_plan_sigma_of_the_contract_takes_the_frame_in() -> None:
    """A column added later, of the same kind under another name, must not slip by."""
    told = {*PLAN_SIGMAS, *PLAN_95S}
    plan = {
        column.name
        for layer in contract.LAYERS
        for column in contract.load(layer).field
        if "plan" in column.description and "95" in column.name and column.unit == "m"
    }
    assert plan <= told | {"ellipse_major_95_max_m"}
    for name in told:
        assert any(name in contract.load(layer).names for layer in contract.LAYERS), name
