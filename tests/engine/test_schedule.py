"""Tests of the order of searches, without any process."""

from __future__ import annotations

from collections.abc import Callable

import chess
import pytest

from miner.engine.schedule import Budget, Inquiry, Job, Schedule
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.terms import Score, Side


def request(name: int) -> Request:
    return Request(chess.STARTING_FEN, nodes=name)


def verdict(name: int) -> Verdict:
    return Verdict(Score(Side.WHITE, cp=name), ("e2e4",), name, 1)


def asks(*batches: list[int]) -> Inquiry[list[Answer]]:
    """An inquiry that asks these batches and returns all answers."""
    heard: list[Answer] = []
    for batch in batches:
        heard += yield [request(name) for name in batch]
    return heard


def nothing_known(_: Request) -> None:
    return None


def work_off(schedule: Schedule[list[Answer]], answer: Callable[[Job], Answer]) -> list[int]:
    """Answer one job after the other; the names of the requests in their order."""
    order = []
    while (job := schedule.next_job()) is not None:
        order.append(job.request.nodes)
        schedule.answer(job, answer(job))
    return order


def test_inquiries_are_worked_off_in_order() -> None:
    """An inquiry's later batches come before the next inquiry; each gets its own answers."""
    schedule = Schedule([asks([1], [2, 3]), asks([4])], nothing_known, max_tries=3)

    order = work_off(schedule, lambda job: verdict(job.request.nodes))

    assert order == [1, 2, 3, 4]
    assert schedule.found == {0: [verdict(1), verdict(2), verdict(3)], 1: [verdict(4)]}
    assert schedule.is_finished


def test_one_search_answers_all_who_ask_for_it() -> None:
    """What one inquiry waits for is not searched again for the next, which hears the same answer."""
    schedule = Schedule([asks([1]), asks([1, 2], [1])], nothing_known, max_tries=3)
    first, second = schedule.next_job(), schedule.next_job()
    assert first
    assert second
    assert (first.request.nodes, second.request.nodes) == (1, 2)

    schedule.answer(second, verdict(2))
    schedule.answer(first, verdict(1))
    again = schedule.next_job()
    assert again  # no cache here: the last batch asks anew
    schedule.answer(again, verdict(1))

    assert schedule.found == {0: [verdict(1)], 1: [verdict(1), verdict(2), verdict(1)]}
    assert schedule.known_answers == 1


def test_free_engine_begins_the_next_inquiry() -> None:
    """While the only search of an inquiry is in flight, another engine takes one of the next."""
    schedule = Schedule([asks([1], [2]), asks([3])], nothing_known, max_tries=3)

    first, second, third = schedule.next_job(), schedule.next_job(), schedule.next_job()
    assert first
    schedule.answer(first, verdict(1))
    fourth = schedule.next_job()

    assert second
    assert fourth
    assert (second.request, third, fourth.request) == (request(3), None, request(2))
    assert not schedule.is_finished


def test_known_verdicts_are_not_searched() -> None:
    """What the cache knows is answered at once, also a whole inquiry."""
    known = {request(name): verdict(name) for name in (1, 2, 4)}
    schedule = Schedule([asks([1], [2]), asks([3, 4])], known.get, max_tries=3)

    order = work_off(schedule, lambda job: verdict(job.request.nodes))

    assert order == [3]
    assert schedule.found == {0: [verdict(1), verdict(2)], 1: [verdict(3), verdict(4)]}
    assert schedule.known_answers == 3


def test_lost_search_is_tried_again_and_given_up() -> None:
    """After the third engine lost over it a search is answered by a failure, and the inquiry goes on."""
    schedule = Schedule([asks([1], [2])], nothing_known, max_tries=3)

    tries = []
    for _ in range(3):
        job = schedule.next_job()
        assert job
        tries.append(job.tries)
        schedule.lose(job, "it ended")
    rest = work_off(schedule, lambda job: verdict(job.request.nodes))

    assert tries == [0, 1, 2]
    assert rest == [2]
    assert schedule.found[0] == [Failure("3 engines were lost over it: it ended"), verdict(2)]


def test_job_that_was_never_begun_costs_no_try() -> None:
    """An engine that could not be started says nothing about the search."""
    schedule = Schedule([asks([1])], nothing_known, max_tries=1)

    job = schedule.next_job()
    assert job
    schedule.give_back(job)

    assert schedule.next_job() == job


def test_no_inquiries_are_finished_at_once() -> None:
    """Nothing to ask is nothing to wait for."""
    schedule: Schedule[list[Answer]] = Schedule([], nothing_known, max_tries=3)

    assert schedule.next_job() is None
    assert schedule.is_finished


def spend(budget: Budget, inquiries: list[Inquiry[list[Answer]]], at_once: int) -> list[list[Answer]]:
    """Work inquiries off with so many engines, the last that has begun answering first."""
    schedule = Schedule(budget.begin(inquiries), nothing_known, max_tries=3)
    in_flight: list[Job] = []
    while not schedule.is_finished:
        while len(in_flight) < at_once and (job := schedule.next_job()) is not None:
            in_flight.append(job)
        if in_flight:
            job = in_flight.pop()
            schedule.answer(job, verdict(job.request.nodes))
    return budget.within(found for _, found in sorted(schedule.found.items()))


@pytest.mark.parametrize("at_once", [1, 2, 3, 5])
def test_budget_does_not_depend_on_who_is_quicker(at_once: int) -> None:
    """The first inquiries count up to the one with which the nodes are spent, whatever else was begun."""
    inquiries = [asks([100], [50]), asks([200]), asks([30, 30]), asks([500]), asks([1])]
    budget = Budget(360)

    found = spend(budget, inquiries, at_once)

    assert found == [[verdict(100), verdict(50)], [verdict(200)], [verdict(30), verdict(30)]]
    assert budget.spent == 410


def test_no_budget_is_no_limit() -> None:
    """0 nodes: all are worked off."""
    budget = Budget(0)

    assert len(spend(budget, [asks([100]), asks([200])], 2)) == 2
    assert budget.spent == 300
