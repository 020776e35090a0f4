#!/bin/sh
# All proofs on held-out games, with a table and a figure each: sh benchmarks/proofs.sh PYTHON [GAMES.pgn.zst...]
# The games are those of MINER_SHARED (or ../shared), else the sample club's. NODES sets the engine's budgets, SCANNED the games of each that are scanned,
# BANDS those whose advice is asked for among the first of them.
# Figures and stores go to out/proofs; verdicts are kept there, so that a second run is quick.
set -eu
cd "$(dirname "$0")/.."
python="$1"
shift
data="${MINER_SHARED:-../shared}/data"
if [ $# -eq 0 ]; then
    set -- data/sample/club.pgn
    if [ -d "$data" ]; then
        set -- "$data/rated-dev.pgn.zst" "$data/masters-146k.pgn.zst"
    else
        BANDS="${BANDS:-800-999,1000-1199}"
    fi
fi
nodes="${NODES:-20000,100000}"
scanned="${SCANNED:-2000}"
out=out/proofs
mkdir -p "$out"

for games in "$@"; do
    name="$(basename "$games" | sed 's/\..*//')"
    echo "== $games"
    for stage in "read $games" tally "judge --nodes $nodes --cache $out/verdicts.sqlite" \
        "scan --games $scanned --cache $out/verdicts.sqlite" "follow --cache $out/verdicts.sqlite"; do
        # shellcheck disable=SC2086 - a stage and its options
        "$python" -m miner.cli $stage --store "$out/$name"
    done
    "$python" benchmarks/proofs.py picks "$out/$name" --figure "$out/$name-picks.png"
    "$python" benchmarks/proofs.py picks "$out/$name" --by player --figure "$out/$name-picks-by-player.png"
    "$python" benchmarks/proofs.py habits "$out/$name" --figure "$out/$name-habits.png"
    "$python" benchmarks/proofs.py small "$out/$name"
    "$python" benchmarks/proofs.py prior "$out/$name"
    "$python" benchmarks/proofs.py curve "$out/$name" --figure "$out/$name-curve.png"
    "$python" -m benchmarks.mistakes "$out/$name"
    "$python" -m benchmarks.punished "$out/$name"
    "$python" -m benchmarks.replication "$games" --both --nodes "$nodes" --cache "$out/verdicts.sqlite" \
        --folder "$out/$name-replication"
done
echo "== worlds"
"$python" -m benchmarks.worlds
echo "== steering"
"$python" benchmarks/steering.py "$1" --bands "${BANDS:-1200-1399,1400-1599,1600-1799}" --cache "$out/verdicts.sqlite" --figure "$out/steering.svg"
echo "The figures are in $out"
