"""What is drawn and exported of built records, and tapes that find a spot again.

Nothing of it is a clearance to dig, and each says so on its face: the local one-call service and
local codes come first, and pipes are proven by exposing them by hand or vacuum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import replace as altered
from io import BytesIO
from math import radians
from pathlib import Path
from typing import Final

from lateralline.draw.cards import draw_cards, print_cards
from lateralline.draw.field_sheet import Blank, field_sheet_pages
from lateralline.draw.kerb_sheet import kerb_sheet_pages
from lateralline.draw.paper import OFFICE_PAPERS, PAPERS, parse_scale
from lateralline.draw.ruled_page import draw_field_sheet
from lateralline.draw.sheet import (
    AT_ONCE,
    SheetOptions,
    draw_picture,
    draw_sheet,
    draw_sheets,
    pdf_of,
)
from lateralline.draw.sheet import SUFFIXES as PICTURE_SUFFIXES
from lateralline.measure import UNITS as TAPE_UNITS
from lateralline.measure import Measure
from lateralline.output import refuse_targets, together, whole_folder
from lateralline.page import write_page, write_pages
from lateralline.record.assets import AsAsked, private_shown
from lateralline.record.view import RecordView, read_record, views_of
from lateralline.terms import spoken
from lateralline.ties.spots import Asked, control_of, spots_of, with_more
from lateralline.ties.tapes import SUFFIXES as TAPE_SUFFIXES
from lateralline.ties.tapes import Card, TieLimits, card_lines, tie, write_layer
from lateralline.workers import in_parts
from lateralline.write.dxf import write_dxf
from lateralline.write.kml import write_kml

__all__ = [
    "EXPORT_SUFFIXES",
    "OFFICE_PAPERS",
    "PAPERS",
    "PICTURE_SUFFIXES",
    "TAPE_SUFFIXES",
    "TAPE_UNITS",
    "Asked",
    "Blank",
    "Card",
    "Measure",
    "SheetOptions",
    "TieCards",
    "draw_field_sheet",
    "draw_picture",
    "draw_sheet",
    "draw_sheets",
    "export",
    "field_sheet_pages",
    "kerb_sheet_pages",
    "parse_scale",
    "private_shown",
    "spoken",
    "tape_unit_of",
    "tie_cards",
    "write_cards",
    "write_page",
    "write_pages",
]

#: Kinds of exports, by the end of their names.
EXPORT_SUFFIXES: Final = (".dxf", ".kml")
#: Plot scale 1:N that the texts of a drawing are for, if not given.
PLOT_SCALE: Final = 200.0


def export(
    built: Path,
    out: Path,
    *,
    overlays: Sequence[Path] = (),
    site: str = "",
    plot_scale: float = PLOT_SCALE,
    replace: bool = False,
) -> None:
    """Write a record or an overlay, and `overlays` with it, as a drawing (.dxf) or as .kml.

    `built` and `overlays` are folders that `build`, `zones`, `clearance` or `update` wrote, or
    their GeoPackages; one record at the most, and of one site or of all. A drawing is in the plan's
    own unit and CRS, levels too, its texts for a plot at 1:`plot_scale`; KML lies on the ground.

    Raises ValueError for another suffix, NotExportedError for what is neither or does not belong
    together, UnknownSiteError, FrameError for a CRS in degrees (.dxf) or for invented axes (.kml),
    OutputExistsError, MissingExtraError.
    """
    suffix = out.suffix.lower()
    if suffix == ".dxf":
        write_dxf(built, out, overlays=overlays, site=site, scale=plot_scale, replace=replace)
    elif suffix == ".kml":
        write_kml(built, out, overlays=overlays, site=site, replace=replace)
    else:
        raise ValueError(f"must end in {' or '.join(EXPORT_SUFFIXES)}; got {out.name!r}")


# ---- ties ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TieCards:
    """Tapes to spots of one site, and what was written of them."""

    cards: list[Card]
    texts: list[list[str]]  # what each card says, line by line
    notes: tuple[str, ...]  # how a file of more points was read
    wrote: list[Path]

    @property
    def tied(self) -> int:
        """How many spots two or more tapes find again."""
        return sum(card.tied for card in self.cards)


def tape_unit_of(asbuilt: Path, site: str) -> str:
    """Return the unit the crew of a site taped in."""
    return read_record(asbuilt, site).lineage.tape_unit


def tie_cards(
    asbuilt: Path,
    site: str,
    asked: Asked,
    measure: Measure,
    *,
    points: Path | None = None,
    longest_m: float = 30.0,
    flattest_deg: float = 20.0,
    out: Path | None = None,
    layer: Path | None = None,
    paper: str = "A4",
    replace: bool = False,
) -> TieCards:
    """Return two tapes and a check to each spot asked for; by default to each node and observation.

    Tapes go to control of the site and to `points` of a file, no longer than `longest_m` and
    crossing no flatter than `flattest_deg`. With `out` the cards are written as PDF, with `layer`
    the tapes as .gpkg or .geojson: both, or nothing.

    Raises UnknownSiteError, UnknownSpotError, SiteFaultsError for the file of points, FrameError,
    OutputExistsError, MissingExtraError.
    """
    kinds = ((out, "tie-cards"), (layer, "tie-tapes"))
    refuse_targets([(f, kind) for f, kind in kinds if f is not None], replace=replace)
    view = read_record(asbuilt, site)
    limits = _limits(view, longest_m, flattest_deg)
    known = control_of(view)
    if points is not None:
        known = with_more(known, points, view)
    cards = tie(spots_of(view, asked, measure), known, limits)
    wrote = []
    if any(card.tied for card in cards):
        with together():
            if out is not None:
                draw_cards(cards, view, measure, limits, out, paper=paper, replace=replace)
                wrote.append(out)
            if layer is not None:
                write_layer(cards, view.site_id, measure, view.ground, layer, replace=replace)
                wrote.append(layer)
    texts = [list(card_lines(card, measure, limits)) for card in cards]
    return TieCards(cards, texts, known.notes, wrote)


def _limits(view: RecordView, longest_m: float, flattest_deg: float) -> TieLimits:
    tape = view.lineage
    return TieLimits(longest_m, radians(flattest_deg), tape.tape_sigma_m, tape.tape_sigma_ratio)


@dataclass(frozen=True, slots=True)
class SiteCards:
    """Cards of one site of many: its PDF until it is written, empty where no spot was tied."""

    site_id: str
    spots: int
    tied: int
    pdf: bytes


@dataclass(frozen=True, slots=True)
class CardsJob:
    """What is done with a few sites, wherever that is: cards of every node and observation."""

    unit: str | None  # of the tapes; None: that of each crew
    longest_m: float
    flattest_deg: float
    paper: str
    shown: AsAsked

    def __call__(self, sites: tuple[tuple[Path, str], ...]) -> list[SiteCards]:
        """Return the cards of each site."""
        with self.shown.again():
            return [self._cards(view) for view in views_of(sites)]

    def _cards(self, view: RecordView) -> SiteCards:
        measure = Measure(self.unit) if self.unit else Measure.of_crew(view.lineage.tape_unit)
        limits = _limits(view, self.longest_m, self.flattest_deg)
        cards = tie(spots_of(view, Asked(), measure), control_of(view), limits)
        into, tied = BytesIO(), sum(card.tied for card in cards)
        if tied:
            print_cards(cards, view, measure, limits, into, paper=self.paper)
        return SiteCards(view.site_id, len(cards), tied, into.getvalue())


def write_cards(
    sites: Sequence[tuple[Path, str]],
    folder: Path,
    *,
    unit: str | None = None,
    longest_m: float = 30.0,
    flattest_deg: float = 20.0,
    paper: str = "A4",
    replace: bool = False,
    workers: int | None = 1,
) -> list[SiteCards]:
    """Write a PDF of tie cards for each (GeoPackage, site id) with a spot tied, named by its id.

    `unit` is that of the tapes, if not each crew's; `workers` as in `write_pages`. Raises
    UnknownSiteError, OutputExistsError, MissingExtraError, WorkerLostError.
    """
    made: list[SiteCards] = []
    job = CardsJob(unit, longest_m, flattest_deg, paper, AsAsked.here())
    with whole_folder(folder, "cards", replace=replace) as home:
        for cards in in_parts(job, sites, AT_ONCE, workers):
            at = pdf_of(home, cards.site_id)
            if cards.pdf:
                at.write_bytes(cards.pdf)
            made.append(altered(cards, pdf=b""))
    return made
