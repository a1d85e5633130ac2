"""`lateralline explain`: what a figure of a built record rests on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.command import CLEAN, WITH_ERRORS, head, json_text
from lateralline.cli.options import (
    AsJson,
    Record,
    Replace,
    Terms,
    argument,
    one_site,
    option,
    refuse_suffix,
    refuse_unknown,
)
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console, print_indented


def explain(
    built: Record,
    ref: Annotated[
        str,
        argument(
            "A stop (R1/4), mark (3B), node or bend (L1/bend-1, CO1), segment (L1/segment-3), "
            "observation (R1/O2), exposure (TH1), line (L1), run (R1), control point or baseline "
            "(P1, P1–P2), the site, a place on a line (L1@12.4m, L1@40.5ft), or a finding by its "
            'cause or as "code subject".',
            metavar="REF",
        ),
    ],
    site: Annotated[str, option("The site; needed when RECORD holds several.", metavar="ID")] = "",
    out: Annotated[Path | None, option("PDF to write.", "--out", "-o", metavar="PDF")] = None,
    paper: Annotated[str, option("Of the PDF: A4, if not said, or letter.", metavar="PAPER")] = "",
    terms: Terms = None,
    as_json: AsJson = False,
    replace: Replace = False,
) -> None:
    """Say what a figure of a record rests on.

    Marks, weights, residuals, limits, rules and files, by the record alone. A finding is told by
    the figures it was found by, then by what its subject rests on.

    Each figure has its formula with the numbers put in, where the formula is from, and what the
    record holds. Nothing of it is a clearance to dig.

    Exit code: 0; 1 when the record was changed since it was written, or does not hold what its own
    figures give; 2 nothing there.

    \b
    Example:
      lateralline explain out R1/4
      lateralline explain out L1@12.4m -o place.pdf
      lateralline explain out "entry-not-located run R1"
    """
    from lateralline.api import documents, explanations

    refuse_suffix(out, (".pdf",), "an explanation ends in {}", "--out")
    refuse_unknown(paper or "A4", documents.OFFICE_PAPERS, "--paper")
    if (paper or replace) and out is None:
        raise typer.BadParameter("nothing is written: say --out", param_hint="--out")
    asbuilt, site_id = one_site(built, site)
    with documents.spoken(terms):
        told = explanations.explain(asbuilt, ref, site_id)
        if out is not None:
            explanations.explain_to(told, asbuilt, out, paper=paper or "A4", replace=replace)
    code = WITH_ERRORS if told.disagreeing or told.changed else CLEAN
    if as_json:
        typer.echo(json_text({**head("explain", out, code), **explanations.as_plain(told)}))
        raise typer.Exit(code)
    page = console()
    if out is None:
        for line in explanations.lines_of(told, page.width):
            if len(line) <= page.width:
                page.print(line, soft_wrap=True)
            else:
                print_indented(page, line.strip(), len(line) - len(line.lstrip()))
    else:
        for line in told.said:
            print_indented(page, line)
        print_last_words(f"wrote {out}")
    for figure in told.disagreeing:
        words = f"{figure.what}: the record holds another figure than its own numbers give"
        print_indented(page, f"{words}; someone edited it")
    raise typer.Exit(code)
