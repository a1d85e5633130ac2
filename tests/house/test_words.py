"""One word for one thing, wherever a person reads: what was called otherwise does not come back."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest

from lateralline import contract
from lateralline.findings import catalogue
from tests.support.places import ROOT

#: What it was called → what it is called. Keys of files (`frame`, `grade`) are no prose.
OLD = {
    r"stretch(es)?": "segment",
    r"sags?|bell(y|ies)": "low point",
    r"grades?": "gradient",
    r"(?<!hand-)dig zones?|dig-zone rules?": "hand-dig zone, tolerance rule",
    r"(?<!total )(?<!base )(?<!level and )stations?": "chainage",
    r"half ax[ei]s": "position ±",
    r"bands? of levels": "level band",
    r"frames? of|for the frame|frame:": "coordinate system",
    r"depth only|relative levels": "depths only, site zero",
    r"crown|soffit": "inside top",
    r"double bends?": "two bends",
    r"unsolved|not mapped|beyond_end": "not located",
    r"adverse": "back-fall",
}
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


def of_pages() -> Iterator[tuple[str, str]]:
    for name in ("README.md", "sample_sites/README.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        yield name, re.sub(r"```.*?```|`[^`]*`|\]\([^)]*\)", "", text, flags=re.DOTALL)
    page = (PACKAGE / "page" / "assets" / "page.html").read_text(encoding="utf-8")
    yield "page.html", re.sub(r"<[^>]*>|\{[%{].*?[%}]\}", " ", page, flags=re.DOTALL)


@pytest.mark.parametrize("texts", [of_schemas, of_code, of_pages])
def test_no_text_has_a_word_of_before(texts: object) -> None:
    assert callable(texts)
    read = list(texts())
    assert read
    found = [f"{where}: {m[0]}: {text[:90]}" for where, text in read if (m := WORDS.search(text))]
    assert found == []
