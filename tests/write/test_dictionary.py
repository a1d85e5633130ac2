"""The data dictionary is whole and current."""

from __future__ import annotations

import pytest

from lateralline import contract
from lateralline.errors import ContractError
from lateralline.write.dictionary import (
    dictionary_rows,
    layers_markdown,
    markdown,
    whole_markdown,
)
from tests.support.places import ROOT

README = ROOT / "schemas" / "README.md"


def test_the_page_in_the_repository_is_current() -> None:
    """To renew it: python -m lateralline.write.dictionary > schemas/README.md"""
    assert README.read_text(encoding="utf-8") == whole_markdown()


def test_every_column_of_every_table_is_there() -> None:
    text = whole_markdown()
    for name in (*contract.INPUTS, *contract.LAYERS):
        part = text.split(f"\n### {name}\n")[1].split("\n### ")[0]
        assert all(f"| `{c}` |" in part for c in contract.load(name).names)
        assert contract.load(name).caution in part


@pytest.mark.parametrize("name", [*contract.INPUTS, *contract.LAYERS])
def test_table_rows_have_one_number_of_cells(name: str) -> None:
    rows = [line for line in markdown(name).splitlines() if line.startswith("|")]
    cells = {line.replace("\\|", "").count("|") for line in rows}
    assert len(rows) == 2 + len(contract.load(name).field)
    assert len(cells) == 1


def test_rows_say_unit_limits_default_and_values() -> None:
    by_name = {r.name: r for r in dictionary_rows("site")}
    assert by_name["mark_placing_m"].default == "0.03"
    assert by_name["mark_placing_m"].section == "[accuracy]"
    assert by_name["counter_at_entry"].section == "[[run]]"
    fixes = {r.name: r for r in dictionary_rows("transmitter_fixes")}
    assert fixes["tilt_deg"].limits == "≥ -90 and ≤ 90"
    assert fixes["tilt_deg"].unit == "deg"
    assert [v for v, _ in fixes["status"].values] == [
        "located",
        "weak",
        "contradicted",
        "two_positions",
        "not_located",
    ]


def test_the_rows_that_a_layer_names_are_told() -> None:
    text = whole_markdown()
    told = 0
    for name in (*contract.LAYERS, *contract.OVERLAYS):
        part = text.split(f"\n### {name}\n")[1].split("\n### ")[0]
        for reference in contract.load(name).refers:
            columns = ", ".join(f"`{c}`" for c in reference.columns)
            assert f"{columns} names a row of [{reference.layer}](#{reference.layer})" in part
            told += 1
    assert told > 5


def test_layers_alone_begin_with_the_caution() -> None:
    text = layers_markdown()
    assert contract.load("tolerance_zone").caution in text[:700]
    assert "### marks" not in text


def test_an_unknown_table_is_refused() -> None:
    with pytest.raises(ContractError, match="no schema named"):
        dictionary_rows("pipes")
