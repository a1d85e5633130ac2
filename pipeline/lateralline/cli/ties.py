"""`lateralline ties`: two or three tapes that find a spot again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lateralline.cli.command import WITH_ERRORS
from lateralline.cli.options import (
    Record,
    Replace,
    Terms,
    Workers,
    one_site,
    option,
    refuse_suffix,
    refuse_unknown,
    sites_of,
)
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console
from lateralline.wording import counted

if TYPE_CHECKING:
    from lateralline.api.documents import Asked, Measure, SiteCards


def ties(
    built: Record,
    line: Annotated[str, option("Line that --at counts along.", metavar="LINE")] = "",
    at: Annotated[
        list[str] | None,
        option(
            "Chainage on --line from its downstream end (its entry end where nobody knows the "
            "flow), with its unit, as 12.4m or 40.5ft; repeatable.",
            metavar="LENGTH",
        ),
    ] = None,
    node: Annotated[
        list[str] | None, option("A node, as L1/bend-1; repeatable.", metavar="NODE")
    ] = None,
    observation: Annotated[
        list[str] | None, option("An observation, as R1/O2; repeatable.", metavar="ID")
    ] = None,
    points: Annotated[
        Path | None,
        option(
            "More points to tape from, as corners of buildings: .csv with point, x, y and "
            "sigma_h in the CRS of RECORD, or a map layer with a column point.",
            metavar="FILE",
            exists=True,
            dir_okay=False,
        ),
    ] = None,
    longest: Annotated[
        str, typer.Option(metavar="LENGTH", help="Longest tape, as 30m or 100ft.")
    ] = "30 m",
    flattest: Annotated[
        float, typer.Option(min=5.0, max=85.0, help="Flattest crossing of the tapes, degrees.")
    ] = 20.0,
    units: Annotated[
        str | None, option("m, ft, us-ft or ft-in; else that of the crew.", metavar="UNIT")
    ] = None,
    site: Annotated[
        str,
        option("The site; if not said, cards of all sites go into a folder.", metavar="ID"),
    ] = "",
    out: Annotated[
        Path | None,
        option("Cards to print; of several sites a folder.", "--out", "-o", metavar="PDF"),
    ] = None,
    tapes: Annotated[
        Path | None, option("The tapes as a layer, .gpkg or .geojson.", metavar="FILE")
    ] = None,
    paper: Annotated[
        str, option("Of the cards: A4, if not said, or letter.", metavar="PAPER")
    ] = "",
    terms: Terms = None,
    workers: Workers = None,
    replace: Replace = False,
) -> None:
    """Find a spot again: tapes to two points and a check.

    Without --at, --node or --observation, of every node and observation. A card is no clearance
    to dig and says so on its face. Exit code 1 when some spot cannot be tied,
    be it one or all.

    \b
    Example:
      lateralline ties out --line L1 --at 12.4m
      lateralline ties out --node L1/bend-1 --longest 100ft -o cards.pdf
      lateralline ties out --points corners.csv -o cards.pdf --tapes tapes.gpkg
      lateralline ties city -o cards
    """
    from lateralline.api import documents

    there = [] if site else sites_of(built)
    several = len(there) > 1 and out is not None and out.suffix.casefold() != ".pdf"
    if not several:
        refuse_suffix(out, (".pdf",), "cards end in {}", "--out")
    refuse_suffix(tapes, documents.TAPE_SUFFIXES, "a layer of tapes ends in {}", "--tapes")
    refuse_unknown(units, documents.TAPE_UNITS, "--units")
    refuse_unknown(paper or "A4", documents.OFFICE_PAPERS, "--paper")
    if paper and out is None:
        raise typer.BadParameter("no cards are printed: say --out", param_hint="--paper")
    if replace and out is None and tapes is None:
        raise typer.BadParameter("nothing is written: say --out or --tapes", param_hint="--replace")
    if out is not None and several:
        if line or at or node or observation or points or tapes:
            raise typer.BadParameter(
                "--line, --at, --node, --observation, --points and --tapes are of one site",
                param_hint="--site",
            )
        length_m = _length(longest, documents.Measure("m"), "--longest")
        with documents.spoken(terms):
            _report(out, documents.write_cards(
                there, out, unit=units, longest_m=length_m, flattest_deg=flattest,
                paper=paper or "A4", replace=replace, workers=workers,
            ))  # fmt: skip
        return
    asbuilt, site_id = one_site(built, site, there)
    measure = (
        documents.Measure(units)
        if units
        else documents.Measure.of_crew(documents.tape_unit_of(asbuilt, site_id))
    )
    with documents.spoken(terms):
        made = documents.tie_cards(
            asbuilt,
            site_id,
            _asked(line, at or [], node or [], observation or [], measure),
            measure,
            points=points,
            longest_m=_length(longest, measure, "--longest"),
            flattest_deg=flattest,
            out=out,
            layer=tapes,
            paper=paper or "A4",
            replace=replace,
        )
    page = console()
    for note in made.notes:
        page.print(note, soft_wrap=True)
    for text in made.texts:
        for row in text:
            page.print(row, soft_wrap=True)
        page.print()
    message = f"{made.tied} of {len(made.cards)} spots tied, tapes held level"
    print_last_words("; ".join([message, *(f"wrote {w}" for w in made.wrote)]))
    if made.tied < len(made.cards) or not made.cards:
        raise typer.Exit(WITH_ERRORS)


def _report(out: Path, cards: list[SiteCards]) -> None:
    """Say what was tied on each of many sites; exit code 1 where some spot was not."""
    bare = [c.site_id for c in cards if c.tied < c.spots or not c.spots]
    if bare:
        more = f" and {len(bare) - 20} more" if len(bare) > 20 else ""
        typer.echo(f"not every spot is tied on {', '.join(bare[:20])}{more}")
    told = f"{sum(c.tied for c in cards)} of {sum(c.spots for c in cards)} spots tied"
    print_last_words(f"{told} on {counted(len(cards), 'site')}, tapes held level; wrote {out}")
    if bare:
        raise typer.Exit(WITH_ERRORS)


def _asked(
    line: str, at: list[str], nodes: list[str], observations: list[str], measure: Measure
) -> Asked:
    from lateralline.api.documents import Asked

    if bool(line) != bool(at):
        raise typer.BadParameter("--line and --at go together", param_hint="--at")
    chainages = tuple((line, _length(text, measure, "--at")) for text in at)
    return Asked(chainages, tuple(nodes), tuple(observations))


def _length(text: str, measure: Measure, option: str) -> float:
    if text.strip()[-1:].isdigit():
        raise typer.BadParameter(
            f"must carry its unit, as 12.4m or 40.5ft; got {text!r}", param_hint=option
        )
    try:
        return measure.read(text)
    except ValueError as e:
        raise typer.BadParameter(f"{e}; got {text!r}", param_hint=option) from e
