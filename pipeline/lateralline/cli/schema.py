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
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the declaration of a table as JSON.")
    ] = False,
    markdown: Annotated[bool, typer.Option("--markdown", help="Print Markdown.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Every table and layer.")] = False,
) -> None:
    """Print what every column means.

    Of the files you fill in, and of the layers you get; of `findings` also what each code means.

    \b
    Example:
      lateralline schema
      lateralline schema marks
      lateralline schema dig_zone --json-schema
      lateralline schema findings --json
      lateralline schema --all --markdown
    """
    from lateralline.api.fieldwork import json_schemas
    from lateralline.cli import dictionary

    if json_schema + markdown + as_json > 1:
        raise typer.BadParameter("ask for one of --json-schema, --json and --markdown")
    if name is None and not everything:
        if json_schema or markdown or as_json:
            raise typer.BadParameter("name a table, or ask for --all", param_hint="NAME")
        dictionary.print_names()
        return
    if json_schema:
        typer.echo(json.dumps(json_schemas(name), indent=2, ensure_ascii=False))
    elif as_json:
        typer.echo(json.dumps(dictionary.declarations(name), indent=2, ensure_ascii=False))
    elif markdown:
        typer.echo(dictionary.markdown_text(name), nl=False)
    else:
        dictionary.print_tables(name)
