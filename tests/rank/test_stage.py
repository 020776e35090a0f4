"""The stage on a store of few games, with verdicts that a chess player would give."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import chess
import pyarrow as pa
import pytest

from miner.board.moves import pack
from miner.errors import SourceError, StoreError, UsageError
from miner.judge.stage import to_judge
from miner.rank.stage import _opening, rank
from miner.schema import FINDINGS, JUDGED
from miner.settings import JudgeSettings, RankSettings, TallySettings, as_dict
from miner.store import Manifest, Store
from miner.tally.stage import tally
from miner.terms import expected_score
from tests.stores import (
    Game,
    board_after,
    finish,
    here,
    key_after,
    read_store,
    replies_after,
    tallied_store,
    write_table,
)

MATE = "e4 e5 Bc4 Nc6 Qh5"  # and 3...Nf6 4.Qxf7 is mate
SMOTHERED = "e4 c6 d4 d5 Nc3 dxe4 Nxe4 Nd7 Qe2"  # and 5...Ngf6 6.Nd6 is mate
PLAYERS = ("Anna", "Bert", "Carl", "Dora", "Emil", "Fritz", "Gerd", "Hans", "Ida", "Jan")
GAMES = [
    *[Game(moves=f"{MATE} Nf6 Qxf7", result="1-0", black=name, black_rating=900) for name in PLAYERS[:6]],
    *[Game(moves=f"{MATE} g6 Qf3", result="0-1", black=name, black_rating=900) for name in PLAYERS[:4]],
    *[Game(moves=f"{MATE} Nf6 Qxf7", result="1-0", black=name, black_rating=1300) for name in PLAYERS[:5]],
    *[Game(moves=f"{MATE} Qe7 Nf3", result="1/2-1/2", black=name, black_rating=1300) for name in PLAYERS[:9]],
    *[Game(moves=f"{SMOTHERED} Ngf6", result="1-0", black=name, black_rating=900) for name in PLAYERS[:5]],
    *[Game(moves=f"{SMOTHERED} e6", result="0-1", black=name, black_rating=900) for name in PLAYERS[:5]],
]


def verdict(before: str, reply: str, **other: Any) -> dict[str, Any]:
    """A row of `judged`; what is not given is as for a sound reply."""
    board = board_after(before)
    row: dict[str, Any] = {
        "key": key_after(before),
        "fen": board.fen(en_passant="legal"),
        "move": pack(board.parse_san(reply)),
        "nodes": 1_600_000,
        "best_move": board.parse_san(reply).uci(),
        "cp_best": 0,
        "cp_reply": 0,
        "loss": 0.0,
        "nodes_before": 400_000,
        "loss_before": 0.0,
        "wdl_best": [],
        "wdl_reply": [],
        "pv_best": [board.parse_san(reply).uci()],
        "pv_reply": [board.parse_san(reply).uci()],
        "retreat": "",
        "defences": [],
        "engine": "Engine 1",
        "state": "judged",
        "detail": "",
    }
    row |= other
    row["exp_best"], row["exp_reply"] = (
        0.0 if row[name] < -9_000 else expected_score(row[name]) for name in ("cp_best", "cp_reply")
    )
    return row


INTO_MATE = verdict(
    MATE,
    "Nf6",
    best_move="g7g6",
    cp_best=40,
    cp_reply=-9_999,
    loss=expected_score(40),
    loss_before=0.5,
    pv_best=["g7g6", "h5f3", "g8f6"],
    pv_reply=["g8f6", "h5f7"],
)
INTO_SMOTHERED_MATE = verdict(
    SMOTHERED,
    "Ngf6",
    best_move="d7f6",
    cp_best=-20,
    cp_reply=-9_999,
    loss=expected_score(-20),
    loss_before=0.5,
    pv_best=["d7f6"],
    pv_reply=["g8f6", "e4d6"],
)


def judged_store(folder: Path, verdicts: list[dict[str, Any]], games: list[Game] | None = None) -> Store:
    """A tallied store with these verdicts."""
    store = tallied_store(folder, GAMES if games is None else games, TallySettings(min_games=2))
    record(store, verdicts)
    return store


def record(store: Store, verdicts: list[dict[str, Any]]) -> None:
    settings = JudgeSettings(min_players=3)
    write_table(store, "judged", pa.Table.from_pylist(verdicts, schema=JUDGED))
    finish(
        store,
        Manifest(
            stage="judge",
            settings=as_dict(settings),
            inputs={"tally": store.require("tally").fingerprint, "engine": {"name": "Engine 1"}},
            rows={"judged": len(verdicts)},
            facts={"min_games": 5},
        ),
    )


def findings_of(store: Store, settings: RankSettings | None = None) -> list[dict[str, Any]]:
    rank(store, settings or RankSettings())
    return list(store.read_table("findings").to_pylist())


def by_band(store: Store, settings: RankSettings | None = None) -> dict[str, dict[str, Any]]:
    """The row of each band; there must be one mistake only."""
    rank(store, settings or RankSettings())
    rows = store.read_table("by_band").to_pylist()
    assert len({(row["key"], row["losing_reply"], row["band"]) for row in rows}) == len(rows)
    return {row["band"]: row for row in rows}


def test_finding_tells_what_was_counted_and_judged(tmp_path: Path) -> None:
    """Scholar's mate at 800-999: 6 of 10 blunder into it; every number of the row by hand."""
    store = judged_store(tmp_path, [INTO_MATE, verdict(MATE, "g6")])
    tallied = replies_after(store, MATE)["800-999", "Nf6"]

    found = by_band(store)["800-999"]

    assert found["kind"] == "trap"
    told = {name: found[name] for name in ("losing_reply", "losing_reply_uci", "best_move", "refutation")}
    assert told == {
        "losing_reply": "Nf6",
        "losing_reply_uci": "g8f6",
        "best_move": "g6",
        "refutation": "Qxf7#",
    }
    assert (found["path"], found["ply"]) == (MATE, 5)
    assert (found["side"], found["reason"]) == ("white", "mate")
    assert (found["games_at_position"], found["games_with_reply"], found["players_with_reply"]) == (10, 6, 6)
    assert (found["observed_with_reply"], found["observed_without_reply"]) == (0.0, 1.0)
    assert (found["cp_best"], found["cp_reply"]) == (40, -9_999)
    assert found["pick_rate"] == tallied["pick_rate"]
    worth = 100 * found["steered_reach"] * found["pick_rate"] * found["gain_for_band"]
    assert found["points_per_100"] == found["teaching_value"] == pytest.approx(worth)
    assert 0.0 < found["points_per_100_low"] < worth
    assert found["curve"] == "engine"  # two positions are no curve
    assert (found["find_rate"], found["model_games"], found["trend"]) == (None, [], "")
    assert found["nodes"] == 1_600_000


