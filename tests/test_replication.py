"""What held-out games say of findings, on games whose results are known beforehand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchmarks.agreement import Asking
from benchmarks.error_rates import errors, replies_made, slope
from benchmarks.mined import Halves, leave_out_copies, mine
from benchmarks.replication import Compared, compared, joined, replicated, report, sound_replies, summary
from benchmarks.steering import halves
from miner.board.moves import pack
from miner.curve.fit import curves_of
from miner.curve.rows import CurveRows, EngineRows
from miner.settings import JudgeSettings, TallySettings
from miner.terms import BandScheme, expected_score
from tests.conftest import ROOT
from tests.stores import Game, board_after, key_after, pgn_of, read_store, tallied_store

BEFORE = "e4 e5 Bc4 Nc6 Qh5"  # 3...Nf6 loses to 4.Qxf7 mate, 3...g6 and 3...Qe7 do not
BANDS = BandScheme((1500,))
NOTHING = np.zeros(0)
NONE = np.zeros(0, dtype=np.int64)
FORMULA = curves_of(
    CurveRows(NONE, NONE, NOTHING, NOTHING, np.zeros(0, dtype=np.bool_), NOTHING, NOTHING),
    EngineRows(NOTHING, NOTHING),
    BANDS.names,
)


def games(reply: str, results: str, black_rating: int = 1400, white_rating: int = 1400) -> list[Game]:
    """Games with the reply; W, D, L: Black's results."""
    words = {"W": "0-1", "D": "1/2-1/2", "L": "1-0"}
    return [
        Game(
            moves=f"{BEFORE} {reply}",
            result=words[one],
            white_rating=white_rating,
            black_rating=black_rating,
        )
        for one in results
    ]


def split_of(folder: Path, mined: list[Game], held_out: list[Game]) -> Halves:
    """Halves with these games and what a player knows of the replies."""
    board = board_after(BEFORE)
    rows = [
        {
            "key": np.uint64(key_after(BEFORE)),
            "move": pack(board.parse_san(san)),
            "cp_best": 0,
            "cp_reply": cp,
            "loss": 0.5 - expected_score(cp),
            "losing": cp < -70,
            "state": "judged",
        }
        for san, cp in (("g6", 0), ("Qe7", 0), ("Qf6", -40), ("Nf6", -400))
    ]
    judged = pd.DataFrame(rows).astype({"move": np.uint16})
    return Halves(
        tallied_store(folder / "mined", mined, TallySettings(min_games=1, band_edges=BANDS.edges)),
        read_store(folder / "held-out", held_out),
        BANDS,
        FORMULA,
        judged,
    )


def asked(split: Halves, san: str, count: int = 4) -> pd.DataFrame:
    """The reply as it is asked for."""
    row = split.judged[split.judged["move"] == pack(board_after(BEFORE).parse_san(san))]
    told = row[["key", "move", "cp_best", "cp_reply"]].assign(band="0-1499", games=count)
    return told.reset_index(drop=True)


def counts_of(some: Compared) -> list[tuple[float, float]]:
    """For each reply the games with it and with another."""
    n, m = some.counts()
    return list(zip(n.tolist(), m.tolist(), strict=True))


def drawn(
    gain: float, truth: float, *, pairs: int = 40, each: int = 30, seed: int = 5, shared: bool = False
) -> Compared:
    """Replies whose players score `truth` less than the others' half points; predicted: `gain`."""
    random = np.random.default_rng(seed)
    pair, chosen = np.repeat(np.arange(pairs), 2 * each), np.tile(np.repeat([True, False], each), pairs)
    score = (random.uniform(size=len(pair)) < 0.5 - truth * chosen).astype(float)
    told = pd.DataFrame(
        {"pair": pair, "game": np.arange(len(pair)), "chosen": chosen, "score": score, "adjusted": score}
    )
    known = pd.DataFrame({"gain": np.full(pairs, gain), "to_others": gain, "mined": truth})
    if shared:  # the same games again, through as many other replies
        told = pd.concat([told, told.assign(pair=told["pair"] + pairs)], ignore_index=True)
        known = pd.concat([known, known], ignore_index=True)
    return Compared(known, told)


def test_those_who_chose_the_reply_are_held_against_the_others(tmp_path: Path) -> None:
    """Held out: 1 of 4 with 3...Nf6, 3 of 4 with others: half a point less; 400 centipawns predict 0.41."""
    held_out = [*games("Nf6", "WLLL"), *games("g6", "WWW"), *games("Qe7", "L")]
    split = split_of(tmp_path, games("Nf6", "LLLL") + games("g6", "WWWW"), held_out)

    told = compared(split, asked(split, "Nf6"))

    assert counts_of(told) == [(4.0, 4.0)]
    assert told.differences("score").tolist() == [0.5]
    assert told.pairs["mined"].tolist() == [1.0]
    assert told.pairs["gain"][0] == pytest.approx(0.5 - expected_score(-400), abs=0.01)
    assert told.pairs["to_others"][0] == pytest.approx(told.pairs["gain"][0])


