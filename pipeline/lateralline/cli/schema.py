"""`lateralline schema`: the data dictionary of every input table and output layer."""

from __future__ import annotations

import json
from typing import Annotated

import typer


def schema(
    name: Annotated[
        str | None,
        typer.Argument(metavar="[NAME]", help="Input table or layer; none lists them all."),
    ] = None,
    json_schema: Annotated[
        bool, typer.Option("--json-schema", help="Print the JSON Schema of a layer's GeoJSON.")
    ] = False,
    markdown: Annotated[bool, typer.Option("--markdown", help="Print Markdown.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Every table and layer.")] = False,
) -> None:
    """Print what every column means.

    Of the files you fill in, and of the layers you get.

    \b
    Example:
      lateralline schema
      lateralline schema marks
      lateralline schema dig_zone --json-schema
      lateralline schema --all --markdown
    """
    from lateralline.cli import dictionary

    if json_schema and markdown:
        raise typer.BadParameter("ask for one of --json-schema and --markdown")
    if name is None and not everything:
        if json_schema or markdown:
            raise typer.BadParameter("name a table, or ask for --all", param_hint="NAME")
        dictionary.print_names()
        return
    if json_schema:
        typer.echo(json.dumps(dictionary.json_schemas(name), indent=2, ensure_ascii=False))
    elif markdown:
        typer.echo(dictionary.markdown_text(name), nl=False)
    else:
        dictionary.print_tables(name)
