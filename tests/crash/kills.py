"""Kills the command line at random moments of its work, and looks at what it leaves behind.

Run as a program it makes a season of kills and says what came of them; the tests take a fixed sample.

    python tests/crash/kills.py --kills 210 --out docs/figures/kills.json
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import json
import os
import platform
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
STAGES = ("take-in", "judge", "fold", "picture", "migration", "watch")
WIDTH, HEIGHT = 360, 280
LIMIT_S = 300.0
"""A run that takes longer hangs."""

# What two runs may differ in: when rows were made, how long things took, and the list of runs itself.
_TIMES = {"made_at", "ended_at"}
_ADDED_TO = {"finding", "master", "picture"}
"""Tables whose rows are only added or put in place of others; their numbers tell how often, and nothing else."""
_UNEQUAL_KEYS = {
    "files",
    "seconds",
    "peak_memory_bytes",
    "at",
    "made",
    "made_at",
    "file",
    "path",
    "recipe",
    "seconds_by_stage",
}


@dataclass
class Tally:
    """What a number of kills came to."""

    kills: Counter[str] = field(default_factory=Counter)
    finished_first: int = 0
    temporaries_left: int = 0
    temporaries_after_next_run: int = 0
    raws_changed: int = 0
    ledgers_unsound: int = 0
    results_unequal: int = 0
    troubles: list[str] = field(default_factory=list)


def make_frames(folder: Path) -> str:
    """Six small subs in two filters with their calibration; the text of the campaign file that fits them."""
    from nightfold.simulate.demo import demo_plan, demo_settings_text
    from nightfold.simulate.plan import simulate_plan

    plan = copy.deepcopy(demo_plan())
    rig = plan["rig"][0]
    rig["width_px"], rig["height_px"] = WIDTH, HEIGHT
    plan["rig"] = [rig]
    night = plan["night"][0]
    night["run"] = [r for r in night["run"] if r["rig"] == rig["name"] and r["filter"] in ("Ha", "OIII")]
    plan["night"] = [night]
    plan["calibration"] = [
        {**c, "count": 3}
        for c in plan["calibration"]
        if c["rig"] == rig["name"] and c.get("filter") != "SII" and "26T" not in c["start"]
    ]
    simulate_plan(plan, folder)
    text = demo_settings_text()
    return text.replace("width_px = 900", f"width_px = {WIDTH}").replace("height_px = 620", f"height_px = {HEIGHT}")


# -- running -----------------------------------------------------------------------------------------------------------


class Forked:
    """Runs that start loaded, from `starter.py`."""

    def __init__(self) -> None:
        self._server = subprocess.Popen(
            [sys.executable, str(HERE / "starter.py")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write(json.dumps(request) + "\n")
        self._server.stdin.flush()
        answer: dict[str, Any] = json.loads(self._server.stdout.readline())
        return answer

    def start(self, arguments: list[str], log: Path) -> int:
        process: int = self._ask({"arguments": arguments, "log": str(log)})["process"]
        return process

    def wait(self, process: int) -> int:
        status: int = self._ask({"wait": process})["status"]
        return status

    def close(self) -> None:
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.close()
        self._server.wait(timeout=30)
        self._server.stdout.close()


class Anew:
    """Runs that start as a person's do: a new interpreter each."""

    def __init__(self) -> None:
        self._running: dict[int, subprocess.Popen[bytes]] = {}

    def start(self, arguments: list[str], log: Path) -> int:
        with log.open("wb") as file:
            process = subprocess.Popen([sys.executable, "-m", "nightfold", *arguments], stdout=file, stderr=file)
        self._running[process.pid] = process
        return process.pid

    def wait(self, process: int) -> int:
        return self._running.pop(process).wait(timeout=LIMIT_S)

    def close(self) -> None:
        for process in self._running.values():
            process.kill()
            process.wait()


Runner = Forked | Anew


