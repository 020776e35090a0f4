"""The page to practise on, in a real browser: mouse, finger and keyboard, and what it keeps."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from miner.lesson.exercises import Exercise, choose
from miner.lesson.phrases import Tongue
from miner.lesson.practice import practice_page
from miner.lesson.sheets import Looks
from miner.reasons import Reason
from miner.terms import Kind
from tests.browser import Opened, OpenFile, browser, look
from tests.export.examples import finding, first_move, legal, vienna
from tests.report.stores import HOSTILE

__all__ = ["browser", "look"]

PROMOTING = finding(
    "e4 d5 exd5 c6 dxc6 a6 cxb7 a5", "h3", "h6 bxa8=Q", "bxa8=Q", kind=Kind.PITFALL, reason=Reason.POSITION
)
"""White could take the rook and promote."""


def three() -> list[Exercise[Any]]:
    """A first move to be done better, what is wrong with a move, and a trap with two answers."""
    rows = [legal(answers=("Bxf7+", "Nxd1")), vienna(kind=Kind.PITFALL, reason=Reason.KING, pattern="pin")]
    return [*choose([first_move(), *rows])]


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the three; not to be changed."""
    return written(tmp_path_factory.mktemp("practice"), three())


def written(folder: Path, exercises: list[Exercise[Any]], language: str = "en") -> Path:
    """A page of exercises."""
    (folder / "practice.html").write_bytes(practice_page(exercises, Looks(tongue=Tongue.of(language))))
    return folder / "practice.html"


def task(page: Page) -> str:
    """The question that the page asks."""
    return page.locator(".asked .lead").inner_text()


def answer(page: Page, typed: str) -> None:
    """Write a move and hand it in."""
    page.get_by_label("Your move").fill(typed)
    page.keyboard.press("Enter")


def middle(page: Page, square: str) -> tuple[float, float]:
    """The point of the window in the middle of a square."""
    box = page.locator(f'[role=gridcell][aria-label^="{square},"]').bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page: Page, start: str, end: str) -> None:
    """Carry a man with the mouse."""
    page.mouse.move(*middle(page, start))
    page.mouse.down()
    page.mouse.move(*middle(page, end), steps=4)
    page.mouse.up()


def due(page: Page) -> list[str]:
    """When each exercise comes again, as the table tells it."""
    return page.locator(".all td:last-child").all_inner_texts()


def man_on(page: Page, square: str) -> str:
    """What stands on a square, as it is read out."""
    told = page.locator(f'[role=gridcell][aria-label^="{square},"]').get_attribute("aria-label")
    assert told is not None
    return told.partition(", ")[2]


def test_three_exercises_by_mouse(file: Path, look: OpenFile) -> None:
    """Carried with the mouse, square by square, and the second of two answers: each is right."""
    opened = look(file)
    page = opened.page
    opened.wait()
    assert task(page) == "White to move. 1.g4 is a mistake. Find a good move instead."
    drag(page, "e2", "e4")
    expect(page.locator(".tries b")).to_have_text("1.e4")
    expect(page.locator("#next")).to_be_focused()

    page.locator("#next").click()
    assert task(page) == "Suppose 3...exf4 is played. White to move. What is wrong with 3...exf4?"
    assert man_on(page, "f4") == "black pawn"
    for square in ("e4", "e5"):
        page.mouse.click(*middle(page, square))
    expect(page.locator(".tries b")).to_have_text("4.e5")

    page.locator("#next").click()
    drag(page, "c3", "d1")
    expect(page.locator(".tries b")).to_have_text("6.Nxd1")
    expect(page.locator(".answer .line")).to_contain_text("6.Bxf7+ Ke7 7.Nd5# / 6.Nxd1")
    expect(page.locator(".answer")).to_contain_text("It comes again tomorrow.")

    page.locator("#next").click()
    expect(page.locator("#task-title")).to_have_text("Nothing more is to be done today.")
    assert due(page) == ["again tomorrow"] * 3
    assert (opened.complaints, opened.requests) == ([], [opened.url])


def test_right_is_shown_and_captures_need_no_sign(file: Path, look: OpenFile) -> None:
    """Whoever sees the page reads that the move is right, as whoever hears it; Nd1 is Nxd1."""
    page = look(file).page
    page.locator(".all button").nth(2).click()

    answer(page, "Nd1")

    expect(page.get_by_text("6.Nxd1 is right.", exact=True).and_(page.locator(".said"))).to_be_visible()


