"""The data dictionary on a terminal: lists and definitions that read at any width."""

from __future__ import annotations

from dataclasses import asdict

from rich.console import Console
from rich.text import Text

from lateralline.api.fieldwork import contract, dictionary
from lateralline.cli.options import console, print_indented


def print_names() -> None:
    """Print every input table and layer with its title."""
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


def print_tables(name: str | None) -> None:
    """Print the columns of one table, or of all when `name` is None."""
    out = console()
    for table_name in _names(name):
        _print_table(out, table_name)
        if table_name == "findings":
            print_findings()


def print_findings() -> None:
    """Print the catalogue of findings: code and title, severity, sentences, causes."""
    out = console()
    out.print(Text("Catalogue of findings", style="bold"))
    for row in dictionary.findings_rows():
        head = Text("  ").append(row.code, style="bold")
        head.append(f"  {', '.join(row.severity)}; {', '.join(row.stage)}", style="dim")
        out.print(head)
        print_indented(out, row.title, 6)
        for text in row.texts:
            print_indented(out, text.sentence, 8)
        if row.caused_by:
            print_indented(out, f"follows from {', '.join(row.caused_by)}", 8, "dim")
    out.print()


def declarations(name: str | None) -> dict[str, object]:
    """Return what is declared of a table, or of all by name, with the catalogue of findings."""
    if name is None:
        return {each: declarations(each) for each in _names(None)}
    found: dict[str, object] = contract.load(name).model_dump(mode="json")
    if name == "findings":
        found["catalogue"] = [asdict(row) for row in dictionary.findings_rows()]
    return found


def markdown_text(name: str | None) -> str:
    """Return one table, or the whole dictionary, as Markdown."""
    if name is None:
        return dictionary.whole_markdown()
    more = "\n" + dictionary.findings_markdown() if name == "findings" else ""
    return dictionary.markdown(name) + more


def _names(name: str | None) -> tuple[str, ...]:
    if name is not None:
        return (name,)
    return contract.INPUTS + contract.BESIDE + contract.LAYERS + contract.OVERLAYS


def _print_table(out: Console, name: str) -> None:
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
