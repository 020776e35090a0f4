"""The notebooks run on the sample, show something, and name no player."""

from __future__ import annotations

import ast
import html
import itertools
import json
import re
from pathlib import Path
from typing import Any

import chess
import pytest

import miner
from miner.store import Store

nbformat = pytest.importorskip("nbformat", reason="needs the extra `notebooks`")
pytest.importorskip("nbclient", reason="needs the extra `notebooks`")
pytest.importorskip("matplotlib", reason="needs the extra `notebooks`")

import matplotlib.pyplot as plt  # noqa: E402 - only where the extra is there
from matplotlib.font_manager import FontProperties  # noqa: E402
from matplotlib.textpath import TextPath  # noqa: E402

from notebooks.drawing import SAMPLE, VARIABLE, Diagram, diagrams, named  # noqa: E402 - only where the extra is there
from notebooks.refresh import FOLDER, NOTEBOOKS, cleaned, executed  # noqa: E402

MOST_BYTES = 1_500_000
SERIF = FontProperties(family="DejaVu Serif")
each_notebook = pytest.mark.parametrize("name", NOTEBOOKS)


def test_every_notebook_is_refreshed() -> None:
    """Those that are kept up to date are those that there are."""
    assert {path.name for path in FOLDER.glob("*.ipynb")} == {*NOTEBOOKS}


@pytest.mark.engine
@each_notebook
def test_notebook_runs(name: str, quick: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No cell fails or warns, there are tables, plots and diagrams, and no player is named."""
    for variable in ("IPYTHONDIR", "JUPYTER_RUNTIME_DIR", "MPLCONFIGDIR"):
        monkeypatch.setenv(variable, str(tmp_path / variable))
    monkeypatch.setenv(VARIABLE, str(quick.root))

    notebook = executed(FOLDER / name)

    kinds = {kind for output in outputs_of(notebook) for kind in output.get("data", ())}
    assert {"text/html", "text/markdown", "image/png", "image/svg+xml"} <= kinds
    assert [output for output in outputs_of(notebook) if output.get("name") == "stderr"] == []
    assert names_in(notebook) == set()


@each_notebook
def test_notebook_is_kept_with_its_outputs(name: str) -> None:
    """A preview shows them: in every cell's order, of every kind, small, and without any player's name."""
    path = FOLDER / name
    notebook = nbformat.read(path, as_version=4)

    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    kinds = {kind for output in outputs_of(notebook) for kind in output.get("data", ())}
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1))
    assert {"text/html", "text/markdown", "image/png", "image/svg+xml"} <= kinds
    assert path.stat().st_size < MOST_BYTES
    assert names_in(notebook) == set()


@each_notebook
def test_what_is_kept_does_not_depend_on_the_day(name: str) -> None:
    """Cleaning a kept notebook changes nothing: it holds no times and no versions."""
    notebook = nbformat.read(FOLDER / name, as_version=4)

    before = json.dumps(notebook, sort_keys=True)

    assert json.dumps(cleaned(notebook), sort_keys=True) == before


@pytest.mark.parametrize("source", [*NOTEBOOKS, "drawing.py"])
def test_only_public_names_are_used(source: str) -> None:
    """What is imported from the miner, and taken from it by a dot, is among the names that are listed."""
    text = (FOLDER / source).read_text(encoding="utf-8")
    if source.endswith(".ipynb"):
        notebook = nbformat.reads(text, as_version=4)
        text = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")

    used = names_of_the_miner(ast.parse(text))

    assert used
    assert sorted(used - set(miner.__all__)) == []


def names_of_the_miner(program: ast.Module) -> set[str]:
    """The names that a program takes from the package; of a module within it the module's own."""
    used: set[str] = set()
    for node in ast.walk(program):
        match node:
            case ast.ImportFrom(module=str(module)) if module.split(".")[0] == "miner":
                used |= {
                    alias.name if module == "miner" else f"{module}.{alias.name}" for alias in node.names
                }
            case ast.Import():
                used |= {one.name for one in node.names if one.name.startswith("miner.")}
            case ast.Attribute(value=ast.Name(id="miner")):
                used.add(node.attr)
            case ast.Attribute(value=ast.Name(id="words")) if node.attr not in miner.words.__all__:
                used.add(f"words.{node.attr}")
    return used


def test_captions_keep_to_their_diagram() -> None:
    """A long one goes on in a second line instead of over its neighbour's, in the widest usual serif."""
    long = "12. 3...exf4 is a mistake. Find the best move instead, if there is any <at> all"

    svg = str(diagrams([Diagram(chess.Board(), chess.WHITE, long)] * 2).data)

    lines = re.findall(r'<text x="(\d+)" y="(\d+)" font-family="serif" font-size="14">([^<]*)<', svg)
    starts = sorted({int(x) for x, _, _ in lines})
    wide = [
        TextPath((0, 0), html.unescape(one), size=14, prop=SERIF).get_extents().width for *_, one in lines
    ]
    assert len(lines) == 6
    assert max(wide) < starts[1] - starts[0]
    assert max(int(y) for _, y, _ in lines) < int(re.findall(r'height="(\d+)"', svg)[0])


def test_names_of_points_cover_nothing() -> None:
    """Beside points that crowd at the edge each name is clear of the other names and of all points."""
    across, up = [0.90, 0.93, 0.96, 0.05], [0.5, 0.25, 0.25, 0.5]
    figure, axes = plt.subplots(figsize=(7.2, 3.4))
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.plot(across, up, "o", markersize=5)

    named(axes, ["4...Qd5", "4...h6", "3...b5", "3...Nd4"], across, up)

    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in axes.texts]
    points = axes.transData.transform(list(zip(across, up, strict=True)))
    assert not [one for one, other in itertools.combinations(boxes, 2) if one.overlaps(other)]
    assert not [box for box in boxes for x, y in points if box.contains(x, y)]
    plt.close(figure)


@pytest.fixture(scope="module")
def quick(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Store:
    """The sample, mined with small budgets from within a notebook."""
    folder = tmp_path_factory.mktemp("notebooks")
    code = f"import pathlib, drawing\ndrawing.quick_store(pathlib.Path({str(folder / 'store')!r}))"
    nbformat.write(nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code)]), folder / "make.ipynb")

    executed(folder / "make.ipynb")

    return Store.open(folder / "store")


def outputs_of(notebook: Any) -> list[Any]:
    """What the cells have shown."""
    return [output for cell in notebook.cells for output in cell.get("outputs", ())]


def names_in(notebook: Any) -> set[str]:
    """First and last names of the sample's players that stand anywhere in the outputs."""
    tags = re.findall(r'(?m)^\[(?:White|Black) "([^"]+)"\]', SAMPLE.read_text(encoding="ascii"))
    names = {part for tag in tags for part in re.findall(r"\w+", tag)}
    assert len(names) > 30
    shown = json.dumps(outputs_of(notebook))
    return names & {*re.findall(r"[A-Z]\w+", shown)}