def test_every_column_is_there(tmp_path: Path) -> None:
    """The table has the columns of the schema, in its order, and no gap where none may be."""
    store = judged_store(tmp_path, [INTO_MATE])
    findings_of(store)

    table = store.read_table("findings")

    assert table.column_names == FINDINGS.names
    for field in FINDINGS:
        assert field.nullable or table[field.name].null_count == 0, field.name


def test_trap_and_pitfall_are_two_sides_of_one_mistake(tmp_path: Path) -> None:
    """Taught White we set the trap, by steered reach; taught Black we fall into it, by plain reach."""
    row = by_band(judged_store(tmp_path, [INTO_MATE]))["1200-1399"]

    assert row["side"] == "white"  # the side that profits
    for value, reach in (("punish_value", "steered_reach"), ("avoid_value", "plain_reach")):
        assert row[value] == pytest.approx(100 * row[reach] * row["pick_rate"] * row["gain_for_band"])
    assert row["kind"] == "trap"  # steering makes it the more frequent
    assert row["teaching_value"] == row["points_per_100"] == row["punish_value"]


@pytest.mark.parametrize(
    ("side", "values"),
    [("white", {"punish_value"}), ("black", {"avoid_value"}), ("both", {"punish_value", "avoid_value"})],
)
def test_side_that_is_taught(side: Any, values: set[str], tmp_path: Path) -> None:
    """Black's mistake is a trap for those who are taught White and a pitfall for those taught Black."""
    rows = findings_of(judged_store(tmp_path, [INTO_MATE, INTO_SMOTHERED_MATE]), RankSettings(side=side))

    assert len(rows) == 2
    for row in rows:
        assert {name for name in ("punish_value", "avoid_value") if row[name] is not None} == values
        assert {"trap": "punish_value", "pitfall": "avoid_value"}[row["kind"]] in values


