"""Settings: checked when made, TOML in and out, errors that say where."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.errors import UsageError
from miner.settings import (
    FollowSettings,
    GroupSettings,
    JudgeSettings,
    Names,
    RankSettings,
    Rated,
    ReadSettings,
    ScanSettings,
    Settings,
    SteerSettings,
    TallySettings,
    Taught,
    TimeClass,
    load_group,
    load_settings,
    settings_of,
    to_toml,
    with_effort,
)

SHARES = st.floats(0.0, 1.0)
CONFIDENCES = st.floats(0.001, 0.999)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
DATES = st.sampled_from(["", "2024", "2024.09", "2024.09.15"])


def tuples(of: st.SearchStrategy[Any], **limits: Any) -> st.SearchStrategy[Any]:
    return st.lists(of, **limits).map(tuple)


def rising(low: int, **limits: Any) -> st.SearchStrategy[Any]:
    return st.sets(st.integers(low, 10_000_000), **limits).map(lambda numbers: tuple(sorted(numbers)))


READ = st.builds(
    ReadSettings,
    plies=st.integers(1, 255),
    names=st.sampled_from(get_args(Names)),
    since=DATES,
    until=DATES,
    events=tuples(TEXTS, max_size=3),
    time_classes=tuples(st.sampled_from(get_args(TimeClass)), max_size=3),
    results=tuples(st.sampled_from(["1-0", "0-1", "1/2-1/2"]), max_size=2),
    rated=st.sampled_from(get_args(Rated)),
    min_rating=st.integers(0, 1_500),
    max_rating=st.just(0) | st.integers(1_500, 3_500),
)
TALLY = st.builds(
    TallySettings,
    band_edges=rising(1, max_size=12),
    min_games=st.integers(0, 10**9),
    confidence=CONFIDENCES,
    prior=st.text(max_size=20),
    repertoire=st.text(max_size=20),
)
JUDGE = st.builds(
    JudgeSettings,
    min_games=st.integers(0, 10**6),
    min_players=st.integers(0, 10**6),
    nodes_in_all=st.integers(0, 10**12),
    nodes=rising(1, min_size=3, max_size=3),
    keep=st.tuples(SHARES, SHARES),
    loss_threshold=SHARES,
    tempo_threshold=SHARES,
    well_left=SHARES,
    keep_missed=st.floats(0.001, 10.0),
    hash_mb=st.integers(1, 4_096),
)
SCAN = st.builds(
    ScanSettings,
    games=st.integers(0, 10**9),
    nodes=rising(1, min_size=3, max_size=3),
    first_ply=st.integers(0, 255),
    screen=SHARES,
    screen_score=SHARES,
    loss_threshold=SHARES,
    mistake_score=SHARES,
    doubt=SHARES,
    kept=SHARES,
    answers=st.integers(1, 20),
    hash_mb=st.integers(1, 4_096),
)
FOLLOW = st.builds(
    FollowSettings,
    nodes=st.integers(1, 10**9),
    kept=SHARES,
    moves=st.integers(1, 100),
    min_games=st.integers(1, 10**6),
    most_games=st.integers(0, 10**6),
    models=st.integers(0, 10),
    model_nodes=st.integers(1, 10**9),
    lasting_games=st.integers(0, 10**6),
    lasting_nodes=st.integers(1, 10**9),
    season_starts=st.integers(1, 12),
)


def rankings(sides: tuple[str, ...], repertoire: st.SearchStrategy[str]) -> st.SearchStrategy[RankSettings]:
    return st.builds(
        RankSettings,
        side=st.sampled_from(sides),
        bands=tuples(st.sampled_from(["1000-1199", "unrated", "2400+"]), max_size=2),
        loss_threshold=SHARES,
        tempo_threshold=SHARES,
        mistake_score=SHARES,
        sure_by=SHARES,
        hold_share=SHARES,
        soundness=SHARES,
        repertoire=repertoire,
    )


# A repertoire is one side's.
RANK = rankings(get_args(Taught), st.just("")) | rankings(("white", "black"), TEXTS)
STEER = st.builds(
    SteerSettings,
    soundness=SHARES,
    plies=st.integers(1, 60),
    min_reach=st.floats(0.001, 1.0),
    min_games=st.integers(1, 10**6),
    nodes=st.integers(1, 10**9),
    hash_mb=st.integers(1, 4_096),
    losing=SHARES,
    popular=SHARES,
    strong_rating=st.integers(1, 3_000),
    draws=st.integers(20, 1_000),
    confidence=CONFIDENCES,
)
DRAWN: dict[str, st.SearchStrategy[Any]] = {
    "read": READ,
    "tally": TALLY,
    "judge": JUDGE,
    "scan": SCAN,
    "follow": FOLLOW,
    "rank": RANK,
    "steer": STEER,
}


@given(st.builds(Settings, **DRAWN))
def test_toml_there_and_back(tmp_path_factory: pytest.TempPathFactory, settings: Settings) -> None:
    """Any settings, printed and loaded again, are the same settings."""
    file = tmp_path_factory.mktemp("settings") / "miner.toml"

    file.write_text(to_toml(settings), encoding="utf-8")

    assert load_settings(file) == settings


def test_every_setting_is_drawn_above() -> None:
    """The property speaks of all settings: each is among the arguments of its strategy."""
    for table in dataclasses.fields(Settings):
        names = [one.name for one in dataclasses.fields(getattr(Settings(), table.name))]
        assert all(f"{name}=" in repr(DRAWN[table.name]) for name in names), names


@pytest.mark.parametrize(
    "event", ["Schulschach 🏆", 'a "quoted" \\ name', "bell\x07 del\x7f\n", "Jugend-Grand-Prix Süd"]
)
def test_text_is_written_in_ascii(event: str, tmp_path: Path) -> None:
    """Whatever an event is called, the printed TOML is plain ASCII and reads back."""
    settings = Settings(read=ReadSettings(events=(event,)))
    file = tmp_path / "miner.toml"

    text = to_toml(settings)
    file.write_text(text, encoding="utf-8")

    assert text.isascii()
    assert load_settings(file) == settings


def test_what_a_file_leaves_out_keeps_its_default(tmp_path: Path) -> None:
    """A file with one line changes one setting."""
    file = tmp_path / "miner.toml"
    file.write_text("[tally]\nmin_games = 3\n", encoding="utf-8")

    assert load_settings(file) == Settings(tally=TallySettings(min_games=3))


def test_whole_number_serves_as_a_share() -> None:
    """`loss_threshold = 0` is as good as 0.0."""
    settings = settings_of({"judge": {"loss_threshold": 0, "keep": [0, 1]}})

    assert settings.judge.keep == (0.0, 1.0)
    assert isinstance(settings.judge.loss_threshold, float)


def test_advice_names_every_table() -> None:
    """Who wrote a stage as a value is told of all the tables that there are."""
    with pytest.raises(UsageError) as raised:
        settings_of({"read": 3})

    assert all(f"[{stage.name}]" in raised.value.advice for stage in dataclasses.fields(Settings))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[raed]\n", "no table is called raed"),
        ("plies = 3\n", "no table is called plies"),
        ("read = 3\n", "[read] is not a table"),
        ("[read]\nplys = 3\n", "[read]: no setting is called plys"),
        ("[read]\nplies = 'all'\n", "[read], plies: 'all' is no whole number"),
        ("[read]\nplies = 30.0\n", "[read], plies: 30.0 is no whole number"),
        ("[read]\nplies = true\n", "[read], plies: True is no whole number"),
        ("[read]\nplies = 0\n", "[read]: plies 0 is out of range"),
        ("[read]\nnames = 'show'\n", "[read]: names 'show' is unknown"),
        ("[read]\nevents = 'Open'\n", "[read], events: 'Open' is not a list"),
        ("[read]\nevents = [1]\n", "[read], events: 1 is no text"),
        ("[read]\ntime_classes = ['fast']\n", "[read]: time_classes 'fast' is unknown"),
        ("[read]\nresults = ['2-0']\n", "[read]: results '2-0' is unknown"),
        ("[read]\nsince = '15.09.2024'\n", "[read]: since '15.09.2024' is no date"),
        ("[read]\nuntil = '²⁰²⁴'\n", "[read]: until '²⁰²⁴' is no date"),
        ("[read]\nsince = 2024-09-15\n", "[read], since: datetime.date(2024, 9, 15) is no text"),
        ("[read]\nmin_rating = 1500\nmax_rating = 1000\n", "[read]: no rating lies between 1500 and 1000"),
        ("[tally]\nband_edges = [1000, 800]\n", "[tally]: band edges 1000, 800 do not rise"),
        ("[tally]\nmin_games = -1\n", "[tally]: min_games -1 is below 0"),
        ("[tally]\nconfidence = 1.0\n", "[tally]: confidence 1.0 gives no interval"),
        ("[judge]\nnodes = [400, 100]\n", "[judge]: nodes 400, 100 do not rise"),
        ("[judge]\nnodes = [400]\nkeep = []\n", "[judge]: nodes 400 do not rise"),
        ("[judge]\nloss_threshold = 3\n", "[judge]: loss_threshold 3.0 is not a share"),
        ("[judge]\nnodes_in_all = -1\n", "[judge]: nodes_in_all -1 is below 0"),
        ("[judge]\nmin_players = -1\n", "[judge]: min_players -1 is below 0"),
        ("[judge]\nhash_mb = 0\n", "[judge]: hash_mb 0 is below 1"),
        ("[rank]\nside = 'red'\n", "[rank]: side 'red' is unknown"),
        ("[tally]\nconfidence = 0\n", "[tally]: confidence 0.0 gives no interval"),
        ("[rank\n", "settings file"),
    ],
)
def test_error_names_file_table_and_setting(text: str, told: str, tmp_path: Path) -> None:
    """A coach who wrote a wrong line is told which, in which file, and what to write."""
    file = tmp_path / "club settings.toml"
    file.write_text(text, encoding="utf-8")

    with pytest.raises(UsageError) as raised:
        load_settings(file)

    assert told in str(raised.value)
    assert "club settings.toml" in str(raised.value)
    assert raised.value.advice


def test_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing file and one that is no text are wrong use, too."""
    (tmp_path / "latin.toml").write_bytes(b"[read]\nevents = ['M\xfcnchen']\n")

    for name in ("missing.toml", "latin.toml"):
        with pytest.raises(UsageError, match=name):
            load_settings(tmp_path / name)


