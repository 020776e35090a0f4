"""Executes the notebooks and keeps their outputs, without what changes from run to run.

python notebooks/refresh.py [NAME ...]
"""

from __future__ import annotations

import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbformat import NotebookNode

FOLDER = Path(__file__).resolve().parent
NOTEBOOKS = ("mining_walkthrough.ipynb", "lesson_planning.ipynb")
LONGEST_S = 600  # that one cell may take


def executed(path: Path) -> NotebookNode:
    """The notebook as it comes out of a fresh kernel, cleaned.

    Raises CellExecutionError if a cell fails.
    """
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook,
        timeout=LONGEST_S,
        kernel_name="python3",
        record_timing=False,
        resources={"metadata": {"path": str(FOLDER)}},
    )
    return cleaned(client.execute())


def cleaned(notebook: NotebookNode) -> NotebookNode:
    """The notebook without times, versions and the memory of its kernel; cells are named by their place."""
    notebook.metadata = nbformat.from_dict(
        {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    )
    for place, cell in enumerate(notebook.cells, start=1):
        cell.id = f"cell-{place:02}"
        cell.metadata = nbformat.from_dict({})
    return notebook


def main() -> None:
    """Execute those named, or all."""
    for name in sys.argv[1:] or NOTEBOOKS:
        nbformat.write(executed(FOLDER / name), FOLDER / name)


if __name__ == "__main__":
    main()
