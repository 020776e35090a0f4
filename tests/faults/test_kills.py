"""Kill -9 at any moment of any stage: the next run ends with the same results, byte for byte."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from miner.store import STAGES as STORED
from miner.store import Store
from tests.cli.conftest import CLUB, command, in_process
from tests.conftest import ROOT
from tests.faults.forker import STAGES, Bench
from tests.judge.test_stage import is_alive, wait_for
from tests.stores import pgn_of

pytestmark = [
    pytest.mark.posix,
    pytest.mark.engine,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be forked here"),
]
SAMPLE = ROOT / "data" / "sample" / "club.pgn"


@pytest.mark.slow
def test_killed_stages_end_in_the_same_results(recorded: Path, tmp_path: Path) -> None:
    """Each stage is killed once on a handful of games, those that ask engines twice."""
    games = tmp_path / "club.pgn"
    games.write_text(pgn_of(CLUB), encoding="utf-8")
    kills = dict.fromkeys(STAGES, 1) | {"judge": 2, "scan": 2, "follow": 2}

    check_killed_stages(21, kills, games, recorded, tmp_path, games=3)


@pytest.mark.slow
def test_stages_are_killed_many_times(recorded: Path, tmp_path: Path) -> None:
    """Sixteen kills in each of the eight stages on the sample's games: 128 in all."""
    check_killed_stages(22, dict.fromkeys(STAGES, 16), sample(), recorded, tmp_path, games=20)


@pytest.mark.slow
def test_killed_runs_end_in_the_same_list(engine: Path, tmp_path: Path) -> None:
    """Ten kills of the command that does all, with several processes reading and several engines."""
    check_killed_runs(
        12, 10, sample(), tmp_path, engine, "--nodes", "2000,10000", "--min-games", "20", "--games", "20"
    )


def sample() -> Path:
    """The sample's games; tests that need them are skipped where they are absent."""
    if not SAMPLE.exists():
        pytest.skip("the sample's games are not here; make them by data/sample/make_sample.py")
    return SAMPLE


def check_killed_stages(
    seed: int, kills: dict[str, int], source: Path, engine: Path, folder: Path, games: int
) -> None:
    """Kill each stage so many times at moments that the seed gives, then let it end; compare what is left."""
    with forked(source, engine, games) as forker:
        quiet, disturbed = (forker.bench(folder / name) for name in ("quiet", "disturbed"))
        lengths = {stage: forker.let_end(stage, quiet) for stage in STAGES}
        shutil.copytree(quiet.folder / "store", disturbed.folder / "store", ignore=all_but_the_salt)
        for stage in STAGES:
            forker.let_end(stage, replace(disturbed, earlier=True))
        whole = [contents(quiet), contents(disturbed)]
        assert all(whole[0][name] != whole[1][name] for name in whole[0])
        disturbed.cache.unlink()
        killer = Killer(forker, disturbed, whole, random.Random(seed), f"seed {seed}")
        for stage, count in kills.items():
            killer.kill(stage, count, lengths[stage])
            forker.let_end(stage, disturbed)
        killer.check_no_engine_is_left()

    sys.stdout.write(f"{killer.landed.total()} kills landed: {killer.landed}; missed: {killer.missed}\n")
    assert killer.landed == kills, f"seed {seed}"
    assert prints(disturbed) == prints(quiet), f"seed {seed}"
    assert contents(disturbed) == contents(quiet), f"seed {seed}"
    assert len(quiet.store.read_table("findings")) > 1


def all_but_the_salt(folder: str, names: list[str]) -> list[str]:
    """What is left out of a copy of a store that shall hash players alike."""
    return [name for name in names if name != "salt"]


@dataclass
class Forker:
    """The process that forks the stages' processes."""

    process: subprocess.Popen[str]
    source: Path
    engine: Path
    games: int

    def bench(self, folder: Path) -> Bench:
        folder.mkdir()
        return Bench(self.source, self.engine, self.games, folder)

    def start(self, stage: str, bench: Bench) -> int:
        """Begin a stage, and wait until it is at work; the process id."""
        for file in (bench.begun, bench.done):
            file.unlink(missing_ok=True)
        pid = self._ask(f"{stage} {'earlier' if bench.earlier else 'now'} {bench.folder}")
        wait_for(bench.begun.exists)
        return pid

    def wait(self) -> int:
        """Wait for the end of what was begun; its exit code, below 0: the signal that ended it."""
        return os.waitstatus_to_exitcode(self._ask("wait"))

    def let_end(self, stage: str, bench: Bench) -> float:
        """Do a stage undisturbed; seconds it took."""
        self.start(stage, bench)
        code = self.wait()
        assert code == 0, (stage, code, bench.said.read_text())
        return float(bench.done.read_text("ascii"))

    def _ask(self, line: str) -> int:
        assert self.process.stdin
        assert self.process.stdout
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()
        return int(self.process.stdout.readline())


