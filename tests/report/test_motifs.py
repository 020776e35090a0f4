"""The page's part about motifs: its values, and in a real browser."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import chess
import chess.polyglot
import pytest
from playwright.sync_api import expect

from miner.finding.through import Through
from miner.report.motifs import boxes, motif_contents
from miner.schema import MOTIFS
from miner.terms import Side
from tests.browser import Opened, OpenFile
from tests.finding.moments import HIGH, LOW, known_motifs
from tests.report.scanned import QUEEN, motif_page, played_in, raid, raid_path, scanned_raids
from tests.report.stores import contents_of


@pytest.fixture(scope="session")
def motifs_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return motif_page(tmp_path_factory.mktemp("motifs"))


@pytest.fixture
def motifs(motifs_page: Path, open_file: OpenFile) -> Opened:
    return open_file(motifs_page)


def key_after(path: str) -> int:
    board = chess.Board()
    for san in path.split():
        board.push_san(san)
    return chess.polyglot.zobrist_hash(board)


def test_values() -> None:
    """Each motif once, its rows by band, openings with their place on the map, and whole examples."""
    told = motif_contents(scanned_raids(), [LOW, HIGH])

    [motif] = told["list"]
    rows = {row[0]: dict(zip(told["columns"], row, strict=True)) for row in motif["counts"]}
    assert (told["games"], motif["name"]) == (10, QUEEN)
    assert set(rows) == {"all", LOW}
    assert (rows[LOW]["games"], rows[LOW]["players"], rows[LOW]["found"]) == (8, 8, 8 - 7)
    assert rows[LOW]["is_listed"]
    assert motif["is_taught"]
    assert {*told["columns"]} - {*MOTIFS.names} == {"is_listed"}
    assert motif["openings"] == [{"name": "King's Pawn Game", "games": 8, "of": 8, "at": "e4"}]
    assert [example["found"] for example in motif["examples"]] == [False] * 3
    assert motif["examples"][0]["path"]["san"].endswith("Qh5")
    assert motif["examples"][0]["played"]["san"] == "Qd1"


def test_finer_motif_is_not_listed_beside_its_own() -> None:
    """Where a band's topic is the whole, the part that another band is taught is not listed."""
    rows = [raid(game) for game in range(8)]
    rows += [raid(at) | {"game": 20 + at, "band": HIGH, "player": 200 + at} for at in range(5)]
    for at, square in enumerate(["c7", "d5", "f7", "g7", "h7", "b7", "a7", "d7", "c6", "d6"]):
        rows.append(raid(0) | {"game": 40 + at, "player": 300 + at, "square": square})
    scanned = replace(scanned_raids(), motifs=known_motifs(rows, 80, white_rating=1500))

    told = motif_contents(scanned, [LOW, HIGH])

    listed = {(one["name"], row[0]) for one in told["list"] for row in one["counts"] if row[-1]}
    assert (QUEEN, HIGH) in listed
    assert (QUEEN, LOW) not in listed
    assert ("double attack: queen", LOW) in listed


def test_each_band_lists_what_the_command_lists() -> None:
    """A pattern by which no one piece is told to strike, and a gain that was not taken, are listed too."""
    pieces = [("Q", "e5"), ("N", "c7"), ("B", "g7"), ("R", "e8"), ("P", "d5")]
    rows = [raid(at) | {"piece": piece, "square": square} for at, (piece, square) in enumerate(pieces)]
    rows += [raid(at) | {"game": 20 + at, "pattern": "gain not taken"} for at in range(5)]
    scanned = replace(scanned_raids(), motifs=known_motifs(rows, 80))

    told = motif_contents(scanned, [LOW, HIGH])

    listed = {(one["name"], row[0]) for one in told["list"] for row in one["counts"] if row[-1]}
    assert {name for name, band in listed if band == LOW} == {"double attack", "gain not taken: queen on e5"}
    assert {count.pattern for count in scanned.motifs.of_band(LOW)} == {"double attack", "gain not taken"}
    assert {band for _, band in listed} == {"all", LOW}
    assert not any(one["is_taught"] for one in told["list"])  # there is nothing to ask for in an exercise


def test_examples_show_the_motif_before_what_was_missed() -> None:
    """The only one in which the queen strikes at once comes first, though it was found in its game."""
    rows = [raid(0), *(raid(game, square="ha"[game % 2] + "8", found=False) for game in range(1, 8))]
    scanned = replace(scanned_raids(), motifs=known_motifs(rows, 80))

    told = motif_contents(scanned, [LOW])

    [motif] = [one for one in told["list"] if one["name"].startswith("double attack")]
    assert [example["found"] for example in motif["examples"]] == [True, False, False]


def test_way_that_is_not_whole_gives_no_example() -> None:
    """Where a move is not on record, the game cannot be stepped through."""
    scanned = scanned_raids()
    played = scanned.played[(scanned.played["ply"] != 2) | (scanned.played["game"] != 3)]

    told = motif_contents(replace(scanned, played=played), [LOW])

    assert all("c3" not in example["path"]["san"].split() for example in told["list"][0]["examples"])