def has_ended(process: int) -> bool:
    """True for a child that is over and not yet waited for."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] in "ZX"
    except OSError:
        return True


def wait_for(there: Callable[[], bool], process: int) -> bool:
    """Whether it came to be before the process ended."""
    until = time.monotonic() + LIMIT_S
    while time.monotonic() < until:
        if there():
            return True
        if has_ended(process):
            return there()
        time.sleep(0.0005)
    raise TimeoutError("the command hangs")


@dataclass(frozen=True)
class Outcome:
    """One run: exit status (negative: the signal), and how long the work took once it held the campaign."""

    status: int
    work_s: float


def run(
    runner: Runner, campaign: Path, arguments: list[str], log: Path, *, kill_after_s: float | None = None
) -> Outcome:
    """Run a command; with `kill_after_s` kill it that long after it began to write."""
    holder = campaign / "ledger.holder"
    holder.unlink(missing_ok=True)  # of a run that was killed before
    process = runner.start(["--campaign", str(campaign), *arguments], log)
    began = time.monotonic()
    if arguments[0] != "show":  # a command that only reads holds the campaign for a blink, at its opening
        wait_for(holder.exists, process)
        began = time.monotonic()
    if kill_after_s is not None:
        until = began + kill_after_s
        while time.monotonic() < until and not has_ended(process):
            time.sleep(min(0.002, max(0.0, until - time.monotonic())))
        os.kill(process, signal.SIGKILL)
    else:
        wait_for(lambda: has_ended(process), process)
    worked = time.monotonic() - began
    return Outcome(runner.wait(process), worked)


# -- looking -----------------------------------------------------------------------------------------------------------


def digest_of(folder: Path) -> dict[str, str]:
    """SHA-256 of every file under a folder."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def products_of(campaign: Path) -> dict[str, str]:
    """SHA-256 of every calibration master, master and picture."""
    found = {}
    for name in ("calibration", "masters", "pictures"):
        found.update(
            {f"{name}/{k}": v for k, v in digest_of(campaign / name).items()} if (campaign / name).is_dir() else {}
        )
    return found


def temporaries_of(campaign: Path) -> list[str]:
    """Files that should not outlast a run: hidden ones, and what lies in scratch."""
    return sorted(
        str(p.relative_to(campaign))
        for p in campaign.rglob("*")
        if p.is_file()
        and (p.name.startswith(".") or p.suffix in (".part", ".tmp", ".unfinished", ".holder") or "scratch" in p.parts)
    )


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items() if k not in _UNEQUAL_KEYS}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return value


def rows_of(ledger: Path) -> dict[str, list[list[Any]]]:
    """Every row of the ledger but for times and the list of runs."""
    tables: dict[str, list[list[Any]]] = {}
    with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as connection:
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        ).fetchall():
            if name in ("run", "alembic_version") or name.startswith("sqlite_"):
                continue
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({name})")]
            kept = [c for c in columns if c not in _TIMES and not (c in ("path", "recipe_path") and name != "place")]
            if name in _ADDED_TO:
                kept.remove("id")
            rows = []
            for row in connection.execute(f"SELECT {', '.join(kept)} FROM {name}"):
                rows.append([_readable(c, v) for c, v in zip(kept, row)])
            tables[name] = sorted(rows, key=repr)
            if name in _ADDED_TO:  # a run that goes on after a kill adds a row where one stands already
                tables[name] = [r for r, earlier in zip(tables[name], [None, *tables[name]]) if r != earlier]
    return tables


def _readable(column: str, value: Any) -> Any:
    if isinstance(value, bytes):
        return hashlib.sha256(value).hexdigest()
    if column == "document" and isinstance(value, str):
        return _plain(json.loads(value))
    return value