@contextmanager
def forked(source: Path, engine: Path, games: int) -> Iterator[Forker]:
    """The process that forks, which ends with the context."""
    with subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "tests.faults.forker", str(source), str(engine), str(games)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        yield Forker(process, source, engine, games)


@dataclass
class Killer:
    """Kills stages, and looks at what each kill leaves."""

    forker: Forker
    bench: Bench
    whole: list[dict[str, bytes]]  # what may be in the files for the user
    moments: random.Random
    about: str
    landed: Counter[str] = field(default_factory=Counter)
    missed: int = 0

    def kill(self, stage: str, count: int, length_s: float) -> None:
        """Kill the stage until so many kills have hit it; each goes on from what the one before left.

        A kill that comes when the stage is done does not count: then all is as before the first one.
        """
        before = self.bench.folder.with_name(f"before-{stage}")
        shutil.copytree(self.bench.folder, before)
        while self.landed[stage] < count:
            assert self.missed < 10 * sum((*self.landed.values(), count)), f"{self.about}: too few kills hit"
            moment = self.moments.uniform(0.0, length_s)
            pid = self.forker.start(stage, self.bench)
            time.sleep(moment)
            os.killpg(pid, signal.SIGKILL)
            code = self.forker.wait()
            told = f"{self.about}, {stage} after {moment:.3f} s: {self.bench.said.read_text()}"
            assert code in (0, -signal.SIGKILL), told
            if self.bench.done.exists():
                self.missed += 1
                # The machine had less else to do than when the length was taken.
                took = self.bench.done.read_text("ascii")  # empty if that, too, was killed
                length_s = min(0.9 * length_s, float(took or length_s))
                shutil.rmtree(self.bench.folder)
                shutil.copytree(before, self.bench.folder)
            else:
                self.landed[stage] += 1
                self._check_what_is_left(told)

    def _check_what_is_left(self, told: str) -> None:
        """Each stage is finished, as before or as it was to be, and files for the user are whole."""
        store = Store.open(self.bench.store.root)
        for name in STORED:
            for file, digest in store.require(name).digests.items():
                assert hashlib.sha256((store.root / file).read_bytes()).hexdigest() == digest, (file, told)
        for name, found in contents(self.bench).items():
            assert found in [one[name] for one in self.whole], (name, told)
        if self.bench.cache.exists():
            with closing(sqlite3.connect(self.bench.cache)) as cache:
                assert cache.execute("PRAGMA quick_check").fetchall() == [("ok",)], told

    def check_no_engine_is_left(self) -> None:
        """Engines end with the run that started them, though it cannot tell them to."""
        pids = [int(pid) for pid in self.forker.engine.with_name("pids").read_text("ascii").split()]
        wait_for(lambda: not any(map(is_alive, pids)))


def prints(bench: Bench) -> dict[str, str]:
    """The fingerprints of the stages: of settings, inputs and each table's bytes."""
    return {stage: bench.store.require(stage).fingerprint for stage in STORED}


def contents(bench: Bench) -> dict[str, bytes]:
    """What is in the files for the user."""
    return {path.name: path.read_bytes() for path in (*bench.lists, bench.page)}


def check_killed_runs(seed: int, kills: int, source: Path, folder: Path, engine: Path, *options: str) -> None:
    """Kill the command at moments that the seed gives; then compare the list with an undisturbed run's."""
    moments = random.Random(seed)
    began = time.monotonic()
    undisturbed = list_of(source, folder / "one", engine, *options)
    length_s = time.monotonic() - began

    landed = tries = 0
    while landed < kills:
        tries += 1
        assert tries <= 3 * kills, f"seed {seed}: too few kills hit"
        if is_killed_after(length_s * moments.uniform(0.1, 0.7), source, folder / "other", engine, *options):
            landed += 1
        else:
            shutil.rmtree(folder / "other")

    assert undisturbed.count(b"\n") > 2
    assert list_of(source, folder / "other", engine, *options) == undisturbed, f"seed {seed}"


def arguments(source: Path, folder: Path, engine: Path, *options: str) -> list[object]:
    store, cache = folder / "store", folder / "cache"
    return ["run", source, "--store", store, "--cache", cache, "--engine", engine, *options]


def list_of(source: Path, folder: Path, engine: Path, *options: str) -> bytes:
    """The CSV list after a run to the end."""
    for told in (
        in_process(*arguments(source, folder, engine, *options)),
        in_process("export", "--store", folder / "store", "--to", folder / "list.csv"),
    ):
        assert (told.code, told.err) == (0, "")
    return (folder / "list.csv").read_bytes()


def is_killed_after(seconds: float, source: Path, folder: Path, engine: Path, *options: str) -> bool:
    """Begin the run and kill it with all its group; whether it was still at work then."""
    running = subprocess.Popen(
        command(*arguments(source, folder, engine, *options)),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    time.sleep(seconds)
    os.killpg(running.pid, signal.SIGKILL)
    return running.wait() != 0
