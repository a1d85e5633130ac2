"""Radii of bends by the pipe's size: the published ones, and what is not known of a pipe."""

from __future__ import annotations

from math import nan

import pytest

from lateralline.published import bend_radii, look_up

#: Quarter bend and long sweep, in inches: ASTM A74 and A888, from memory.
RADII_IN = [("DN110", 4.0, 9.0), ("4 in SCH40", 4.0, 9.0), ("DN160 SN4", 5.0, 10.0)]
#: Outside diameters of polyethylene of a dimension ratio: Handbook of Polyethylene Pipe, ch. 7,
#: read in a page that quotes its table.
LEAST = [(9.0, 20.0), (11.0, 25.0), (17.0, 27.0), (26.0, 34.0), (32.5, 42.0)]


@pytest.mark.parametrize(("nominal", "quarter", "sweep"), RADII_IN)
def test_a_fitting_s_radius_is_that_of_its_size(nominal: str, quarter: float, sweep: float) -> None:
    """Plastic pipe has its fittings made to like radii: common practice, no source."""
    size = look_up(nominal).size
    assert size is not None
    found = bend_radii("PVC", size.inside_diameter_m, size.wall_m)
    assert (found.tightest_m, found.widest_m) == pytest.approx((quarter * 0.0254, sweep * 0.0254))
    assert found.bent_m == 0.0


@pytest.mark.parametrize(("ratio", "diameters"), LEAST)
def test_polyethylene_is_bent_no_tighter_than_its_ratio_allows(
    ratio: float, diameters: float
) -> None:
    wall = 0.110 / ratio
    found = bend_radii("HDPE", 0.110 - 2.0 * wall, wall)
    assert found.bent_m == pytest.approx(diameters * 0.110)


def test_of_an_unknown_size_every_radius_is_possible() -> None:
    found = bend_radii("PE", nan, nan)
    assert (found.tightest_m, found.widest_m) == pytest.approx((3 * 0.0254, 11 * 0.0254))
    assert found.bent_m == 0.0
