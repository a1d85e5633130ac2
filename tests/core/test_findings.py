"""The catalogue of findings is whole, used, and worded by the rules; call sites keep to it."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from importlib import import_module

import pytest

from lateralline.catalogue import Form, catalogue, read
from lateralline.errors import ContractError
from lateralline.findings import ANY, Effect, finding, title_of
from tests.support.places import ROOT

PACKAGE = ROOT / "pipeline" / "lateralline"
#: What reads findings back from a built record words none.
READ_BACK = {"api/records.py"}
FORMS = [form for code in catalogue().entries for form in catalogue().forms(code)]
NAME = re.compile(r"[a-z]+(-[a-z]+)*(/[a-z]+(-[a-z]+)*)?")


@cache
def trees() -> dict[str, ast.Module]:
    """Every file of the package but the catalogue's own."""
    paths = (p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "findings.py")
    return {str(p.relative_to(PACKAGE)): ast.parse(p.read_text("utf-8")) for p in paths}


def constants(node: ast.expr | None) -> list[str]:
    """What a text may be; nothing where only running tells."""
    match node:
        case None:
            return [""]
        case ast.Constant(value=str(text)):
            return [text]
        case ast.IfExp(body=body, orelse=orelse):
            either = [constants(body), constants(orelse)]
            return [*either[0], *either[1]] if all(either) else []
    return []


def calls() -> Iterator[tuple[str, ast.Call, ast.expr, ast.expr | None, set[str]]]:
    """Calls of `finding`, `SpotTable.add`, `Ledger.note`, `_Site.error`: code, variant, values."""
    own = {"variant", "severity", "stage", "where", "about", "explains", "more"}
    for file, tree in trees().items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call):
                continue
            variant = next((k.value for k in node.keywords if k.arg == "variant"), None)
            match node.func:
                case ast.Name(id="finding"):
                    code = node.args[0]
                case ast.Attribute(attr="add", value=ast.Name(id="table" | "ties" | "self")):
                    code = node.args[1]
                    variant = node.args[2] if len(node.args) > 2 else variant
                case ast.Attribute(attr="note", value=ast.Name(id="ledger")):
                    code = node.args[0]
                case ast.Attribute(attr="error", value=ast.Name(id="site" | "self")):
                    code = node.args[0]
                    variant = node.args[3] if len(node.args) > 3 else variant
                case _:
                    continue
            names = {k.arg for k in node.keywords if k.arg} - own
            yield file, node, code, variant, names


def where(file: str, node: ast.Call) -> str:
    return f"{file}:{node.lineno}"


# ---- the catalogue and the code -----------------------------------------------------------


def test_every_call_gives_what_the_catalogue_declares() -> None:
    checked = 0
    for file, node, code, variant, given in calls():
        open_ended = any(k.arg in (None, "more") for k in node.keywords)
        for name, _, fixed in (given_code.partition("/") for given_code in constants(code)):
            assert name in catalogue().entries, f"{where(file, node)}: {name} is in no catalogue"
            for of in constants(variant):
                assert not (of and fixed), f"{where(file, node)}: two variants"
                form = catalogue().form(name, of or fixed)
                needed = {n for n, kind in form.values.items() if kind[-1] != "?"}
                assert given <= form.values.keys(), where(file, node)
                assert open_ended or needed <= given, f"{where(file, node)}: {needed - given}"
                checked += 1
    assert checked > 140


def test_every_code_and_variant_is_used_and_every_code_used_is_declared() -> None:
    texts = {
        n.value
        for tree in trees().values()
        for n in ast.walk(tree)
        if isinstance(n, ast.Constant) and isinstance(n.value, str) and NAME.fullmatch(n.value)
    }
    whole = {text.partition("/")[0] for text in texts}
    assert catalogue().entries.keys() - whole == set()
    assert {str(form) for form in FORMS if form.variant not in texts} - texts - {
        form.code for form in FORMS if not form.variant
    } == set()


def test_nothing_words_a_finding_beside_the_catalogue() -> None:
    """Only what reads findings back from a built record makes one itself."""
    wording = {
        file
        for file, tree in trees().items()
        for n in ast.walk(tree)
        if isinstance(n, ast.Call) and isinstance(n.func, ast.Name) and n.func.id == "Finding"
    }
    assert wording == READ_BACK


@pytest.mark.parametrize("room", sorted({e.explained for e in catalogue().entries.values()}))
def test_where_a_finding_is_explained_there_is_a_docstring(room: str) -> None:
    assert import_module(f"lateralline.{room}").__doc__


# ---- the rules for messages ---------------------------------------------------------------


@pytest.mark.parametrize("form", FORMS, ids=str)
def test_no_text_of_the_catalogue_breaks_a_rule(form: Form) -> None:
    """One sentence, no test statistic, ± always 95 %, the thing named, no action no arrow."""
    for text in (form.title, *form.texts):
        assert not re.search(r"χ|σ|√|\bw\b|→|\u00a0", text)
        assert not re.search(r"[.?!](\s|$)", text), "one sentence, its end set where it is shown"
        assert not re.search(r"\b(it|its|they|them|these)\b", text)
        for name in re.findall(r"± \{(\w+)", text):
            assert "_95_" in name, "what stands behind ± is 95 %, by its name or by the format"
    assert not form.to_do.startswith("none")


