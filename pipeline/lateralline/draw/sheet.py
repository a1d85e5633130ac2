"""Sheets to hand over, plan and profile to true scales with tables; a first page as a picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import BytesIO
from math import ceil, isnan
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lateralline import __version__
from lateralline.draw.paper import PAPERS, PaperScale, SheetError, parse_scale
from lateralline.errors import OutputExistsError, extra
from lateralline.output import whole_file, whole_folder
from lateralline.record.assets import AsAsked
from lateralline.record.ends import SAID, located_alone
from lateralline.record.rows import CentrelineRow, ZoneRow
from lateralline.record.view import views_of
from lateralline.wording import as_written, counted
from lateralline.workers import in_parts

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from lateralline.draw.canvas import Canvas
    from lateralline.draw.layout import Layout, Orientation
    from lateralline.draw.paper import Box
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
#: Sites whose rows are read at once: a scan of a layer is shared by so many.
AT_ONCE: Final = 8


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """How sheets are drawn."""

    paper: str = "A3"
    orientation: Orientation = "auto"
    scale: PaperScale | None = None  # None: the largest round one that fits
    crew: bool = False  # one side of paper for the crew that digs, in place of all of it


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
        return _write_pdf(list(views_of(built)), made, options or SheetOptions())


def draw_sheets(
    built: Sequence[tuple[Path, str]],
    folder: Path,
    options: SheetOptions | None = None,
    *,
    replace: bool = False,
    workers: int | None = 1,
) -> int:
    """Draw a PDF for each site, named by its id, into a folder; return the pages of all.

    `workers` are processes, None as many as there are cores where that is worth it; what is drawn
    does not depend on them. Raises as `draw_sheet` does, WorkerLostError for a process that ended.
    A folder that is replaced keeps what else lies in it.
    """
    pages = 0
    job = SheetsJob(options or SheetOptions(), AsAsked.here())
    with whole_folder(folder, "sheets", replace=replace) as made:
        for site_id, sheet, count in in_parts(job, built, AT_ONCE, workers):
            pdf_of(made, site_id).write_bytes(sheet)
            pages += count
    return pages


def pdf_of(folder: Path, site_id: str) -> Path:
    """Return where the PDF of a site goes in a folder of many; OutputExistsError where one is."""
    at = folder / f"{site_id}.pdf"
    if at.exists():
        raise OutputExistsError(f"two sites are called {site_id}: draw them apart")
    return at


@dataclass(frozen=True, slots=True)
class SheetsJob:
    """What is done with a few sites, wherever that is: the sheet of each."""

    options: SheetOptions
    shown: AsAsked

    def __call__(self, sites: tuple[tuple[Path, str], ...]) -> list[tuple[str, bytes, int]]:
        """Return id, PDF and pages of each site."""
        made = []
        with self.shown.again():
            for view in views_of(sites):
                into = BytesIO()
                pages = _write_pdf([view], into, self.options)
                made.append((view.site_id, into.getvalue(), pages))
        return made


def _write_pdf(views: Sequence[RecordView], into: Path | BytesIO, options: SheetOptions) -> int:
    title = ", ".join(f"{v.site_id} {v.name}" for v in views[:3]) + ", …" * (len(views) > 3)
    with extra("draw", "a sheet"):
        from lateralline.draw.canvas import pdf_pages
    pages = 0
    with pdf_pages(into, "sheet", f"Plan and profile {title}", _CREATOR) as add_page:
        for view in views:
            for canvas in sheet_pages(view, options):
                add_page(canvas.figure)
                pages += 1
    return pages


def sheet_pages(view: RecordView, options: SheetOptions) -> Iterator[Canvas]:
    """Yield the pages of one site, one after another: drawings, tables, then pictures.

    Call it within `matplotlib.rc_context(symbols.RC)`.
    """
    from lateralline.draw.canvas import Canvas
    from lateralline.draw.crew_sheet import crew_page
    from lateralline.draw.furniture import SheetTitle, body_of, draw_title_block
    from lateralline.draw.layout import lay_out
    from lateralline.draw.photos import draw_photos, photo_pages
    from lateralline.draw.record_tables import record_tables
    from lateralline.draw.tables import draw_tables, paginate
    from lateralline.record.profile import line_profile

    if options.crew:
        yield crew_page(view, options.paper)
        return
    profiles = [line_profile(view, line) for line in view.lines]
    layout = lay_out(view, profiles, options.paper, options.orientation, options.scale)
    body = body_of(layout.width, layout.height, view)
    table_pages = paginate(record_tables(view), body)
    pictures = photo_pages(view.photos)
    left_out = len(view.photos) - sum(map(len, pictures))
    sheets = layout.drawn_pages + len(table_pages) + len(pictures)
    for n in range(sheets):
        canvas = Canvas(layout.width, layout.height)
        scales = "none: tables"
        if n < layout.drawn_pages:
            draw_page(canvas, view, layout, n)
            scales = layout.scales_of(n)
        elif (at := n - layout.drawn_pages) < len(table_pages):
            draw_tables(canvas, body, table_pages[at])
        else:
            draw_photos(canvas, body, pictures[at - len(table_pages)], left_out)
            scales = "none: photos"
        draw_title_block(canvas, view, SheetTitle(n + 1, sheets, scales))
        yield canvas


def draw_page(canvas: Canvas, view: RecordView, layout: Layout, page: int) -> None:
    """Draw plan, profiles and key of one page."""
    from lateralline.draw import plan, profile
    from lateralline.draw.furniture import draw_key

    if page < len(layout.windows):
        plan.draw_plan(canvas, layout.plan_box, view, layout.plan_scale, layout.windows, page)
    if layout.profile_scales is None:
        box = layout.profile_box
        canvas.words(box.x, box.y + 6, "No line was located: there is no profile.", 9.0)
    elif page < len(layout.pieces):
        for piece, box in layout.pieces[page]:
            profile.draw_profile(canvas, box, view, piece, layout.profile_scales)
    draw_key(canvas, layout.key_box, view)


# ---- the first page as a picture ------------------------------------------------------------


#: Kinds of pictures, by the end of their names.
SUFFIXES: Final = (".png", ".svg", ".pdf")
_PAPER: Final = "A3"
_DPI: Final = 120
_MOST_LINES: Final = 4  # get a profile and a note
_NOTE_PT: Final = 7.0
_COLUMNS: Final = 2
_GAP_MM: Final = 6.0


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

        from lateralline.draw import symbols
        from lateralline.draw.canvas import save
    from lateralline.record.view import read_record

    with whole_file(out, "picture", replace=replace) as made, matplotlib.rc_context(symbols.RC):
        save(picture(read_record(gpkg, site_id)), made, _DPI, "picture")


def picture(view: RecordView) -> Figure:
    """Return plan, profiles and facts of one site of a built record as a figure of its true size.

    Raises MissingExtraError without matplotlib.
    """
    with extra("draw", "drawing"):
        import matplotlib

        from lateralline.draw import symbols
        from lateralline.draw.canvas import Canvas
        from lateralline.draw.furniture import SheetTitle, draw_title_block
        from lateralline.draw.layout import lay_out
    from lateralline.record.profile import line_profile

    notes = picture_facts(view)
    with matplotlib.rc_context(symbols.RC):
        profiles = [line_profile(view, line) for line in view.lines[:_MOST_LINES]]
        layout = lay_out(
            view, profiles, _PAPER, "auto", None, whole=True,
            notes_mm=lambda width: notes_mm(notes, width),
        )  # fmt: skip
        canvas = Canvas(layout.width, layout.height)
        draw_page(canvas, view, layout, 0)
        _draw_notes(canvas, layout.notes_box, notes)
        draw_title_block(canvas, view, SheetTitle(1, 1, layout.scales_of(0)))
    return canvas.figure


def picture_facts(view: RecordView) -> list[str]:
    """Return in short what a record holds: lines, rule, findings, and what is not located."""
    facts = []
    for row in view.centrelines[:_MOST_LINES]:
        pipe = " ".join(filter(None, (row.line_id, row.material, row.nominal)))
        fall = view.word("fall of the pipe")
        grade = f", mean {fall} {row.gradient:.2%}" if row.fall_shown else ""
        facts.append(
            f"{pipe}: {view.length_both(row.length_m)} long{grade}; "
            f"{view.word('position ±')} at most {view.off_both(row.position_95_max_m)}; "
            f"{_cover(view, row)}"
        )
    if len(view.lines) > _MOST_LINES:
        facts.append(f"{len(view.lines) - _MOST_LINES} shorter lines more, without a profile here")
    facts += dict.fromkeys(
        f"{view.word('zone to dig by hand')}: {as_written(z.tolerance_m, view.unit, up=True)} "
        f"each side, by {z.rule_title}"
        for z in view.rows(ZoneRow)
    )
    if view.lines:
        carried = (node.ref for node in view.nodes if node.carried_on)
        facts += [f"cover: {located_alone(carried)}", SAID]
    counts = [
        counted(n, severity)
        for severity in ("error", "warning", "info")
        if (n := view.findings[severity])
    ]
    if accepted := view.findings["accepted"]:
        counts.append(f"{accepted} accepted")
    facts.append(
        f"findings: {', '.join(counts)}; read them before use" if counts else "no findings"
    )
    lost = [fix.name for fix in view.fixes if fix.status == "not_located"]
    if lost:
        facts.append(f"not located: stop {', '.join(lost)}")
    facts.append("± is half the 95 % interval, here as on the sheet and the page.")
    return facts


def _cover(view: RecordView, row: CentrelineRow) -> str:
    """Return the least cover with its bound; "at least" stands for the bound alone."""
    if isnan(row.cover_min_m):
        return "cover unknown"
    bound = view.least_cover_95_m(row.line_id)
    sure = "no bound" if isnan(bound) else f"at least {view.least_both(bound)}"
    return f"least cover {view.taped_both(row.cover_min_m)}, {sure} (95 %)"


def notes_mm(notes: Sequence[str], width: float) -> float:
    """Return how high a box of that width must be for the notes."""
    from lateralline.draw.canvas import line_mm

    return line_mm(_NOTE_PT) * ceil(len(_wrapped(notes, width)) / _COLUMNS) + 2.0


def _wrapped(notes: Sequence[str], width: float) -> list[str]:
    from lateralline.draw.canvas import wrapped

    room = width / _COLUMNS - _GAP_MM
    return [line for note in notes for line in wrapped(note, room, _NOTE_PT)]


def _draw_notes(canvas: Canvas, box: Box, notes: Sequence[str]) -> None:
    from lateralline.draw.canvas import line_mm

    lines = _wrapped(notes, box.width)
    deep = ceil(len(lines) / _COLUMNS)
    for n, line in enumerate(lines):
        x = box.x + (n // deep) * box.width / _COLUMNS
        canvas.words(x, box.y + (n % deep + 0.5) * line_mm(_NOTE_PT), line, _NOTE_PT)
