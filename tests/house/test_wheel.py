"""The wheel stands alone: installed outside the repository, it builds a sample site."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.support.places import ROOT


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that holds the unpacked wheel, made through the sdist as a release would be."""
    made = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--no-isolation", "-o", str(made), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = made.glob("*.whl")
    folder = tmp_path_factory.mktemp("site")
    zipfile.ZipFile(wheel).extractall(folder)
    return folder


def test_the_wheel_holds_code_and_schemas_and_nothing_else(installed: Path) -> None:
    tops = {p.name for p in installed.iterdir() if not p.name.endswith(".dist-info")}
    assert tops == {"lateralline", "lateralline_schemas"}
    assert (installed / "lateralline_schemas" / "v2" / "layers" / "tolerance_zone.toml").is_file()
    assert (installed / "lateralline" / "py.typed").is_file()


def test_the_wheel_builds_a_sample_site_outside_the_repository(
    installed: Path, tmp_path: Path
) -> None:
    program = (
        "import sys, lateralline, lateralline_schemas\n"
        "home = sys.argv.pop(1)\n"
        "assert lateralline.__file__.startswith(home), lateralline.__file__\n"
        "assert lateralline_schemas.__file__.startswith(home), lateralline_schemas.__file__\n"
        "from lateralline.cli import main\n"
        "main()\n"
    )
    environment = os.environ | {"PYTHONPATH": str(installed)}
    site = ROOT / "sample_sites" / "slope-levels"
    done = subprocess.run(
        [sys.executable, "-c", program, str(installed), "build", str(site), "-o", "out"],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stdout + done.stderr
    assert (tmp_path / "out" / "asbuilt.gpkg").stat().st_size > 50_000