def complaints_of(campaign: Path) -> list[str]:
    """What is wrong with a ledger that a killed run left: SQLite's own checks, and rows that lack their other half."""
    found = []
    with closing(sqlite3.connect(campaign / "ledger.sqlite")) as connection:
        found += [str(r[0]) for r in connection.execute("PRAGMA integrity_check") if r[0] != "ok"]
        found += [f"row without its frame: {r}" for r in connection.execute("PRAGMA foreign_key_check")]
        tables = {r[0] for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if "place" not in tables:
            return found
        alone = connection.execute(
            "SELECT count(*) FROM frame WHERE id NOT IN (SELECT frame_id FROM place)"
        ).fetchone()[0]
        found += [f"{alone} frames without a place"] if alone else []
        for table in ("master", "picture"):
            for path, sha256 in connection.execute(f"SELECT path, sha256 FROM {table}"):
                file = campaign / path
                if not file.exists():
                    found.append(f"{table} {path} has a row and no file")
                elif hashlib.sha256(file.read_bytes()).hexdigest() != sha256:
                    found.append(f"{table} {path} is not what its row says")
    return found


def copy_campaign(campaign: Path, to: Path) -> None:
    """A copy whose rows name its own files."""
    shutil.copytree(campaign, to)
    if (to / "ledger.sqlite").exists():
        with closing(sqlite3.connect(to / "ledger.sqlite")) as connection:
            for table in ("master", "picture"):
                for (path,) in connection.execute(f"SELECT path FROM {table}").fetchall():
                    own = str(to / Path(path).parent.name / Path(path).name)
                    connection.execute(f"UPDATE {table} SET path = ? WHERE path = ?", (own, path))
            connection.commit()


# -- the season --------------------------------------------------------------------------------------------------------


class Season:
    """A campaign before and after each stage, undisturbed; then kills of each stage, compared with that."""

    def __init__(self, folder: Path, *, randomly: random.Random) -> None:
        self.folder, self.randomly, self.tally = folder, randomly, Tally()
        self.folder.mkdir(parents=True, exist_ok=True)
        self.raws = folder / "frames"
        self.text = make_frames(self.raws)
        self.raw_digest = digest_of(self.raws)
        self.log = folder / "log.txt"
        self.runners: dict[str, Runner] = {"forked": Forked(), "anew": Anew()}
        self.before: dict[str, Path] = {}
        self.after: dict[str, Path] = {}
        self.work_s: dict[str, float] = {}

    def close(self) -> None:
        for runner in self.runners.values():
            runner.close()

    def arguments(self, stage: str) -> list[str]:
        return {
            "take-in": ["take-in", str(self.raws)],
            "judge": ["judge"],
            "fold": ["fold"],
            "picture": ["picture", "--palette", "HOO"],
            "migration": ["show"],
            "watch": ["watch", str(self.raws), "--once", "--interval-s", "0.02", "--settle-s", "0"],
        }[stage]

    def prepare(self, stages: tuple[str, ...] = STAGES) -> None:
        """Go the way once without a kill, keeping the campaign before and after each stage."""
        start = self.folder / "start"
        start.mkdir()
        (start / "campaign.toml").write_text(self.text, encoding="utf-8")
        self._keep_stage("take-in", start)
        for stage, earlier in (("judge", "take-in"), ("fold", "judge"), ("picture", "fold")):
            self._keep_stage(stage, self.after[earlier])
        if "watch" in stages:
            self._keep_stage("watch", start)
        if "migration" in stages:
            old = self.folder / "old"
            shutil.copytree(self.after["judge"], old)
            make_older(old / "ledger.sqlite")
            self._keep_stage("migration", old)

    def _keep_stage(self, stage: str, before: Path) -> None:
        after = self.folder / f"after-{stage}"
        copy_campaign(before, after)
        outcome = run(self.runners["forked"], after, self.arguments(stage), self.log)
        if outcome.status != 0:
            raise RuntimeError(f"{stage} failed undisturbed: {self.log.read_text()[-800:]}")
        self.before[stage], self.after[stage], self.work_s[stage] = before, after, outcome.work_s

    def kill(self, stage: str, *, how: str = "forked", whole_way: bool = False) -> bool:
        """One kill of a stage at a random moment, and the next run; whether the command was still at work."""
        campaign = self.folder / "campaign"
        shutil.rmtree(campaign, ignore_errors=True)
        copy_campaign(self.before[stage], campaign)
        moment_s = self.randomly.random() * self.work_s[stage]
        arguments = self.arguments(stage)
        outcome = run(self.runners[how], campaign, arguments, self.log, kill_after_s=moment_s)
        if outcome.status != -signal.SIGKILL:
            self.tally.finished_first += 1
            self.work_s[stage] *= 0.9  # the machine has become faster
            return False
        self.tally.kills[stage] += 1
        where = f"{stage}, killed after {moment_s:.3f} s"
        self._note("raws_changed", where, [] if digest_of(self.raws) == self.raw_digest else ["a raw file changed"])
        self._note("ledgers_unsound", where, complaints_of(campaign))
        left = temporaries_of(campaign)
        self.tally.temporaries_left += bool(left)
        again = run(self.runners["forked"], campaign, arguments, self.log)
        if again.status != 0:
            self._note("results_unequal", where, [f"the next run failed: {self.log.read_text()[-600:]}"])
            return True
        self._compare(campaign, self.after[stage], where)
        if whole_way and stage in ("take-in", "judge", "fold"):
            rest = STAGES[STAGES.index(stage) + 1 : STAGES.index("picture") + 1]
            for later in rest:
                run(self.runners["forked"], campaign, self.arguments(later), self.log)
            self._compare(campaign, self.after["picture"], where + ", to the picture")
        return True

    def _compare(self, campaign: Path, undisturbed: Path, where: str) -> None:
        self._note("temporaries_after_next_run", where, temporaries_of(campaign))
        self._note("ledgers_unsound", where + ", next run", complaints_of(campaign))
        unequal = []
        if products_of(campaign) != products_of(undisturbed):
            mine, theirs = products_of(campaign), products_of(undisturbed)
            unequal += [k for k in sorted({*mine, *theirs}) if mine.get(k) != theirs.get(k)]
        mine_rows, their_rows = rows_of(campaign / "ledger.sqlite"), rows_of(undisturbed / "ledger.sqlite")
        for table in sorted({*mine_rows, *their_rows}):
            if mine_rows.get(table) != their_rows.get(table):
                pairs = zip(mine_rows.get(table, []), their_rows.get(table, []))
                first = next((f"{a} / {b}" for a, b in pairs if a != b), "another number of rows")
                unequal.append(f"table {table}: {first[:400]}")
        self._note("results_unequal", where, unequal)

    def _note(self, what: str, where: str, complaints: list[str]) -> None:
        if complaints:
            setattr(self.tally, what, getattr(self.tally, what) + 1)
            self.tally.troubles += [f"{where}: {c}" for c in complaints]


def make_older(ledger: Path) -> None:
    """Put a ledger back to the first schema that kept everything these stages write, as an older version left it."""
    from alembic import command
    from sqlalchemy import create_engine

    from nightfold.ledger.database import migration_scripts

    config, script = migration_scripts()
    older = ledger.with_name("older.sqlite")
    engine = create_engine(f"sqlite:///{older}")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, script.get_base() or "base")
    engine.dispose()
    with closing(sqlite3.connect(older)) as connection:
        connection.execute("ATTACH ? AS newer", (str(ledger),))
        for (name,) in connection.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'").fetchall():
            if name == "alembic_version" or name.startswith("sqlite_"):
                continue
            columns = [r[1] for r in connection.execute(f"PRAGMA main.table_info({name})")]
            theirs = {r[1] for r in connection.execute(f"PRAGMA newer.table_info({name})")}
            shared = ", ".join(c for c in columns if c in theirs)
            connection.execute(f"INSERT INTO main.{name} ({shared}) SELECT {shared} FROM newer.{name}")
        connection.commit()
    for tail in ("-wal", "-shm"):
        Path(f"{ledger}{tail}").unlink(missing_ok=True)
    os.replace(older, ledger)