def test_a_message_is_one_sentence_with_its_figure() -> None:
    made = finding(
        "mark-astray", "mark 2A", stop="stop R1/2", off_m=14.176, others_within_m=0.4, beside=""
    )
    assert (made.severity, made.stage, made.title) == (
        "error",
        "place",
        "Mark lies far from this stop",
    )
    assert made.message == (
        "Mark 2A lies several depths from every other mark of stop R1/2, and is not used: "
        "14.18\xa0m from the nearest mark."
    )
    assert made.what_to_do == "check the stop, the kind and the digits of mark 2A"


def test_what_stands_behind_plus_minus_is_half_the_95_percent_interval() -> None:
    made = finding("cover-negative", "line L1", at_m=3.0, cover_m=-0.2, sigma_m=0.1)
    assert made.by_how_much == "cover -0.20\xa0m ± 0.20\xa0m"  # 1.96 × 0.1
    assert made.values["sigma_m"] == 0.1


def test_without_an_action_nothing_is_said_to_do() -> None:
    made = finding(
        "receiver-scale",
        "site",
        variant="true",
        severity="info",
        off_percent=0.4,
        sigma_percent=3.0,
        readings=7,
    )
    assert made.what_to_do == ""


# ---- faults -------------------------------------------------------------------------------


def test_values_are_held_to_what_is_declared() -> None:
    for wrong in (
        {},
        {"excess_m": 0.1, "more": {"extra": 1}},
        {"excess_m": "0.1"},
        {"excess_m": None},
    ):
        with pytest.raises(TypeError, match="slope-tape/impossible"):
            finding("slope-tape/impossible", "mark M1", **wrong)
    with pytest.raises(TypeError, match="not in the catalogue"):
        finding("no-such-code", "site")
    with pytest.raises(TypeError, match="no variant"):
        finding("slope-tape", "mark M1", variant="other", excess_m=0.1)
    with pytest.raises(TypeError, match="severity must be one of"):
        finding("checks-skipped", "site", severity="error")
    with pytest.raises(TypeError, match="nothing is caused by it"):
        finding("checks-skipped", "site", explains=["site"])


def test_a_number_that_is_not_known_reads_so() -> None:
    assert finding("slope-tape/impossible", "mark M1", excess_m=float("nan")).by_how_much == (
        "unknown more"
    )


def test_a_cause_explains_the_codes_that_follow_from_it() -> None:
    names = catalogue().effects("measurements-copied", "stop")
    assert {name.partition("/")[0] for name in names} == {
        "stop-not-located",
        "stop-two-positions",
        "stop-weak",
        "heading-unknown",
    }
    assert "stop-not-located/bare" in names
    assert "stop-not-located/unmarked" not in names  # a stop that was only counted is no effect
    assert "mark-blunder/beside" in catalogue().effects("mark-mirrored", "mark")
    assert "mark-blunder/beside" not in catalogue().effects("mark-mirrored", "booked")
    values = {"other": "stop R1/1", "marks": 3}
    copied = "measurements-copied/stop"
    made = finding(copied, "stop R1/2", explains=["stop R1/2"], more=values)
    assert made.explains == (Effect(names, frozenset(["stop R1/2"])),)
    values = {"unit": "m", "other": "ft", "chi2_set": 90.0, "chi2_other": 3.0, "compared": 4}
    (effect,) = finding("unit-wrong/level", "site", explains=[ANY], more=values).explains
    assert effect.subjects is None


def test_a_code_nobody_declared_has_no_title() -> None:
    assert title_of("no-such-code") == ""


HEAD = '[a-b]\ntitle = "A"\nseverity = "info"\nstage = "place"\nexplained = "place"\n'


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (HEAD + 'to_do = "x"', "a-b: no text"),
        (HEAD + 'what = "{off_m:length}"', "off_m is shown and not declared"),
        (HEAD + 'values = { off_m = "m" }\nwhat = "{off_m:.2f}"', "cannot be shown as '.2f'"),
        (HEAD + 'values = { names = "names?" }\nwhat = "{names:names}"', "shown outside"),
        (HEAD + 'values = { off_m = "yards" }\nwhat = "x"', "off_m = yards cannot be"),
        (HEAD + 'values = { where = "text" }\nwhat = "x"', "where = text cannot be"),
        (HEAD + 'caused_by = ["c-d"]\nwhat = "x"', "caused by c-d"),
        (HEAD + 'what = "{off_m"', "expected '}'"),
        (HEAD.replace('severity = "info"\n', "") + 'what = "x"', "no severity"),
        (HEAD.replace('"info"', '"fatal"') + 'what = "x"', "severity"),
    ],
)
def test_a_catalogue_with_a_fault_is_refused(text: str, why: str) -> None:
    with pytest.raises(ContractError, match=re.escape(why)):
        read(text)


def test_the_catalogue_is_not_read_for_help() -> None:
    """Only what finds something asks for it."""
    code = (
        "import sys\n"
        "from lateralline.cli import app\n"
        "try: app(['--help'])\nexcept SystemExit: pass\n"
        "print('lateralline.findings' in sys.modules)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.splitlines()[-1] == "False"