def test_whites_mistake_is_blacks_trap(tmp_path: Path) -> None:
    """After 1.f3 e5 2.g4 it is Black who profits, and who is taught the trap."""
    games = [Game(moves="f3 e5 g4 Qh4", result="0-1", white=name, white_rating=700) for name in PLAYERS]
    mate = verdict(
        "f3 e5",
        "g4",
        best_move="e2e4",
        cp_best=-60,
        cp_reply=-9_999,
        loss=expected_score(-60),
        loss_before=0.4,
        pv_best=["e2e4"],
        pv_reply=["g2g4", "d8h4"],
    )
    store = judged_store(tmp_path, [mate], games)

    rows = findings_of(store, RankSettings(side="black"))

    assert [(row["kind"], row["side"], row["losing_reply"]) for row in rows] == [("trap", "black", "g4")]
    assert rows[0]["observed_without_reply"] is None  # everybody played it


def test_only_the_bands_asked_for(tmp_path: Path) -> None:
    """Other bands' findings are left out."""
    rows = findings_of(judged_store(tmp_path, [INTO_MATE]), RankSettings(bands=("1200-1399",)))

    assert {row["band"] for row in rows} == {"1200-1399"}


def test_unknown_band_is_wrong_use(tmp_path: Path) -> None:
    """The bands are those of the store's tally, whatever the defaults are."""
    store = read_store(tmp_path, GAMES)
    tally(store, TallySettings(min_games=2, band_edges=(1000,)))
    record(store, [INTO_MATE])

    assert {row["band"] for row in findings_of(store, RankSettings(bands=("0-999",)))} == {"0-999"}
    with pytest.raises(UsageError, match="no band is called 800-999") as raised:
        rank(store, RankSettings(bands=("800-999",)))
    assert "0-999, 1000+, unrated" in raised.value.advice


def test_bands_together_are_one_entry(tmp_path: Path) -> None:
    """Each mistake once, for all bands: games are added up, the pick rate is a little below their share."""
    store = judged_store(tmp_path, [INTO_MATE])

    [found] = findings_of(store)

    bands = by_band(store)
    assert set(bands) == {"800-999", "1200-1399"}
    assert found["band"] == "all"
    for counted in ("games_with_reply", "games_at_position", "players_with_reply"):
        assert found[counted] == sum(row[counted] for row in bands.values())
    share = found["games_with_reply"] / found["games_at_position"]
    assert 0.85 * share < found["pick_rate"] < share  # it was seen in what it is told of
    assert found["pick_rate_low"] < found["pick_rate"] < found["pick_rate_high"]
    gains = [row["gain_for_band"] for row in bands.values()]
    assert min(gains) <= found["gain_for_band"] <= max(gains)


def test_games_in_all_are_those_of_bands_that_never_met_it_too(tmp_path: Path) -> None:
    """Ten more games of stronger players, who open otherwise, are games of the list's bands all the same."""
    elsewhere = [
        Game(moves="d4 d5 c4", black=f"Strong {number}", white="Ours", white_rating=1900, black_rating=1900)
        for number in range(10)
    ]
    store = judged_store(tmp_path, [INTO_MATE], [*GAMES, *elsewhere])

    [found] = findings_of(store)

    assert found["games_in_all"] == len(GAMES) + 10
    assert found["plain_reach"] == pytest.approx(found["games_at_position"] / found["games_in_all"])


