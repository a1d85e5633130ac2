"""House rules a machine can keep: lint, types, and one way to run things."""

import re
import tomllib

from packaging.requirements import Requirement
from packaging.version import Version

from tests.support.places import ROOT


def test_ci_runs_the_readmes_commands_to_the_letter() -> None:
    """README: the `bash` blocks are what .ci/run runs, in order, and nothing else of length.

    Between the two commands stands the server that tests of the register need; there it must be.
    """
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = re.findall(r"^```bash\n(.*?)\n```", readme, re.M | re.S)
    assert len(commands) == 3
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert [line for line in script if ".venv/bin" in line or "apt-get" in line] == commands
    assert "export LATERALLINE_NEEDS=postgis" in script[: script.index(commands[1])]


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "# lateralline"
    assert lines[2].startswith("A drain technician")
    assert lines[3] == ""


def test_every_link_of_the_pages_leads_somewhere() -> None:
    for page in ("README.md", "DEVELOPERS.md", "sample_sites/README.md"):
        text = (ROOT / page).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
            assert ((ROOT / page).parent / target).exists(), f"{page}: {target}"


def test_the_guide_is_a_map_that_reads_in_a_sitting() -> None:
    words = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split()
    assert len(words) <= 2000


# ---- versions -----------------------------------------------------------------------------


def test_every_module_the_guide_names_is_there() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([a-z_]+/[a-z_/]+(?:\.py|/))`", guide))
    assert named
    homes = ("", "pipeline/lateralline", "schemas/lateralline_schemas/v2")
    missing = {name for name in named if not any((ROOT / h / name).exists() for h in homes)}
    assert missing == set()


def _requirements() -> list[Requirement]:
    """Each direct dependency of the project, its extras and its tests."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"]]
    wanted += [r for extra in project["optional-dependencies"].values() for r in extra]
    return [Requirement(r) for r in dict.fromkeys(wanted) if not r.startswith("lateralline")]


def _pins(name: str) -> dict[str, str]:
    """The versions a constraints file of the tests pins, in the order of names."""
    lines = (ROOT / "tests" / "support" / name).read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if not line.startswith("#")]
    assert all(re.fullmatch(r"[a-z0-9-]+==[a-z0-9.]+", pin) for pin in pins)
    versions = dict(pin.split("==") for pin in pins)
    assert len(versions) == len(pins)
    return versions


def test_the_lowest_versions_are_those_of_the_project() -> None:
    """`pip install -c tests/support/lowest.txt` installs each direct dependency at its bound."""
    bounds = {r.name: str(r.specifier).removeprefix(">=") for r in _requirements()}
    assert _pins("lowest.txt") == bounds


def test_the_newest_versions_are_within_the_bounds_of_the_project() -> None:
    """The README's tests are installed from a lock, so that a clone passes whatever came since."""
    lowest, newest = _pins("lowest.txt"), _pins("newest.txt")
    for wanted in _requirements():
        assert wanted.specifier.contains(newest[wanted.name]), wanted.name
        assert Version(newest[wanted.name]) >= Version(lowest[wanted.name]), wanted.name
    installs = re.findall(r"pip install ([^&]*)", (ROOT / ".ci" / "run").read_text("utf-8"))
    tests = [of for of in installs if "[draw,page,cad]" not in of]  # what users install is open
    assert len(tests) == 2
    assert all("-c tests/support/newest.txt " in of for of in tests)
    assert set(tests[1].partition("--no-deps ")[2].split()) <= newest.keys()
