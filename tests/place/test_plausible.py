"""Coordinates that cannot be right, each slip by its own name, against every witness there may be.

Places and zones are from the EPSG registry PROJ ships; what is planted is arithmetic.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import hypot, nan
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS, Transformer

from lateralline.findings import Finding
from lateralline.frames import site_frame
from lateralline.place import place
from lateralline.place.readings import containing, readings, sister_zones, zones_by_area
from lateralline.records import FieldRecord, Floats, Spots
from lateralline.settings import Georeference
from lateralline.simulate import SCENARIOS
from lateralline.simulate import make_site as make_practice
from lateralline.stages import SiteResult, run_site
from tests.support.finding_names import called

US_FT = 1200 / 3937
SLIPS = {
    "coordinates-swapped",
    "longitude-sign-lost",
    "coordinates-wrong-unit/metres",
    "coordinates-wrong-unit/feet",
    "coordinates-in-degrees",
    "coordinates-wrong-zone",
    "coordinates-unconfirmed/zone",
    "coordinates-outside/unexplained",
    "coordinates-outside/point",
}


def gnss(xy: Floats, z_m: float = nan) -> Spots:
    """Marks by gnss at xy (n, 2)."""
    n = len(xy)
    text, none = np.full(n, "", dtype="<U8"), np.full(n, nan)
    return Spots(
        file="marks.csv",
        row=np.arange(n) + 2,
        name=np.array([f"M{i}" for i in range(n)], dtype=np.str_),
        method=np.full(n, "gnss"),
        x=xy[:, 0],
        y=xy[:, 1],
        z_m=np.full(n, z_m),
        sigma_h_m=none,
        sigma_v_m=none,
        base_from=text,
        base_to=text,
        station_m=none,
        offset_m=none,
        bearing_rad=none,
        ties=((),) * n,
        side=text,
        note=text,
    )


@pytest.fixture
def site(make_site) -> Callable[..., FieldRecord]:
    """A maker of sites: control at one place, gnss marks at another, in one CRS."""

    def made(
        crs: str,
        control: Floats,
        marks: Floats | None = None,
        *,
        z_m: tuple[float, float] = (nan, nan),
        vertical: str = "none",
        **said: object,
    ) -> FieldRecord:
        record = make_site().record
        n = len(control)
        points = replace(
            record.control,
            row=np.arange(n) + 2,
            point=np.array([f"P{i}" for i in range(n)], dtype=np.str_),
            x=control[:, 0],
            y=control[:, 1],
            z_m=np.full(n, z_m[0]),
            sigma_h_m=np.full(n, 0.01),
            sigma_v_m=np.full(n, 0.01),
        )
        spots = gnss(np.empty((0, 2)) if marks is None else marks, z_m[1])
        m = len(spots.x)
        rows = replace(
            record.marks,
            spots=spots,
            run=np.full(m, "R1"),
            stop=np.full(m, "1"),
            kind=np.full(m, "ground"),
        )
        settings = replace(
            record.settings,
            horizontal=crs,
            vertical=vertical,
            georeference=Georeference(**said),
        )
        return replace(record, control=points, marks=rows, settings=settings)

    return made


def slips(record: FieldRecord) -> list[Finding]:
    """What is said to be wrong; that a zone cannot be checked is no such thing."""
    return [
        f for f in place(record).findings if called(f) in SLIPS - {"coordinates-unconfirmed/zone"}
    ]


def codes(record: FieldRecord) -> set[str]:
    return {called(f) for f in place(record).findings}


def only(record: FieldRecord, code: str, severity: str = "error") -> Finding:
    found = slips(record)
    assert [called(f) for f in found] == [code], [str(f) for f in found]
    assert found[0].severity == severity
    return found[0]


def near(crs: str, lon: float, lat: float, n: int = 3) -> Floats:
    """n points some metres apart about a place in WGS 84, in `crs`, x first."""
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    step = 1e-4 if CRS(crs).is_geographic else 10.0
    return np.array([x, y]) + step * np.column_stack([np.arange(n), -np.arange(n)])


ERIE = (-81.4, 42.1)
ERIE_EXTENT = (-81.6, 41.9, -81.2, 42.3)

#: CRS of every order of axes and both feet, and a place in each.
SYSTEMS = [
    pytest.param("EPSG:32617", *ERIE, id="utm-east-north"),
    pytest.param("EPSG:3734", *ERIE, id="state-plane-us-ft"),
    pytest.param("EPSG:2222", -110.4, 34.5, id="arizona-ft"),
    pytest.param("EPSG:2193", 174.8, -41.3, id="new-zealand-north-east"),
    pytest.param("EPSG:31467", 9.2, 48.8, id="gauss-kruger-north-east"),
    pytest.param("EPSG:2048", 18.9, -33.9, id="south-africa-west-south"),
    pytest.param("EPSG:25832", 9.6, 55.9, id="denmark-utm"),
]


@pytest.mark.parametrize(("crs", "lon", "lat"), SYSTEMS)
def test_sound_coordinates_raise_nothing(site, crs: str, lon: float, lat: float) -> None:
    """x is easting or longitude in every one of them, whatever order the authority lists."""
    there = near(crs, lon, lat)
    assert slips(site(crs, there, there + 20.0)) == []


@pytest.mark.parametrize(
    ("crs", "lon", "lat"), [*SYSTEMS, pytest.param("EPSG:6318", *ERIE, id="g")]
)
def test_a_whole_file_swapped_shows_against_the_area_or_the_extent(
    site, crs: str, lon: float, lat: float
) -> None:
    swapped = near(crs, lon, lat)[:, ::-1]
    box = (lon - 0.2, lat - 0.2, lon + 0.2, lat + 0.2)
    found = only(site(crs, swapped, extent=box), "coordinates-swapped")
    assert found.subject == "3 control points"
    assert found.where == "control.csv:2"
    assert found.values["into_x"] == ("longitude" if CRS(crs).is_geographic else "easting")


@pytest.mark.parametrize("crs", ["EPSG:32617", "EPSG:6318"])
def test_the_area_of_the_crs_is_witness_enough_for_a_swap(site, crs: str) -> None:
    found = slips(site(crs, near(crs, *ERIE)[:, ::-1]))
    assert "coordinates-swapped" in {called(f) for f in found}


def test_a_swap_in_a_crs_of_the_whole_world_shows_by_the_pole(site) -> None:
    """42.1, −81.4: a longitude of Ohio is no latitude of any drain."""
    found = only(site("EPSG:4326", near("EPSG:4326", *ERIE)[:, ::-1]), "coordinates-swapped")
    assert found.values["lat_deg"] == pytest.approx(-81.4, abs=0.001)


def test_without_any_witness_a_swap_in_the_whole_world_cannot_show(site) -> None:
    """9° E, 50° N against 50° E, 9° N: both are places. Said in DEVELOPERS, shown here."""
    swapped = near("EPSG:4326", 9.0, 50.0)[:, ::-1]
    assert slips(site("EPSG:4326", swapped)) == []
    only(site("EPSG:4326", swapped, extent=(8.5, 49.5, 9.5, 50.5)), "coordinates-swapped")


def test_marks_swapped_beside_sound_control_are_told_apart(site) -> None:
    crs = "EPSG:32617"
    there = near(crs, *ERIE)
    found = only(site(crs, there, there[:, ::-1]), "coordinates-swapped")
    assert found.subject == "3 marks"
    assert found.values["near"] == "beside control"


def test_one_swapped_row_is_named_by_its_row(site) -> None:
    crs = "EPSG:6318"
    marks = near(crs, *ERIE)
    marks[1] = marks[1, ::-1]
    found = only(site(crs, near(crs, *ERIE), marks), "coordinates-swapped")
    assert (found.subject, found.where) == ("mark M1", "marks.csv:3")


def test_a_lost_minus_of_west_longitudes(site) -> None:
    crs = "EPSG:4326"
    there = near(crs, *ERIE)
    only(site(crs, there, there * (-1.0, 1.0)), "longitude-sign-lost")


@pytest.mark.parametrize(
    ("crs", "lon", "lat", "unit_m", "code"),
    [
        ("EPSG:3734", *ERIE, US_FT, "coordinates-wrong-unit/metres"),  # Ohio North, US survey feet
        ("EPSG:2222", -110.4, 34.5, 0.3048, "coordinates-wrong-unit/metres"),  # Arizona East, feet
        ("EPSG:32122", *ERIE, 1 / US_FT, "coordinates-wrong-unit/feet"),  # Ohio North, metres
    ],
)
@pytest.mark.parametrize("witness", ["area", "extent", "control"])
def test_the_wrong_unit_is_named(
    site, crs: str, lon: float, lat: float, unit_m: float, code: str, witness: str
) -> None:
    there = near(crs, lon, lat)
    wrong = there * unit_m
    if witness == "control":
        assert only(site(crs, there, wrong), code).subject == "3 marks"
        return
    box = (lon - 0.2, lat - 0.2, lon + 0.2, lat + 0.2)
    said = {"extent": box} if witness == "extent" else {}
    # half a degree outside its area a CRS may be in use: no more than a warning
    close = witness == "area" and crs == "EPSG:2222"
    found = only(site(crs, wrong, **said), code, "warning" if close else "error")
    assert found.subject == "3 control points"


@pytest.mark.parametrize("latitude_first", [False, True])
def test_degrees_in_a_grid_are_named(site, latitude_first: bool) -> None:
    degrees = near("EPSG:4326", *ERIE)
    marks = degrees[:, ::-1] if latitude_first else degrees
    found = only(site("EPSG:32617", near("EPSG:32617", *ERIE), marks), "coordinates-in-degrees")
    assert found.variant == ("latitude-first" if latitude_first else "")


@pytest.mark.parametrize(
    ("crs", "other", "lon", "lat"),
    [
        ("EPSG:32617", "EPSG:32616", -83.9, 41.0),  # UTM 17 and 16, WGS 84
        ("EPSG:25832", "EPSG:25833", 11.9, 55.6),  # UTM 32 and 33, ETRS89, Denmark
        ("EPSG:28355", "EPSG:28354", 144.1, -37.0),  # MGA 55 and 54: no UTM by name
        ("EPSG:3734", "EPSG:3735", -82.0, 40.6),  # Ohio North and South, US survey feet
    ],
)
def test_marks_in_the_next_zone_are_named_with_it(
    site, crs: str, other: str, lon: float, lat: float
) -> None:
    record = site(crs, near(crs, lon, lat), near(other, lon, lat))
    found = only(record, "coordinates-wrong-zone")
    assert found.values["others"] == (CRS(other).name,)
    assert (found.values["middle"], found.variant) == ("control", "")
    assert 100e3 < found.values["away_m"] < 1000e3


def test_a_whole_site_in_the_wrong_zone_shows_against_the_extent(site) -> None:
    """Coordinates of zone 17 under the name of zone 16: sound in themselves."""
    there = near("EPSG:32617", *ERIE)
    assert slips(site("EPSG:32616", there)) == []
    found = only(site("EPSG:32616", there, extent=ERIE_EXTENT), "coordinates-wrong-zone")
    assert found.values["others"] == ("WGS 84 / UTM zone 17N",)


def test_a_zone_is_named_where_its_area_of_use_tells(site) -> None:
    """Ohio North said to be South: outside the one's counties, inside the other's (EPSG areas).

    40.43° N is no more than a warning: Ohio South ends at 40.4°, and a job may lie across.
    """
    record = site("EPSG:3735", near("EPSG:3734", *ERIE))
    found = only(record, "coordinates-wrong-zone", "warning")
    assert (found.variant, found.values["others"]) == ("area", ("NAD83 / Ohio North (ftUS)",))
    assert not codes(record) & {"coordinates-outside/site", "coordinates-unconfirmed/zone"}


def test_a_grid_of_the_state_beside_is_named_too(site) -> None:
    """Ohio North said to be Pennsylvania South: no zone of Pennsylvania holds it, one beside does.

    At 41.77° N, 76.65° W: 0.6° north of the zone's edge.
    """
    found = only(site("EPSG:2272", near("EPSG:3734", *ERIE)), "coordinates-wrong-zone", "warning")
    assert (found.variant, found.values["others"]) == ("area", ("NAD83 / Ohio North (ftUS)",))


def test_where_several_zones_fit_none_is_chosen() -> None:
    """The numbers of a UTM zone are those of the zones beside it."""
    crs, at = CRS(26917), near("EPSG:26917", -81.0, 45.0)
    fit = [zone.name for zone, inside in containing(sister_zones(crs), crs, at) if inside.all()]
    assert len(fit) == 2
    reading = zones_by_area(crs, at)
    assert reading is not None
    assert (reading.variant, reading.values["others"]) == ("areas", tuple(fit))
    assert zones_by_area(crs, at * (1.0, 3.0)) is None  # beyond the pole in every zone


def test_a_grid_without_neighbours_names_none(site) -> None:
    """Far east of the British grid's area: its datum has no other grid beside it."""
    there = near("EPSG:27700", -1.5, 52.0) * (3.2, 1.0)
    record = site("EPSG:27700", there)
    assert "coordinates-wrong-zone" not in codes(record)
    assert zones_by_area(CRS(27700), there) is None