def test_other_bands_do_not_count(tmp_path: Path) -> None:
    """The games of stronger players say nothing of the band."""
    held_out = [*games("Nf6", "LL"), *games("g6", "W"), *games("Nf6", "WWW", black_rating=1600)]
    split = split_of(tmp_path, games("Nf6", "L") + games("g6", "W"), held_out)

    told = compared(split, asked(split, "Nf6"))

    assert counts_of(told) == [(2.0, 1.0)]


def test_a_weaker_player_is_expected_to_score_less(tmp_path: Path) -> None:
    """Those who erred faced opponents 400 points stronger, and it is this that the adjustment takes off."""
    held_out = [*games("Nf6", "LLDD", 1000, 1400), *games("g6", "LDDW")]
    split = split_of(tmp_path, games("Nf6", "L") + games("g6", "W"), held_out)

    told = compared(split, asked(split, "Nf6"))

    worth = float(FORMULA.of("0-1499").expected(-400) - FORMULA.of("0-1499").expected(-400, -400.0))
    assert worth > 0.05
    assert told.differences("adjusted")[0] == pytest.approx(told.differences("score")[0] - worth)


def test_the_placebo_is_about_as_frequent_and_sound(tmp_path: Path) -> None:
    """Of 3...g6 (9 games) and 3...Qe7 (3 games) the second is nearer to 3...Nf6 with 4.

    It is held against 3...g6, not against what loses something or was not judged.
    """
    mined = games("Nf6", "LLLL") + games("g6", "WWWWWWWWW") + games("Qe7", "LWD")
    split = split_of(
        tmp_path,
        mined,
        [*games("Nf6", "LL"), *games("g6", "DD"), *games("Qe7", "DD"), *games("Qf6", "L"), *games("d6", "L")],
    )

    sound = sound_replies(split, asked(split, "Nf6"))
    told = compared(split, sound, to_sound=True)

    assert sound["move"].tolist() == [pack(board_after(BEFORE).parse_san("Qe7"))]
    assert counts_of(told) == [(2.0, 2.0)]
    assert told.differences("score").tolist() == [0.0]


def test_a_game_recorded_twice_is_left_out(tmp_path: Path) -> None:
    """Other tags, other line ends, the same 11 moves: it goes; a short game may come twice by chance."""
    long = "Nf3 Nf6 Ng1 Ng8 " * 5 + "11. e4 e5"
    first, second = tmp_path / "first.pgn", tmp_path / "second.pgn"
    first.write_text(pgn_of([Game(moves=long), Game(moves="f3 e5 g4 Qh4")]), encoding="utf-8")
    second.write_text(
        pgn_of([Game(moves=long.replace(" Ng1", "\nNg1"), white="B. Anna"), Game(moves="f3 e5 g4 Qh4")]),
        encoding="utf-8",
    )

    left_out = leave_out_copies(first, second)

    assert left_out == 1
    assert second.read_text(encoding="utf-8").count("Qh4") == 1
    assert "11." not in second.read_text(encoding="utf-8")


def test_the_standard_error_is_what_results_really_scatter_by() -> None:
    """Of 100 samples; and the same games asked twice are no more evidence."""
    weight = np.full(40, 1.0 / 40)
    samples = [drawn(0.2, 0.2, seed=seed) for seed in range(100)]
    twice = drawn(0.2, 0.2, seed=0, shared=True)

    scatter = np.std([one.differences("score").mean() for one in samples])

    assert samples[0].standard_error(weight) == pytest.approx(scatter, rel=0.2)
    assert twice.standard_error(np.full(80, 1.0 / 80)) == pytest.approx(samples[0].standard_error(weight))


def test_a_true_prediction_replicates_and_a_wrong_one_does_not() -> None:
    """0.2 predicted: where it is true the ratio's interval holds 1, where the truth is 0.05 it does not."""
    bounds = []
    for truth in (0.2, 0.05):
        told = summary("", drawn(0.2, truth))
        bounds.append([float(one) for one in told["ratio"].split("(")[1].rstrip(")").split(" to ")])

    [[low, high], [_, wrong_high]] = bounds
    assert low < 1.0 < high
    assert wrong_high < 0.75


def test_the_first_findings_of_all_halves_come_first() -> None:
    """Two ways joined: their pairs take turns, then comes the rest; no game is taken for another."""
    one, other = drawn(0.1, 0.0, pairs=1, each=2), drawn(0.2, 0.0, pairs=3, each=2)

    both = joined([one, other])

    assert both.pairs["gain"].tolist() == [0.1, 0.2, 0.2, 0.2]
    assert counts_of(both) == [(2.0, 2.0)] * 4
    assert both.games["game"].nunique() == 4 + 12
    differences = [*one.differences("score"), *other.differences("score")]
    assert both.differences("score").tolist() == differences


