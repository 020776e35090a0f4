"""The pages of a check as HTML: escaped markup, boards, one page for each pupil and one for the group."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from importlib import resources

import chess

from miner.draw import alone
from miner.draw.alone import policy
from miner.pupils.contents import Data

_CHART = 200  # width of an interval's drawing, for shares from 0 to 1


def page_bytes(title: str, body: Markup) -> bytes:
    """A whole page in UTF-8; its content security policy allows its own style by SHA-256 and nothing else."""
    style = _style()
    page = f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy(style)}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="robots" content="noindex">
<title>{html.escape(title)}</title>
<style>{style}</style>
</head>
<body>
{piece_symbols()}
{_hatching()}
{body}
</body>
</html>
"""
    return page.encode("utf-8", "replace")


def _style() -> str:
    """The look of the report, and what these pages have beside it."""
    report = resources.files("miner.report").joinpath("page.css").read_text(encoding="utf-8")
    return report + resources.files("miner.pupils").joinpath("pupils.css").read_text(encoding="utf-8")


def _hatching() -> Markup:
    """The dark squares' pattern in print."""
    lines = single("path", class_="hatch-line", d="M0 9L9 0M-2 2L2 -2M7 11L11 7")
    ground = single("rect", class_="hatch-ground", width="9", height="9")
    pattern = element(
        "pattern", ground, lines, id="hatch", width="9", height="9", patternUnits="userSpaceOnUse"
    )
    return element("svg", pattern, class_="store", width="0", height="0", aria_hidden="true")


def group_page(data: Data) -> bytes:
    """The group: its rates, its pupils, and what cost it most."""
    return _page(
        data,
        _section("Pupils", _pupils(data)),
        _section("What cost most", _findings(data["findings"])) if data["findings"] else None,
        _section("What this rests on", _list(data["notes"], class_="small quiet")),
    )


def pupil_page(data: Data) -> bytes:
    """One pupil: how it went, what to look at next, and the games in which something went wrong."""
    exercises = data["exercises"]
    sheet = (
        _section(f"Next exercises: {data['title']}", _exercises(exercises), class_="sheet"),
        _section(f"Answers: {data['title']}", _answers(exercises), class_="answers"),
    )
    return _page(
        data,
        _section("What went well", _well(data["well"])) if data["well"] else None,
        _section("What went wrong", _wrong(data)) if data["wrong"] else None,
        _list(data["notes"], class_="small quiet reckoned"),
        *(sheet if exercises else ()),
    )


def _page(data: Data, *sections: Markup | None) -> bytes:
    """What both kinds of pages begin with, and the sections that follow."""
    main = element("main", _summary(data["summary"]), _lesson(data["lesson"]), *sections)
    return page_bytes(data["title"], joined(_masthead(data), main))


def _masthead(data: Data) -> Markup:
    return element("header", element("h1", data["title"]), element("p", data["subtitle"]), class_="masthead")


def _section(title: str, *children: Markup | None, class_: str | None = None) -> Markup:
    return element("section", element("h2", title), *children, class_=class_)


def _summary(sentences: Sequence[str]) -> Markup:
    return element("p", " ".join(sentences), class_="lead")


def _list(items: Iterable[str], class_: str | None = None) -> Markup:
    return element("ul", *(element("li", one) for one in items), class_=class_)


def _lesson(lesson: Data | None) -> Markup | None:
    if lesson is None:
        return None
    if not lesson["rows"]:
        return _section(lesson["heading"], element("p", lesson["none"]))
    head = _row("th", ("", "before", "after", "0 to 100%: before above, after below"), scope="col")
    rows: list[Markup] = []
    for one in lesson["rows"]:
        chart = element("td", _chart(one["intervals"]), class_="chart")
        cells = (element("td", one[name]) for name in ("before", "after"))
        rows.append(element("tr", element("th", one["skill"], scope="row"), *cells, chart))
    sentences = [element("p", f"{one['skill']}. {one['sentence']}") for one in lesson["rows"]]
    table = element("table", element("thead", head), element("tbody", *rows), class_="facts progress")
    return _section(lesson["heading"], table, *sentences)


def _row(cell: str, texts: Iterable[str], **attributes: str) -> Markup:
    return element("tr", *(element(cell, text, **attributes) for text in texts))


