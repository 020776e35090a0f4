#!/bin/sh
# Makes docs/show.png, a real picture of a real terminal, from the store that `make demo` leaves in out/store.
# Needs xvfb, xterm, imagemagick and the DejaVu fonts (Debian's packages of these names).
set -eu
cd "$(dirname "$0")/.."

screen() { # file, columns, lines, command
    xvfb-run -a -s "-screen 0 1600x1400x24" sh -c "
        xterm -T miner -fa 'DejaVu Sans Mono' -fs 11 -bg white -fg black -geometry $2x$3+0+0 -b 12 +sb \
            -e sh -c '$4; printf \"\\033[?25l\"; touch $1.ready; sleep 60' &
        until [ -e $1.ready ]; do sleep 0.2; done
        sleep 1
        import -window \"\$(xwininfo -root -tree | sed -n 's/^ *\\(0x[0-9a-f]*\\) \"miner\".*/\\1/p' | head -1)\" $1
        kill %1 2>/dev/null || true"
    rm -f "$1.ready"
}

export TERM=xterm-256color LC_ALL=C.UTF-8
screen docs/show.png 100 54 "${MINER:-.venv/bin/miner} show 1 --store ${STORE:-out/store}; echo; ${MINER:-.venv/bin/miner} show --top 7 --store ${STORE:-out/store}"
