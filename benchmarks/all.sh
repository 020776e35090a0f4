#!/bin/sh
# All benchmarks, one after the other: sh benchmarks/all.sh PYTHON [GAMES.pgn.zst]
# The games are those of MINER_SHARED (or ../shared), else the sample club's; the store is made in a temporary folder.
# The figures of a run are kept in benchmarks/results and held against the run before; RESULT names another file.
# SIZES are the games of the growth benchmark (else up to 1500000, which takes minutes), SAMPLE the candidates of the last.
set -eu
cd "$(dirname "$0")/.."
python="$1"
games="${2:-${MINER_SHARED:-../shared}/data/masters-146k.pgn.zst}"
[ -e "$games" ] || games=data/sample/club.pgn
result="${RESULT:-benchmarks/results/$(date -u +%Y%m%d-%H%M%S).json}"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT

echo "== start-up"
"$python" benchmarks/startup.py --json "$result"
echo "== read: $games"
"$python" benchmarks/read.py "$games" --json "$result"
"$python" benchmarks/read.py "$games" --memory --json "$result"
"$python" -m miner.cli read "$games" --store "$work/store"
"$python" -m miner.cli tally --store "$work/store"
echo "== tally"
"$python" benchmarks/tally.py "$work/store" --json "$result"
echo "== judge: how busy the engines are"
"$python" benchmarks/judge.py "$work/store" --json "$result"
echo "== growth"
# shellcheck disable=SC2086 - a list of sizes
"$python" benchmarks/growth.py ${SIZES:+--games $SIZES} --json "$result"
echo "== judge: staged against exhaustive (a small sample; 300 takes an hour)"
"$python" benchmarks/staged.py "$work/store" --cache "$work/verdicts.sqlite" --sample "${SAMPLE:-20}"
echo "== against the run before"
"$python" benchmarks/record.py "$result" || echo "Some figures are worse: see above"
