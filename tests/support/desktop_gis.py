"""Desktop GIS of Debian 12, asked headless: it comes with the system's own Python."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

SYSTEM_PYTHON = Path("/usr/bin/python3")
#: Tearing the library down crashes it, whatever was done with it.
_END = "\nsys.stdout.flush()\nos._exit(0)\n"
_BEGIN = "import json, os, sys\nfrom qgis.core import *\napp = QgsApplication([], False)\n"


def ask(script: str, *arguments: object, home: Path) -> Any:
    """Return what a script prints last, as JSON; skips the test where there is no desktop GIS."""
    if not SYSTEM_PYTHON.exists():
        pytest.skip(f"no {SYSTEM_PYTHON}: this was checked as text only")
    there = [str(SYSTEM_PYTHON), "-c", "import qgis.core"]
    if subprocess.run(there, capture_output=True, check=False).returncode != 0:
        pytest.skip(f"{SYSTEM_PYTHON} has no desktop GIS: this was checked as text only")
    done = subprocess.run(
        [str(SYSTEM_PYTHON), "-c", f"{_BEGIN}app.initQgis()\n{script}{_END}",
         *map(str, arguments)],
        capture_output=True,
        text=True,
        env={"QT_QPA_PLATFORM": "offscreen", "HOME": str(home), "PATH": "/usr/bin:/bin"},
        timeout=300,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])