@pytest.mark.parametrize(
    ("crs", "lon", "lat", "sister"),
    [
        ("EPSG:32617", *ERIE, "WGS 84 / UTM zone 16N"),
        ("EPSG:28355", 146.0, -37.0, "GDA94 / MGA zone 54"),
        ("EPSG:3734", -81.4, 40.9, "NAD83 / Ohio South (ftUS)"),
        ("EPSG:3734", *ERIE, ""),  # as Ohio South it would lie outside, and that would show
        ("EPSG:31467", 9.2, 48.8, ""),  # the zone's number stands in the easting
        ("EPSG:2264", -80.0, 35.5, ""),  # one zone for the whole state
        ("EPSG:6318", *ERIE, ""),
    ],
)
def test_a_zone_that_could_as_well_be_another_is_said(
    site, crs: str, lon: float, lat: float, sister: str
) -> None:
    record = site(crs, near(crs, lon, lat))
    said = [f for f in place(record).findings if called(f) == "coordinates-unconfirmed/zone"]
    assert [f.severity for f in said] == (["info"] if sister else [])
    if sister:
        assert sister in said[0].values["zones"]
        assert len(said[0].values["zones"]) <= 3  # the nearest, though dozens of UTM zones fit
        box = (lon - 0.2, lat - 0.2, lon + 0.2, lat + 0.2)
        assert "coordinates-unconfirmed/zone" not in codes(
            site(crs, near(crs, lon, lat), extent=box)
        )


