#!/bin/sh
# Makes sure that a UCI engine is there: MINER_ENGINE, the path, /usr/games; else the system's package.
set -eu

if [ -n "${MINER_ENGINE:-}" ]; then
    echo "Engine: $MINER_ENGINE (named by MINER_ENGINE)"
    exit 0
fi
for place in "$(command -v stockfish || true)" /usr/games/stockfish /usr/local/bin/stockfish /opt/homebrew/bin/stockfish; do
    if [ -n "$place" ] && [ -x "$place" ]; then
        echo "Engine: $place"
        exit 0
    fi
done

as_root=""
if [ "$(id -u)" -ne 0 ]; then
    if ! command -v sudo >/dev/null; then
        echo "No UCI engine found: have the package stockfish installed, or name an engine in MINER_ENGINE" >&2
        exit 1
    fi
    as_root="sudo"
fi
if command -v apt-get >/dev/null; then
    echo "No UCI engine found: installing the package stockfish with apt-get"
    $as_root apt-get update -qq
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq stockfish >/dev/null
elif command -v dnf >/dev/null; then
    echo "No UCI engine found: installing the package stockfish with dnf"
    $as_root dnf install -y -q stockfish
elif command -v brew >/dev/null; then
    echo "No UCI engine found: installing the package stockfish with brew"
    brew install --quiet stockfish
else
    echo "No UCI engine found, and no package manager that I know: install one and name it in MINER_ENGINE" >&2
    exit 1
fi