def test_only_replies_with_enough_games_count() -> None:
    """30 games each: with 31 asked for none is left, and the table says so."""
    table = replicated(drawn(0.2, 0.2), drawn(0.0, 0.0), top=10, least=31)

    assert table["findings"].tolist() == [0, 0, 40, 0, 40]


def made(share: dict[tuple[int, int], float], games: dict[tuple[int, int], int]) -> pd.DataFrame:
    """Judged replies by (rating, position): this share of so many is losing."""
    parts = [
        pd.DataFrame(
            {
                "rating": rating,
                "key": key,
                "losing": np.arange(games[rating, key]) < part * games[rating, key],
            }
        )
        for (rating, key), part in share.items()
    ]
    rows = pd.concat(parts, ignore_index=True)
    band = rows["rating"].map(BandScheme((1200, 1400)).name_of)
    return rows.assign(game=np.arange(len(rows)), band=band, loss=0.2 * rows["losing"])


def test_errors_fall_with_rating() -> None:
    """10, 6 and 2 in 100; the straight line has 2371 and 2171 of 3571 - rating."""
    ratings = (1100, 1300, 1500)
    rows = made(
        {(rating, 1): share for rating, share in zip(ratings, (0.10, 0.06, 0.02), strict=True)},
        {(rating, 1): 1000 + (rating == 1300) for rating in ratings},
    )

    table = errors(rows, BandScheme((1200, 1400)), enough=500)
    steepness, error = slope(rows, in_place=False)

    assert table["band"].tolist() == ["0-1199", "1200-1399", "1400+"]
    assert table["losing"].tolist() == pytest.approx([0.10, 0.06, 0.02], abs=0.001)
    assert table["losing_error"][0] == pytest.approx(np.sqrt(0.1 * 0.9 / 1000), rel=0.01)
    assert table["published"].tolist() == pytest.approx([2471 / 2271, 1.0, 2071 / 2271])
    assert steepness == pytest.approx(-0.04, abs=0.001)
    assert 0.0 < error < 0.01


def test_who_meets_harder_positions_does_not_err_more() -> None:
    """All err alike in each position; the strong meet the hard one more often: in place they are equal."""
    share = {(1100, 1): 0.02, (1500, 1): 0.02, (1100, 2): 0.2, (1500, 2): 0.2}
    count = {(1100, 1): 900, (1500, 1): 100, (1100, 2): 100, (1500, 2): 900}

    rows = made(share, count)
    table = errors(rows, BandScheme((1200, 1400)), enough=1000)

    assert table["losing"].tolist() == pytest.approx([0.038, 0.182])
    assert table["in_place"].tolist() == pytest.approx([0.11, 0.11])
    assert table["ratio_in_place"].tolist() == pytest.approx([1.0, 1.0])
    assert slope(rows, in_place=True)[0] == pytest.approx(0.0, abs=1e-9)


def test_small_bands_are_pooled() -> None:
    """Too few below 1200, and at the top: they join their neighbours."""
    ratings = (1100, 1300, 1500)
    rows = made(
        dict.fromkeys([(rating, 1) for rating in ratings], 0.1),
        {(1100, 1): 10, (1300, 1): 100, (1500, 1): 10},
    )

    assert errors(rows, BandScheme((1200, 1400)), enough=100)["band"].tolist() == ["0+"]


def test_judged_replies_are_those_of_the_held_out_games(tmp_path: Path) -> None:
    """What was mined does not count, nor do the unrated."""
    held_out = [*games("Nf6", "L"), *games("g6", "WW"), *games("g6", "W", black_rating=0)]
    split = split_of(tmp_path, games("Nf6", "LLLLL"), held_out)

    rows = replies_made([split])

    assert sorted(rows["losing"]) == [False, False, True]


@pytest.mark.engine
@pytest.mark.slow
@pytest.mark.usefixtures("engine")
def test_the_sample_is_mined_both_ways(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All from a file of games to both tables, on 400 games of the sample club with few nodes."""
    text = (ROOT / "data/sample/club.pgn").read_text(encoding="utf-8")
    some = tmp_path / "some.pgn"
    some.write_text("[Event ".join(text.split("[Event ")[:401]), encoding="utf-8")
    judging = JudgeSettings(nodes=(500, 1000), nodes_in_all=100_000)

    files = halves(some, tmp_path)
    ways = mine(files, tmp_path, TallySettings(), judging, tmp_path / "verdicts.sqlite", both=True)
    report(ways, top=100, least=5, folder=None, asking=Asking(tmp_path / "verdicts.sqlite"))

    seen = [one.held_out.require("read").rows["games"] for one in ways]
    assert sum(seen) == 400
    judged = sum(len(one.judged) for one in ways)
    assert judged > 0
    printed = capsys.readouterr().out
    assert f"{judged:,} replies judged" in printed
    assert "sound, pooled" in printed
