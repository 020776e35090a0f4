"""The dialogue with one UCI engine process. Raises EngineLost; whoever catches it kills the engine.

python-chess drives the engine. Ours is what it leaves open: which of the scores counts (the last *exact* one
before `bestmove`, with its line: after a fail-high the last line carries only a bound), that nonsense is
noticed and not passed over, how long we wait, and that no process is left behind. python-chess takes apart
only the line that counts: doing so with every line took as long as a third of the engine's own work where a
search has 3,000 nodes.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import logging
import os
import re
import signal
import sys
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import chess
from chess.engine import (
    INFO_BASIC,
    INFO_PV,
    INFO_SCORE,
    AnalysisResult,
    EngineError,
    EngineTerminatedError,
    InfoDict,
    Limit,
    UciProtocol,
)

from miner.engine.identity import EngineIdentity, file_digests, program_digest
from miner.engine.verdicts import FalseClaim, Request, Verdict, line_end, mover, nonsense_in, shows_mate
from miner.processes import apart
from miner.terms import MOST_CP, Score, Side

log = logging.getLogger(__name__)
_LIBC = ctypes.CDLL(None) if sys.platform == "linux" else None
_PR_SET_PDEATHSIG = 1  # of Linux's prctl(2)

LONGEST_LINE = 1 << 16  # bytes; a line of a UCI engine is far shorter
LONGEST_GREETING = 1 << 20  # bytes up to `uciok`; hundreds of options are far shorter
LONGEST_QUOTE = 300  # characters of what an engine said that are passed on
MOST_CLAIMED_CP = 20_000
"""More centipawns than that either way are no score.

Source: newer Stockfish tells a win by the endgame tables by 20,000 less the plies, from memory; that no
engine means more by them is common practice, no source.
"""
MATE_BUDGETS = (1, 4)
"""Times a search's nodes, for the searches that follow a mate whose line was cut short.

