#!/bin/sh
# Makes the pictures of the README from what `make demo` leaves in out/: a real terminal, a real browser, real PDF.
# Needs xvfb, xterm, imagemagick, poppler-utils, chromium and the DejaVu fonts (Debian's packages of these names).
set -eu
cd "$(dirname "$0")/.."
OUT="${OUT:-out}"
MINER="${MINER:-.venv/bin/miner}"

screen() { # file, columns, lines, command
    xvfb-run -a -s "-screen 0 1600x1800x24" sh -c "
        xterm -T miner -fa 'DejaVu Sans Mono' -fs 11 -bg white -fg black -geometry $2x$3+0+0 -b 12 +sb \
            -e sh -c '$4; printf \"\\033[?25l\"; touch $1.ready; sleep 60' &
        until [ -e $1.ready ]; do sleep 0.2; done
        sleep 1
        import -window \"\$(xwininfo -root -tree | sed -n 's/^ *\\(0x[0-9a-f]*\\) \"miner\".*/\\1/p' | head -1)\" $1
        kill %1 2>/dev/null || true"
    rm -f "$1.ready"
}

export TERM=xterm-256color LC_ALL=C.UTF-8
screen docs/show.png 100 47 "$MINER show --top 7 --store $OUT/store"

page() { # PDF, picture: its first page, with a thin frame
    pdftoppm -r 70 -png -singlefile -f 1 -l 1 "$1" "${2%.png}"
    convert "$2" -bordercolor grey80 -border 1 "$2"
}

sandbox=""
[ "$(id -u)" -ne 0 ] || sandbox="--no-sandbox"
chromium --headless $sandbox --disable-gpu --hide-scrollbars --window-size=1180,900 --virtual-time-budget=4000 \
    --screenshot="$PWD/docs/report.png" "file://$(realpath "$OUT")/report.html" 2>/dev/null
page "$OUT/lesson/pupil.pdf" docs/sheet.png
page "$OUT/plan/plan.pdf" docs/plan.png
page "$(ls "$OUT"/pupils/pupil-*.pdf | head -1)" docs/pupil.png