# ---- what only follows -----------------------------------------------------------------------

OF_THE_PLACE = {
    "coordinates-outside/site",
    "datum-shift-unknown",
    "datum-shift-error/zero-shift",
    "coordinates-unconfirmed/foot",
}


@pytest.mark.parametrize(
    ("crs", "wrong", "code"),
    [
        ("EPSG:4258", lambda xy: xy[:, ::-1], "coordinates-swapped"),  # ETRS89, 9° E 50° N
        ("EPSG:4269", lambda xy: xy * (-1.0, 1.0), "longitude-sign-lost"),  # NAD83, Ohio
        ("EPSG:3734", lambda xy: xy * US_FT, "coordinates-wrong-unit/metres"),
    ],
)
def test_a_misplaced_site_is_told_of_its_place_alone(
    site, crs: str, wrong: Callable[[Floats], Floats], code: str
) -> None:
    """No datum, foot or area is at fault where the coordinates are."""
    there = near(crs, *((9.0, 50.0) if crs == "EPSG:4258" else ERIE))
    record = site(crs, wrong(there))
    assert only(record, code).subject == "3 control points"
    assert not codes(record) & OF_THE_PLACE
    assert {called(f) for f in place(record).findings if f.severity == "error"} == {code}
    would_be = {called(f) for f in site_frame(record).findings} & OF_THE_PLACE
    assert would_be
    no_shift = any(f.startswith("datum-shift-unknown") for f in would_be)
    assert ("no-map-position/coordinates" in codes(record)) == no_shift