def test_a_few_persons_are_no_band(tmp_path: Path) -> None:
    """Four players of 2000 at the position say nothing of their band; of all together they count."""
    few = [Game(moves=f"{MATE} Nf6 Qxf7", black=name, black_rating=2000) for name in PLAYERS[:4]]
    store, without = (
        judged_store(tmp_path / name, [INTO_MATE], games)
        for name, games in (("with", [*GAMES, *few]), ("without", GAMES))
    )

    assert set(by_band(store)) == {"800-999", "1200-1399"}
    assert findings_of(store)[0]["games_with_reply"] == findings_of(without)[0]["games_with_reply"] + 4


def test_bands_far_away_lend_no_support(tmp_path: Path) -> None:
    """Of a band with none of these games nothing is told; with those beside it, there is enough."""
    store = judged_store(tmp_path, [INTO_MATE])

    assert findings_of(store, RankSettings(bands=("2000-2199",))) == []
    [found] = findings_of(store, RankSettings(bands=("800-999", "1000-1199", "1200-1399")))
    assert found["band"] == "800-1399"


def test_order_is_by_the_lower_bound_and_always_the_same(tmp_path: Path) -> None:
    """The surest gain comes first; the order of verdicts does not matter."""
    one = findings_of(judged_store(tmp_path / "one", [INTO_MATE, INTO_SMOTHERED_MATE]))
    other = findings_of(judged_store(tmp_path / "other", [INTO_SMOTHERED_MATE, INTO_MATE]))

    lows = [row["teaching_value_low"] for row in one]
    assert one == other
    assert len(one) == 2
    assert lows == sorted(lows, reverse=True)


def test_sound_replies_are_no_findings(tmp_path: Path) -> None:
    """Without a losing reply the list is empty, with its columns."""
    store = judged_store(tmp_path, [verdict(MATE, "g6")])

    assert findings_of(store) == []
    assert store.read_table("findings").column_names == FINDINGS.names


def test_nothing_judged_gives_an_empty_list(tmp_path: Path) -> None:
    """A store without kept games is ranked like any other."""
    store = judged_store(tmp_path, [], [Game(moves="e4 e5", result="*")])

    assert findings_of(store) == []


def test_nothing_changed_does_nothing(tmp_path: Path) -> None:
    """The same settings and verdicts leave the file alone; another side makes it new."""
    store = judged_store(tmp_path, [INTO_MATE])
    rank(store, RankSettings())
    before = here(store.path("findings")).stat().st_ino

    rank(store, RankSettings())
    same = here(store.path("findings")).stat().st_ino
    rank(store, RankSettings(side="white"))

    assert before == same
    assert here(store.path("findings")).stat().st_ino != before


def test_verdicts_of_an_earlier_tally_are_refused(tmp_path: Path) -> None:
    """Old verdicts and new counts do not go together."""
    store = judged_store(tmp_path, [INTO_MATE])
    tally(store, TallySettings(min_games=2, band_edges=(1000,)))

    with pytest.raises(StoreError, match="`tally` was run again since `judge`") as raised:
        rank(store, RankSettings())

    assert "miner judge" in raised.value.advice


def test_other_verdicts_of_equal_number_are_ranked_again(tmp_path: Path) -> None:
    """What a table holds decides, not how many rows it has."""
    store = judged_store(tmp_path, [INTO_MATE])
    assert rank(store, RankSettings()).rows["findings"] > 0
    judged = store.require("judge")
    rows = store.read_table("judged").to_pylist()
    changed = [row | {"state": "inconclusive", "detail": "the engine died"} for row in rows]
    write_table(store, "judged", pa.Table.from_pylist(changed, schema=JUDGED))
    finish(store, judged)

    assert rank(store, RankSettings()).rows["findings"] == 0


