"""The picture as a whole: which panel stands where, and how it comes to be a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from lateralline.errors import UnknownSiteError, extra
from lateralline.output import whole_file
from lateralline.write.picture.scene import read_scene

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.gridspec import GridSpec, SubplotSpec

#: Kinds of pictures, by the end of their names.
SUFFIXES: Final = (".png", ".svg", ".pdf")


class _Panels(NamedTuple):
    plan: SubplotSpec
    profile: SubplotSpec
    title: SubplotSpec
    legend: SubplotSpec
    caution: SubplotSpec


def draw_picture(gpkg: Path, site_id: str, out: Path, *, replace: bool = False) -> None:
    """Draw plan and profile of one site of a built GeoPackage, and nothing that is not in it.

    `site_id` may be "" when the file holds one site. Raises MissingExtraError without matplotlib,
    UnknownSiteError for a site the file does not hold, ValueError for another suffix than .png,
    .svg or .pdf, and OutputExistsError when `out` is there and may not be replaced.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise ValueError(f"a picture must end in {', '.join(SUFFIXES)}; got {out.name!r}")
    with extra("draw", "drawing"):
        import matplotlib
        from matplotlib.figure import Figure

        from lateralline.write.picture import lettering, margin, plan, profile, style

    scene = read_scene(gpkg, site_id)
    if scene is None:
        raise UnknownSiteError(f"{gpkg} holds no site {site_id!r}")
    with whole_file(out, "picture", replace=replace) as made, matplotlib.rc_context(style.RC):
        figure = Figure(figsize=style.SIZE_IN)
        panels = _tall(figure) if scene.is_tall else _wide(figure)
        plan.draw(figure.add_subplot(panels.plan), scene)
        profile.draw(figure, panels.profile, scene)
        margin.draw_title(figure.add_subplot(panels.title), scene)
        margin.draw_legend(figure.add_subplot(panels.legend), scene)
        margin.draw_caution(figure.add_subplot(panels.caution), scene)
        lettering.save(figure, made, style.DPI, "picture")


def _wide(figure: Figure) -> _Panels:
    """Lay out a site that runs east–west: the plan above the profile, the margin at the right."""
    grid = _grid(figure, heights=(34, 26, 31, 5), widths=(76, 24), gap=0.05)
    return _Panels(grid[:2, 0], grid[2, 0], grid[0, 1], grid[1:3, 1], grid[3, :])


def _tall(figure: Figure) -> _Panels:
    """Lay out a site that runs north–south: the plan at the left over the whole height."""
    grid = _grid(figure, heights=(35, 56, 5), widths=(46, 27, 26), gap=0.15)
    return _Panels(grid[:2, 0], grid[1, 1:], grid[0, 1], grid[0, 2], grid[2, :])


def _grid(
    figure: Figure, heights: tuple[int, ...], widths: tuple[int, ...], gap: float
) -> GridSpec:
    return figure.add_gridspec(
        len(heights),
        len(widths),
        height_ratios=heights,
        width_ratios=widths,
        left=0.035,
        right=0.985,
        top=0.97,
        bottom=0.02,
        hspace=0.16,
        wspace=gap,
    )
