"""Kills where others are at work as well: what changes a register, and workers of a cluster.

What changes a register is killed before one of its statements. A register is judged site by site:
every row of a site, in all tables, is that of before or that of an undisturbed run, all of them
together, as are its tables and views. On a cluster a worker is killed, and the build must end as if
nothing had been; or the command itself, and the next one must.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any, Final

import psycopg

from tests.support.postgis import Server, postgis
from tests.trust.cases import EPOCH, Base
from tests.trust.forked import Ran, run
from tests.trust.trials import Tally
from tests.trust.whole import State, hidden, part, state_of

_CRS: Final = "EPSG:32617"
_PATIENCE_S: Final = 300.0


def _until(done: Callable[[], object], what: str) -> None:
    end_s = time.monotonic() + _PATIENCE_S
    while not done():
        assert time.monotonic() < end_s, what
        time.sleep(0.01)


# ---- a register -----------------------------------------------------------------------------


def _mortal(counted: Path, last: int) -> None:
    """Count what a run asks of a server, a byte each, and kill that before the `last` of it."""

    def wrapped(ask: Callable[..., Any]) -> Callable[..., Any]:
        def asked(*args: Any, **options: Any) -> Any:
            with counted.open("ab") as file:
                file.write(b".")
            if counted.stat().st_size == last:
                os.kill(os.getpid(), signal.SIGKILL)
            return ask(*args, **options)

        return asked

    for owner, name in (
        (psycopg.Cursor, "execute"),
        (psycopg.Cursor, "copy"),
        (psycopg.Connection, "commit"),
        (psycopg.Transaction, "__exit__"),
    ):
        setattr(owner, name, wrapped(getattr(owner, name)))


class _RegisterStage:
    """A command on copies of a register that is what it is before; "URL" stands for where it is."""

    def __init__(self, server: Server, template: str, command: Sequence[str], home: Path) -> None:
        self.server, self.template, self.command, self.home = server, template, command, home
        self._numbers = count(1)
        self._count = home.parent / "apart" / "statements"
        register = self._copy()
        self.before = self._sites(register)
        done = self._run(register)
        assert done.code == 0, done.said
        self.after = self._sites(register)
        assert self.before != self.after
        self.statements = len(self._count.read_bytes())
        assert self.statements
        self._drop(register)

    def try_kill(self, statement: int, tally: Tally) -> None:
        """Kill a run before a statement of it, run it again, and judge what the register holds."""
        moment = f"before statement {statement} of {self.statements}"
        register = self._copy()
        files = state_of(self.home)
        ran = self._run(register, statement)
        if ran.killed:
            tally.kills += 1
            self._judge(self._sites(register), moment, tally)
        else:
            tally.ended += 1
        done = self._sites(register) == self.after
        ran = self._run(register)
        now = self._sites(register)
        if (ran.code != 0 and not done) or now != self.after:
            tally.lost += 1
            tally.faults.append(
                f"{self._name}, killed {moment}: lost: the next run: {ran.said[-300:]}"
            )
        if state_of(self.home) != files or list((self.home.parent / "apart" / "tmp").iterdir()):
            tally.stray += 1
            tally.faults.append(f"{self._name}, killed {moment}: stray")
        self._drop(register)

    def _judge(self, now: State, moment: str, tally: Tally) -> None:
        kinds = set()
        for site in self.before.keys() | self.after.keys():
            if now.get(site) == self.before.get(site):
                kinds.add("old")
            elif now.get(site) == self.after.get(site):
                kinds.add("new")
            else:
                tally.lost += 1
                tally.faults.append(f"{self._name}, killed {moment}: lost: site {site} is neither")
        for kind in ("old", "new", "mixed"):
            met = kinds == {kind} or (kind == "mixed" and len(kinds) != 1)
            setattr(tally, kind, getattr(tally, kind) + met)

    @property
    def _name(self) -> str:
        return self.command[0]

    def _run(self, register: Server, last: int = 0) -> Ran:
        command = [register.url if word == "URL" else word for word in self.command]
        self._count.write_bytes(b"")
        prepare = partial(_mortal, self._count, last)
        ran = run(command, self.home, self._count.parent, more=EPOCH, prepare=prepare)
        others = (
            "SELECT 1 FROM pg_stat_activity "
            "WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
        _until(lambda: not register.rows(others), "a session of a killed run goes on")
        return ran

    def _copy(self) -> Server:
        return self.server.create(f"{self.template}_{next(self._numbers)}", self.template)

    def _drop(self, register: Server) -> None:
        self.server.rows(f"DROP DATABASE {register.database}")

    @staticmethod
    def _sites(register: Server) -> State:
        """A digest of all rows of each site, and of what is of none: tables and views, too."""
        there = register.rows(
            "SELECT table_name, table_type FROM information_schema.tables "
            "WHERE table_schema = 'asbuilt' ORDER BY 1"
        )
        tables = [name for name, kind in there if kind == "BASE TABLE"]
        if not tables:
            return {"": repr(there)}
        each = (
            f"SELECT '{name}', coalesce(to_jsonb(x) ->> 'site_id', ''), "
            f"(to_jsonb(x) - 'published_at' - 'retracted_at')::text FROM asbuilt.{name} x"
            for name in tables
        )
        rows: dict[str, list[str]] = {"": [repr(there)]}
        for table, site, row in register.rows(" UNION ALL ".join(each)):
            rows.setdefault(site, []).append(f"{table} {row}")
        return {
            site: f"{len(some)} {hashlib.sha256(repr(sorted(some)).encode()).hexdigest()}"
            for site, some in rows.items()
        }


def _try_register(name: str, base: Base, home: Path, moments: int, rng: random.Random) -> Tally:
    """Kill what makes a register, publishes into an empty one or over an older record, retracts."""
    tally = Tally()
    record = home / "record"
    record.mkdir(parents=True)
    base.give(("P", "J"), record)
    with postgis() as server:
        server.create("bare")
        empty = server.create("empty", "bare")
        apart = home / "apart"
        made = ("register", "URL", "--crs", _CRS)
        assert run([empty.url if w == "URL" else w for w in made], record, apart).code == 0
        held = server.create("held", "empty")
        done = run(("publish", "P", held.url), record, apart, more=EPOCH)
        assert done.code == 0, done.said
        [[site]] = held.rows("SELECT site_id FROM asbuilt.site_versions ORDER BY 1 LIMIT 1")
        of_command: dict[str, list[tuple[str, Sequence[str]]]] = {
            "register": [("bare", made)],
            "publish": [("empty", ("publish", "P", "URL")), ("held", ("publish", "J", "URL"))],
            "retract": [("held", ("retract", site, "URL", "--reason", "base on a wrong point"))],
        }
        stages = [_RegisterStage(server, *stage, record) for stage in of_command[name]]
        while tally.kills < moments:
            stage = rng.choice(stages)
            first = rng.choice((1, stage.statements * 3 // 4))  # half of them while sites come in
            stage.try_kill(rng.randint(max(first, 1), stage.statements), tally)
    shutil.rmtree(home)
    return tally


# ---- a cluster ------------------------------------------------------------------------------

_SCHEDULER: Final = (
    "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
)  # fmt: skip
_WORKER: Final = ("distributed.cli.dask_worker", "--no-nanny", "--nthreads", "1", "--no-dashboard")


class _Cluster:
    """A scheduler with two workers; one that was killed is replaced."""

    def __init__(self, home: Path, running: ExitStack) -> None:
        home.mkdir()
        self._home, self._running, self._about = home, running, home / "scheduler.json"
        self._start("-m", *_SCHEDULER, "--scheduler-file", self._about)
        _until(self._about.exists, "no scheduler")
        self.address = json.loads(self._about.read_text())["address"]
        self._workers: list[subprocess.Popen[bytes]] = []
        self.hire()

    def hire(self) -> None:
        """Have two workers."""
        self._workers = [w for w in self._workers if w.poll() is None]
        while len(self._workers) < 2:
            known = self._registered()
            worker = ("-m", *_WORKER, "--scheduler-file", self._about)
            self._workers.append(self._start(*worker))
            _until(lambda n=known: self._registered() > n, "no worker")

    def kill_one(self, rng: random.Random) -> None:
        """Kill one of the workers."""
        one = rng.choice(self._workers)
        one.kill()
        one.wait()

    def start_build(self, home: Path) -> subprocess.Popen[bytes]:
        """Begin the build of the sites of a folder."""
        return self._start("-c", "from lateralline.cli import main; main()", "build", "sites", "-o",
                           "out", "--cluster", self.address, cwd=home)  # fmt: skip

    def said(self) -> str:
        """All that was said by anyone."""
        return (self._home / "log").read_text(errors="replace")

    def _registered(self) -> int:
        return self.said().count("Registered to")

    def _start(self, *command: object, cwd: Path | None = None) -> subprocess.Popen[bytes]:
        path = os.pathsep.join(filter(None, sys.path))
        told = os.environ | EPOCH | {"PYTHONPATH": path, "TMPDIR": str(self._home)}
        with (self._home / "log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, *map(str, command)], cwd=cwd or self._home, env=told, stderr=log,
                stdout=log,
            )  # fmt: skip
        self._running.callback(process.wait)
        self._running.callback(process.kill)
        return process


@contextmanager
def _cluster(home: Path) -> Iterator[_Cluster]:
    with ExitStack() as running:
        yield _Cluster(home, running)


def try_cluster(base: Base, home: Path, moments: int, rng: random.Random) -> Tally:
    """Kill a worker during a build, or the command that asked for it."""
    tally, wanted = Tally(), home / "wanted"
    wanted.mkdir(parents=True)
    base.give(("sites",), wanted)
    shutil.copytree(wanted, home / "before")
    before = state_of(home / "before")
    done = run(
        ["build", "sites", "-o", "out", "--workers", "1"], wanted, home / "apart", more=EPOCH
    )
    assert done.code in (0, 1), done.said
    after = state_of(wanted)
    with _cluster(home / "cluster") as cluster:
        took_s = _build(cluster, home)
        while tally.kills < moments:
            shutil.rmtree(home / "run", ignore_errors=True)
            shutil.copytree(home / "before", home / "run")
            building, began_s = cluster.start_build(home / "run"), time.monotonic()
            time.sleep(rng.uniform(0.0, took_s))
            if building.poll() is not None:
                tally.ended += 1
                continue
            tally.kills += 1
            moment = f"after {time.monotonic() - began_s:.2f} s"
            worker = rng.random() < 0.6
            if worker:
                cluster.kill_one(rng)
            else:
                building.send_signal(signal.SIGKILL)
                building.wait()
            now = state_of(home / "run")
            there = part(now, "out")
            tally.old += not there
            tally.new += there == part(after, "out")
            found = [f"lost: {n}" for n, was in before.items() if now.get(n) not in
                     (was, after.get(n))]  # fmt: skip
            if there not in ({}, part(after, "out")):
                found.append("lost: out is neither")
            cluster.hire()
            if not worker:
                building = cluster.start_build(home / "run")
            _until(lambda b=building: b.poll() is not None, cluster.said()[-2000:])
            found += _judged(state_of(home / "run"), after)
            tally.lost += any(f.startswith("lost") for f in found)
            tally.stray += any(f.startswith("stray") for f in found)
            killed = "a worker" if worker else "the command"
            tally.faults += [f"build --cluster, {killed} killed {moment}: {f}" for f in found]
    shutil.rmtree(home)
    return tally


def _build(cluster: _Cluster, home: Path) -> float:
    """Return the seconds that an undisturbed build takes."""
    shutil.copytree(home / "before", home / "first")
    building, began_s = cluster.start_build(home / "first"), time.monotonic()
    _until(lambda: building.poll() is not None, cluster.said()[-2000:])
    assert building.returncode in (0, 1), cluster.said()[-2000:]
    return time.monotonic() - began_s


def _judged(now: State, after: State) -> Sequence[str]:
    lost = [f"lost: {name}" for name, wanted in after.items()
            if now.get(name) != wanted and not name.endswith("ids.csv")]  # fmt: skip
    stray = [f"stray: {name}" for name in now.keys() - after.keys()]
    assert not any(map(hidden, after))
    return [*lost, *stray]


SERVED: Final = {
    **{name: partial(_try_register, name) for name in ("register", "publish", "retract")},
    "build --cluster": try_cluster,
}
