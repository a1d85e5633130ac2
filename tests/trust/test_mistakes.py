"""The catalogue of mistakes in small: that it holds what it says, and a case of many of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lateralline.catalogue import catalogue
from lateralline.simulate.truth import Truth
from tests.trust.bookings import FAULT
from tests.trust.catalogue import CATALOGUE
from tests.trust.claims import missed
from tests.trust.fitted import by_chance, fitted
from tests.trust.hidden import HIDDEN, exact_tables, is_hidden
from tests.trust.mistakes import HARM_M, accused, case_of, document, logged, spoilt
from tests.trust.sites import SITES, build, faultless, made, made_of

#: A case each, on the site named: each is named, and by what stands beside it.
NAMED = {
    ("offset-side-stop", "slope-levels"): "mark-mirrored/stop",
    ("base-turned-all", "local-sketch"): "mark-mirrored/baseline-exchanged",
    ("base-turned-all", "tape-ties"): "mark-mirrored/baseline-exchanged",
    ("ties-side-mark", "local-sketch"): "mark-mirrored/mark",
    ("counters-exchanged", "local-sketch"): "counters-exchanged",
    ("marks-exchanged", "slope-levels"): "mark-blunder/kinds",
    ("end-as-mid", "slope-levels"): "mark-blunder/kind",
    ("kind-misspelt", "local-sketch"): "fault",
    ("comma", "local-sketch"): "fault",
    ("stop-misspelt", "local-sketch"): "fault",
    ("run-copied", "local-sketch"): "measurements-copied/run",
    ("control-moved", "slope-levels"): "tie-misfit/alike",
    ("control-moved", "local-sketch"): "control-implausible/or-stop",
    ("control-point", "tape-ties"): "fault",
    ("control-point", "local-sketch"): "control-implausible/or-stop",
    ("control-digit", "local-sketch"): "control-implausible/misread",
    ("points-exchanged", "local-sketch"): "control-implausible/exchanged",
    ("points-exchanged", "mixed"): "control-implausible/exchanged",
    ("tape-feet-as-metres", "tape-ties"): "unit-wrong/tape",
    ("depth-feet-as-metres", "slope-levels"): "unit-wrong/depth",
    ("counter-feet-as-metres", "slope-levels"): "unit-wrong/counter",
    ("counter-still", "local-sketch"): "counter-wrong/still",
    ("counter-still", "slope-levels"): "counter-wrong/contradiction",
    ("level-inches-as-feet", "tape-ties"): "unit-wrong/level",
    ("level-inches-as-feet", "slope-levels"): "unit-wrong/level",
    ("level-inches-as-feet", "mixed"): "unit-wrong/taken",
    ("level-digit", "gnss-bend-branch"): "mark-blunder/all",
    ("counter-down", "gnss-bend-branch"): "counter-wrong/down",
    ("counter-down", "holes"): "counter-wrong/down",
    ("counter-at-transmitter", "holes"): "counter-wrong/at-transmitter",
    ("exposure-depth-digit", "slope-levels"): "exposure-disagrees/level",
    ("bench-half", "slope-levels"): "levels-mixed/stops",
    ("geoid-some", "mixed"): "levels-mixed/gnss-ellipsoidal",
    ("antenna-some", "mixed"): "levels-mixed/gnss-offset",
    ("wrong-foot", "tape-ties"): "coordinates-wrong-unit/feet",
    ("xy-swapped", "tape-ties"): "coordinates-swapped",
    ("minus-lost-mark", "lon-lat"): "longitude-sign-lost",
}


@pytest.mark.parametrize(("name", "site"), NAMED, ids=lambda value: str(value))
def test_a_mistake_is_named_where_it_was_made(name: str, site: str) -> None:
    case = case_of(CATALOGUE[name], site, 1)
    assert case is not None
    assert case.verdict == "named", case
    assert NAMED[name, site] in case.lead


#: The same on sites of other seeds.
ALSO_NAMED = {
    ("level-inches-as-feet", "tape-ties", 3): "unit-wrong/level",
    ("level-inches-as-feet", "tape-ties", 4): "unit-wrong/level",
    ("counter-reset", "slope-levels", 3): "counter-wrong/jump",
    ("control-digit", "mixed", 4): "control-implausible/misread",
    ("control-digit", "tape-ties", 2): "control-implausible/misread",
    ("control-moved", "local-sketch", 3): "control-implausible/or-stop",
    ("points-exchanged", "mixed", 3): "control-implausible/exchanged",
}


@pytest.mark.parametrize(("name", "site", "seed"), ALSO_NAMED, ids=str)
def test_a_mistake_is_named_on_other_sites(name: str, site: str, seed: int) -> None:
    case = case_of(CATALOGUE[name], site, seed)
    assert case is not None
    assert case.verdict == "named", case
    assert ALSO_NAMED[name, site, seed] in case.lead


def test_every_mistake_can_be_made_and_its_codes_are_there() -> None:
    assert len(CATALOGUE) >= 50
    known = {str(f) for code in catalogue().entries for f in catalogue().forms(code)}
    known |= {FAULT, *catalogue().entries}
    for name, mistake in CATALOGUE.items():
        assert set(mistake.codes) <= known, set(mistake.codes) - known
        assert mistake.what.endswith(".") or mistake.what[-1].isalpha()
        assert mistake.hidden in ("", *HIDDEN)
        rng = np.random.default_rng(1)
        spoilt = {site: made(site, 1).given.copy() for site in SITES}
        slips = {site: mistake.change(tables, rng) for site, tables in spoilt.items()}
        assert any(slips.values()), name
        assert any(spoilt[site] != made(site, 1).given for site, slip in slips.items() if slip)


@pytest.mark.parametrize("which", [0, -1], ids=["first", "last"])
@pytest.mark.parametrize("name", [n for n, m in CATALOGUE.items() if m.hidden])
def test_what_is_hidden_has_a_faultless_twin(name: str, which: int) -> None:
    """Its data are those of the mistake, nothing is told of it, and what is claimed is true."""
    mistake = CATALOGUE[name]
    sites = [s for s in SITES if is_hidden(mistake, s)]
    assert sites
    if which and len(sites) == 1:
        pytest.skip("one kind of site has a twin")
    site = sites[which]
    sound = exact_tables(site, lambda truth: truth)
    faulty = sound.copy()
    assert mistake.change(faulty, np.random.default_rng(1)) is not None

    def other(truth: Truth) -> Truth:
        return HIDDEN[mistake.hidden].twin(truth, sound, faulty)

    twin = made_of(site, 1, other)
    result = build(twin.given).result
    assert result is not None
    assert not [f for f in result.findings if f.severity == "error"]
    claims = missed(result, twin.surveyed, 0.0)
    assert max(claims.values()) <= HARM_M, claims


@pytest.mark.parametrize(("name", "agrees"), [("ties-exchanged", True), ("distance-digit", False)])
def test_a_silent_site_is_hidden_by_chance_only_if_its_data_are_true_of_another_pipe(
    name: str, agrees: bool
) -> None:
    wrong = spoilt(CATALOGUE[name], "local-sketch", 3)
    assert wrong is not None
    tables, slip = wrong
    result = build(tables).result
    assert result is not None
    assert by_chance("local-sketch", 3, tables, slip, result) == agrees


def test_the_data_of_a_faultless_site_are_true_of_the_pipe_that_fits_best() -> None:
    given = made("local-sketch", 5).given
    twin = fitted("local-sketch", 5, given)
    assert twin is not None
    assert twin.agrees, twin
    far = given.copy()
    far.marks[0]["base_distance"] = f"{float(far.marks[0]['base_distance']) + 1.0:.2f}"
    other = fitted("local-sketch", 5, far)
    assert other is None or not other.agrees


#: Findings that say that somebody was wrong, whatever their severity.
SURE = (
    "counter-wrong", "exposure-disagrees", "mark-mirrored", "unit-wrong/level", "unit-wrong/taken",
)  # fmt: skip


def test_no_faultless_site_is_accused() -> None:
    assert [c for c in (accused(s, 40) for s in SITES) if c.verdict != "silent"] == []
    for site in SITES:
        result = faultless(site, 40).result
        assert result is not None
        assert [f for f in result.findings if f.is_one_of(SURE)] == []


@pytest.mark.parametrize("site", ["gnss-bend-branch", "holes", "slope-levels"])
def test_stops_marked_while_pulling_back_are_no_counter_that_ran_down(site: str) -> None:
    """Counters fall as written there too; but the drain falls, and the entry lies before all."""
    given = made(site, 1).given.copy()
    given.tables["stops"] = given.stops[::-1]
    result = build(given).result
    assert result is not None
    assert [f for f in result.findings if f.is_one_of(("counter-wrong",))] == []


@pytest.mark.parametrize("off_m", [0.35, -0.35])
def test_an_exposure_whose_own_counter_is_off_the_other_way_is_no_lag(off_m: float) -> None:
    """Stops nearer an exposure than was counted lie past a bend: only those too far off tell."""
    given = made("holes", 1).given.copy()
    row = given.exposures[0]
    row["counter"] = f"{float(row['counter']) + off_m:.2f}"
    result = build(given).result
    assert result is not None
    named = [f for f in result.findings if f.name == "counter-wrong/at-transmitter"]
    assert bool(named) == (off_m > 0.0)  # as large as the lag: the data are the same


def test_a_log_gives_the_cases_again() -> None:
    case = case_of(CATALOGUE["counter-still"], "local-sketch", 1)
    assert case is not None
    assert logged(case.line) == [case]
    assert "counter-still" in document([case])


def test_a_mistake_that_nothing_says_is_silent() -> None:
    """The harness can fail: with its codes taken away a mistake is blamed elsewhere."""
    without = replace(CATALOGUE["counter-still"], codes=())
    case = case_of(without, "local-sketch", 1)
    assert case is not None
    assert case.verdict == "elsewhere"
