"""`lateralline schema`: the data dictionary of every input table and output layer."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from lateralline.cli.terminal import console, print_indented


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
      lateralline schema tolerance_zone --json-schema
      lateralline schema findings --json
      lateralline schema --all --markdown
    """
    from lateralline.api.fieldwork import json_schemas

    if json_schema + markdown + as_json > 1:
        raise typer.BadParameter("ask for one of --json-schema, --json and --markdown")
    if name is None and not everything:
        if json_schema or markdown or as_json:
            raise typer.BadParameter("name a table, or ask for --all", param_hint="NAME")
        _print_names()
        return
    if json_schema:
        typer.echo(json.dumps(json_schemas(name), indent=2, ensure_ascii=False))
    elif as_json:
        typer.echo(json.dumps(_declarations(name), indent=2, ensure_ascii=False))
    elif markdown:
        typer.echo(_markdown(name), nl=False)
    else:
        _print_tables(name)


def _print_names() -> None:
    """Print every input table and layer with its title."""
    from lateralline.api.fieldwork import contract

    out = console()
    width = max(map(len, contract.INPUTS + contract.BESIDE + contract.LAYERS + contract.OVERLAYS))
    for heading, names in (
        ("Files you fill in", contract.INPUTS),
        ("Beside sites", contract.BESIDE),
        ("Layers", contract.LAYERS),
        ("Overlays", contract.OVERLAYS),
    ):
        out.print(Text(heading, style="bold"))
        for name in names:
            out.print(f"  {name:<{width}}  {contract.load(name).title}")
    out.print("\n`lateralline schema NAME` tells what its columns mean.")


def _print_tables(name: str | None) -> None:
    """Print the columns of one table, or of all when `name` is None."""
    out = console()
    for table_name in _names(name):
        _print_table(out, table_name)
        if table_name == "findings":
            _print_findings()


def _print_findings() -> None:
    """Print the catalogue of findings: code and title, variants, severity, sentences, causes."""
    from lateralline.api.fieldwork import dictionary

    out = console()
    out.print(Text("Catalogue of findings", style="bold"))
    code = ""
    for row in dictionary.findings_rows():
        if row.code != code:
            code = row.code
            out.print(Text("  ").append(code, style="bold").append(f"  {row.title}"))
        of = f"{row.variant}  " if row.variant else ""
        out.print(Text(f"    {of}{', '.join(row.severity)}; {', '.join(row.stage)}", style="dim"))
        print_indented(out, row.sentence, 8)
        if row.caused_by:
            print_indented(out, f"follows from {', '.join(row.caused_by)}", 8, "dim")
    out.print()


def _declarations(name: str | None) -> dict[str, object]:
    """Return what is declared of a table, or of all by name, with the catalogue of findings."""
    from lateralline.api.fieldwork import contract, dictionary

    if name is None:
        return {each: _declarations(each) for each in _names(None)}
    found: dict[str, object] = contract.load(name).model_dump(mode="json")
    if name == "findings":
        found["catalogue"] = [asdict(row) for row in dictionary.findings_rows()]
    return found


def _markdown(name: str | None) -> str:
    """Return one table, or the whole dictionary, as Markdown."""
    from lateralline.api.fieldwork import dictionary

    if name is None:
        return dictionary.whole_markdown()
    more = "\n" + dictionary.findings_markdown() if name == "findings" else ""
    return dictionary.markdown(name) + more


def _names(name: str | None) -> tuple[str, ...]:
    from lateralline.api.fieldwork import contract

    if name is not None:
        return (name,)
    return contract.INPUTS + contract.BESIDE + contract.LAYERS + contract.OVERLAYS


def _print_table(out: Console, name: str) -> None:
    from lateralline.api.fieldwork import contract, dictionary

    table = contract.load(name)
    geometry = f" ({table.geometry})" if table.geometry else ""
    out.print(Text(f"{name}{geometry}", style="bold"))
    print_indented(out, table.description, 2)
    if table.caution:
        print_indented(out, table.caution, 2, "bold")
    section = ""
    for row in dictionary.dictionary_rows(name):
        if row.section != section:
            section = row.section
            out.print(f"  {section}")
        facts = [row.type, row.unit, "required" if row.required else "", row.limits]
        default = f"default {row.default}" if row.default else ""
        head = Text("  ").append(row.name, style="bold")
        head.append("  " + ", ".join(filter(None, (*facts, default))), style="dim")
        out.print(head)
        print_indented(out, f"{row.title}. {row.description}", 6)
        for value, meaning in row.values:
            print_indented(out, f"{value}: {meaning}", 8)
    out.print()
