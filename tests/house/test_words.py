"""One word for one thing, wherever a person reads: what was called otherwise does not come back."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest

from lateralline import contract
from lateralline.catalogue import catalogue
from lateralline.cli import app
from lateralline.terms import REGIONS, terms, word
from tests.support.places import ROOT

#: What no text calls a quantity any more, by `terms.toml`. Keys of files (`frame`, `grade`) are no
#: prose.
OLD = [never for term in terms() for never in term.never]
WORDS = re.compile(rf"\b({'|'.join(OLD)})\b", re.IGNORECASE)
#: Rooms whose words reach a person: all but those that hold none or speak of arrays alone.
READ = ("cli", "draw", "page", "overlay", "record", "ties", "write", "revise", "ingest", "api")
#: Words of others: what crews paint, and titles of published rules.
QUOTED = {"ingest/points/codes.py"}
PACKAGE = ROOT / "pipeline" / "lateralline"


def of_schemas() -> Iterator[tuple[str, str]]:
    for code in catalogue().entries:
        for form in catalogue().forms(code):
            for text in (form.title, *form.texts):
                yield str(form), re.sub(r"\{.*?\}", " ", text)
    for name in (*contract.INPUTS, *contract.LAYERS, *contract.OVERLAYS):
        table = contract.load(name)
        yield name, f"{table.title} {table.description}"
        for column in table.field:
            meant = " ".join(v.description for v in column.values)
            yield f"{name}.{column.name}", f"{column.title} {column.description} {meant}"


def of_code() -> Iterator[tuple[str, str]]:
    """Yield every text with a space in it that is no docstring."""
    for path in (p for room in READ for p in (PACKAGE / room).rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        bodies = (getattr(n, "body", None) for n in ast.walk(tree))
        heads = (b[0] for b in bodies if isinstance(b, list) and b)
        said = {id(h.value) for h in heads if isinstance(h, ast.Expr)}
        where = str(path.relative_to(PACKAGE))
        for n in ast.walk(tree):
            match n:
                case ast.Constant(value=str(text)) if " " in text and id(n) not in said:
                    if where not in QUOTED:
                        yield f"{where}:{n.lineno}", re.sub(r"<[^>]*>", " ", text)


def of_help() -> Iterator[tuple[str, str]]:
    """Yield what each command says of itself, examples left out."""
    for command in app.registered_commands:
        assert command.callback is not None
        text = (command.callback.__doc__ or "").partition("Example:")[0]
        yield command.callback.__name__, text


def of_pages() -> Iterator[tuple[str, str]]:
    for name in ("README.md", "sample_sites/README.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        yield name, re.sub(r"```.*?```|`[^`]*`|\]\([^)]*\)", "", text, flags=re.DOTALL)
    page = (PACKAGE / "page" / "assets" / "page.html").read_text(encoding="utf-8")
    yield "page.html", re.sub(r"<[^>]*>|\{[%{].*?[%}]\}", " ", page, flags=re.DOTALL)


@pytest.mark.parametrize("texts", [of_schemas, of_code, of_help, of_pages])
def test_no_text_has_a_word_of_before(texts: object) -> None:
    assert callable(texts)
    read = list(texts())
    assert read
    found = [f"{where}: {m[0]}: {text[:90]}" for where, text in read if (m := WORDS.search(text))]
    assert found == []


def test_each_quantity_has_one_row_and_no_word_of_another() -> None:
    rows = terms()
    assert len({term.quantity for term in rows}) == len(rows)
    for region in REGIONS:
        said = [word(term.quantity, region) for term in rows]
        assert [text for text in said if WORDS.search(text)] == []
    assert word("distance along pipe", "metric") == "chainage"
    assert word("distance along pipe", "us") == "station"


def test_the_dictionary_has_every_term() -> None:
    text = (ROOT / "schemas" / "README.md").read_text(encoding="utf-8")
    table = text.partition("## Terms")[2]
    assert [term.quantity for term in terms() if f"| {term.quantity} |" not in table] == []