Stockfish 15.1 claimed 2,811 mates in 15,000 searches of 2,000 or 5,000 nodes near the ends of the sample's
games. 2,773 lines ended in that mate, 38 before it, and each of these it showed when asked from there. Of 293
lines of Glaurung 2.2 none was cut short.
"""
GOODBYE_S = 1.0
TICK_S = 1.0
_OTHER_LINE = re.compile(r"\smultipv\s+(?!1\s)")
_NODES, _DEPTH = re.compile(r" nodes (\d{1,99})(?!\S)"), re.compile(r" depth \d{1,99}(?!\S)")
_SCORE = re.compile(r" score (?:cp|mate) -?\d{1,99}(?!\S)")
HEEDED = ("id", "option", "uciok", "readyok", "info", "bestmove")


class EngineLost(Exception):
    """The engine died, hung or talked nonsense; it is of no more use."""

    def __init__(self, reason: str, said_last: str = "", *, is_false_claim: bool = False) -> None:
        super().__init__(reason)
        self.reason = _shortened(reason)
        self.said_last = _shortened(said_last)
        self.is_false_claim = is_false_claim  # it said what can be seen not to be so


@dataclass(slots=True)
class SearchOutput:
    """The lines that count of all that an engine says in the course of a search."""

    exact: str = ""  # the last with an exact score, as it was said
    counted: str = ""  # the last with a number of nodes

    def add(self, line: str) -> None:
        """Take one line, as far as it counts."""
        if _NODES.search(line):
            self.counted = line
            # python-chess looks for the bound right behind the score; Stockfish writes win/draw/loss between.
            if " pv " in line and "bound " not in line and _SCORE.search(line) and _DEPTH.search(line):
                self.exact = line

    @property
    def nodes(self) -> int:
        """Of the whole search, as far as the engine has told."""
        told = _NODES.search(self.counted)
        return int(told.group(1)) if told else 0

    def verdict(self, info: InfoDict, side: Side, seconds: float) -> Verdict:
        """The last exact score with its line; a bound is none. `info` is what python-chess has read in it.

        Raises ValueError if nothing had both such a score and a line of moves, or the line cannot be played,
        FalseClaim for centipawns beyond reason.
        """
        if not self.exact:
            raise ValueError("no score before `bestmove`")
        pv = tuple(move.uci() for move in info.get("pv", ()))
        words = self.exact.split(" pv ", maxsplit=1)[1].split()
        if len(pv) < len(words):  # python-chess leaves out what it cannot read, or the whole line
            raise ValueError(f"the line {' '.join(words)!r} cannot be played")
        relative = info["score"].relative
        cp = relative.score()
        if cp is not None:
            if abs(cp) > MOST_CLAIMED_CP:
                raise FalseClaim(f"{cp:,} centipawns cannot be")
            cp = max(-MOST_CP, min(MOST_CP, cp))
        wdl = tuple(info["wdl"].relative) if "wdl" in info else (0, 0, 0)
        if min(wdl) < 0 or abs(sum(wdl) - 1000) > len(wdl):  # no shares per mille, but for rounding
            wdl = ()
        return Verdict(Score(side, cp, relative.mate()), pv, self.nodes, info["depth"], wdl, seconds)


def _shortened(said: str) -> str:
    return said if len(said) <= LONGEST_QUOTE else f"{said[:LONGEST_QUOTE]}..."


class ListeningProtocol(UciProtocol):
    """python-chess's side of the dialogue, which also remembers what the engine said."""

    def __init__(self) -> None:
        super().__init__()
        self.first_game = False  # new games are announced by `Dialogue.search`
        self.said_last = ""
        self.deaf_for = ""  # the reason why it does not listen any more
        self.exited = asyncio.Event()
        self.searching: AnalysisResult | None = None
        self._output = SearchOutput()
        self._begun = b""  # a line
        self._greeting = 0  # bytes

    def listen_to(self, search: AnalysisResult | None) -> SearchOutput:
        """Begin to collect the output of a search; None: nothing is searched."""
        self.searching = search
        self._output = SearchOutput()
        return self._output

    def pipe_data_received(self, fd: int, data: bytes | str) -> None:
        """Pass the engine's lines on one by one, as far as they are UCI."""
        assert isinstance(data, bytes)
        if self.deaf_for:
            return
        self._greeting += 0 if self.initialized else len(data)
        if self._greeting > LONGEST_GREETING:
            self.kill(f"it said more than {LONGEST_GREETING:,} bytes before `uciok`")
            return
        *lines, self._begun = (self._begun + data).split(b"\n")
        for line in (*lines, self._begun):
            if len(line) > LONGEST_LINE:
                self.kill(f"it said a line of more than {LONGEST_LINE:,} bytes")
                return
        for line in lines:
            self._hear(fd, line.decode("utf-8", "replace").rstrip())

    def _hear(self, fd: int, line: str) -> None:
        self.said_last = line or self.said_last
        words = line.split(maxsplit=2)
        # Other lines are to be passed over by the standard, and python-chess warns of each.
        if not words or words[0] not in HEEDED or words[:2] == ["info", "string"]:
            log.debug("%s: >> %s", self, line)
            return
        if _OTHER_LINE.search(line):
            return  # of several lines only the first counts, and python-chess makes room for any number
        if words[0] == "bestmove":  # what it would ponder on is no matter of ours, right or wrong
            line = " ".join(words[:2])
        if words[0] == "info":
            log.debug("%s: >> %s", self, line)
            self._output.add(line)
            return
        # What came before the last exact score is nothing that python-chess need take apart.
        lines = [self._output.exact, line] if words[0] == "bestmove" and self._output.exact else [line]
        try:
            super().pipe_data_received(fd, "".join(f"{one}\n" for one in lines).encode())
        except ArithmeticError as error:  # a number that python-chess cannot reckon with
            self.kill(f"it talked nonsense: {error}")

    def pipe_connection_lost(self, fd: int, exc: Exception | None) -> None:
        """Called by asyncio: an engine whose output has ended is of no use, even if it lives on."""
        super().pipe_connection_lost(fd, exc)
        if fd == 1:
            self.kill()

    def process_exited(self) -> None:
        """Called by asyncio when the process has ended."""
        super().process_exited()
        self.exited.set()

    def kill(self, reason: str = "") -> None:
        """Kill the engine and what it has started, also if they hang or are stopped."""
        self.deaf_for = self.deaf_for or reason
        assert self.transport is not None
        if self.returncode.done():
            return
        with contextlib.suppress(ProcessLookupError, PermissionError):
            if sys.platform == "win32":
                self.transport.kill()
            else:
                os.killpg(self.transport.get_pid(), signal.SIGKILL)