@pytest.mark.parametrize(
    ("games", "floor"),
    [
        (0, 5),
        (159_999, 5),
        (160_000, 10),
        (639_999, 10),
        (640_000, 20),
        (2_559_999, 20),
        (2_560_000, 40),
        (90_000_000, 160),
    ],
)
def test_floor_grows_with_the_data(games: int, floor: int) -> None:
    """Positions need 5, from 160,000 games on 10 and twice as many for every fourfold, or what is said."""
    assert TallySettings().enough_games(games) == floor
    assert TallySettings(min_games=3).enough_games(games) == 3


@pytest.mark.parametrize(("games", "enough"), [(100, 3), (3_000, 3), (1_500_000, 12), (100_000_000, 100)])
def test_support_grows_with_the_data(games: int, enough: int) -> None:
    """A club's few games need 3, a hundred million 100; a number that is given stands."""
    assert JudgeSettings().enough_games(games) == enough
    assert JudgeSettings(min_games=7).enough_games(games) == 7


def test_effort_scales_both_budgets() -> None:
    """Nodes of judging and games of scanning; what has no limit keeps none, and something is always done."""
    usual = Settings()
    night = with_effort(usual, 5)
    least = with_effort(usual, 1e-12)
    endless = with_effort(Settings(judge=JudgeSettings(nodes_in_all=0), scan=ScanSettings(games=0)), 5)

    assert night.judge.nodes_in_all == 5 * usual.judge.nodes_in_all
    assert night.scan.games == 5 * usual.scan.games
    assert night == dataclasses.replace(usual, judge=night.judge, scan=night.scan)
    assert (least.judge.nodes_in_all, least.scan.games) == (1, 1)
    assert (endless.judge.nodes_in_all, endless.scan.games) == (0, 0)
    for effort in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(UsageError, match="effort"):
            with_effort(usual, effort)