def test_smaller_losses_than_were_judged_are_refused(tmp_path: Path) -> None:
    """The screen has thrown away what loses little, so the list would hold an arbitrary part of it."""
    store = judged_store(tmp_path, [INTO_MATE])

    with pytest.raises(UsageError, match=r"loss_threshold 0\.03 is below the 0\.1"):
        rank(store, RankSettings(loss_threshold=0.03))


def test_unjudged_store_is_an_error(tmp_path: Path) -> None:
    """There must be verdicts first."""
    with pytest.raises(StoreError, match="`judge` has not been run"):
        rank(tallied_store(tmp_path, GAMES), RankSettings())


def test_verdicts_here_are_sound_chess(tmp_path: Path) -> None:
    """The mates of this file are mates, and the replies are candidates of the judge's own choice."""
    store = judged_store(tmp_path, [])

    positions, _ = to_judge(store, JudgeSettings(min_games=5))

    assert board_after(f"{MATE} Nf6 Qxf7").is_checkmate()
    assert board_after(f"{SMOTHERED} Ngf6 Nd6").is_checkmate()
    wanted = {
        (key_after(MATE), pack(chess.Move.from_uci("g8f6"))),
        (key_after(SMOTHERED), pack(chess.Move.from_uci("g8f6"))),
    }
    assert wanted <= {(each.key, candidate.packed) for each in positions for candidate in each.candidates}


def test_trap_that_costs_too_much_is_not_steered_to(tmp_path: Path) -> None:
    """A trap that leaves us a pawn down if they find the answer counts as often as it comes up by itself."""
    fair, gamble = (
        _trap_at(tmp_path / str(cp), INTO_MATE | {"cp_best": cp, "exp_best": expected_score(cp)})
        for cp in (20, 150)
    )

    assert fair["steered_reach"] > fair["plain_reach"]
    assert gamble["steered_reach"] == gamble["plain_reach"] == fair["plain_reach"]


def _trap_at(folder: Path, verdict: dict[str, Any]) -> dict[str, Any]:
    # White could steer towards it in games that now begin otherwise.
    others = [Game(moves="d4 d5", black=name, black_rating=900) for name in PLAYERS[:9]]
    return by_band(judged_store(folder, [verdict], [*GAMES, *others]), RankSettings(side="white"))["800-999"]


def test_repertoire_leaves_what_arises_in_it(tmp_path: Path) -> None:
    """Who plays 2.Bc4 and 3.Qh5 can meet the early mate; who plays the Caro-Kann's main line cannot."""
    file = tmp_path / "white.pgn"
    found = {}
    for name, moves in (("bishop", "1. e4 e5 2. Bc4 Nc6 3. Qh5 *"), ("knight", "1. e4 c6 2. d4 d5 3. Nc3 *")):
        file.write_text(moves)
        store = judged_store(tmp_path / name, [INTO_MATE])
        rows = findings_of(store, RankSettings(side="white", repertoire=str(file)))
        found[name] = {(row["band"], row["losing_reply"]) for row in rows}

    assert found == {"bishop": {("all", "Nf6")}, "knight": set()}


def test_changed_repertoire_is_ranked_again(tmp_path: Path) -> None:
    """The file's content counts, not its name; one that is not there is told of."""
    file = tmp_path / "white.pgn"
    file.write_text("1. e4 e5 2. Bc4 Nc6 3. Qh5 *")
    store, settings = (
        judged_store(tmp_path / "store", [INTO_MATE]),
        RankSettings(side="white", repertoire=str(file)),
    )
    first = rank(store, settings)

    assert rank(store, settings) == first
    file.write_text("1. e4 c6 2. d4 *")
    assert rank(store, settings).rows["findings"] == 0
    file.unlink()
    with pytest.raises(SourceError, match="repertoire"):
        rank(store, settings)