def test_keyboard_only(file: Path, look: OpenFile) -> None:
    """Tab enters the board at one square, arrow keys walk, Enter takes up and puts down, and goes on."""
    opened = look(file)
    page = opened.page
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('role')") == "gridcell":
            break
    keys = ["ArrowDown"] * 6 + ["ArrowRight"] * 4 + ["Enter"]
    for key in keys:
        page.keyboard.press(key)
    expect(page.locator("#told")).to_have_text("white pawn e2: where to?")
    page.keyboard.press("Escape")
    expect(page.locator("#told")).to_have_text("Put back.")
    for key in ("Enter", "ArrowUp", "ArrowUp", "Enter"):
        page.keyboard.press(key)

    expect(page.locator("#told")).to_contain_text("1.e4 is right.")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#told")).to_have_text("After e5")
    page.keyboard.press("Enter")
    expect(page.locator("#task-title")).to_be_focused()
    expect(page.locator("#task-title")).to_have_text("Exercise 2")


def test_by_finger(file: Path, browser: Any) -> None:
    """A tap takes a man up and a tap puts it down."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page = context.new_page()
    page.goto(file.resolve().as_uri())
    for square in ("e2", "e4"):
        page.touchscreen.tap(*middle(page, square))

    expect(page.locator(".tries b")).to_have_text("1.e4")
    context.close()


def test_what_needs_help_comes_again(file: Path, look: OpenFile) -> None:
    """A wrong move is crossed out; hints name the motif, then the man; the exercise comes back."""
    page = look(file).page
    answer(page, "1.d4")  # as good, for all that is known
    expect(page.locator(".said")).to_contain_text("It is not known how good 1.d4 is")
    answer(page, "g4")
    expect(page.locator(".tries li")).to_have_text(["1.d4", "1.g4"])
    expect(page.locator(".tries s")).to_have_text("1.g4")
    expect(page.locator(".said")).to_have_text("It is not 1.g4.")
    answer(page, "Qh5")
    expect(page.locator(".said")).to_contain_text("Qh5 cannot be played here. Moves are written like Nf3.")
    answer(page, "e2-e4")
    expect(page.locator(".answer")).to_contain_text("It comes again soon.")

    page.locator("#next").click()
    page.get_by_role("button", name="Hint").click()
    expect(page.locator(".said")).to_have_text("Look for: pin.")
    page.get_by_role("button", name="Hint").click()
    expect(page.locator(".said")).to_have_text("This man moves: white pawn e4.")
    page.get_by_role("button", name="Show the answer").click()
    expect(page.locator(".tries b")).to_have_count(0)

    page.locator("#next").click()
    answer(page, "bxf7")  # letters as a child types them, where they mean one move only
    expect(page.locator(".tries b")).to_have_text("6.Bxf7+")
    assert due(page) == ["to be done", "to be done", "again tomorrow"]
    page.locator("#next").click()
    answer(page, "e4")
    assert due(page) == ["again tomorrow", "to be done", "again tomorrow"]


def test_moves_of_unknown_worth_do_not_count_as_wrong(file: Path, look: OpenFile) -> None:
    """Nor does the answer after them count as found at once: who went through the moves may have guessed."""
    for last in ("e4", ""):
        opened = look(file)
        page = opened.page
        page.clock.set_fixed_time("2025-09-15T18:00")
        opened.go("")
        answer(page, "e4")
        page.clock.set_fixed_time("2025-09-16T18:00")
        opened.go("")
        page.locator(".all button").first.click()

        answer(page, "d4")
        if last:
            answer(page, last)
        else:
            page.get_by_role("button", name="Show the answer").click()

        expect(page.locator(".answer .line")).to_contain_text("(or a move as good as 1.e4)")
        assert due(page)[0] == "again tomorrow", last


def test_days(file: Path, look: OpenFile) -> None:
    """What went well stays away for longer each time, and is done before its day only if one wants to."""
    opened = look(file)
    page = opened.page
    days = ["2025-09-15", "2025-09-16", "2025-09-19"]
    for day in days:
        page.clock.set_fixed_time(f"{day}T18:00")
        opened.go("")
        answer(page, "e4")

    assert due(page)[0] == "again on 26 September"
    for move in ("e5", "Bxf7"):
        page.locator("#next").click()
        answer(page, move)
    page.locator("#next").click()
    expect(page.locator(".lead")).to_have_text("The next one comes tomorrow.")
    page.get_by_role("button", name="Go on all the same").click()
    answer(page, "e5")
    assert due(page)[1] == "again tomorrow"


def test_saved_and_loaded(file: Path, look: OpenFile, tmp_path: Path) -> None:
    """What is saved in one browser goes on in another; what is no such file changes nothing."""
    one, other = look(file).page, look(file).page
    answer(one, "e4")
    with one.expect_download() as saving:
        one.get_by_role("button", name="Save as a file").click()
    saving.value.save_as(tmp_path / "practice.json")

    other.locator("#file").set_input_files(tmp_path / "practice.json")
    expect(other.locator("#keeping")).to_have_text("Loaded.")
    assert due(other) == ["again tomorrow", "new", "new"]
    for text in ("", "[]", '{"exercises": []}', "<b>"):
        (tmp_path / "other.json").write_text(text)
        other.locator("#file").set_input_files(tmp_path / "other.json")
        expect(other.locator("#keeping")).to_have_text("This file holds nothing about exercises.")
    assert due(other) == ["again tomorrow", "new", "new"]

    other.get_by_role("button", name="Forget it").click()
    other.get_by_role("button", name="Really forget all of it?").click()
    assert due(other) == ["new"] * 3
    assert json.loads(other.evaluate("localStorage.getItem('opening-practice')")) == {"exercises": {}}


def test_record_of_another_make(file: Path, look: OpenFile) -> None:
    """What is no record of an exercise is left out, whatever it is."""
    opened = look(file)
    opened.page.evaluate(
        """() => localStorage.setItem('opening-practice', JSON.stringify({exercises: {
          __proto__: null, a: 1, b: {step: -1, due: '2025-01-01'}, c: {step: 1, due: 'x'},
          d: {step: 1, due: '2025-13-01'}, e: null, constructor: {step: 2, due: '2025-01-01'}}}))"""
    )
    opened.go("")

    answer(opened.page, "e4")

    kept = json.loads(opened.page.evaluate("localStorage.getItem('opening-practice')"))["exercises"]
    assert set(kept) == {"constructor", three_id()}
    assert opened.complaints == []


def three_id() -> str:
    """The name by which the first exercise is kept."""
    [first, *_] = three()
    return f"{first.finding.key:016x}-g2g4-instead"


def test_browser_that_keeps_nothing(file: Path, look: OpenFile) -> None:
    """The page works all the same, and says so."""
    opened = look(file)
    opened.page.add_init_script(
        "Object.defineProperty(window, 'localStorage', { get() { throw new Error('barred'); } });"
    )
    opened.go("")

    answer(opened.page, "e4")

    assert due(opened.page) == ["again tomorrow", "new", "new"]
    expect(opened.page.locator("#keeping")).to_contain_text("This browser does not keep it.")


def test_promotion(tmp_path: Path, look: OpenFile) -> None:
    """The pupil says what a pawn becomes; only the right man is the answer."""
    page = look(written(tmp_path, [*choose([PROMOTING])])).page
    drag(page, "b7", "a8")
    expect(page.get_by_role("button", name="white queen")).to_be_focused()
    page.get_by_role("button", name="white knight").click()
    expect(page.get_by_role("status")).to_contain_text("5.bxa8=N")
    drag(page, "b7", "a8")
    page.get_by_role("button", name="white queen").click()

    expect(page.locator(".tries b")).to_have_text("5.bxa8=Q")
    assert man_on(page, "a8") == "white queen"


def test_german(tmp_path: Path, look: OpenFile) -> None:
    """Words, moves, days and what is read out are German; a move in English letters is understood, too."""
    page = look(written(tmp_path, [*choose([legal()])], "de")).page

    assert task(page) == "Weiß am Zug. Wie bestrafst du 5...Lxd1?"
    assert man_on(page, "c4") == "weißer Läufer"
    page.get_by_label("Dein Zug").fill("Lxf7")
    page.keyboard.press("Enter")
    expect(page.locator(".answer .line")).to_contain_text("6.Lxf7+ Ke7 7.Sd5#")
    assert due(page) == ["morgen wieder"]
    assert page.locator("html").get_attribute("lang") == "de"


@pytest.mark.parametrize(("scheme", "size"), [("light", (1400, 900)), ("dark", (390, 844))])
def test_accessible(file: Path, look: OpenFile, scheme: str, size: tuple[int, int]) -> None:
    """Axe finds nothing serious while one is asked and after an answer; nothing is too wide."""
    opened = look(file, width=size[0], height=size[1], scheme=scheme)
    page = opened.page
    axe = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    page.evaluate(axe)
    seen = [serious(opened)]
    answer(page, "a3")
    answer(page, "e4")
    seen.append(serious(opened))

    assert [one for found in seen for one in found] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


def serious(opened: Opened) -> list[Any]:
    """What is serious on the page as it stands."""
    result = opened.page.evaluate("axe.run()")
    assert result["passes"]
    return [
        (one["id"], one["nodes"][0]["html"])
        for one in result["violations"]
        if one["impact"] in ("serious", "critical")
    ]


def test_hostile_text(tmp_path: Path, look: OpenFile) -> None:
    """What a tag or a reason holds is shown as text and runs nothing."""
    opened = look(written(tmp_path, [*choose([vienna(opening=HOSTILE, eco=HOSTILE, reason_detail=HOSTILE)])]))

    opened.page.get_by_role("button", name="Show the answer").click()

    assert opened.page.evaluate("window.caught") is None
    assert opened.page.locator("img").count() == 0
    assert opened.complaints == []