def test_group_of_a_file(tmp_path: Path) -> None:
    """Its settings, a single band as a word; stages' tables beside it are left alone, and leave it alone."""
    file = tmp_path / "miner.toml"
    file.write_text(
        '[group.A]\nband = "1000-1199"\nminutes = 45\n[group."Mon B"]\nband = ["0-799"]\n[scan]\ngames = 5\n',
        encoding="utf-8",
    )

    assert load_group("A", file) == GroupSettings(band=("1000-1199",), minutes=45)
    assert load_group("Mon B", file) == GroupSettings(band=("0-799",))
    assert load_group("") == GroupSettings()
    assert load_settings(file).scan.games == 5


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[scan]\ngames = 5\n", "no group is called A; write a table [group.A] into it"),
        ("[group.B]\n[group.C]\n", "no group is called A; its groups are B, C"),
        (
            "[group.A]\npapre = 'a4'\n",
            "[group.A]: no setting is called papre; the settings are band, language",
        ),
        ("[group.A]\npaper = 'a5'\n", "[group.A]: paper 'a5' is unknown; choose one of a4, letter"),
        ("[group.A]\nminutes = '45'\n", "[group.A], minutes: '45' is no whole number"),
        ("[group.A]\nband = 1000\n", "[group.A], band: 1000 is not a list"),
        ("group = 1\n", "group is not a table"),
        ("[group]\nA = 1\n", "[group.A] is not a table"),
    ],
)
def test_group_that_cannot_be_taken(text: str, told: str, tmp_path: Path) -> None:
    """It is told where, and what may stand there."""
    file = tmp_path / "miner.toml"
    file.write_text(text, encoding="utf-8")

    with pytest.raises(UsageError) as error:
        load_group("A", file)

    assert told in str(error.value)