def test_motifs_through_a_box() -> None:
    """Of the games through a position, those in which a motif follows; none of too few players."""
    scanned = scanned_raids()

    after_e5, after_d4, deep = boxes(
        scanned, [QUEEN], [key_after("e4 e5"), key_after("d4"), key_after("e4 e5 a3")]
    )

    assert after_e5 == [9, [[0, 8]]]
    assert (after_d4, deep) == (None, None)


def test_only_later_mistakes_of_the_other_side_count() -> None:
    """A position that comes after the mistake does not bring it; nor does it for the side that errs."""
    motifs = known_motifs([*map(raid, range(8))], 10)
    played = played_in([f"{raid_path(game)} g6 Qd1 d6 Qe2" for game in range(8)])
    topics = motifs.topics()

    assert [share.games for _, share in Through(motifs, topics, played).shares_at(key_after("e4"))] == [8]
    white, black = (Through(motifs, topics, played, side) for side in Side)
    assert [share.games for _, share in white.shares_at(key_after("e4"))] == [8]
    assert black.shares_at(key_after("e4")) == []
    later = known_motifs([raid(game, ply=0) for game in range(8)], 10)
    assert Through(later, later.topics(), played).shares_at(key_after("e4")) == []


def test_page_begins_with_motifs(motifs: Opened) -> None:
    """They come before the findings, with their numbers and a bar for each band."""
    expect(motifs.page.locator("main h2")).to_have_text("Motifs")
    expect(motifs.page.locator("nav a").first).to_have_text("Motifs")
    row = motifs.page.locator(".motifs tbody tr")
    expect(row).to_have_count(1)
    expect(row).to_contain_text("8 of 20 games, 8 players")
    expect(motifs.page.locator(".motifs thead")).to_contain_text("Of 100 games, each side's counted")
    expect(row).to_contain_text("13% (1 of 8)")
    assert row.locator(".band-bars rect").count() == 1
    assert motifs.complaints == []


def test_numbers_print_on_one_line(motifs: Opened) -> None:
    """A rate and its bounds are not broken up; what they rest on may be."""
    motifs.page.set_viewport_size({"width": 794, "height": 1000})  # as wide as a sheet
    motifs.page.emulate_media(media="print")

    high = motifs.page.locator(".motifs .interval").evaluate_all(
        "(all) => all.map((one) => one.getClientRects().length)"
    )

    assert high == [1]


def test_motif_on_a_page(motifs: Opened) -> None:
    """Numbers, sign, openings that lead to the map, and examples: what was missed, then the punishment."""
    motifs.page.get_by_role("link", name="Double attack: queen on e5").click()

    main = motifs.page.locator("main")
    expect(main).to_contain_text(
        "In 8 games they had such a chance, and took the first one in 1 of them (13%)."
    )
    expect(main).to_contain_text("of 100 games, each side's counted (")
    expect(main.locator(".facts thead")).to_contain_text("games, each side's")
    expect(main).to_contain_text("erred; White wins a rook and a pawn")
    expect(main).to_contain_text("Make a sheet from it")
    expect(main).to_contain_text(
        "Seen beforehand, in such mistakes of all bands: the queen already bears on e5 (8 of 8)"
    )
    names = main.locator(".stepper").first.locator(".line-name").all_inner_texts()
    assert names == ["What was played: the chance was missed", "What punishes it", "What was better"]
    stepper = main.locator(".stepper").first
    stepper.get_by_role("button", name="Next").click()
    stepper.get_by_role("button", name="Next").click()
    expect(stepper.locator(".caption")).to_contain_text("4.Qd1")
    main.get_by_role("link", name="King's Pawn Game").click()
    expect(motifs.page.locator("main h2")).to_have_text("Opening map")
    expect(motifs.page.locator(".crumbs [aria-current]")).to_have_text("1.e4")


def test_box_of_the_map_tells_its_motifs(motifs: Opened) -> None:
    """And leads to them."""
    motifs.go("view=map")

    expect(motifs.page.locator("#behind")).to_contain_text(
        "Motifs in 10 scanned games through it, each counted once"
    )
    motifs.page.locator("#behind").get_by_role("link", name=QUEEN).click()
    expect(motifs.page.locator("main h2")).to_have_text("Double attack: queen on e5")


def test_band_without_motifs(motifs: Opened) -> None:
    """It is said that there are none; the choice is in the link."""
    motifs.page.get_by_label("Band", exact=True).select_option("1200-1399")

    expect(motifs.page.locator("main")).to_contain_text("No motif that five players rated 1200-1399 fell for")
    assert "band=1200-1399" in motifs.page.url


def test_page_without_a_scan(club: Opened) -> None:
    """It begins with the findings, and has no part for motifs."""
    expect(club.page.locator("main h2")).to_have_text("Findings")
    expect(club.page.locator("#to-motifs")).to_be_hidden()


def test_contents(motifs_page: Path) -> None:
    """A motif stands on the map as its place in the list; findings tell of their positions in words."""
    told = contents_of(motifs_page)

    assert told["map"]["motifs"][0] == [10, [[0, 8]]]
    assert len(told["map"]["motifs"]) == len(told["map"]["san"])
    assert {mistake["motifs"] for mistake in told["mistakes"]} == {""}
