#!/bin/sh
# All benchmarks, one after the other: sh benchmarks/all.sh PYTHON [GAMES.pgn.zst]
# The games are those of MINER_SHARED (or ../shared), else the sample club's; the store is made in a temporary folder.
set -eu
cd "$(dirname "$0")/.."
python="$1"
games="${2:-${MINER_SHARED:-../shared}/data/masters-146k.pgn.zst}"
[ -e "$games" ] || games=data/sample/club.pgn
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT

echo "== read: $games"
"$python" benchmarks/read.py "$games"
"$python" benchmarks/read.py "$games" --memory
"$python" -m miner.cli read "$games" --store "$work/store"
"$python" -m miner.cli tally --store "$work/store"
echo "== tally"
"$python" benchmarks/tally.py "$work/store"
echo "== judge: how busy the engines are"
"$python" benchmarks/judge.py "$work/store"
echo "== judge: staged against exhaustive (a small sample; 300 takes an hour)"
"$python" benchmarks/staged.py "$work/store" --cache "$work/verdicts.sqlite" --sample "${SAMPLE:-20}"
