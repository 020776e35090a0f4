"""Settings files: they hold values and nothing else, and what is wrong in one is told in a line."""

from __future__ import annotations

import datetime
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from miner.errors import UsageError
from miner.settings import Settings, load_settings, settings_of

ODD = {
    "a table in itself": "[read]\nplies = 3\n[read]\nplies = 4\n",
    "a key that is a table": "[read.plies]\na = 1\n",
    "a table of tables": "[[read]]\nplies = 3\n",
    "dotted keys": "read.plies.a = 1\n",
    "an inline table": "read = {plies = {}}\n",
    "a number beyond reason": f"[read]\nplies = {'9' * 5_000}\n",
    "a date": "[read]\nsince = 2024-01-01T00:00:00Z\n",
    "no number": "[judge]\nloss_threshold = nan\n",
    "no end of a number": "[judge]\ntempo_threshold = inf\n",
    "a share beyond reason": "[judge]\nloss_threshold = 1e400\n",
    "a list of lists": "[judge]\nkeep = [[0.1], [0.2]]\n",
    "lists in lists without end": "[read]\nevents = " + "[" * 100_000 + "\n",
    "lists in lists, closed": "[read]\nevents = " + "[" * 5_000 + "]" * 5_000 + "\n",
    "keys in keys": "[" + "a." * 5_000 + "b]\n",
    "NUL": "[read]\nevents = ['\0']\n",
    "a byte-order mark": "\ufeff[read]\nplies = 3\n",
    "terminal codes": '["\x1b[31mread"]\n',
    "a program": "[read]\nplies = !!python/object/apply:os.system ['touch ran']\n",
    "an expression": "[read]\nplies = __import__('os').system('touch ran')\n",
}


@pytest.mark.parametrize("kind", ODD)
def test_odd_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    """Whatever a settings file holds, it runs nothing, and the message names the file and what to do."""
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "club.toml"
    file.write_text(ODD[kind], encoding="utf-8")

    with pytest.raises(UsageError) as told:
        load_settings(file)

    assert "club.toml" in str(told.value)
    assert told.value.advice
    assert len(str(told.value)) < 1_000
    assert [one.name for one in tmp_path.iterdir()] == ["club.toml"]


@pytest.mark.parametrize(
    "text", ['\'; import os; os.system("touch ran") #', "$(touch ran)", "`touch ran`", "{0.__class__}"]
)
def test_text_stays_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """What would be a command elsewhere is the text of a setting here."""
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "club.toml"
    file.write_text(f"[read]\nevents = ['''{text}''']\n", encoding="utf-8")

    assert load_settings(file).read.events == (text,)
    assert [one.name for one in tmp_path.iterdir()] == ["club.toml"]


@pytest.mark.parametrize("filling", [b"#", b"\n", b"a", b"\0", b"[", b"plies = 3\n"], ids=repr)
def test_large_file(tmp_path: Path, filling: bytes) -> None:
    """A file larger than any settings is told as one, and not read to its end."""
    file = tmp_path / "club.toml"
    with file.open("wb") as written:
        written.write(filling * 1_000)
        written.truncate(100 << 20)

    with pytest.raises(UsageError, match=r"club\.toml: it is too large for settings"):
        load_settings(file)


VALUES: list[Any] = [
    None,
    True,
    -1,
    10**30,
    10**400,
    1.5,
    "x",
    "",
    [],
    [[]],
    {},
    {"a": 1},
    b"x",
    object,
    datetime.date(2024, 1, 1),
]


@pytest.mark.parametrize("stage", list(Settings.__dataclass_fields__))
def test_values_of_wrong_kinds(stage: str) -> None:
    """Each setting of each stage takes values of its kind or tells that it does not."""
    for name in type(getattr(Settings(), stage)).__dataclass_fields__:
        for value in VALUES:
            try:
                found = getattr(getattr(settings_of({stage: {name: value}}), stage), name)
            except UsageError as error:
                assert f"[{stage}]" in str(error)  # noqa: PT017 - most values are wrong, but not for all settings
                continue
            assert found == (tuple(value) if isinstance(value, list) else type(found)(value))


def test_message_on_the_command_line(tmp_path: Path) -> None:
    """A name with terminal codes in a settings file reaches the terminal written out."""
    file = tmp_path / "club.toml"
    file.write_text('["\\u001b[31mread"]\n', encoding="utf-8")
    command = [sys.executable, "-m", "miner.cli", "read", "none.pgn", "--store", str(tmp_path / "s")]

    done = subprocess.run([*command, "--settings", str(file)], capture_output=True, text=True, check=False)

    assert done.returncode == 2
    assert "no table is called \\x1b[31mread" in done.stderr
    assert done.stderr.count("\n") == 1
    assert "\x1b" not in done.stderr