def test_broken_repertoire_leaves_the_findings_there(tmp_path: Path) -> None:
    """What was ranked before is not lost to a file that cannot be understood."""
    file = tmp_path / "white.pgn"
    file.write_text("1. e4 e5 2. Ke3 *")
    store = judged_store(tmp_path / "store", [INTO_MATE])
    before = findings_of(store)

    with pytest.raises(SourceError):
        rank(store, RankSettings(side="white", repertoire=str(file)))

    assert store.manifest("rank") is not None
    assert store.read_table("findings").to_pylist() == before


@pytest.mark.parametrize(
    ("path", "opening"),
    [
        ("e4 e5 Nf3 d6", ("C41", "Philidor Defence")),
        ("e4 e5", ("C20", "Open Game")),
        ("", ("", "")),
        ("Nh3 a5 Ng1", ("A00", "Amar Opening")),
        ("Nh3 a5 Ng1 a4", ("C44", "Scotch Game")),
    ],
)
def test_code_and_name_come_from_the_table(path: str, opening: tuple[str, str]) -> None:
    """Both of the same row, whatever most games through the position have in their tags.

    But where it knows no more than the first move of four, these tell more.
    """
    assert _opening(path, "C44", "Scotch Game") == opening


def misplay(cp_best: int, cp_reply: int, **other: Any) -> dict[str, Any]:
    """A verdict on 3...Qe7, after which nothing in particular happens."""
    loss = expected_score(cp_best) - expected_score(cp_reply)
    lines = {"best_move": "g7g6", "pv_best": ["g7g6", "h5f3"], "pv_reply": ["d8e7", "g1f3"]}
    given = lines | {"cp_best": cp_best, "cp_reply": cp_reply, "loss": loss, "loss_before": loss} | other
    return verdict(MATE, "Qe7", **given)


@pytest.mark.parametrize(
    ("cp_best", "cp_reply", "table", "detail"),
    [
        (40, -75, "findings", "shuts in its own bishop on f8"),
        (100, -50, "missed", "lets the advantage go"),
        (50, -50, "missed", "gives away more than it had to"),
        (200, 90, "missed", "lets the advantage go"),
    ],
)
def test_a_mistake_leaves_its_player_worse(
    tmp_path: Path, cp_best: int, cp_reply: int, table: str, detail: str
) -> None:
    """Above an expected score of 0.42 (about -0.56 pawns) it is a missed chance, in a table of its own."""
    store = judged_store(tmp_path, [misplay(cp_best, cp_reply)])

    rank(store, RankSettings())

    rows = {name: store.read_table(name).to_pylist() for name in ("findings", "missed")}
    assert {row["losing_reply"] for row in rows.pop(table)} == {"Qe7"}
    assert list(rows.values()) == [[]]
    assert {row["reason_detail"] for row in store.read_table(table).to_pylist()} == {detail}
    facts = store.require("rank").facts
    assert (facts["mistakes"], facts["missed_chances"]) == ((1, 0) if table == "findings" else (0, 1))


@pytest.mark.parametrize(
    ("defences", "detail"),
    [([], "the queen goes back from e7 to d8"), (["d8e7 g1f3 g7g6"], "shuts in its own bishop on f8")],
)
def test_reason_holds_with_every_defence(tmp_path: Path, defences: list[str], detail: str) -> None:
    """A queen that goes home in the line, but need not with another defence as good, has not lost a move."""
    way_home = ["d8e7", "g1f3", "e7d8"]
    store = judged_store(tmp_path, [misplay(40, -75, pv_reply=way_home, defences=defences)])

    rank(store, RankSettings())

    assert {row["reason_detail"] for row in store.read_table("findings").to_pylist()} == {detail}