def _chart(intervals: Sequence[Data]) -> Markup:
    """The intervals before (open dot) and after (filled dot), from 0 to 100%."""
    parts = [single("path", class_="rule", d=f"M0 2V30M{_CHART // 2} 2V30M{_CHART} 2V30")]
    for one, y, kind in zip(intervals, (10, 22), ("before", "after"), strict=True):
        if not one["games"]:
            continue
        low, middle, high = (f"{_CHART * one[name]:.1f}" for name in ("low", "middle", "high"))
        parts.append(single("path", class_="whisker", d=f"M{low} {y}H{high}"))
        parts.append(single("circle", class_=f"dot {kind}", cx=middle, cy=str(y), r="4"))
    told = "; ".join(
        f"{kind} {one['low']:.0%} to {one['high']:.0%}"
        for one, kind in zip(intervals, ("before", "after"), strict=True)
        if one["games"]
    )
    return element("svg", *parts, viewBox=f"-6 0 {_CHART + 12} 32", role="img", aria_label=told)


_PUPIL_COLUMNS = (
    ("games", "Games"),
    ("fell", "Fell in"),
    ("usual", "Usual"),
    ("punished", "Punished"),
    ("lost", "Points lost"),
    ("per_100", "Per 100 games"),
)


def _pupils(data: Data) -> Markup:
    groups, since = data["has_groups"], data["lesson"] is not None
    headings = ["Pupil", *(["Group"] if groups else []), *(name for _, name in _PUPIL_COLUMNS)]
    headings += ["Since the lesson"] if since else []
    head = [
        element("th", name, scope="col", class_="words" if name in _IN_WORDS else None) for name in headings
    ]
    rows = [_pupil(one, groups, since) for one in data["pupils"]]
    table = element(
        "table",
        element("thead", element("tr", *head)),
        element("tbody", *rows),
        class_="pupils",
    )
    return joined(
        table,
        element(
            "p",
            "Fell in: of the times a common mistake was possible. Usual: how often players of the same "
            "rating make it there. Punished: of the opponents' mistakes.",
            class_="small quiet",
        ),
    )


_IN_WORDS = ("Pupil", "Group", "Since the lesson")


def _pupil(one: Data, groups: bool, since: bool) -> Markup:
    link = element("a", one["pupil"], href=f"{one['file']}.html")
    return element(
        "tr",
        element("td", link, class_="words title"),
        element("td", one["group"], class_="words", data_name="Group") if groups else None,
        *(element("td", one[key], data_name=name) for key, name in _PUPIL_COLUMNS),
        element("td", one["since"], class_="words", data_name="Since the lesson") if since else None,
    )


def _findings(findings: Sequence[Data]) -> Markup:
    head = element(
        "tr",
        element("th", "", class_="words"),
        element("th", "Mistake", scope="col", class_="words"),
        *(element("th", name, scope="col") for name in ("Fell in", "Punished", "Points lost")),
    )
    return element(
        "table",
        element("thead", head),
        element("tbody", *(_finding(one) for one in findings)),
        class_="costly",
    )


def _finding(one: Data) -> Markup:
    moves = element("p", one["before"], " ", element("b", one["reply"]), " ", one["after"], class_="moves")
    return element(
        "tr",
        element("td", board_svg(one["fen"], one["bottom"], one["alt"]), class_="picture"),
        element(
            "td",
            element("div", one["opening"], class_="title"),
            moves,
            element("p", one["why"], class_="small"),
            element("p", one["whom"], class_="small quiet"),
            class_="words",
        ),
        element("td", one["fell"], data_name="Fell in"),
        element("td", one["punished"], data_name="Punished"),
        element("td", one["lost"], data_name="Points lost"),
    )


def _well(items: Sequence[Data]) -> Markup:
    told = (
        element("li", element("b", one["reply"]), f" in the {one['opening']}: {one['times']}.")
        for one in items
    )
    return element("ul", *told)


def _exercises(exercises: Sequence[Data]) -> Markup:
    return element("div", *(_exercise(one) for one in exercises), class_="exercises")


def _exercise(one: Data) -> Markup:
    return element(
        "figure",
        element("p", element("b", f"{one['number']}. {one['to_move']}."), " ", one["task"], class_="task"),
        board_svg(one["fen"], one["bottom"], one["alt"]),
        element("figcaption", one["opening"], ". ", one["because"], class_="small quiet"),
    )


def _answers(exercises: Sequence[Data]) -> Markup:
    return element(
        "ol", *(element("li", element("b", one["solution"]), " ", one["why"]) for one in exercises)
    )