def _end_with_this_thread() -> None:
    """Have the system kill a new process as soon as who started it has gone: an engine might not notice."""
    assert _LIBC is not None
    _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


@dataclass(slots=True)
class Dialogue:
    """A running engine, and the conversation with it."""

    transport: asyncio.SubprocessTransport
    protocol: ListeningProtocol
    program: Path
    name: str = ""
    analysis: AnalysisResult | None = None  # the last one

    @classmethod
    async def begin(
        cls, program: Path, options: Mapping[str, str], timeout_s: float
    ) -> tuple[Dialogue, EngineIdentity]:
        """Start an engine and set those of the options that it has.

        Raises EngineLost if it does not say `uciok` and `readyok` in time, or cannot be set up.
        """
        asyncio.get_running_loop().set_exception_handler(_pass_on)
        try:
            transport, protocol = await ListeningProtocol.popen(
                str(program),
                stderr=asyncio.subprocess.STDOUT,  # what a dying engine says is worth hearing
                preexec_fn=_end_with_this_thread if _LIBC else None,
                **apart(),
            )
        except OSError as error:
            raise EngineLost(f"it cannot be started: {error.strerror}") from error
        dialogue = cls(transport, protocol, program)
        try:
            return dialogue, await dialogue._greet(options, timeout_s)
        except BaseException:
            await dialogue.kill()
            raise

    async def _greet(self, options: Mapping[str, str], timeout_s: float) -> EngineIdentity:
        async with self._awaited("uciok", timeout_s):
            await self.protocol.initialize()
        self.name = self.protocol.id.get("name") or self.program.name
        known = self.protocol.options
        defaults = {name: option.default for name, option in known.items() if option.default is not None}
        values = {
            name: str(value).lower() if isinstance(value, bool) else str(value)
            for name, value in defaults.items()
        }
        chosen = {known[name].name: value for name, value in options.items() if name in known}
        # python-chess would have it analyse in a mode of its own; the verdicts are those of its usual one.
        mode = {name: value for name, value in values.items() if name.lower() == "uci_analysemode"}
        async with self._awaited("readyok", timeout_s):
            await self._set(mode | chosen)
            await self.protocol.ping()
        texts = [(name, value) for name, value in values.items() if known[name].type == "string"]
        return EngineIdentity(
            self.name,
            program_digest(self.program),
            tuple(sorted((values | chosen).items())),
            file_digests(self.program, texts),
        )

    async def _set(self, options: Mapping[str, str]) -> None:
        try:
            await self.protocol.configure(options)
        except EngineTerminatedError:
            raise
        except EngineError as error:
            raise EngineLost(f"it cannot be set up: {error}", self.protocol.said_last) from error

    async def search(self, request: Request, timeout_s: float) -> Verdict:
        """The verdict of one search that knows nothing of those before it.

        A mate is believed when it is seen, if need be by further searches.
        Raises EngineLost if the engine dies, exceeds `timeout_s`, talks nonsense or claims what is not so.
        """
        try:
            verdict = await self._ask(request, timeout_s)
            if verdict.score.mate is not None:
                await self._follow_mate(request, verdict, timeout_s)
        except FalseClaim as claim:
            reason = f"it claims what is not so: {claim}"
            raise EngineLost(reason, self.protocol.said_last, is_false_claim=True) from claim
        return verdict

    async def _follow_mate(self, request: Request, claim: Verdict, timeout_s: float) -> None:
        """Raises FalseClaim unless the mate is at the end of its line, or the engine finds it from there."""
        at, verdict = request, claim
        for budget in MATE_BUDGETS:
            if shows_mate(at, verdict):
                return
            further = Request.of(line_end(at, verdict), budget * request.nodes)
            answer = await self._ask(further, budget * timeout_s)
            if answer.score.winner is claim.score.winner:
                at, verdict = further, answer
        if not shows_mate(at, verdict):
            raise FalseClaim(f"no mate in {abs(claim.score.mate or 0)} comes of {' '.join(claim.pv)}")

    async def _ask(self, request: Request, timeout_s: float) -> Verdict:
        """The engine's answer, as far as it makes sense. Raises EngineLost and FalseClaim."""
        self.protocol.listen_to(None)
        async with self._awaited("readyok", timeout_s):
            # Where python-chess does it together with the search, it does not notice if the engine dies.
            self.protocol.send_line("ucinewgame")
            await self.protocol.ping()
            self.analysis = await self.protocol.analysis(
                chess.Board(request.fen),
                Limit(nodes=request.nodes),
                info=INFO_BASIC | INFO_SCORE | INFO_PV,
                root_moves=[chess.Move.from_uci(move) for move in request.searchmoves] or None,
            )
        output = self.protocol.listen_to(self.analysis)
        began = time.monotonic()
        async with self._awaited("bestmove", timeout_s):
            async for _ in self.analysis:
                pass  # heard already
            best = await self.analysis.wait()
        try:
            verdict = output.verdict(self.analysis.info, mover(request), time.monotonic() - began)
        except ValueError as error:
            raise self._nonsense(error) from error
        wrong = nonsense_in(request, verdict, best.move.uci() if best.move else "(none)")
        if wrong:
            raise self._nonsense(wrong)
        return verdict

    async def kill(self) -> None:
        """End the process now, also if it hangs or is stopped."""
        self.protocol.kill("it was killed")
        # Closing before asyncio knows of the end would take the exit code from under it.
        await self.protocol.exited.wait()
        self.transport.close()
        await asyncio.shield(self.protocol.returncode)
        if self.analysis is not None:
            # It may have ended with an error that nobody has waited for, or not at all.
            with contextlib.suppress(asyncio.InvalidStateError):
                self.analysis.set_exception(EngineError("it was killed"))
            with contextlib.suppress(EngineError):
                await self.analysis.wait()

    async def end(self) -> None:
        """End the process in a friendly way, or else by force."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(GOODBYE_S):
                await self.protocol.quit()
        await self.kill()

    @asynccontextmanager
    async def _awaited(self, word: str, timeout_s: float) -> AsyncIterator[None]:
        """Raises EngineLost if what is done in the context fails before the engine says `word`."""
        try:
            async with patience(timeout_s):
                yield
        except TimeoutError as error:
            raise EngineLost(f"no `{word}` within {timeout_s:.0f} s", self.protocol.said_last) from error
        except EngineTerminatedError as error:
            reason = self.protocol.deaf_for or f"it ended before `{word}`"
            raise EngineLost(reason, self.protocol.said_last) from error
        except EngineError as error:
            raise self._nonsense(error) from error

    def _nonsense(self, what: object) -> EngineLost:
        return EngineLost(f"it talked nonsense: {what}", self.protocol.said_last)


@asynccontextmanager
async def patience(seconds: float) -> AsyncIterator[None]:
    """As `asyncio.timeout`, but only time in which this program ran counts. Raises TimeoutError.

    While it is stopped (Ctrl-Z, a computer that sleeps) the clock may go on, and once it runs again every
    engine would seem to have hung.
    """
    loop = asyncio.get_running_loop()
    async with asyncio.timeout(None) as limit:
        next_tick: asyncio.Handle

        def tick(left: float) -> None:
            nonlocal next_tick
            if left > 0.0:
                next_tick = loop.call_later(min(left, TICK_S), tick, left - TICK_S)
            else:
                limit.reschedule(loop.time())

        next_tick = loop.call_soon(tick, seconds)
        try:
            yield
        finally:
            next_tick.cancel()


def _pass_on(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """End a search whose `bestmove` cannot be played, which python-chess tells only the loop."""
    protocol = context.get("protocol")
    if isinstance(protocol, ListeningProtocol):
        if protocol.searching is not None:
            protocol.searching.set_exception(context["exception"])
    else:
        loop.default_exception_handler(context)
