"""Views of a register served by OGC API – Features, as the README says; needs `pip install tipg`.

Skipped where tipg is not installed: it is no dependency of lateralline, nor of its other tests.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import quote

from lateralline.api import registers
from tests.support.needs import lacks
from tests.support.places import ROOT
from tests.support.postgis import Server

#: Asks the application itself, without a port, and prints what it answers.
_ASK = """
import asyncio, json, sys
from tipg.main import app

async def get(path, query):
    parts = []
    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}
    async def send(message):
        parts.append(message.get("body", b""))
    scope = {"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET",
             "scheme": "http", "path": path, "raw_path": path.encode(), "root_path": "",
             "query_string": query.encode(), "headers": [(b"host", b"localhost")],
             "server": ("localhost", 80), "client": ("localhost", 1)}
    await app(scope, receive, send)
    return json.loads(b"".join(parts))

async def main():
    async with app.router.lifespan_context(app):
        found = await get("/collections", "limit=100&f=json")
        nodes = "/collections/asbuilt.current_pipe_nodes/items"
        items = await get(nodes, "limit=100&f=geojson")
        one = await get(f"{nodes}/{items['features'][0]['id']}", "f=geojson")
    print(json.dumps([found, items, one]))

asyncio.run(main())
"""


def test_the_views_are_served_as_features(new_register: Callable[[], Server], quarry: Path) -> None:
    if find_spec("tipg") is None:
        lacks("tipg", "no OGC API - Features server: pip install tipg uvicorn")
    register = new_register()
    registers.publish([quarry], register.url)
    register.rows("CREATE ROLE shows_features LOGIN IN ROLE asbuilt_reader")
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (line,) = re.findall(r"^(DATABASE_URL=.* uvicorn tipg\.main:app)$", text, re.M)
    told = dict(word.split("=", 1) for word in shlex.split(line)[:-2])
    socket = quote(str(register.home), safe="")
    url = f"postgresql://shows_features@{socket}/{register.database}"
    done = subprocess.run(
        [sys.executable, "-c", _ASK], env={**os.environ, **told, "DATABASE_URL": url},
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found, items, one = json.loads(done.stdout.splitlines()[-1])
    assert "asbuilt.current_pipe_centreline" in {c["id"] for c in found["collections"]}
    (count,) = register.rows("SELECT count(*) FROM asbuilt.current_pipe_nodes")
    assert [str(len(items["features"]))] == count
    assert one["properties"]["site_id"] == "QH-022"
