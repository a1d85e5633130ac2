"""The sheet to hand over: plan and profile to true scales with tables, as PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lateralline import __version__
from lateralline.draw.paper import PAPERS, PaperScale, SheetError, parse_scale
from lateralline.errors import OutputExistsError, extra
from lateralline.output import whole_file, whole_folder

if TYPE_CHECKING:
    from lateralline.draw.canvas import Canvas
    from lateralline.draw.layout import Layout, Orientation
    from lateralline.record.view import RecordView

__all__ = [
    "PAPERS",
    "PaperScale",
    "SheetError",
    "SheetOptions",
    "draw_sheet",
    "draw_sheets",
    "parse_scale",
]

_CREATOR: Final = f"lateralline {__version__}"


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """How sheets are drawn."""

    paper: str = "A3"
    orientation: Orientation = "auto"
    scale: PaperScale | None = None  # None: the largest round one that fits


def draw_sheet(
    built: Sequence[tuple[Path, str]],
    out: Path,
    options: SheetOptions | None = None,
    *,
    replace: bool = False,
) -> int:
    """Draw sites of built GeoPackages, each (path, site id), into one PDF; return its pages.

    Equal GeoPackages give equal bytes; SOURCE_DATE_EPOCH sets the date, else there is none. Raises
    MissingExtraError without matplotlib, UnknownSiteError for a site a file does not hold,
    SheetError for a scale that needs too many sheets, and OutputExistsError when `out` is there
    and may not be replaced: then nothing is written.
    """
    with whole_file(out, "sheet", replace=replace) as made:
        return _pdf(built, made, options or SheetOptions())


def draw_sheets(
    built: Sequence[tuple[Path, str]],
    folder: Path,
    options: SheetOptions | None = None,
    *,
    replace: bool = False,
) -> int:
    """Draw a PDF for each site, named by its id, into a folder; return the pages of all.

    Raises as `draw_sheet` does. A folder that is replaced keeps what else lies in it.
    """
    pages = 0
    with whole_folder(folder, "sheets", replace=replace) as made:
        for gpkg, site_id in built:
            at = made / f"{site_id}.pdf"
            if at.exists():
                raise OutputExistsError(f"two sites are called {site_id}: draw them apart")
            pages += _pdf([(gpkg, site_id)], at, options or SheetOptions())
    return pages


def _pdf(built: Sequence[tuple[Path, str]], out: Path, options: SheetOptions) -> int:
    from lateralline.record.view import read_record

    views = [read_record(gpkg, site_id) for gpkg, site_id in built]
    title = ", ".join(f"{v.site_id} {v.name}" for v in views[:3]) + ", …" * (len(views) > 3)
    with extra("draw", "a sheet"):
        from lateralline.draw.canvas import pdf_pages
    pages = 0
    with pdf_pages(out, "sheet", f"Plan and profile {title}", _CREATOR) as add_page:
        for view in views:
            for canvas in sheet_pages(view, options):
                add_page(canvas.figure)
                pages += 1
    return pages


def sheet_pages(view: RecordView, options: SheetOptions) -> Iterator[Canvas]:
    """Yield the pages of one site, one after another: drawings, then tables.

    Call it within `matplotlib.rc_context(symbols.RC)`.
    """
    from lateralline.draw import sections, tables, title_block
    from lateralline.draw.canvas import Canvas
    from lateralline.draw.layout import lay_out
    from lateralline.record.profile import line_profile

    profiles = [line_profile(view, line) for line in view.lines]
    layout = lay_out(view, profiles, options.paper, options.orientation, options.scale)
    body = title_block.body_of(layout.width, layout.height)
    told = tables.paginate(sections.sections(view), body)
    sheets = layout.drawn_pages + len(told)
    for n in range(sheets):
        canvas = Canvas(layout.width, layout.height)
        drawn = n < layout.drawn_pages
        if drawn:
            draw_page(canvas, view, layout, n)
        else:
            tables.draw(canvas, body, told[n - layout.drawn_pages])
        scales = layout.scales_of(n) if drawn else "none: tables"
        title_block.draw(canvas, view, title_block.Title(n + 1, sheets, scales))
        yield canvas


def draw_page(canvas: Canvas, view: RecordView, layout: Layout, page: int) -> None:
    """Draw plan, profiles and key of one page."""
    from lateralline.draw import legend, plan, profile

    if page < len(layout.windows):
        plan.draw(canvas, layout.plan_box, view, layout.plan_scale, layout.windows, page)
    if layout.profile_scales is None:
        box = layout.profile_box
        canvas.words(box.x, box.y + 6, "No line was located: there is no profile.", 9.0)
    elif page < len(layout.pieces):
        for piece, box in layout.pieces[page]:
            profile.draw(canvas, box, view, piece, layout.profile_scales)
    legend.draw(canvas, layout.key_box, view)
