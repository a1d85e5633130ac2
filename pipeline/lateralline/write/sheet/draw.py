"""The sheet as a whole: which pages there are, and how they come to be PDF files."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lateralline import __version__
from lateralline.errors import OutputExistsError, extra
from lateralline.output import figure_metadata, whole_file, whole_folder

if TYPE_CHECKING:
    from lateralline.write.sheet.canvas import Canvas
    from lateralline.write.sheet.layout import Layout, Orientation
    from lateralline.write.sheet.paper import Scale
    from lateralline.write.sheet.profile_data import Profile
    from lateralline.write.sheet.site import Site

_CREATOR: Final = f"lateralline {__version__}"


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """How sheets are drawn."""

    paper: str = "A3"
    orientation: Orientation = "auto"
    scale: Scale | None = None  # None: the largest round one that fits


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
    from lateralline.write.sheet.site import read_sheet_site

    sites = [read_sheet_site(gpkg, site_id) for gpkg, site_id in built]
    title = ", ".join(f"{s.site_id} {s.name}" for s in sites[:3]) + ", …" * (len(sites) > 3)
    with _opened(out, f"Plan and profile {title}") as pdf:
        return sum(_save(pdf, site, options) for site in sites)


@contextmanager
def _opened(out: Path, title: str) -> Iterator[Any]:
    with extra("draw", "a sheet"):
        import matplotlib
        from matplotlib.backends.backend_pdf import PdfPages

        from lateralline.write.sheet import looks

    about = figure_metadata(out, "sheet") | {"Title": title, "Creator": _CREATOR}
    if "SOURCE_DATE_EPOCH" in os.environ:
        del about["CreationDate"]  # matplotlib takes it from there
    with matplotlib.rc_context(looks.RC), PdfPages(out, metadata=about) as pdf:
        yield pdf


def _save(pdf: Any, site: Site, options: SheetOptions) -> int:
    pages = 0
    for canvas in sheet_pages(site, options):
        pdf.savefig(canvas.figure)
        pages += 1
    return pages


def sheet_pages(site: Site, options: SheetOptions) -> Iterator[Canvas]:
    """Yield the pages of one site, one after another: drawings, then tables.

    Call it within `matplotlib.rc_context(looks.RC)`.
    """
    from lateralline.write.sheet import flow, margin, sections
    from lateralline.write.sheet.canvas import Canvas
    from lateralline.write.sheet.layout import lay_out
    from lateralline.write.sheet.profile_data import profile_of

    profiles = [profile_of(site, line) for line in site.scene.lines]
    layout = lay_out(site, profiles, options.paper, options.orientation, options.scale)
    body = margin.body_of(layout.width, layout.height)
    tables = flow.paginate(sections.sections(site), body)
    sheets = layout.drawn_pages + len(tables)
    for n in range(sheets):
        canvas = Canvas(layout.width, layout.height)
        drawn = n < layout.drawn_pages
        if drawn:
            _draw_page(canvas, site, profiles, layout, n)
        else:
            flow.draw(canvas, body, tables[n - layout.drawn_pages])
        scales = _scales(layout, n) if drawn else "none: tables"
        margin.draw(canvas, site, margin.Title(n + 1, sheets, scales))
        yield canvas


def _draw_page(
    canvas: Canvas, site: Site, profiles: Sequence[Profile], layout: Layout, page: int
) -> None:
    from lateralline.write.sheet import margin, plan, profile

    if page < len(layout.windows):
        plan.draw(canvas, layout.plan_box, site, layout.plan_scale, layout.windows, page)
    if layout.profile_scales is None:
        box = layout.profile_box
        canvas.words(box.x, box.y + 6, "No line was located: there is no profile.", 9.0)
    elif page < len(layout.pieces):
        for piece, box in layout.pieces[page]:
            profile.draw(canvas, box, site, piece, layout.profile_scales)
    margin.draw_key(canvas, layout.key_box, site)


def _scales(layout: Layout, page: int) -> str:
    said = [f"plan {layout.plan_scale}"] if page < len(layout.windows) else []
    if layout.profile_scales is not None and page < len(layout.pieces):
        s = layout.profile_scales
        said.append(f"profile {s.along} along, {s.up} up")
    return "; ".join(said) or "none"