def test_advice_is_told_of_mistakes_only(tmp_path: Path) -> None:
    """3...h6 stops no mate and goes against all advice; as a missed chance it would have words of its own."""
    lines = {"pv_reply": ["h7h6", "g1f3"], "pv_best": ["g7g6", "h5f3"], "best_move": "g7g6"}
    told = {}
    for name, cp_best, cp_reply in (("findings", 40, -75), ("missed", 100, -50)):
        loss = expected_score(cp_best) - expected_score(cp_reply)
        numbers = {"cp_best": cp_best, "cp_reply": cp_reply, "loss": loss, "loss_before": loss}
        games = [Game(moves=f"{MATE} h6 Nf3", black=player, black_rating=900) for player in PLAYERS]
        store = judged_store(tmp_path / name, [verdict(MATE, "h6", **lines, **numbers)], games)
        rank(store, RankSettings())
        told[name] = {row["reason_detail"] for row in store.read_table(name).to_pylist()}

    assert told == {
        "findings": {"moves a pawn on the edge while most of the pieces are at home"},
        "missed": {"lets the advantage go"},
    }


def test_between_mistake_and_missed_chance_nothing_is_told(tmp_path: Path) -> None:
    """At 0.417 a longer search may find that it leaves its player worse, or no worse."""
    store = judged_store(tmp_path, [misplay(60, -58)])

    rank(store, RankSettings())

    facts = store.require("rank").facts
    assert (facts["mistakes"], facts["missed_chances"]) == (0, 0)


def test_what_is_worse_is_a_setting(tmp_path: Path) -> None:
    """A coach of strong players may call a lost advantage a mistake."""
    store = judged_store(tmp_path, [misplay(100, -50)])

    rank(store, RankSettings(mistake_score=0.5))

    assert store.read_table("missed").num_rows == 0
    assert {row["losing_reply"] for row in store.read_table("findings").to_pylist()} == {"Qe7"}


def test_what_the_board_shows_is_a_mistake_all_the_same(tmp_path: Path) -> None:
    """A verified retreat loses its tempo whatever the number says; a pawn alone may be a gambit's price."""
    home = ["d8e7", "g1f3", "e7d8"]
    retreat = {"pv_reply": home, "retreat": "e7d8", "retreat_loss": 0.2}
    store = judged_store(tmp_path, [misplay(70, -45, **retreat)])

    rank(store, RankSettings())

    assert {row["reason"] for row in store.read_table("findings").to_pylist()} == {"tempo"}


def test_a_small_club_before_a_large_database(tmp_path: Path) -> None:
    """Two games of a club give no finding; before the database they give the one that matters to it.

    How often the position comes up is the club's, what is chosen there is told by all games; each count says
    how many of them are the club's own. Nothing is told of what the club does not play.
    """
    large = judged_store(tmp_path / "large", [INTO_MATE, INTO_SMOTHERED_MATE])
    names = [Game(moves=f"{MATE} g6 Qf3", black=name, white="Ours", black_rating=900) for name in PLAYERS[:2]]
    others = [Game(moves="e4 e5 Nf3", black=name, white="Ours", black_rating=900) for name in PLAYERS * 60]
    club = read_store(tmp_path / "club", [*names, *others])
    record_for = {"alone": TallySettings(), "before": TallySettings(prior=str(large.root))}
    found = {}
    for name, settings in record_for.items():
        tally(club, settings)
        record(club, [INTO_MATE])
        found[name] = findings_of(club)

    assert found["alone"] == []
    [told] = found["before"]
    assert told["losing_reply"] == "Nf6"
    assert (told["games_at_position"], told["games_at_position_elsewhere"]) == (12, 10)
    assert (told["games_with_reply"], told["games_with_reply_elsewhere"]) == (6, 6)
    assert told["games_in_all"] == 602
    assert told["plain_reach"] < 0.05  # of the database's games five of six came there
    assert 0.4 < told["pick_rate"] < 0.6  # six of ten elsewhere, none of two here
    assert 0.0 < told["teaching_value_low"] < told["teaching_value"]
    assert key_after(SMOTHERED) not in club.read_table("positions")["key"].to_pylist()
