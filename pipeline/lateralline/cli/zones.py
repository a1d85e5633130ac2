"""`lateralline zones`: dig zones of built lines by a rule of your choice."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from lateralline.cli.options import AnyRecord, AsJson, Replace
from lateralline.cli.pictures import Picture, refuse_picture


def zones(
    built: AnyRecord,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="OUT", help="Folder to write.", show_default=False),
    ] = None,
    rule: Annotated[
        str,
        typer.Option(metavar="KEY", help="Published rule, as cga or hsg47.", show_default=False),
    ] = "",
    tolerance: Annotated[
        str,
        typer.Option(
            metavar="LENGTH",
            help="Distance from the outside of the pipe, with its unit: 0.5m, 18in, 2ft.",
            show_default=False,
        ),
    ] = "",
    dissolve: Annotated[
        Literal["line", "all"],
        typer.Option(help="One zone per line, or all of a region merged where they touch."),
    ] = "line",
    picture: Picture = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Draw dig zones around built lines.

    Two zones a line: its outside plus the tolerance, and the same about its 95 % corridor. There
    is no default rule: without one, the known ones are listed with their sources. No zone is a
    clearance to dig, and outside both a pipe may still lie.

    Pipe of the record that is not drawn has no zone: where it may be goes along as the layer
    unlocated, and every line is named.

    Exit code: 0 every line has both zones; 1 some have no corridor, or are not located; 2 nothing
    done.

    \b
    Example:
      lateralline zones out --rule cga -o dig-zones --picture dig-zones.png
      lateralline zones city --tolerance 0.5m --dissolve all -o dig-zones
    """
    from lateralline.cli.lengths import metres
    from lateralline.cli.zones_report import print_rules, print_zones
    from lateralline.output import together
    from lateralline.overlay.as_built import UNLOCATED, open_as_built
    from lateralline.overlay.files import overlay_folder
    from lateralline.overlay.unlocated import add_placeless, add_unlocated
    from lateralline.overlay.zones import Drawn, add_merged, add_zones, given_distance, rule_named
    from lateralline.published import dig_rules

    if bool(rule) == bool(tolerance):
        print_rules("" if not rule else "give --rule or --tolerance, not both", as_json=as_json)
        raise typer.Exit(2)
    if rule and rule not in dig_rules():
        print_rules(f"no rule is called {rule!r}", as_json=as_json)
        raise typer.Exit(2)
    if out is None:
        raise typer.BadParameter("say where to write", param_hint="--out")
    chosen = (
        rule_named(rule) if rule else given_distance(metres(tolerance, "--tolerance"), tolerance)
    )
    refuse_picture(picture, "zones-picture", replace=replace)
    as_built = open_as_built(built)
    unit = as_built.unit
    layer = "dig_zone" if dissolve == "line" else "dig_zone_merged"
    add = add_zones if dissolve == "line" else add_merged
    drawn = Drawn()
    with together():
        with overlay_folder(
            out, "dig_zones", as_built.crs, (layer, UNLOCATED), replace=replace
        ) as overlay:
            for region in as_built.regions():
                if len(region.lines.line):
                    drawn.take(add(overlay, region.lines, chosen), region.unlocated)
                add_unlocated(overlay, region.unlocated)
            add_placeless(overlay, as_built.placeless)
            if drawn.lines or as_built.unlocated:
                said = f"{chosen.title}: {chosen.distance_m:.3f} m each side. {chosen.source}."
                overlay.close(said)
        if picture is not None and drawn.first is not None:
            from lateralline.overlay.picture import draw_zones

            draw_zones(drawn, as_built.unlocated, picture, unit=unit, replace=replace)
    missing = [row for row in as_built.unlocated if row["extent"] != "beyond_end" or row["stop_id"]]
    code = 2 if not drawn.lines and not missing else 1 if drawn.bare or missing else 0
    print_zones(
        chosen, unit, drawn, as_built.unlocated, out, picture, as_json=as_json, exit_code=code
    )
    raise typer.Exit(code)
