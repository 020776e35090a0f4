"""Runs of benchmarks in benchmarks/record.py: what is kept, and what counts as worse."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchmarks import record
from benchmarks.record import Figure


def run_of(file: Path, date: str = "2026-01-01", **figures: Figure) -> Path:
    """A run of one benchmark, made on a date."""
    record.save(file, "read", figures)
    run = json.loads(file.read_text())
    run["machine"]["date"] = date
    file.write_text(json.dumps(run))
    return file


@pytest.mark.parametrize(
    ("better", "before", "now", "is_worse"),
    [
        ("lower", 10.0, 11.5, True),
        ("lower", 10.0, 10.5, False),
        ("lower", 10.0, 5.0, False),
        ("higher", 10.0, 8.5, True),
        ("higher", 10.0, 9.5, False),
        ("higher", 10.0, 20.0, False),
        ("neither", 10.0, 99.0, False),
        ("lower", 0.0, 0.0, False),
        ("lower", 0.0, 1.0, True),
    ],
)
def test_worse_is_the_wrong_way_by_more_than_noise(
    tmp_path: Path, better: record.Better, before: float, now: float, is_worse: bool
) -> None:
    """A second more is worse, a game per second more is not, and what only tells is neither."""
    earlier = run_of(tmp_path / "earlier.json", speed=Figure(before, "s", better))
    later = run_of(tmp_path / "later.json", speed=Figure(now, "s", better))

    worse = record.compare(earlier, later, noise=0.1)

    assert worse == is_worse


def test_benchmarks_of_one_run_share_a_file(tmp_path: Path) -> None:
    """Each adds its figures beside those of the others; the machine is told once."""
    file = tmp_path / "run.json"

    record.save(file, "read", {"games": Figure(9_631, "")})
    record.save(file, "tally", {"wall": Figure(1.5, "s", "lower")})

    run = json.loads(file.read_text())
    assert list(run["figures"]) == ["read", "tally"]
    assert run["figures"]["tally"]["wall"] == {"value": 1.5, "unit": "s", "better": "lower"}
    assert {"cpu", "cores", "memory_gib", "system", "python", "libraries", "commit", "date"} <= set(
        run["machine"]
    )


def test_a_folder_stands_for_a_new_file_in_it(tmp_path: Path) -> None:
    """So that `--json benchmarks/results` overwrites nothing."""
    file = record.save(tmp_path, "read", {"games": Figure(9_631, "")})

    assert [file] == list(tmp_path.glob("*.json"))


def test_a_run_is_held_against_the_one_before_it(tmp_path: Path) -> None:
    """By the dates in the files, whatever they are called; a later one is not before."""
    now = run_of(tmp_path / "b.json", "2026-03-01", speed=Figure(1.0, "s", "lower"))
    run_of(tmp_path / "c.json", "2026-01-01", speed=Figure(1.0, "s", "lower"))
    just_before = run_of(tmp_path / "a.json", "2026-02-01", speed=Figure(1.0, "s", "lower"))
    run_of(tmp_path / "d.json", "2026-04-01", speed=Figure(1.0, "s", "lower"))

    assert record.before(now) == just_before


def test_a_file_that_holds_no_run_is_named(tmp_path: Path) -> None:
    """Neither a traceback nor a comparison with nothing."""
    broken = tmp_path / "broken.json"
    broken.write_text("[]")

    with pytest.raises(SystemExit, match=r"broken\.json holds no run"):
        record.compare(broken, broken, noise=0.1)


def test_a_figure_that_only_one_run_has_is_left_out(tmp_path: Path) -> None:
    """Benchmarks come and go; what both runs have is compared."""
    earlier = run_of(tmp_path / "earlier.json", old=Figure(1.0, "s", "lower"), both=Figure(1.0, "s", "lower"))
    later = run_of(tmp_path / "later.json", new=Figure(1.0, "s", "lower"), both=Figure(2.0, "s", "lower"))

    found = record.changes(*(json.loads(file.read_text()) for file in (earlier, later)))

    assert [(one.name, one.ratio) for one in found] == [("read: both", 2.0)]
