"""Pipe dimensions against the published tables, digit for digit."""

from __future__ import annotations

from math import isnan

import pytest

from lateralline.published import look_up, pipe_table

# nominal, outside diameter, wall, unit of the published table
PUBLISHED = [
    # PVC schedule 40, ASTM D1785 / D2665 (read)
    ("2 in SCH40", 2.375, 0.154, 0.0254),
    ("3 in SCH40", 3.500, 0.216, 0.0254),
    ("4 in SCH40", 4.500, 0.237, 0.0254),
    ("6 in SCH40", 6.625, 0.280, 0.0254),
    # PVC SDR 35, ASTM D3034 (read; the wall of 6 in is from memory)
    ("4 in SDR35", 4.215, 0.120, 0.0254),
    ("6 in SDR35", 6.275, 0.180, 0.0254),
    # PVC-U, EN 1401 (read)
    ("DN110", 110, 3.2, 0.001),
    ("DN160 SN2", 160, 3.2, 0.001),
    ("DN160 SN4", 160, 4.0, 0.001),
    ("DN160 SN8", 160, 4.7, 0.001),
    # hubless cast iron barrel, dimensional table (read)
    ("4 in hubless", 4.38, 0.19, 0.0254),
]


@pytest.mark.parametrize(("nominal", "outside", "wall", "unit"), PUBLISHED)
def test_dimensions_are_the_published_ones(
    nominal: str, outside: float, wall: float, unit: float
) -> None:
    size = look_up(nominal).size
    assert size is not None
    assert size.outside_diameter_m == pytest.approx(outside * unit, rel=1e-12)
    assert size.wall_m == pytest.approx(wall * unit, rel=1e-12)
    assert size.inside_diameter_m == pytest.approx((outside - 2 * wall) * unit, rel=1e-12)


@pytest.mark.parametrize(("nominal", "outside_in"), [("2", 2.35), ("3", 3.35), ("6", 6.30)])
def test_a_barrel_without_a_published_wall_has_no_bore(nominal: str, outside_in: float) -> None:
    """Hubless cast iron, dimensional table (read): outside diameters alone."""
    size = look_up(f"{nominal} in hubless").size
    assert size is not None
    assert size.outside_diameter_m == pytest.approx(outside_in * 0.0254)
    assert isnan(size.wall_m)
    assert isnan(size.inside_diameter_m)


def test_sdr_is_outside_diameter_over_wall() -> None:
    """SDR 35 means just that; the published inch walls are rounded to 0.005 in."""
    for size in pipe_table():
        if "SDR35" in size.nominal:
            assert size.outside_diameter / size.wall == pytest.approx(35, rel=0.01)


def test_what_was_not_read_says_so() -> None:
    memory = {s.nominal for s in pipe_table() if "from memory" in s.citation}
    assert memory == {"6 in SDR35"}


@pytest.mark.parametrize(
    ("written", "material", "found"),
    [
        ('4" SDR-35', "", "4 in SDR35"),
        ("4 inch sdr 35", "PVC", "4 in SDR35"),
        ("4in Sch. 40", "", "4 in SCH40"),
        ("4in schedule 40", "", "4 in SCH40"),
        ("dn 110", "", "DN110"),
        ("DN/OD 110", "", "DN110"),
        ("110 mm", "PVC-U", "DN110"),
        ("DN110 SN4", "", "DN110"),
        ("DN160", "PVC", "DN160 SN4"),  # the usual one, with a finding
        ("4 in", "cast iron", "4 in hubless"),
        ("4 in no-hub", "", "4 in hubless"),
        ("2 in", "PVC", "2 in SCH40"),
        ("4 in", "PVC", None),
        ("4 in", "", None),
        ("4 in", "clay", None),
        ("DN100", "", None),  # an inside diameter by EN, not the 110 mm outside
        ("", "", None),
    ],
)
def test_names_people_write(written: str, material: str, found: str | None) -> None:
    size = look_up(written, material).size
    assert (size.nominal if size else None) == found


def test_every_name_finds_one_size() -> None:
    for size in pipe_table():
        for name in (size.nominal, *size.aliases):
            assert look_up(name).size == size, name
