"""Which search comes next: answers and losses in, jobs out. No process, no file, no clock."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from miner.engine.verdicts import Answer, Failure, Request, Verdict

Found = TypeVar("Found")
Inquiry = Generator[list[Request], list[Answer], Found]
"""Searches that depend on each other: yields batches of requests, is sent their answers, returns a result."""


@dataclass(slots=True)
class Budget:
    """Nodes that inquiries may ask for together; which of them that is depends on no clock.

    Nodes count as they are asked for, whether an engine or the cache answers.
    """

    nodes: int  # 0: no limit
    spent: int = 0  # by the inquiries that have returned

    def begin(self, inquiries: Iterable[Inquiry[Found]]) -> Iterator[Inquiry[tuple[Found, int]]]:
        """The inquiries that are begun before the nodes are spent; each returns the nodes it took, too."""
        for inquiry in inquiries:
            if self.nodes and self.spent >= self.nodes:
                return
            yield self._metered(inquiry)

    def _metered(self, inquiry: Inquiry[Found]) -> Inquiry[tuple[Found, int]]:
        asked = 0
        answers: list[Answer] | None = None
        while True:
            try:
                requests = next(inquiry) if answers is None else inquiry.send(answers)
            except StopIteration as end:
                self.spent += asked
                return end.value, asked
            asked += sum(request.nodes for request in requests)
            answers = yield requests

    def within(self, found: Iterable[tuple[Found, int]]) -> list[Found]:
        """Of what was found, in order, that which was begun before the nodes of all before it were spent.

        While some engines were still at work, others may have begun a few more: how many is chance, and
        they do not count.
        """
        kept, spent = [], 0
        for result, asked in found:
            if self.nodes and spent >= self.nodes:
                break
            kept.append(result)
            spent += asked
        self.spent = spent
        return kept


@dataclass(frozen=True, order=True, slots=True)
class Job:
    """A request that waits for an engine; those of the earliest inquiry come first."""

    inquiry: int
    slot: int  # place in its batch
    request: Request
    tries: int = 0  # engines that were lost over it


class Schedule(Generic[Found]):
    """The jobs of many inquiries, in the inquiries' order; what is known, or asked already, is no job.

    An inquiry is begun only when no job of an earlier one waits, so that a run that is broken off has
    finished the first of them.
    """

    def __init__(
        self, inquiries: Iterable[Inquiry[Found]], known: Callable[[Request], Verdict | None], max_tries: int
    ) -> None:
        self.found: dict[int, Found] = {}
        self.known_answers = 0
        self._known = known
        self._max_tries = max_tries
        self._to_begin = enumerate(inquiries)
        self._begun: dict[int, Inquiry[Found]] = {}
        self._batches: dict[int, list[Answer | None]] = {}
        self._waiting: list[Job] = []
        self._joined: dict[Request, list[tuple[int, int]]] = {}  # who else waits for what is asked already
        self._all_begun = False

    @property
    def is_finished(self) -> bool:
        """Whether every inquiry has returned."""
        return self._all_begun and not self._begun

    def next_job(self) -> Job | None:
        """The next job; None: there is none before one in flight is answered, or at all."""
        while not self._waiting and not self._all_begun:
            begin = next(self._to_begin, None)
            if begin is None:
                self._all_begun = True
            else:
                number, inquiry = begin
                self._begun[number] = inquiry
                self._advance(number, None)
        return heapq.heappop(self._waiting) if self._waiting else None

    def answer(self, job: Job, answer: Answer) -> None:
        """Take the answer of a job; each inquiry that waits for it goes on when its batch is complete."""
        for number, slot in ((job.inquiry, job.slot), *self._joined.pop(job.request)):
            batch = self._batches[number]
            batch[slot] = answer
            if (answers := _if_complete(batch)) is not None:
                self._advance(number, answers)

    def lose(self, job: Job, reason: str) -> bool:
        """Try a job again over which an engine was lost; True: it was given up after `max_tries` instead."""
        tries = job.tries + 1
        if tries < self._max_tries:
            heapq.heappush(self._waiting, replace(job, tries=tries))
            return False
        self.answer(job, Failure(f"{tries} engines were lost over it: {reason}"))
        return True

    def give_back(self, *jobs: Job) -> None:
        """Take back jobs that were never begun."""
        for job in jobs:
            heapq.heappush(self._waiting, job)

    def _advance(self, number: int, answers: list[Answer] | None) -> None:
        """Send answers (None: begin) until some request of the next batch is not known, or the end."""
        inquiry = self._begun[number]
        while True:
            try:
                requests = next(inquiry) if answers is None else inquiry.send(answers)
            except StopIteration as end:
                self.found[number] = end.value
                self._batches.pop(number, None)
                del self._begun[number]
                return
            batch: list[Answer | None] = [self._known(request) for request in requests]
            answers = _if_complete(batch)
            if answers is None:
                self._batches[number] = batch
            for slot, (request, answer) in enumerate(zip(requests, batch, strict=True)):
                if answer is not None:
                    self.known_answers += 1
                elif request in self._joined:
                    # Another inquiry has asked for it: with fewer engines it would be known by now.
                    self._joined[request].append((number, slot))
                    self.known_answers += 1
                else:
                    self._joined[request] = []
                    heapq.heappush(self._waiting, Job(number, slot, request))
            if answers is None:
                return


def _if_complete(batch: list[Answer | None]) -> list[Answer] | None:
    answers = [answer for answer in batch if answer is not None]
    return answers if len(answers) == len(batch) else None
