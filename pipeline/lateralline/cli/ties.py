"""`lateralline ties`: two or three tapes that find a spot again."""

from __future__ import annotations

from math import radians
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lateralline.cli.options import Record, Replace

if TYPE_CHECKING:
    from lateralline.write.ties import Asked, Measure


def ties(
    built: Record,
    line: Annotated[
        str, typer.Option(metavar="LINE", help="Line that --at counts along.", show_default=False)
    ] = "",
    at: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CHAINAGE",
            help="Chainage on --line from its downstream end; may be repeated.",
            show_default=False,
        ),
    ] = None,
    node: Annotated[
        list[str] | None,
        typer.Option(metavar="NODE", help="A node, as L1/N3; repeatable.", show_default=False),
    ] = None,
    observation: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ID", help="An observation, as R1/O2; repeatable.", show_default=False
        ),
    ] = None,
    points: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            exists=True,
            dir_okay=False,
            help="More points to tape from, as corners of buildings: .csv with point, x, y and "
            "sigma_h in the CRS of OUT, or a map layer with a column point.",
            show_default=False,
        ),
    ] = None,
    longest: Annotated[
        str, typer.Option(metavar="LENGTH", help="Longest tape, as 30m or 100ft.")
    ] = "30 m",
    flattest: Annotated[
        float, typer.Option(min=5.0, max=85.0, help="Flattest crossing of the tapes, degrees.")
    ] = 20.0,
    units: Annotated[
        str | None,
        typer.Option(
            metavar="UNIT", help="m, ft, us-ft or ft-in; else that of the crew.", show_default=False
        ),
    ] = None,
    site: Annotated[
        str,
        typer.Option(
            metavar="ID", help="The site; needed when OUT holds several.", show_default=False
        ),
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="PDF", help="Cards to print.", show_default=False),
    ] = None,
    layer: Annotated[
        Path | None,
        typer.Option(metavar="LAYER", help="The tapes as .gpkg or .geojson.", show_default=False),
    ] = None,
    paper: Annotated[
        str,
        typer.Option(
            metavar="PAPER", help="Of the cards: A4, if not said, or letter.", show_default=False
        ),
    ] = "",
    replace: Replace = False,
) -> None:
    """Find a spot again: tapes to two points and a check.

    Without --at, --node or --observation, of every node and observation. A card is no clearance
    to dig and says so on its face. Exit code 1 when some spot cannot be tied.

    \b
    Example:
      lateralline ties out --line L1 --at 12.4
      lateralline ties out --node L1/N3 --longest 100ft -o cards.pdf
      lateralline ties out --points corners.csv -o cards.pdf --layer tapes.gpkg
    """
    from lateralline.cli import report
    from lateralline.cli.built import asbuilt_of, one_site
    from lateralline.cli.options import WITH_ERRORS, console
    from lateralline.output import refuse_target, together
    from lateralline.summary import CAUTION
    from lateralline.write import ties as tying
    from lateralline.write.picture.scene import read_scene
    from lateralline.write.ties.cards import Heading
    from lateralline.write.ties.ground import ground_of
    from lateralline.write.ties.points import accuracy

    _check_names(out, layer, units, paper or "A4")
    if paper and out is None:
        raise typer.BadParameter("no cards are printed: say --out", param_hint="--paper")
    if replace and out is None and layer is None:
        raise typer.BadParameter("nothing is written: say --out or --layer", param_hint="--replace")
    paper = paper or "A4"
    for file, kind in ((out, "tie-cards"), (layer, "tie-tapes")):
        if file is not None:
            refuse_target(file, kind, replace=replace)
    asbuilt = asbuilt_of(built)
    scene = read_scene(asbuilt, one_site(asbuilt, site))
    assert scene is not None  # one_site has looked
    measure = tying.Measure(units) if units else tying.Measure.of_crew(scene.units.get("tape", "m"))
    limits = tying.Limits(
        _length(longest, measure, "--longest"),
        radians(flattest),
        accuracy(scene, "tape_m"),
        accuracy(scene, "tape_ratio"),
    )
    ground = ground_of(scene)
    known = tying.control_of(scene, ground)
    if points is not None:
        known = tying.with_more(known, points, scene, ground)
        for note in known.notes:
            console().print(note, soft_wrap=True)
    asked = _asked(line, at or [], node or [], observation or [], measure)
    cards = tying.tie(tying.spots_of(scene, ground, asked, measure), known, limits)
    page = console()
    for card in cards:
        for said in tying.card_lines(card, measure, limits):
            page.print(said, soft_wrap=True)
        page.print()
    untied = sum(not card.tied for card in cards)
    wrote = []
    if any(card.tied for card in cards):
        surveyed = scene.statements.get("surveyed", "")
        heading = Heading(scene.site_id, scene.north, surveyed, measure.unit)
        with together():
            if out is not None:
                tying.draw_cards(cards, heading, measure, limits, out, paper=paper, replace=replace)
                wrote.append(f"wrote {out}")
            if layer is not None:
                tying.write_layer(cards, scene.site_id, measure, ground, layer, replace=replace)
                wrote.append(f"wrote {layer}")
    told = f"{len(cards) - untied} of {len(cards)} spots tied, tapes held level"
    report.print_last_words(page, "; ".join([told, *wrote]), CAUTION)
    if untied or not cards:
        raise typer.Exit(WITH_ERRORS)


def _check_names(out: Path | None, layer: Path | None, units: str | None, paper: str) -> None:
    from lateralline.write.ties import LAYER_SUFFIXES, PAPERS, UNITS

    if out is not None and out.suffix.lower() != ".pdf":
        raise typer.BadParameter(f"cards end in .pdf; got {out.name!r}", param_hint="--out")
    if layer is not None and layer.suffix.lower() not in LAYER_SUFFIXES:
        must = f"a layer ends in {' or '.join(LAYER_SUFFIXES)}; got {layer.name!r}"
        raise typer.BadParameter(must, param_hint="--layer")
    if units is not None and units not in UNITS:
        must = f"must be one of {', '.join(UNITS)}; got {units!r}"
        raise typer.BadParameter(must, param_hint="--units")
    if paper not in PAPERS:
        must = f"must be {' or '.join(PAPERS)}; got {paper!r}"
        raise typer.BadParameter(must, param_hint="--paper")


def _asked(
    line: str, at: list[str], nodes: list[str], observations: list[str], measure: Measure
) -> Asked:
    from lateralline.write.ties import Asked

    if bool(line) != bool(at):
        raise typer.BadParameter("--line and --at go together", param_hint="--at")
    chainages = tuple((line, _length(text, measure, "--at")) for text in at)
    return Asked(chainages, tuple(nodes), tuple(observations))


def _length(text: str, measure: Measure, option: str) -> float:
    try:
        return measure.read(text)
    except ValueError as e:
        raise typer.BadParameter(f"{e}; got {text!r}", param_hint=option) from e