def test_one_misplaced_point_leaves_the_frame_its_findings(site) -> None:
    marks = near("EPSG:3734", *ERIE, n=6)
    marks[1] = marks[1, ::-1]
    said = codes(site("EPSG:3734", near("EPSG:3734", *ERIE), marks))
    assert {
        "coordinates-swapped",
        "datum-shift-error/zero-shift",
        "coordinates-unconfirmed/foot",
    } <= said


def test_control_out_of_place_is_not_called_out_of_proportion_as_well(site) -> None:
    there = near("EPSG:32617", *ERIE)
    there[2] = there[2, ::-1]
    record = site("EPSG:32617", there)
    assert "coordinates-swapped" in codes(record)
    assert "control-implausible" not in codes(record)


@pytest.mark.parametrize("swapped", [True, False])
def test_lengths_that_are_wrong_are_not_held_against_readings(
    tmp_path: Path, swapped: bool
) -> None:
    """Degrees exchanged near 81° W: nulls lie elsewhere and nearer, and readings seem wrong."""
    name = "frames-swapped"
    make_practice(SCENARIOS[name], SCENARIOS[name].seed, folder := tmp_path / "site")
    for path in (folder / "marks.csv", folder / "control.csv", folder / "exposures.csv"):
        if swapped or not path.exists():
            continue
        head, _, rest = path.read_text().partition("\n")
        columns = head.split(",")
        x, y = columns.index("x"), columns.index("y")
        columns[x], columns[y] = "y", "x"
        path.write_text(",".join(columns) + "\n" + rest)
    result = run_site(folder, until="derive")
    assert isinstance(result, SiteResult)
    found = {called(f) for f in result.findings}
    assert ("coordinates-swapped" in found) == swapped
    assert ("checks-skipped" in found) == swapped
    assert bool({f.stage for f in result.findings} & {"solve", "link", "derive"}) != swapped
    unsaid = [f for f in result.work["solved"].findings if f.severity == "error"]
    assert bool(unsaid) == swapped


