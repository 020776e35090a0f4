"""Which search comes next: answers and losses in, jobs out. No process, no file, no clock."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from miner.engine.verdicts import Answer, Failure, Request, Verdict

Found = TypeVar("Found")
Inquiry = Generator[list[Request], list[Answer], Found]
"""What is to be found out about one position: yields batches of requests, is sent their answers, returns."""


@dataclass(frozen=True, order=True, slots=True)
class Job:
    """A request that waits for an engine; the earliest inquiry's come first."""

    inquiry: int
    slot: int  # place in its batch
    request: Request
    tries: int = 0  # engines that were lost over it


@dataclass(slots=True)
class _Batch:
    requests: list[Request]
    answers: list[Answer | None]


class Schedule(Generic[Found]):
    """The jobs of many inquiries, in the inquiries' order; known verdicts are no jobs.

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
        self._batches: dict[int, _Batch] = {}
        self._waiting: list[Job] = []
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
        """Take the answer of a job; its inquiry goes on when its batch is complete."""
        batch = self._batches[job.inquiry]
        batch.answers[job.slot] = answer
        self._advance_if_complete(job.inquiry, batch)

    def lose(self, job: Job, reason: str) -> bool:
        """An engine was lost over a job: it is tried again, or after `max_tries` given up; whether it was."""
        tries = job.tries + 1
        if tries < self._max_tries:
            heapq.heappush(self._waiting, replace(job, tries=tries))
            return False
        self.answer(job, Failure(f"{tries} engines were lost over it: {reason}"))
        return True

    def give_back(self, job: Job) -> None:
        """The job was never begun."""
        heapq.heappush(self._waiting, job)

    def _advance_if_complete(self, number: int, batch: _Batch) -> None:
        answers = [answer for answer in batch.answers if answer is not None]
        if len(answers) == len(batch.requests):
            self._advance(number, answers)

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
            batch = _Batch(requests, [self._known(request) for request in requests])
            jobs = [
                Job(number, slot, request)
                for slot, (request, answer) in enumerate(zip(requests, batch.answers, strict=True))
                if answer is None
            ]
            self.known_answers += len(requests) - len(jobs)
            if jobs:
                self._batches[number] = batch
                for job in jobs:
                    heapq.heappush(self._waiting, job)
                return
            answers = [answer for answer in batch.answers if answer is not None]