@contextmanager
def season(folder: Path, seed: int, stages: tuple[str, ...] = STAGES) -> Iterator[Season]:
    """A prepared season in `folder`."""
    made = Season(folder, randomly=random.Random(seed))
    try:
        made.prepare(stages)
        yield made
    finally:
        made.close()


def spread(made: Season, kills: int, *, anew_every: int, whole_way_every: int, say: Callable[[str], None]) -> Tally:
    """So many kills over the stages in turn."""
    done = tried = 0
    while done < kills and tried < 6 * kills:
        stage = STAGES[done % len(STAGES)]
        tried += 1
        how = "anew" if anew_every and done % anew_every == anew_every - 1 else "forked"
        done += made.kill(stage, how=how, whole_way=bool(whole_way_every) and done % whole_way_every == 0)
        if tried % 20 == 0:
            say(f"{done} kills, {made.tally.finished_first} finished first, {len(made.tally.troubles)} troubles")
    return made.tally


def main() -> int:
    """Make a season of kills, print its tally, and keep it as JSON where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=210)
    parser.add_argument("--draw", type=int, default=20260514, help="the same number draws the same moments")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="kills-") as name, season(Path(name) / "season", options.draw) as made:
        tally = spread(
            made, options.kills, anew_every=5, whole_way_every=10, say=lambda t: print(t, file=sys.stderr, flush=True)
        )
    document = document_of(tally, seconds=time.monotonic() - began)
    print(json.dumps(document, indent=1))
    if options.out:
        options.out.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    return 1 if tally.troubles else 0


def document_of(tally: Tally, *, seconds: float) -> dict[str, Any]:
    """The tally as it is kept."""
    return {
        "date": datetime.now(UTC).date().isoformat(),
        "system": f"{platform.system()} {platform.machine()}, Python {platform.python_version()}",
        "kills": sum(tally.kills.values()),
        "kills_by_stage": dict(sorted(tally.kills.items())),
        "finished_before_the_kill": tally.finished_first,
        "kills_that_left_temporary_files": tally.temporaries_left,
        "temporary_files_left_after_the_next_run": tally.temporaries_after_next_run,
        "raw_files_changed": tally.raws_changed,
        "ledgers_unsound": tally.ledgers_unsound,
        "results_unequal": tally.results_unequal,
        "troubles": tally.troubles,
        "minutes": round(seconds / 60.0, 1),
    }


if __name__ == "__main__":
    sys.exit(main())