def test_what_no_slip_explains_is_far_apart(site) -> None:
    there = near("EPSG:32617", *ERIE)
    found = only(site("EPSG:32617", there, there + 60_000.0), "coordinates-outside/unexplained")
    assert found.values["middle"] == "control"
    assert found.values["away_m"] == pytest.approx(hypot(60_000.0, 60_000.0), rel=0.01)


def test_one_foot_taken_for_the_other_cannot_show_and_its_size_is_said(site) -> None:
    """2 ppm of the coordinates: 1.807 m at x = 2,963,503.91 ft (the published example, C)."""
    crs = "EPSG:32040"  # NAD27 / Texas South Central, US survey feet
    there = np.array([[2_963_503.91, 254_759.80], [2_963_553.91, 254_759.80]])
    record = site(crs, there, there * (0.3048 / US_FT))
    assert slips(record) == []
    (found,) = [
        f for f in site_frame(record).findings if called(f) == "coordinates-unconfirmed/foot"
    ]
    assert (found.values["foot"], found.values["other"]) == ("US survey feet", "international feet")
    assert found.values["off_m"] == pytest.approx(1.81, abs=0.005)
    east = np.diff(there[:, 0])[0] * US_FT
    assert east * 2e-6 < 1e-4  # what a tape between two of its points would show of it


def test_every_slip_undoes_itself() -> None:
    """Each reading turns what its slip makes of a place back into that place."""
    crs = CRS("EPSG:3734")
    there = near("EPSG:3734", *ERIE, n=1)
    lon, lat = ERIE
    wrong = {
        "coordinates-swapped": there[:, ::-1],
        "coordinates-wrong-unit/metres": there * US_FT,
        "coordinates-in-degrees": np.array([ERIE]),
    }
    for reading in list(readings(crs))[:3]:
        got = reading.read(wrong[reading.code])
        assert (got[0][0], got[1][0]) == pytest.approx((lon, lat), abs=1e-6)


# ---- levels ---------------------------------------------------------------------------------


