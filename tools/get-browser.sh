#!/bin/sh
# Makes sure that a Chromium is there for the tests of pages: MINER_BROWSER, the path; else the system's package.
# Where none can be had, those tests are skipped and say so.
set -eu

if [ -n "${MINER_BROWSER:-}" ]; then
    echo "Browser: $MINER_BROWSER (named by MINER_BROWSER)"
    exit 0
fi
for name in chromium chromium-browser google-chrome google-chrome-stable; do
    if command -v "$name" >/dev/null; then
        echo "Browser: $(command -v "$name")"
        exit 0
    fi
done

as_root=""
if [ "$(id -u)" -ne 0 ]; then
    if ! command -v sudo >/dev/null; then
        echo "No Chromium found: the tests of pages will be skipped" >&2
        exit 0
    fi
    as_root="sudo"
fi
if command -v apt-get >/dev/null; then
    echo "No Chromium found: installing the package chromium with apt-get"
    $as_root apt-get update -qq
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends chromium >/dev/null
elif command -v dnf >/dev/null; then
    echo "No Chromium found: installing the package chromium with dnf"
    $as_root dnf install -y -q chromium
else
    echo "No Chromium found: the tests of pages will be skipped" >&2
fi
