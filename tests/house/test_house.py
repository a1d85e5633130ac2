"""House rules a machine can keep: lint, types, and one way to run things."""

import re
import tomllib

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


def test_the_lowest_versions_are_those_of_the_project() -> None:
    """`pip install -c tests/support/lowest.txt` installs each direct dependency at its bound."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(r for extra in extras for r in extra)]
    bounds = [r.replace(">=", "==") for r in wanted if not r.startswith("lateralline")]
    assert all(re.fullmatch(r"[a-z0-9-]+==[0-9.]+", bound) for bound in bounds)
    pins = (ROOT / "tests" / "support" / "lowest.txt").read_text(encoding="utf-8").splitlines()
    assert sorted(set(bounds)) == [pin for pin in pins if not pin.startswith("#")]