def level_codes(record: FieldRecord) -> set[str]:
    codes = {called(f) for f in place(record).findings if f.severity == "error"}
    return codes & {"levels-mixed/gnss", "unit-wrong/gnss-feet", "geoid-missing/no-grid"}


@pytest.mark.parametrize(
    ("control_m", "gnss_m", "code"),
    [
        (174.0, 174.6, set()),
        (174.0, 140.5, {"levels-mixed/gnss"}),  # the geoid lies 33.5 m below the ellipsoid
        (174.0, 174.0 / 0.3048, {"unit-wrong/gnss-feet"}),
        (174.0 / 0.3048, 174.0, {"unit-wrong/gnss-feet"}),
        (174.0, 420.0, {"levels-mixed/gnss"}),
    ],
)
def test_levels_of_two_zeros_are_named(
    site, control_m: float, gnss_m: float, code: set[str]
) -> None:
    there = near("EPSG:32617", *ERIE)
    record = site("EPSG:32617", there, there, z_m=(control_m, gnss_m), vertical="EPSG:5703")
    assert level_codes(record) == code


def test_a_given_separation_makes_levels_of_heights_and_shares_its_error(site) -> None:
    """H = h − N; N is one number for the site, so its error is one too."""
    there = near("EPSG:32617", *ERIE)
    record = site(
        "EPSG:32617",
        there,
        there,
        z_m=(174.0, 140.5),
        vertical="EPSG:5703",
        gnss_heights="ellipsoidal",
        separation_m=-33.5,
        separation_sigma_m=0.2,
    )
    placed = place(record)
    assert level_codes(record) == set()
    assert placed.marks.xyz_m[:, 2] == pytest.approx(174.0)
    assert "geoid-used/separation" in {called(f) for f in placed.findings}
    assert "-33.500 m" in placed.frame.gnss_heights
    alone = replace(record.settings.georeference, separation_sigma_m=0.0)
    sure = place(replace(record, settings=replace(record.settings, georeference=alone)))
    added = placed.marks.cov_m2 - sure.marks.cov_m2
    assert added[:, 2, 2] == pytest.approx(0.2**2)
    assert np.abs(added[:, :2]).max() == 0.0
    up = placed.marks.shared_m[:, 2]
    assert np.allclose(np.abs(up).max(axis=1), 0.2)  # one error, all marks alike


def test_heights_without_separation_or_grid_are_no_levels(site) -> None:
    there = near("EPSG:6318", *ERIE)
    record = site(
        "EPSG:6318",
        there,
        there,
        z_m=(174.0, 140.5),
        vertical="EPSG:5703",
        gnss_heights="ellipsoidal",
    )
    placed = place(record)
    assert level_codes(record) == {"geoid-missing/no-grid"}
    assert not placed.marks.level_known.any()
    assert placed.marks.xyz_m[:, 2] == pytest.approx(174.0)  # control's, and not 140.5
    (found,) = (f for f in placed.findings if called(f) == "geoid-missing/no-grid")
    assert any("g2018u0" in grid for grid in found.values["grids"])


@pytest.mark.parametrize(
    ("vertical", "z_m", "datum", "code"),
    [
        ("none", (nan, nan), "depths only", "level-missing/depths-only"),
        ("EPSG:5703", (nan, nan), "depths only", "level-missing/all"),
        ("ellipsoidal", (nan, nan), "depths only", "level-missing/all"),
        ("none", (12.0, nan), "site zero", "levels-relative"),
        ("EPSG:5703", (174.0, nan), "EPSG:5703", ""),
        ("ellipsoidal", (140.0, nan), "ellipsoidal", ""),
    ],
)
def test_the_frame_says_what_levels_are(
    site, vertical: str, z_m: tuple[float, float], datum: str, code: str
) -> None:
    frame = site_frame(site("EPSG:32617", near("EPSG:32617", *ERIE), z_m=z_m, vertical=vertical))
    assert frame.level_datum == datum
    said = {called(f) for f in frame.findings} & {
        "level-missing/depths-only",
        "levels-relative",
        "level-missing/all",
    }
    assert said == ({code} if code else set())
