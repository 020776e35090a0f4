"""The core as it goes into wheels, compiled for this machine and for others."""

from __future__ import annotations

import importlib.util
import os
import struct
import subprocess
import sys
import zipfile
from pathlib import Path
from types import ModuleType

import pytest

from miner.core.library import LIBRARY, Core
from tests.conftest import ROOT

pytest.importorskip("ziglang", reason="the compiler is not installed: `make` installs it")


def hook() -> ModuleType:
    spec = importlib.util.spec_from_file_location("wheel_hook", ROOT / "tools/wheel_hook.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


HOOK = hook()
TARGETS = [target.tag for target in HOOK.TARGETS]


def machine_of(library: bytes) -> tuple[str, int]:
    """The kind of a library, and its number there for the machine that it runs on."""
    if library.startswith(b"\x7fELF"):
        return "ELF", struct.unpack_from("<H", library, 18)[0]
    if library.startswith(b"\xcf\xfa\xed\xfe"):
        return "Mach-O", struct.unpack_from("<I", library, 4)[0]
    header = struct.unpack_from("<I", library, 0x3C)[0]
    assert library[header : header + 4] == b"PE\0\0"
    return "PE", struct.unpack_from("<H", library, header + 4)[0]


MACHINES = {
    "manylinux_2_17_x86_64": ("ELF", 62),
    "manylinux_2_17_aarch64": ("ELF", 183),
    "musllinux_1_2_x86_64": ("ELF", 62),
    "musllinux_1_2_aarch64": ("ELF", 183),
    "macosx_11_0_x86_64": ("Mach-O", 0x01000007),
    "macosx_11_0_arm64": ("Mach-O", 0x0100000C),
    "win_amd64": ("PE", 0x8664),
    "win_arm64": ("PE", 0xAA64),
}
"""Source: the constants of the three formats (EM_, CPU_TYPE_ and IMAGE_FILE_MACHINE_), from memory."""


def test_this_machine_has_a_target(tmp_path: Path) -> None:
    """What is compiled for it compiles without a warning, and can be loaded."""
    target = HOOK.target_here()

    made = HOOK.compile_core(target, tmp_path)

    assert made.name == LIBRARY
    assert Core(made).perft("rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1", 3) == 8_902


@pytest.mark.slow
@pytest.mark.parametrize("target", TARGETS)
def test_a_wheel_for_each_platform(target: str, tmp_path: Path) -> None:
    """One wheel for all Pythons of a platform, with the library for it and no other."""
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, env=os.environ | {"MINER_TARGET": target}, check=True)

    [wheel] = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        names = [name for name in packed.namelist() if name.endswith((".so", ".dll", ".dylib"))]
        libraries = [packed.read(name) for name in names]
    assert wheel.name.endswith(f"-py3-none-{target}.whl")
    assert len(names) == 1
    assert names[0].startswith("miner/core/built/")
    assert machine_of(libraries[0]) == MACHINES[target]