def _wrong(data: Data) -> Markup:
    head = _row("th", ("You", "How often", "Points lost", "Newest games"), scope="col")
    rows: list[Markup] = []
    for one in data["wrong"]:
        what = element("td", one["what"], element("span", one["opening"], class_="quiet small"))
        rows.append(element("tr", what, *(element("td", one[name]) for name in ("times", "lost", "games"))))
    table = element("table", element("thead", head), element("tbody", *rows), class_="facts wrong")
    where = "Numbers of games: that of the file, and of the game in it." if data["several_sources"] else ""
    return joined(table, element("p", where, class_="small quiet") if where else None)


class Markup(str):
    """HTML; any other text is escaped where it is put in."""

    __slots__ = ()


def element(name: str, *children: str | None, **attributes: str | bool | None) -> Markup:
    """An element. Of attributes, None and False are left out; an underscore at the end does not count, and
    others stand for hyphens. Children that are None are left out.

    >>> element("p", "a < b", class_="quiet")
    '<p class="quiet">a &lt; b</p>'
    """
    return Markup(f"<{name}{_attributes(attributes)}>{joined(*children)}</{name}>")


def single(name: str, **attributes: str | bool | None) -> Markup:
    """An element without contents, closed as SVG wants it."""
    return Markup(f"<{name}{_attributes(attributes)}/>")


def joined(*parts: str | None) -> Markup:
    """Parts one after the other."""
    return Markup("".join(one if isinstance(one, Markup) else html.escape(one) for one in parts if one))


def _attributes(attributes: dict[str, str | bool | None]) -> str:
    told = []
    for name, value in attributes.items():
        shown = name.rstrip("_").replace("_", "-")
        if value is True:
            told.append(f" {shown}")
        elif value is not None and value is not False:
            told.append(f' {shown}="{html.escape(str(value), quote=True)}"')
    return "".join(told)


SQUARE = 45
_SIDE = 8 * SQUARE


def piece_symbols() -> Markup:
    """Each piece as a symbol that boards refer to; stands once in a page."""
    symbols = Markup(alone.piece_symbols())
    return element("svg", symbols, class_="store", width="0", height="0", aria_hidden="true")


def board_svg(fen: str, bottom: str, label: str) -> Markup:
    """A diagram as books print it, `bottom` (white or black) below; a small square tells the side to move."""
    board = chess.Board(fen)
    is_white = bottom == "white"
    dark = "".join(
        f"M{x} {y}h{SQUARE}v{SQUARE}h-{SQUARE}z"
        for x, y in (_corner(one, True) for one in chess.SquareSet(chess.BB_DARK_SQUARES))
    )
    return element(
        "svg",
        single("rect", class_="light", width=str(_SIDE), height=str(_SIDE)),
        single("path", class_="dark", d=dark),
        single("rect", class_="frame", x="-1", y="-1", width=str(_SIDE + 2), height=str(_SIDE + 2)),
        *(_piece(board, square, is_white) for square in chess.SquareSet(board.occupied)),
        _to_move(board.turn == chess.WHITE, board.turn == is_white),
        _coordinates(is_white),
        class_="diagram",
        viewBox=f"-20 -4 {_SIDE + 46} {_SIDE + 26}",
        role="img",
        aria_label=label,
    )


def _corner(square: chess.Square, is_white: bool) -> tuple[int, int]:
    file, rank = chess.square_file(square), chess.square_rank(square)
    column, row = (file, 7 - rank) if is_white else (7 - file, rank)
    return column * SQUARE, row * SQUARE


def _piece(board: chess.Board, square: chess.Square, is_white: bool) -> Markup:
    piece = board.piece_at(square)
    assert piece is not None, f"the occupied square {chess.square_name(square)} is empty"
    x, y = _corner(square, is_white)
    size = str(SQUARE)
    return single("use", href=f"#piece-{piece.symbol()}", x=str(x), y=str(y), width=size, height=size)


def _to_move(is_white: bool, is_below: bool) -> Markup:
    y = _SIDE - 17 if is_below else 1
    kind = "to-move white" if is_white else "to-move black"
    return single("rect", class_=kind, x=str(_SIDE + 7), y=str(y), width="15", height="15")


def _coordinates(is_white: bool) -> Markup:
    names = []
    for index in range(8):
        place = index if is_white else 7 - index
        middle = index * SQUARE + SQUARE // 2
        names += [
            element("text", chess.FILE_NAMES[place], class_="coordinate", x=str(middle), y=str(_SIDE + 16)),
            element("text", chess.RANK_NAMES[place], class_="coordinate", x="-11", y=str(_SIDE - middle + 4)),
        ]
    return joined(*names)
