"""Compiles the core for the wheel: a hook of hatchling; run by itself, it compiles for the tree alone.

The compiler is Zig's, as PyPI has it, so that no machine needs one of its own. It compiles for all of TARGETS
from any of them; `MINER_TARGET` names another than this machine's. The library knows nothing of Python, so
that one wheel for a platform serves all its Pythons.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

from hatchling.builders.hooks.plugin.interface import BuildHookInterface
from packaging.tags import platform_tags

ROOT = Path(__file__).parent.parent
BUILT = "miner/core/built"  # where `miner.core.library` looks
FLAGS = ("-std=c11", "-O3", "-shared", "-fPIC", "-fvisibility=hidden", "-g0", "-Wall", "-Wextra", "-Werror")


class Target(NamedTuple):
    """A platform: how Zig and how wheels call it, and the file that is made for it."""

    zig: str
    tag: str
    library: str


TARGETS = (
    # No newer system than those for which the wheels of numpy and pyarrow are made.
    Target("x86_64-linux-gnu.2.17", "manylinux_2_17_x86_64", "libcore.so"),
    Target("aarch64-linux-gnu.2.17", "manylinux_2_17_aarch64", "libcore.so"),
    Target("x86_64-linux-musl", "musllinux_1_2_x86_64", "libcore.so"),
    Target("aarch64-linux-musl", "musllinux_1_2_aarch64", "libcore.so"),
    Target("x86_64-macos.11.0", "macosx_11_0_x86_64", "libcore.dylib"),
    Target("aarch64-macos.11.0", "macosx_11_0_arm64", "libcore.dylib"),
    Target("x86_64-windows-gnu", "win_amd64", "core.dll"),
    Target("aarch64-windows-gnu", "win_arm64", "core.dll"),
)


def target_here() -> Target | None:
    """The target that is asked for, or this machine's; None: it is none of them."""
    if asked := os.environ.get("MINER_TARGET"):
        return next(target for target in TARGETS if asked == target.tag)
    tags = set(platform_tags())
    return next((target for target in TARGETS if target.tag in tags), None)


def compile_core(target: Target, folder: Path) -> Path:
    """The library, made in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    made = folder / target.library
    with tempfile.TemporaryDirectory() as made_beside:
        # On Windows the linker leaves other files beside the library.
        library = Path(made_beside) / target.library
        source = ROOT / "miner" / "core" / "core.c"
        command = [sys.executable, "-m", "ziglang", "cc", "-target", target.zig, *FLAGS, "-s"]
        subprocess.run([*command, "-o", str(library), str(source)], check=True)
        # Put in place at once, for those who have it loaded.
        unfinished = made.with_suffix(".unfinished")
        unfinished.write_bytes(library.read_bytes())
        unfinished.replace(made)
    return made


class CoreHook(BuildHookInterface[Any]):
    """Puts the library into the wheel, or into the tree for one that leads there."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """See `BuildHookInterface`."""
        target = target_here()
        if target is None:
            self.app.display_warning("no core is made for this platform: the miner will read slowly")
            return
        build_data["pure_python"] = False
        build_data["tag"] = f"py3-none-{target.tag}"
        if version == "editable":
            compile_core(target, ROOT / BUILT)
            return
        self._folder = tempfile.TemporaryDirectory()
        made = compile_core(target, Path(self._folder.name))
        build_data["force_include"][str(made)] = f"{BUILT}/{target.library}"

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:  # noqa: ARG002
        """See `BuildHookInterface`."""
        if folder := getattr(self, "_folder", None):
            folder.cleanup()


if __name__ == "__main__":
    if sys.argv[1:] == ["targets"]:
        sys.stdout.write("".join(f"{one.tag}\n" for one in TARGETS))
    elif here := target_here():
        compile_core(here, ROOT / BUILT)
    else:
        sys.exit("no core is made for this platform")
