"""`lateralline handover`: a record in a register's own names."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from lateralline.cli.command import CLEAN, NOTHING, head, json_text
from lateralline.cli.options import AsJson, Replace, WithPrivate, argument, option
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console, print_indented

if TYPE_CHECKING:
    from lateralline.api.handovers import Handover

Kind = Literal["geopackage", "geojson", "geoparquet", "flatgeobuf", "shapefile", "csv"]


def handover(
    record: Annotated[
        Path | None,
        argument(
            "Folder that `lateralline build` wrote, or its .gpkg.", metavar="RECORD", exists=True
        ),
    ] = None,
    out: Annotated[Path | None, option("Folder to write.", "--out", "-o", metavar="FOLDER")] = None,
    profile: Annotated[
        str,
        option("Mapping profile: one that comes with lateralline, or a file.", metavar="NAME|FILE"),
    ] = "",
    kind: Annotated[
        Kind,
        typer.Option("--format", help="What is written: all layers in one file, or a file each."),
    ] = "geopackage",
    crs: Annotated[
        str, option("Coordinate system in place of the profile's, as EPSG:25832.", metavar="CRS")
    ] = "",
    site: Annotated[str, option("One site; else all of them.", metavar="ID")] = "",
    dry_run: Annotated[
        bool,
        typer.Option("--dry-run", help="Tell what is lost and what is missing; write nothing."),
    ] = False,
    write_profile: Annotated[
        Path | None,
        option("Write the shipped profile into a file for you to change.", metavar="FILE"),
    ] = None,
    with_private: WithPrivate = False,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Hand a record over in a register's names, codes and units.

    A mapping profile says which layers, columns, codes, units and coordinate system the register
    has, and what it requires. What the record has and the register does not is told; where the
    record lacks what the register requires nothing is written. Without a profile those that come
    with lateralline are listed. Nothing handed over is a clearance to dig.

    Exit code: 0 written, or nothing missing; 2 nothing written, or something missing.

    \b
    Example:
      lateralline handover out --profile municipal --dry-run
      lateralline handover out --profile municipal -o to-the-town --format shapefile
      lateralline handover --profile municipal --write-profile my-town.toml
    """
    from lateralline.api import handovers

    if not profile:
        _print_profiles(as_json=as_json)
        raise typer.Exit(NOTHING)
    if write_profile is not None:
        if profile not in handovers.profiles():
            known = ", ".join(handovers.profiles())
            raise typer.BadParameter(f"must be one of {known} here", param_hint="--profile")
        handovers.write_profile(profile, write_profile)
        typer.echo(f"wrote {write_profile}")
        return
    if record is None:
        raise typer.BadParameter("say which record", param_hint="RECORD")
    if out is None and not dry_run:
        raise typer.BadParameter("say where to write, or --dry-run", param_hint="--out")
    with handovers.private_shown(with_private):
        if dry_run or out is None:
            made = handovers.plan_handover(record, profile, kind=kind, crs=crs, site=site)
        else:
            made = handovers.hand_over(
                record, out, profile, kind=kind, crs=crs, site=site, replace=replace
            )
    code = NOTHING if made.missing else CLEAN
    wrote = None if dry_run else out
    if as_json:
        typer.echo(_document(made, wrote, code))
    elif wrote is None:
        _print_plan(made)
    else:
        _print_written(made, wrote)
    raise typer.Exit(code)


def _document(made: Handover, out: Path | None, code: int) -> str:
    content = {
        **head("handover", out, code),
        "record": str(made.record),
        "record_sha256": made.record_sha256,
        "profile": made.profile.profile.name,
        "crs": None if made.crs is None else made.crs.name,
        "layers": {layer.name: layer.table.num_rows for layer in made.layers},
        "missing": [asdict(fault) for fault in made.missing],
        "losses": [{**asdict(loss), "tells": loss.of} for loss in made.losses],
    }
    return json_text(content)


def _print_plan(made: Handover) -> None:
    from lateralline.api import handovers

    out = console()
    for layer in made.layers:
        out.print(f"{layer.name}: {layer.table.num_rows} features")
    if made.missing:
        out.print("\nMissing or outside the register's domain: nothing would be written")
        for fault in made.missing:
            print_indented(out, str(fault), 2)
    for heading, lines in handovers.report_lines(made.losses):
        out.print(f"\n{heading}")
        for line in lines:
            print_indented(out, line, 2)
    if not made.losses:
        out.print("\nNothing is left behind.")
    print_last_words("nothing written: --dry-run")


def _print_written(made: Handover, wrote: Path) -> None:
    from lateralline.api import handovers

    sure = sum(loss.of == "±" for loss in made.losses)
    rest = len(made.losses) - sure
    rows = sum(layer.table.num_rows for layer in made.layers)
    what = f"{len(made.layers)} layers, {rows} features"
    left = f"left behind: {sure} that tell ±, {rest} others, all in {handovers.ABOUT}"
    print_last_words(f"wrote {wrote}: {what}; {left}")


def _print_profiles(*, as_json: bool) -> None:
    """Print the profiles that come with lateralline, for someone who has to choose one."""
    from lateralline.api import handovers

    known = handovers.profiles()
    why = "choose a profile with --profile NAME, or give a file"
    if as_json:
        typer.echo(json_text({**head("handover", None, NOTHING), "error": why, "profiles": known}))
        return
    out = console()
    out.print("Choose a profile with --profile NAME, or give a file; these come with lateralline:")
    for name, title in known.items():
        out.print(f"  {name}: {title}")
    out.print("--write-profile FILE copies one, to begin yours with.")
